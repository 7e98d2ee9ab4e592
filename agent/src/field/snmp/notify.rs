//! Takes SNMP traps and informs as hints: who has sent one is polled at once. Polling stays the truth.
//!
//! Nothing a notification says is used, only the address it comes from: a lost one costs nothing but time, a repeated
//! one a poll at most (`HINT_PAUSE` of the link), a forged one likewise. Informs are acknowledged by the library.
//! Communities are those of the links, and so are the users of version 3, who must authenticate. Never panics.
//!
//! To informs of version 3 this side is the authoritative engine (RFC 3414 §1.5.1): its id is made of site and module,
//! its boots of the wall clock's seconds, which rise over restarts without a file; after a clock set back, senders take
//! the engine for an older one until they discover it again.

use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use async_snmp::{
    AuthoritativeEngine, NotificationAcceptance, NotificationReceiver, PersistedAuthoritativeEngine, SecurityLevel,
};
use tokio::sync::{Notify, watch};

use super::super::why::Why;
use super::super::{Deliver, FieldMessage};
use super::Sockets;
use crate::plan::snmp::{Access, User};
use crate::plan::{Plan, Transport};

/// Wait before the port is tried again.
const BIND_AGAIN: Duration = Duration::from_secs(30);
/// 1 January 2025, the beginning of our boots' count: 68 years fit.
const BOOTS_SINCE_S: u64 = 1_735_689_600;

/// Who wants to know when an address has sent a notification.
#[derive(Debug, Default)]
pub(in crate::field) struct Hints(Mutex<Vec<(IpAddr, Weak<Notify>)>>);

impl Hints {
    /// A link's agent is at an address now. Links that have ended are forgotten.
    pub(super) fn register(&self, address: IpAddr, hint: &Arc<Notify>) {
        let mut links = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let other = |known: &Weak<Notify>| known.strong_count() > 0 && known.as_ptr() != Arc::as_ptr(hint);
        links.retain(|(_, known)| other(known));
        links.push((address.to_canonical(), Arc::downgrade(hint)));
    }

    /// Wakes every link whose agent is at this address; how many.
    fn wake(&self, address: IpAddr) -> usize {
        let links = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let there = links.iter().filter(|(known, _)| *known == address.to_canonical());
        there.filter_map(|(_, hint)| hint.upgrade()).map(|hint| hint.notify_one()).count()
    }
}

/// Receives until `stop` becomes true. A port that cannot be had is told once and tried again.
pub(in crate::field) async fn run(
    plan: Arc<Plan>,
    listen: SocketAddr,
    sockets: Arc<Sockets>,
    deliver: Deliver,
    mut stop: watch::Receiver<bool>,
) {
    let receive = async {
        let mut told = false;
        loop {
            match receiver(&plan, listen, &sockets).await {
                Ok(receiver) => {
                    told = false;
                    take(&receiver, &sockets).await;
                }
                Err(why) if !told => {
                    told = true;
                    let what = Why::NoNotifications { listen: listen.to_string(), why: why.into() };
                    deliver(FieldMessage::Notice { device: None, what, at: Instant::now() });
                }
                Err(_) => {}
            }
            tokio::time::sleep(BIND_AGAIN).await;
        }
    };
    tokio::select! {
        // An error means that the sender is gone, and with it the whole agent.
        _ = stop.wait_for(|stop| *stop) => {}
        () = receive => {}
    }
}

/// Takes notifications until the socket fails.
async fn take(receiver: &NotificationReceiver, sockets: &Sockets) {
    loop {
        match receiver.recv().await {
            Ok(received) => {
                let links = sockets.hints.wake(received.source.ip());
                tracing::debug!(source = %received.source, links, "notification");
            }
            Err(error) => {
                tracing::warn!(%error, "SNMP notifications are interrupted");
                return;
            }
        }
    }
}

async fn receiver(plan: &Plan, listen: SocketAddr, sockets: &Sockets) -> Result<NotificationReceiver, String> {
    let (communities, users) = known(plan);
    let any_community = !communities.is_empty();
    let mut builder = NotificationReceiver::builder().bind(listen.to_string()).communities(communities);
    for user in &users {
        let keys = sockets.keys(user).await.map_err(|unreached| unreached.to_string())?;
        builder = builder
            .usm_user(user.name.clone(), |known| known.with_master_keys(keys))
            .map_err(|error| format!("user {}: {error}", user.name))?;
    }
    if !users.is_empty() {
        builder = builder.authoritative_engine(engine(&plan.module.site, &plan.module.name)?);
    }
    let receiver = builder
        .acceptance_policy(move |notification| {
            let accepted = match notification.security_level {
                Some(level) => level >= SecurityLevel::AuthNoPriv,
                None => any_community, // versions 1 and 2c; the community was compared
            };
            if accepted { NotificationAcceptance::Accept } else { NotificationAcceptance::Reject }
        })
        .build()
        .await;
    receiver.map_err(|error| error.to_string())
}

/// Communities and users of the links, each once; of users with one name the first.
pub(in crate::field) fn known(plan: &Plan) -> (Vec<String>, Vec<User>) {
    let (mut communities, mut users): (Vec<String>, Vec<User>) = (Vec::new(), Vec::new());
    for link in &plan.links {
        match &link.transport {
            Transport::Snmp { access: Access::Community { community, .. }, .. } => {
                if !communities.iter().any(|known| known == community.reveal()) {
                    communities.push(community.reveal().to_owned());
                }
            }
            Transport::Snmp { access: Access::User(user), .. } => {
                if !users.iter().any(|known| known.name == user.name) {
                    users.push(user.clone());
                }
            }
            Transport::ModbusTcp { .. }
            | Transport::ModbusTls { .. }
            | Transport::Redfish(_)
            | Transport::ModbusRtuTcp { .. }
            | Transport::Serial { .. } => {}
        }
    }
    (communities, users)
}

/// RFC 3411 §5, SnmpEngineID: with the first bit clear twelve octets of the enterprise's own make; here, without an
/// enterprise number, of the digest of the module's name.
fn engine(site: &str, module: &str) -> Result<AuthoritativeEngine, String> {
    use sha2::{Digest, Sha256};
    let digest = Sha256::digest(format!("lapwing {site}/{module}").as_bytes());
    let mut id = digest.get(..12).unwrap_or(&[1; 12]).to_vec();
    if let Some(first) = id.first_mut() {
        *first &= 0x7F;
    }
    let since = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |at| at.as_secs()).saturating_sub(BOOTS_SINCE_S);
    let boots = u32::try_from(since).unwrap_or(0).clamp(1, i32::MAX.unsigned_abs() - 2);
    let before = PersistedAuthoritativeEngine::new(id, boots).map_err(|error| error.to_string())?;
    AuthoritativeEngine::restart(before, |_| Ok::<(), std::convert::Infallible>(())).map_err(|error| error.to_string())
}
