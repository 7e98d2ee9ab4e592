//! Asks an agent what it is, outside any polling: `sysDescr`.
//!
//! One GET in the link's own version and name. Never panics. RFC 3418 (sysDescr).

use std::sync::Arc;

use async_snmp::{Oid, Value};
use tokio::sync::Notify;

use super::client::Agent as _;
use super::{Address, Sockets};
use crate::field::failure::Failure;
use crate::field::identify::{NoIdentity, printable};

/// sysDescr.0.
const SYS_DESCR: [u32; 9] = [1, 3, 6, 1, 2, 1, 1, 1, 0];

/// What an agent says of itself.
pub(in crate::field) async fn describe(address: &Address) -> Result<String, NoIdentity> {
    let sockets = Sockets::default();
    let reached = sockets.reach(address, &Arc::new(Notify::new())).await;
    let mut agent = reached.map_err(|unreached| NoIdentity::NotAsked(unreached.to_string()))?;
    let said = agent.get(&[Oid::from_slice(&SYS_DESCR)]).await.map_err(|failure| match failure {
        Failure::Silence { timeout_ms } => NoIdentity::Silence { timeout_ms },
        other => NoIdentity::NotAsked(other.to_string()),
    })?;
    match said.first() {
        Some(Value::OctetString(bytes)) => Ok(printable(bytes)),
        Some(_) | None => Err(NoIdentity::Damaged),
    }
}
