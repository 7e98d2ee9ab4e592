//! The local page and its interface: what stands now, what was, and what a signed-in person may do about it.
//!
//! HTTP on a runtime of its own, so that nobody who looks can delay a link. Reads the core's board, asks the store through
//! its writer, and hands operator commands to the core's one door; it judges nothing. Read first: `API.md`, which is the
//! contract, and `routes`, the table both the router and the OpenAPI description are made from. Times are stamps, ms since
//! the Unix epoch. Never panics on what a client sends.

pub mod accounts;
mod act;
mod answer;
mod assets;
mod guard;
mod health;
mod links;
mod live;
mod log;
mod openapi;
mod overview;
mod person;
mod read;
mod readings;
mod routes;
mod rules;
mod secure;
mod serve;
mod sessions;
mod topology;
mod trouble;

use std::sync::atomic::AtomicUsize;
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use axum::extract::FromRef;

use crate::core::Door;
use crate::core::board::{Board, Happened};
use crate::field::stats::FieldStats;
use crate::plan::Plan;
use crate::store::Writer;
use crate::store::history::Recorder;

pub use serve::{Page, PageError};

/// Everything the routes read; cheap to clone by `Arc`.
#[derive(Debug)]
pub struct Shared {
    /// The plan.
    pub plan: Arc<Plan>,
    /// How many plans were in force since the start, this one included: a page that holds another loads everything anew.
    pub plan_number: u64,
    /// Numbers of the plan's points.
    pub ids: Vec<u32>,
    /// Its hash.
    pub catalogue_hash: String,
    /// What stands now.
    pub board: Arc<Board>,
    /// The way to the event store.
    pub writer: Writer,
    /// History, where it is kept.
    pub history: Option<Recorder>,
    /// Counters of the field.
    pub stats: Arc<FieldStats>,
    /// When the agent started.
    pub started: i64,
    /// Which points the drawing shows.
    pub(crate) overview: serde_json::Value,
    /// The way to the core, for what people do.
    pub door: Door,
    /// Whoever reaches the page may read: it listens on loopback only.
    pub open_reading: bool,
    /// Who is signed in.
    pub(crate) sessions: Arc<Mutex<sessions::Sessions>>,
    /// Live streams open now.
    pub(crate) streams: Arc<AtomicUsize>,
}

/// What the routes read now: another one when another plan is in force. Who has begun to answer goes on with the one it
/// has.
#[derive(Clone, Debug)]
pub struct Current(Arc<RwLock<Arc<Shared>>>);

impl Current {
    /// To begin with.
    #[must_use]
    pub fn new(shared: Shared) -> Self {
        Self(Arc::new(RwLock::new(Arc::new(shared))))
    }

    /// What the routes read now.
    #[must_use]
    pub fn get(&self) -> Arc<Shared> {
        Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Another plan is in force: who looks on is told to look again.
    pub fn follow(
        &self,
        plan: Arc<Plan>,
        ids: Vec<u32>,
        catalogue_hash: String,
        board: Arc<Board>,
        stats: Arc<FieldStats>,
    ) {
        let mut current = self.0.write().unwrap_or_else(PoisonError::into_inner);
        let before = Arc::clone(&current);
        *current = Arc::new(Shared {
            overview: overview::of(&plan),
            plan_number: before.plan_number.saturating_add(1),
            plan,
            ids,
            catalogue_hash,
            board,
            stats,
            writer: before.writer.clone(),
            history: before.history.clone(),
            started: before.started,
            door: before.door.clone(),
            open_reading: before.open_reading,
            sessions: Arc::clone(&before.sessions),
            streams: Arc::clone(&before.streams),
        });
        drop(current);
        before.board.happened(Happened::Replaced);
    }
}

impl FromRef<Current> for Arc<Shared> {
    fn from_ref(current: &Current) -> Self {
        current.get()
    }
}

impl Shared {
    /// Around what the service has made.
    #[must_use]
    #[allow(clippy::too_many_arguments)] // one of each room it reads
    pub fn new(
        plan: Arc<Plan>,
        ids: Vec<u32>,
        catalogue_hash: String,
        board: Arc<Board>,
        writer: Writer,
        stats: Arc<FieldStats>,
        door: Door,
        history: Option<Recorder>,
    ) -> Self {
        let overview = overview::of(&plan);
        Self {
            plan_number: 1,
            ids,
            catalogue_hash,
            board,
            writer,
            stats,
            started: now_ms(),
            overview,
            door,
            history,
            open_reading: plan.http.listen.is_some_and(|address| address.ip().is_loopback()),
            sessions: Arc::default(),
            streams: Arc::default(),
            plan,
        }
    }
}

/// Wall time, ms since the Unix epoch.
pub(crate) fn now_ms() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}
