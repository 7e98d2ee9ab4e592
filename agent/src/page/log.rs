//! What was: the event log, asked through the store's writer so that its one connection stays the only one.
//!
//! Changes nothing. Never panics.

use std::sync::Arc;

use axum::Json;
use axum::extract::Query;
use axum::extract::State;
use axum::extract::rejection::QueryRejection;
use lapwing_protocol::Event;
use schemars::JsonSchema;
use serde::Deserialize;

use super::Shared;
use super::answer::Events;
use super::trouble::Trouble;

/// Events answered when nothing is said.
const USUAL: u32 = 200;
/// Most events in one answer.
const MOST: u32 = 1000;

/// Which events.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct EventsQuery {
    /// Only numbers above this, oldest first.
    pub after: Option<u64>,
    /// Only numbers below this; the newest of them.
    pub before: Option<u64>,
    /// At most so many, 1 to 1000.
    #[schemars(range(min = 1, max = 1000))]
    pub limit: Option<u32>,
    /// Only this kind: `alarm`, `operator`, `link`, ….
    pub kind: Option<String>,
    /// Only of this alarm.
    pub alarm: Option<String>,
}

/// `GET /api/events`.
pub(super) async fn events(
    State(shared): State<Arc<Shared>>,
    query: Result<Query<EventsQuery>, QueryRejection>,
) -> Result<Json<Events>, Trouble> {
    let Query(query) = query.map_err(|error| Trouble::Malformed(format!("{}.", error.body_text())))?;
    let limit = query.limit.unwrap_or(USUAL);
    if !(1..=MOST).contains(&limit) {
        return Err(Trouble::Malformed(format!("limit is {limit}; it must be 1 to {MOST}.")));
    }
    if query.after.is_some() && query.before.is_some() {
        return Err(Trouble::Malformed("Give after or before, not both.".into()));
    }
    let log = shared.board.head().log;
    let wanted = query.clone();
    let rows = super::serve::blocking(move || shared.writer.call(move |store| page(store, &wanted, limit))).await???;
    let events = rows.iter().filter_map(|payload| serde_json::from_slice::<Event>(payload).ok()).collect();
    Ok(Json(Events { log, events }))
}

/// Payloads of the events asked for, oldest first. What is not wanted is read over, a thousand rows at a time.
fn page(
    store: &crate::store::Store,
    query: &EventsQuery,
    limit: u32,
) -> Result<Vec<Vec<u8>>, crate::store::StoreError> {
    const AT_ONCE: u32 = 1000;
    let limit = usize::try_from(limit).unwrap_or(usize::MAX);
    let wanted = |kind: &str, payload: &[u8]| {
        query.kind.as_deref().is_none_or(|asked| asked == kind)
            && query.alarm.as_deref().is_none_or(|asked| {
                serde_json::from_slice::<serde_json::Value>(payload).is_ok_and(|event| event["alarm"] == asked)
            })
    };
    let mut found = Vec::new();
    if let Some(after) = query.after {
        let mut from = after;
        loop {
            let rows = store.events_after(from, AT_ONCE)?;
            let Some(last) = rows.last() else { return Ok(found) };
            from = last.seq;
            found.extend(rows.into_iter().filter(|row| wanted(&row.kind, &row.payload)).map(|row| row.payload));
            if found.len() >= limit {
                found.truncate(limit);
                return Ok(found);
            }
        }
    }
    let mut below = query.before.unwrap_or(u64::MAX);
    loop {
        let rows = store.events_before(below, AT_ONCE)?;
        let Some(first) = rows.last() else { break };
        below = first.seq;
        found.extend(rows.into_iter().filter(|row| wanted(&row.kind, &row.payload)).map(|row| row.payload));
        if found.len() >= limit {
            found.truncate(limit);
            break;
        }
    }
    found.reverse();
    Ok(found)
}
