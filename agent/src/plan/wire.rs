//! How frames are written on the wire, and how commands that come over it prove whose they are.
//!
//! Plain data; decides nothing.

/// How frames and catalogue pages are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Encoding {
    /// JSON text.
    #[default]
    Json,
    /// Deterministic CBOR.
    Cbor,
}

/// How commands over MQTT prove whose they are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Commands {
    /// None are taken.
    #[default]
    Off,
    /// Signed with the person's key.
    Signed,
    /// By a topic that only the owner of a client certificate may publish to.
    Topic,
}
