//! Which racks hang on what an alarm is about: what the topology knows is said in the alarm's sentence.
//!
//! `{feeds}` in a text becomes the racks below the tier whose meter the point belongs to. Where no text of an alarm has it,
//! and load or redundancy is at stake, the sentence names them by itself, unless its tier is a PDU, which stands in its rack
//! and is called by it. Never panics.

use lapwing_protocol::Impact;

use crate::config::items::alarm::{AlarmItem, TEXTS};
use crate::config::mistake::Report;
use crate::config::pattern::{Captures, placeholders};
use crate::config::wrong::OfTiers;
use crate::plan::topology::{Tier, TierKind, Topology};
use crate::words::{Feeds, filled};

/// The gap's name.
const GAP: &str = "feeds";

/// What feeds whom, and how it is said.
pub(crate) struct Fed<'a> {
    pub(crate) topology: &'a Topology,
    pub(crate) words: &'a Feeds,
}

/// What is said after an alarm's sentence.
pub(super) struct After<'a> {
    frame: Option<&'a str>,
    racks: String,
}

impl Fed<'_> {
    /// Fills the gap, where a text has it; says what is to follow the sentence, where none has.
    pub(super) fn filled(&self, item: &AlarmItem, path: &str, values: &mut Captures, report: &mut Report) -> After<'_> {
        let tier = self.topology.tier_of(path);
        let racks = tier.map(|tier| self.topology.racks(tier)).unwrap_or_default();
        let said = self.racks(&racks);
        let wanting = item.texts.iter().zip(TEXTS).filter(|(text, _)| placeholders(&text.value).contains(&GAP));
        let mut has_gap = false;
        for (text, key) in wanting {
            has_gap = true;
            if racks.is_empty() {
                let wrong = OfTiers::FeedsNoRack { point: path.to_string() };
                report.wrong(text.place, format!("{}.{key}", item.label), wrong);
            }
        }
        values.push((GAP.to_string(), said.clone()));
        let at_stake = match item.impact {
            Impact::LoadAtRisk | Impact::RedundancyLost => true,
            Impact::Degraded | Impact::None => false,
        };
        let is_pdu = tier.is_some_and(|tier| self.topology.tiers[tier].kind == TierKind::Pdu);
        let frame = (at_stake && !has_gap && !is_pdu && !racks.is_empty()).then_some(if racks.len() == 1 {
            &self.words.after_one
        } else {
            &self.words.after_several
        });
        After { frame: frame.map(String::as_str), racks: said }
    }

    fn racks(&self, racks: &[&Tier]) -> String {
        let name = |tier: &&Tier| match &tier.tag {
            Some(tag) if *tag != tier.name => format!("{} ({tag})", tier.name),
            Some(_) | None => tier.name.clone(),
        };
        let names = racks.iter().map(name).collect::<Vec<_>>().join(", ");
        let all = self.topology.of(TierKind::Rack).count();
        let count = racks.len().to_string();
        let sentence = match racks.len() {
            1 => &self.words.one,
            several if several == all => &self.words.all,
            _ => &self.words.several,
        };
        filled(sentence, &[("names", &names), ("count", &count)])
    }
}

impl After<'_> {
    /// The sentence with its racks.
    pub(super) fn said_after(&self, text: String) -> String {
        match self.frame {
            Some(frame) => filled(frame, &[("sentence", text.trim_end_matches('.')), ("racks", &self.racks)]),
            None => text,
        }
    }
}
