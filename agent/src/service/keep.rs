//! Starts the history with everything it writes about this start: configuration, catalogue, points.
//!
//! The agent goes on without a history that cannot be used: no alarm depends on it. None is kept while the event store is in
//! memory only. Never panics.

use super::*;
use crate::cause::Cause;
use crate::store::history::{Account, Beginning, Start};

/// Starts the history, or says why it cannot be used. The agent goes on without: no alarm depends on it.
pub(super) fn history(
    plan: &Plan,
    opened: &Opened,
    ids: &[u32],
    catalogue: &str,
    session: &Session,
) -> (Option<(Recorder, Found)>, Option<Cause>) {
    // The numbers of points of a store in memory are of this run only; on disk they would stand for others.
    let Some(limits) = plan.store.history.filter(|_| opened.memory_only.is_none()) else { return (None, None) };
    let clock = crate::core::clock::Clock::start();
    let Account { mode, catalogue, config, texts, points } = account(plan, ids, catalogue, session);
    let beginning = Beginning {
        data_dir: plan.store.dir.clone(),
        start: Start { log: opened.log.clone(), boot: opened.boot, mode, catalogue, config, ..Start::default() },
        texts,
        points,
        limits,
        wall_ms: clock.wall(clock.now()),
        synced: clock.synced(),
    };
    match Recorder::start(beginning) {
        Ok(started) => (Some(started), None),
        Err(error) => {
            tracing::error!("history is not kept: {error}");
            (None, Some(error.cause()))
        }
    }
}

/// What history keeps about a plan.
pub(super) fn account(plan: &Plan, ids: &[u32], catalogue: &str, session: &Session) -> Account {
    let digest: String = plan.digest.iter().map(|byte| format!("{byte:02x}")).collect();
    let pages: Vec<(&str, serde_json::Value)> = session
        .catalogue
        .iter()
        .map(|(topic, payload)| (topic.as_str(), String::from_utf8_lossy(payload).into_owned().into()))
        .collect();
    let texts = [
        ("config", &digest, serde_json::to_vec(&plan.source)),
        ("catalogue", &catalogue.to_owned(), serde_json::to_vec(&pages)),
    ];
    Account {
        mode: serde_json::to_value(plan.module.mode)
            .ok()
            .and_then(|mode| mode.as_str().map(str::to_owned))
            .unwrap_or_default(),
        catalogue: catalogue.to_owned(),
        config: digest.clone(),
        texts: texts
            .into_iter()
            .filter_map(|(kind, digest, text)| {
                // Kept for every file of history to come.
                let mut text = text.ok()?;
                text.shrink_to_fit();
                Some((kind.to_owned(), digest.clone(), text))
            })
            .collect(),
        points: ids.iter().copied().zip(keys(plan)).collect(),
    }
}
