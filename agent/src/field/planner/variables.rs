//! Groups an SNMP agent's variables into GETs.
//!
//! Pure, part of the planner. Never panics. RFC 3416 §4.2.1.

use std::collections::BTreeMap;
use std::time::Duration;

use super::Unplannable;
use crate::plan::Ask;

/// Variables asked with one GET; more may not fit one datagram (common practice, no source).
pub const MOST_VARIABLES: usize = 20;

/// One variable of an SNMP agent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Variable {
    /// The caller's name for it.
    pub key: u32,
    /// Instance OID.
    pub oid: Vec<u32>,
    /// How often it is read.
    pub period: Duration,
    /// Variables with the same number must come from one GET.
    pub group: Option<u32>,
}

/// A planned GET.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Get {
    /// How often.
    pub period: Duration,
    /// Variables in OID order: the caller's key and the OID.
    pub entries: Vec<(u32, Vec<u32>)>,
}

impl Get {
    /// The GET as a transaction's question.
    #[must_use]
    pub fn ask(&self) -> Ask {
        Ask::Snmp { oids: self.entries.iter().map(|(_, oid)| oid.clone()).collect() }
    }
}

/// Groups an agent's variables into GETs of at most `most` variables, in order of period and OID.
///
/// # Errors
/// Groups that do not fit one GET or mix periods.
pub fn plan_gets(variables: &[Variable], most: usize) -> Result<Vec<Get>, Vec<Unplannable>> {
    let most = most.max(1);
    let mut groups: BTreeMap<(Duration, Option<u32>), Vec<&Variable>> = BTreeMap::new();
    let mut period_of: BTreeMap<u32, Duration> = BTreeMap::new();
    let mut mistakes = Vec::new();
    for variable in variables {
        if let Some(group) = variable.group
            && *period_of.entry(group).or_insert(variable.period) != variable.period
        {
            mistakes.push(Unplannable::MixedGroup { key: variable.key });
        }
        groups.entry((variable.period, variable.group)).or_default().push(variable);
    }
    let mut gets: Vec<Get> = Vec::new();
    for ((period, group), mut members) in groups {
        members.sort_by(|a, b| (&a.oid, a.key).cmp(&(&b.oid, b.key)));
        if group.is_some() && members.len() > most {
            mistakes.push(Unplannable::TooWide {
                key: members[0].key,
                needed: u32::try_from(members.len()).unwrap_or(u32::MAX),
                allowed: u16::try_from(most).unwrap_or(u16::MAX),
            });
            continue;
        }
        // A group joins the GET before it if all of it fits; single variables fill what is left.
        for part in members.chunks(if group.is_some() { most } else { 1 }) {
            let entries = part.iter().map(|v| (v.key, v.oid.clone()));
            match gets.last_mut() {
                Some(get) if get.period == period && get.entries.len() + part.len() <= most => {
                    get.entries.extend(entries)
                }
                _ => gets.push(Get { period, entries: entries.collect() }),
            }
        }
    }
    if mistakes.is_empty() { Ok(gets) } else { Err(mistakes) }
}
