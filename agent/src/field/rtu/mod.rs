//! Modbus RTU: on serial lines, and over TCP through gateways that pass the frames on.
//!
//! `frame` knows bytes and no time, `line` knows wires and no frames, `master` puts both together and keeps the
//! silences, `overhear` understands what others say, `listen` only hears. An RTU reply does not say which request it answers; what that means is told in `master`.

pub mod frame;
pub mod line;
pub(super) mod listen;
pub(super) mod master;
pub mod overhear;
