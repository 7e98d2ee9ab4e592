//! The agent as a whole: starts every room in order and stops them in reverse.
//!
//! Order of starting: store, publisher, core, links, so that a message never misses its receiver; the links stop first
//! and the store last. Threads: the core's, the store's writer, one runtime for links and MQTT, one a serial line.
//! Decides order and wiring, nothing else. Never panics.

mod durable;
mod keep;
mod reload;
mod session;
mod tell;
mod threads;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use lapwing_protocol::catalogue;
use lapwing_protocol::event::Detail;
use lapwing_protocol::{
    EncodingError, Event, EventLast, Mode, Presence, PresenceState, SCHEMA, StoreChange, Topics, Word,
};

use crate::core::board::Board;
use crate::core::clock::rfc3339;
use crate::core::figures::Summary;
use crate::core::frames::encoding;
use crate::core::held::Held;
use crate::core::run::{Alive, CoreError, Inputs, Renew, Told, Ways};
use crate::core::{Applied, Door, Message};
use crate::field::{self, Running};
use crate::late::Late;
use crate::memory::give_back;
use crate::page::{Current, Page, PageError, Shared};
use crate::plan::Plan;
use crate::publish::{HandInError, Lost, Publisher, Session};
use crate::store::history::{Found, Reader, Recorder};
use crate::store::{Opened, PointKey, Store, StoreError, Writer};
use crate::words::{Words, filled};

use durable::Hearers;
pub use reload::ReloadError;
use session::renewed;
pub(crate) use session::session;
pub(crate) use threads::RuntimeThread;
use threads::core_thread;

/// How long a clean end may take on the broker's side.
const GOODBYE: Duration = Duration::from_secs(3);

/// Why the agent could not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The store could not be opened.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A catalogue page could not be made.
    #[error("the catalogue could not be made: {0}")]
    Catalogue(#[from] EncodingError),
    /// Site or module is no topic segment.
    #[error(transparent)]
    Name(#[from] lapwing_protocol::NameError),
    /// A packet of the session can never be published.
    #[error(transparent)]
    Packet(#[from] HandInError),
    /// The page's thread could not be started.
    #[error(transparent)]
    Page(#[from] PageError),
    /// The host gave no thread or event loop.
    #[error("the host gave no thread or event loop: {0}")]
    Host(#[from] std::io::Error),
}

/// The running agent.
#[derive(Debug)]
pub struct Service {
    plan: Arc<Plan>,
    /// What the store held at the start.
    opened: Opened,
    board: Arc<Board>,
    catalogue: String,
    door: Door,
    core: JoinHandle<Result<Summary, CoreError>>,
    field: Running,
    publisher: Publisher,
    writer: Writer,
    recorder: Option<Recorder>,
    late: Option<Late>,
    tellers: tell::Tellers,
    runtime: RuntimeThread,
    page: Option<(Page, Current)>,
    page_address: Option<SocketAddr>,
    /// Told when the agent should end and start anew.
    anew: Arc<tokio::sync::Notify>,
    /// Directory and size limit of the store that could not be opened.
    missing: Option<(PathBuf, u32)>,
}

impl Service {
    /// Starts everything. `told` hears what a person or program follows beside MQTT.
    ///
    /// # Errors
    /// When store, catalogue or host do not allow it; nothing runs then.
    pub fn start(plan: Plan, told: flume::Sender<Told>) -> Result<Self, StartError> {
        let mut plan = plan;
        let (mut store, mut opened) = open(&plan)?;
        crate::core::marks::recall(&mut plan, &opened.marks);
        let plan = Arc::new(plan);
        let ids = store.point_ids(&keys(&plan))?;
        let (session, catalogue) = session(&plan, &opened, &ids)?;
        let board = Arc::new(Board::new(plan.points.len()));
        board.set_head(|head| {
            head.log.clone_from(&opened.log);
            head.boot = opened.boot;
            head.mode = plan.module.mode;
        });
        let (history, no_history) = keep::history(&plan, &opened, &ids, &catalogue, &session);
        let gone = store.retained(&retained_topics(&plan))?;
        let runtime = RuntimeThread::start()?;
        let shown_ids = ids.clone();
        let (door, receiver) = Door::new();
        let sender: Arc<OnceLock<Publisher>> = Arc::default();
        let held = Arc::new(Held::default());
        let mut tellers = tell::Tellers::default();
        let hearers = Hearers {
            told: told.clone(),
            board: Arc::clone(&board),
            held: Arc::clone(&held),
            tell: tellers.way_in(),
            publisher: Arc::clone(&sender),
        };
        let writer = store.spawn_writer(move |durable| hearers.hear(durable))?;
        let to_core = door.clone();
        let publisher =
            Publisher::start(&runtime.handle, plan.mqtt.clone(), session.clone(), writer.clone(), move |notice| {
                to_core.hand_in(Message::Broker(notice));
            })?;
        for topic in gone {
            if let Err(error) = publisher.clear(topic) {
                tracing::warn!(%error, "a topic of a removed alarm or point could not be cleared");
            }
        }
        // Only this call fills it.
        let _filled = sender.set(publisher.clone());

        tellers.start(&plan, std::mem::take(&mut opened.tellings), &writer, &board, &door)?;
        let missing = opened.memory_only.is_some().then_some(plan.store.max_mib);
        let host = crate::core::health::Host::watch(&plan.store.dir, missing)?;
        let anew = Arc::new(tokio::sync::Notify::new());
        let recorder = history.as_ref().map(|(recorder, _)| recorder.clone());
        let late = match &history {
            Some((recorder, found)) => Some(Late::start(
                Reader::new(&plan.store.dir),
                recorder.clone(),
                publisher.clone(),
                encoding(&plan),
                found.number,
            )?),
            None => None,
        };
        let kept = opened.clone();
        tell::commands(&plan, &publisher, &door)?;
        // The links are started after the core, and what a person confirms reaches them through their counters.
        let counters: Arc<Mutex<Arc<field::FieldStats>>> = Arc::default();
        let core = {
            let (writer, asks) = (writer.clone(), Arc::clone(&anew));
            let to_links = Arc::clone(&counters);
            let confirm = Box::new(move |device| {
                to_links.lock().unwrap_or_else(PoisonError::into_inner).confirm(device);
            });
            let renew = renew(session, &publisher, opened.boot, &catalogue);
            let applied = Applied {
                plan: Arc::clone(&plan),
                ids,
                catalogue: catalogue.clone(),
                board: Arc::clone(&board),
                renew,
                account: None,
                links: Vec::new(),
                gone: Vec::new(),
                in_force: None,
            };
            let ways = Ways {
                publisher: publisher.clone(),
                receiver,
                door: door.clone(),
                told,
                alive,
                held,
                confirm,
                tell_directly: Box::new(tellers.way_in()),
                anew: Box::new(move || asks.notify_one()),
            };
            core_thread(Inputs { applied, opened, host, writer, ways, history, no_history })?
        };
        let to_core = door.clone();
        let deliver: field::Deliver = Arc::new(move |message| to_core.hand_in(Message::Field(message)));
        let field = Running::start(Arc::clone(&plan), &runtime.handle, deliver, counters);
        let (page, page_address) = match plan.http.listen {
            Some(address) => {
                let (writer, door, history) = (writer.clone(), door.clone(), recorder.clone());
                let shared = Shared::new(
                    Arc::clone(&plan),
                    shown_ids,
                    catalogue.clone(),
                    Arc::clone(&board),
                    writer,
                    field.stats(),
                    door,
                    history,
                );
                let current = Current::new(shared);
                let (page, bound) = serve(current.clone(), address)?;
                (Some((page, current)), bound)
            }
            None => (None, None),
        };
        let missing = missing.map(|max_mib| (plan.store.dir.clone(), max_mib));
        // Reading the configuration and opening the store took many times what lasts.
        give_back();
        Ok(Self {
            plan,
            opened: kept,
            board,
            catalogue,
            door,
            core,
            field,
            publisher,
            writer,
            recorder,
            late,
            tellers,
            runtime,
            page,
            page_address,
            anew,
            missing,
        })
    }

    /// The plan in force.
    #[must_use]
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// What shows how points and alarms stand.
    #[must_use]
    pub fn board(&self) -> &Board {
        &self.board
    }

    /// The way into the core.
    #[must_use]
    pub const fn door(&self) -> &Door {
        &self.door
    }

    /// Where the page is served; `None` when it is off or its address is taken.
    #[must_use]
    pub const fn page_address(&self) -> Option<SocketAddr> {
        self.page_address
    }

    /// Notified when the agent should be stopped and started anew: the disk of its store is there again.
    #[must_use]
    pub fn anew(&self) -> Arc<tokio::sync::Notify> {
        Arc::clone(&self.anew)
    }

    /// Stops everything in order and says what the run did.
    #[must_use]
    pub fn stop(self) -> Summary {
        let Self {
            plan: _,
            opened: _,
            board: _,
            catalogue: _,
            door,
            core,
            field,
            publisher,
            writer,
            recorder,
            late,
            tellers,
            runtime,
            page,
            page_address: _,
            anew: _,
            missing,
        } = self;
        if let Some((page, _)) = page {
            page.stop();
        }
        field.stop();
        door.hand_in_surely(Message::Stop);
        let mut summary = match core.join() {
            Ok(Ok(summary)) => summary,
            Ok(Err(error)) => {
                tracing::error!(%error, "the core could not run");
                Summary::default()
            }
            Err(_panic) => {
                tracing::error!("the core ended by a panic; please report this");
                Summary::default()
            }
        };
        if let Some(late) = late {
            late.stop();
        }
        tellers.stop();
        // The last events must have reached the publisher before it is told to end.
        // In a volatile log they were there at once, and nothing waits for a disk that does not answer.
        let answers = writer.state().volatile.is_none();
        if answers && let Err(error) = writer.call(|_| ()) {
            tracing::warn!(%error, "the last events may not be on disk yet");
        }
        publisher.stop();
        if !publisher.wait_stopped(GOODBYE) {
            tracing::warn!("the broker was not told goodbye in time; its will says that the agent is gone");
        }
        if let Some(recorder) = recorder {
            recorder.stop();
        }
        summary.unsent_events = writer.state().unsent;
        let oldest = answers.then(|| writer.call(|store| store.unsent(0, 1)));
        summary.oldest_unsent_event_s = match oldest {
            Some(Ok(Ok(rows))) => rows.first().map_or(0.0, |row| age_s(row.t_ms)),
            Some(Ok(Err(_)) | Err(_)) | None => 0.0,
        };
        if let Some((dir, max_mib)) = missing {
            match writer.call(move |store| store.copy_into(&dir, max_mib)) {
                Ok(Ok(events)) => tracing::info!(events, "what was only in memory is in the event store now"),
                Ok(Err(error)) | Err(error) => tracing::error!("events were only in memory and end with it: {error}"),
            }
        }
        let lost = writer.stop();
        if lost > 0 {
            tracing::error!(lost, "commits could not be made durable before the end");
        }
        runtime.stop();
        summary
    }
}

/// The store on disk; where the disk cannot be used at all, one in memory: alarms come first. What is a mistake in the
/// settings, or another agent on the same store, is refused.
fn open(plan: &Plan) -> Result<(Store, Opened), StartError> {
    let why = match Store::open_or_begin_anew(&plan.store.dir, plan.store.max_mib) {
        Ok(opened) => return Ok(opened),
        Err(
            error @ (StoreError::Directory { .. }
            | StoreError::Full { .. }
            | StoreError::Disk { .. }
            | StoreError::Damaged { .. }
            | StoreError::Sql { .. }),
        ) => error.cause(),
        Err(
            error @ (StoreError::InUse { .. }
            | StoreError::Foreign { .. }
            | StoreError::Newer { .. }
            | StoreError::Moved { .. }
            | StoreError::Another { .. }
            | StoreError::Random(_)
            | StoreError::Thread(_)
            | StoreError::NoAnswer { .. }
            | StoreError::Stopped),
        ) => return Err(error.into()),
    };
    tracing::error!("{why}; events are kept in memory only");
    Ok(Store::in_memory(why, &crate::store::snapshot::standing(&plan.store.dir))?)
}

pub(crate) fn keys(plan: &Plan) -> Vec<PointKey> {
    plan.points
        .iter()
        .map(|point| PointKey {
            path: point.path.clone(),
            quantity: point.quantity.clone(),
            unit: point.unit.clone(),
            exponent: point.exponent,
        })
        .collect()
}

/// Topics below the base that stay at the broker while this plan is in force.
fn retained_topics(plan: &Plan) -> Vec<String> {
    let alarms = plan.alarms.iter().map(|alarm| format!("alarm/{}", alarm.id));
    let points = plan.points.iter().map(|point| format!("point/{}", point.path));
    alarms.chain(points).collect()
}

/// Lets presence and will name a log and a mode, with this session's catalogue.
fn renew(session: Session, publisher: &Publisher, boot: u64, catalogue: &str) -> Renew {
    let (publisher, catalogue) = (publisher.clone(), catalogue.to_owned());
    Box::new(move |log: &str, mode: Mode, anew: bool| {
        if let Err(error) = renewed(mode, &session, &publisher, (log, anew), boot, &catalogue) {
            tracing::error!(%error, "presence could not be renewed; please report this");
        }
    })
}

/// Serves the page. An address that is taken is said and tried again: the agent judges without a page too.
fn serve(current: Current, address: SocketAddr) -> Result<(Page, Option<SocketAddr>), StartError> {
    let bound = match Page::bind(address) {
        Ok(listener) => Some(listener),
        Err(error) => {
            tracing::error!(%error, "no page yet");
            None
        }
    };
    let at = bound.as_ref().and_then(|listener| listener.local_addr().ok());
    Ok((Page::start(current, address, bound)?, at))
}

fn age_s(t_ms: i64) -> f64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_millis());
    let age = i64::try_from(now).unwrap_or(i64::MAX).saturating_sub(t_ms).max(0);
    #[allow(clippy::cast_precision_loss)]
    let seconds = age as f64 / 1000.0;
    seconds
}

/// Tells the service manager, where there is one.
fn alive(alive: Alive) {
    let state = match alive {
        Alive::Ready => sd_notify::NotifyState::Ready,
        Alive::Progress => sd_notify::NotifyState::Watchdog,
    };
    // Without a service manager there is nobody to tell.
    let _nobody = sd_notify::notify(&[state]);
}
