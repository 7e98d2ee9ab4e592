//! The power path for the drawing: tiers from the top, what feeds each, and which points belong to them.
//!
//! Points are found by the paths the agent gives derived points of a tier. Changes nothing. Never panics.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use schemars::JsonSchema;
use serde::Serialize;

use super::Shared;
use crate::plan::Plan;
use crate::plan::topology::Tier;

/// `GET /api/topology`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct TopologyAnswer {
    /// From the mains down; empty where none is configured.
    tiers: Vec<TierRow>,
}

/// A tier.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct TierRow {
    /// `main`, `busway`, `tapoff`, `pdu` or `rack`.
    kind: String,
    /// Name.
    name: String,
    /// `A` or `B`; absent for mains and racks.
    #[serde(skip_serializing_if = "Option::is_none")]
    side: Option<String>,
    /// Names of what feeds it.
    fed_by: Vec<String>,
    /// Rating of its breaker, A; 0 for a rack.
    rating_a: f64,
    /// Part of the rating that may be carried for hours.
    limit: f64,
    /// Points by role: `l1_current`, `l1_failover`, …, `power`.
    points: BTreeMap<String, String>,
}

/// `GET /api/topology`.
pub(super) async fn topology(State(shared): State<Arc<Shared>>) -> Json<TopologyAnswer> {
    let tiers = &shared.plan.topology.tiers;
    let rows = tiers.iter().map(|tier| TierRow {
        kind: tier.kind.section().into(),
        name: tier.name.clone(),
        side: tier.side.map(|side| side.letter().to_string()),
        fed_by: tier.fed_by.iter().filter_map(|at| tiers.get(*at)).map(|above| above.name.clone()).collect(),
        rating_a: tier.rating_a,
        limit: tier.limit,
        points: points(&shared.plan, tier),
    });
    Json(TopologyAnswer { tiers: rows.collect() })
}

fn points(plan: &Plan, tier: &Tier) -> BTreeMap<String, String> {
    let Some(meter) = &tier.meter else { return BTreeMap::new() };
    let has = |path: String| plan.points.iter().any(|point| point.path == path).then_some(path);
    let mut found = BTreeMap::new();
    for phase in ["l1", "l2", "l3"] {
        for (role, end) in [("current", "current"), ("failover", "failover-current")] {
            if let Some(path) = has(format!("{meter}/{phase}/{end}")) {
                found.insert(format!("{phase}_{role}"), path);
            }
        }
    }
    if let Some(path) = has(format!("{meter}/power")) {
        found.insert("power".into(), path);
    }
    found
}
