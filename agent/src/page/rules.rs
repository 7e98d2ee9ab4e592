//! The declared suppressions: what each hides and why, whether a person starts it, and until when it is in force.
//!
//! Reads plan and board; starting and ending are actions (`act`). Times are stamps, durations seconds. Never panics.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use schemars::JsonSchema;
use serde::Serialize;

use super::Shared;

/// `GET /api/suppress`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Rules {
    /// In the configuration's order.
    rules: Vec<RuleRow>,
}

/// A rule.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct RuleRow {
    /// Name.
    name: String,
    /// Why its alarms mean nothing then.
    text: String,
    /// A person starts and ends it; otherwise it holds by itself.
    by_hand: bool,
    /// Longest time it may hide at a stretch, s.
    at_most_s: u64,
    /// Until when it is in force; absent while it is not.
    #[serde(skip_serializing_if = "Option::is_none")]
    until: Option<i64>,
    /// Alarms it hides.
    alarms: Vec<String>,
}

/// `GET /api/suppress`.
pub(super) async fn rules(State(shared): State<Arc<Shared>>) -> Json<Rules> {
    Json(Rules { rules: rows(&shared) })
}

/// Every rule as it stands.
pub(super) fn rows(shared: &Shared) -> Vec<RuleRow> {
    let until = shared.board.rules();
    let rows = shared.plan.suppress.iter().enumerate().map(|(at, rule)| RuleRow {
        name: rule.name.clone(),
        text: rule.text.clone(),
        by_hand: rule.when.is_none(),
        at_most_s: rule.at_most.as_secs(),
        until: until.get(at).copied().flatten(),
        alarms: rule
            .alarms
            .iter()
            .filter_map(|alarm| shared.plan.alarms.get(usize::try_from(*alarm).ok()?))
            .map(|alarm| alarm.id.clone())
            .collect(),
    });
    rows.collect()
}
