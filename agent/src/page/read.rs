//! What stands now: who the agent is, its points, their values, its alarms, its power path.
//!
//! Reads the board and the plan; changes nothing. Never panics.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::HeaderMap;
use lapwing_protocol::{AlarmRecord, Decimal};

use super::answer::{About, AboutHistory, AboutStore, Alarms, Now, Person, PointRow, Points, ValueRow};
use super::{Shared, now_ms, person};
use crate::core::board::Shown;

/// `GET /api/about`.
pub(super) async fn about(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Json<About> {
    let session = person::signed_in(&shared, &headers);
    let head = shared.board.head();
    let store = shared.writer.state();
    let history = shared.history.as_ref().map(crate::store::history::Recorder::state);
    Json(About {
        site: shared.plan.module.site.clone(),
        module: shared.plan.module.name.clone(),
        version: env!("CARGO_PKG_VERSION").into(),
        mode: head.mode_word().into(),
        mode_until: head.mode_until,
        log: head.log,
        boot: head.boot,
        started: shared.started,
        clock_synced: head.clock_synced,
        catalogue: shared.catalogue_hash.clone(),
        store: AboutStore { durable: store.failing.is_none(), unsent: store.unsent, waiting: store.waiting },
        history: history.map(|history| AboutHistory {
            bytes: history.bytes,
            durable: history.failing.is_none(),
            dropped: history.dropped,
        }),
        csrf: session.as_ref().map(|session| session.token.clone()),
        signed_in: session.map(|session| Person { name: session.name, role: session.role.word().into() }),
        overview: shared.overview.clone(),
    })
}

/// `GET /api/points`.
pub(super) async fn points(State(shared): State<Arc<Shared>>) -> Json<Points> {
    let mut alarms: BTreeMap<u32, Vec<String>> = BTreeMap::new();
    for alarm in &shared.plan.alarms {
        alarms.entry(alarm.point).or_default().push(alarm.id.clone());
    }
    let derived: std::collections::BTreeSet<u32> = shared.plan.derived.iter().map(|derived| derived.point).collect();
    let points = (0u32..).zip(shared.plan.catalogue(&shared.ids)).map(|(index, point)| PointRow {
        point,
        derived: derived.contains(&index),
        alarms: alarms.remove(&index).unwrap_or_default(),
    });
    Json(Points { catalogue: shared.catalogue_hash.clone(), points: points.collect() })
}

/// `GET /api/now`.
pub(super) async fn now(State(shared): State<Arc<Shared>>) -> Json<Now> {
    Json(Now { t: now_ms(), mode: shared.board.head().mode_word().into(), values: values(&shared, 0) })
}

/// `GET /api/alarms`.
pub(super) async fn alarms(State(shared): State<Arc<Shared>>) -> Json<Alarms> {
    let alarms = shared.board.alarms();
    let alarms = alarms.iter().filter_map(|record| match serde_json::from_slice::<AlarmRecord>(record) {
        Ok(record) => Some(record),
        Err(error) => {
            tracing::error!(%error, "an alarm's record could not be read back; please report this");
            None
        }
    });
    Json(Alarms { alarms: alarms.collect(), figures: shared.board.asked() })
}

/// Rows of what changed after a change number.
pub(super) fn values(shared: &Shared, since: u64) -> Vec<ValueRow> {
    shared.board.since(since).filter_map(|shown| row(shared, shown)).collect()
}

fn row(shared: &Shared, shown: Shown) -> Option<ValueRow> {
    let at = usize::try_from(shown.point).ok()?;
    let (about, id) = (shared.plan.points.get(at)?, shared.ids.get(at)?);
    Some((*id, shown.value.map(|value| Decimal::new(value, about.exponent)), shown.status.number(), shown.t))
}
