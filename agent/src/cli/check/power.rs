//! The power distribution as `lapwing check` prints it: who feeds whom, what each may carry, where a meter is.
//!
//! Plain lines, indented by tier; a tap-off with all behind it is one line. Knows no readings. Never panics.

use crate::plan::topology::{Side, TierKind, Topology};

/// For people; empty without a topology.
pub(super) fn in_words(topology: &Topology) -> String {
    if topology.tiers.is_empty() {
        return String::new();
    }
    let count = |kind| topology.of(kind).count();
    let dual = topology.of(TierKind::Rack).filter(|rack| topology.is_dual(*rack)).count();
    let mut text = format!(
        "\nPower distribution: {} main, {} busways in {} pairs, {} tap-offs, {} PDUs, {} racks, {dual} of them on both sides\n",
        count(TierKind::Main),
        count(TierKind::Busway),
        topology.pairs().len(),
        count(TierKind::Tapoff),
        count(TierKind::Pdu),
        count(TierKind::Rack),
    );
    for main in topology.of(TierKind::Main) {
        text.push_str(&format!("  {}\n", described(topology, main)));
        for below in topology.feeds(main) {
            text.push_str(&format!("    {}\n", described(topology, below)));
            for branch in topology.feeds(below) {
                text.push_str(&format!("      {}\n", branch_in_words(topology, branch)));
            }
        }
    }
    text
}

/// The same for programs.
pub(super) fn in_json(topology: &Topology) -> serde_json::Value {
    let name = |at: &usize| topology.tiers[*at].name.as_str();
    let tier = |tier: &crate::plan::topology::Tier| {
        serde_json::json!({
            "tier": tier.kind.section(),
            "name": tier.name,
            "side": tier.side.map(|side| match side { Side::A => "a", Side::B => "b" }),
            "fed_by": tier.fed_by.iter().map(name).collect::<Vec<_>>(),
            "rating_a": (tier.rating_a > 0.0).then_some(tier.rating_a),
            "limit": (tier.rating_a > 0.0).then_some(tier.limit),
            "meter": tier.meter,
            "source_kw": tier.source_kw,
        })
    };
    serde_json::json!({
        "tiers": topology.tiers.iter().map(tier).collect::<Vec<_>>(),
        "busway_pairs": topology.pairs().iter().map(|(a, b)| [name(a), name(b)]).collect::<Vec<_>>(),
    })
}

/// A tier and all behind it in one line: `tap-off a2/1, 63 A (80 %), metered → PDU 07/a, 63 A (80 %), metered → rack 07`.
fn branch_in_words(topology: &Topology, at: usize) -> String {
    let below: Vec<String> = topology.feeds(at).map(|below| branch_in_words(topology, below)).collect();
    let own = described(topology, at);
    match below.as_slice() {
        [] => own,
        [one] => format!("{own} → {one}"),
        several => format!("{own} → ({})", several.join("; ")),
    }
}

fn described(topology: &Topology, at: usize) -> String {
    let tier = &topology.tiers[at];
    if tier.kind == TierKind::Rack {
        let on = if topology.is_dual(at) { "" } else { " (one side only)" };
        return format!("{}{on}", tier.called());
    }
    let mut text = format!("{}, {} A ({:.0} %)", tier.called(), tier.rating_a, tier.limit * 100.0);
    if let (TierKind::Busway, Some(side)) = (tier.kind, tier.side) {
        text.push_str(&format!(", side {}", side.letter()));
    }
    if let Some(kw) = tier.source_kw {
        text.push_str(&format!(", source {kw} kW"));
    }
    text.push_str(if tier.meter.is_some() { ", metered" } else { ", NO METER" });
    text
}
