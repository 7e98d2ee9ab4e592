//! The exchanges that read a device's identity: features checked against its link, adjacent registers read together.
//!
//! Registers are read only where a feature names them: no gap is read through, a forbidden register is never touched.
//! Never panics.

use crate::config::address::{of_bits, oid, range};
use crate::config::items::device::{DeviceItem, wire};
use crate::config::mistake::Report;
use crate::config::wrong::Wrong;
use crate::field::planner::MOST_VARIABLES;
use crate::plan::{Ask, Check, Feature, Identity, Mark, Slice, Table};

use super::wiring::Carrier;

/// Most registers of a number, and of a text.
const MOST_WORDS: (u16, u16) = (4, 8);

/// What a device is known by, ready to be asked.
pub(crate) fn identity(item: &DeviceItem, carrier: Carrier, listens: bool, report: &mut Report) -> Identity {
    let (mut registers, mut variables) = (Vec::new(), Vec::new());
    for (key, written, expect) in &item.identity.features {
        let feature = Feature { name: written.value.clone(), expect: expect.clone(), remembered: None };
        let is_oid = written.value.starts_with(|c: char| c.is_ascii_digit() || c == '.');
        let read = match (carrier, is_oid) {
            _ if listens => {
                Err(foreign(key, "a device on a link with listen = true", "remove it: nothing is asked there"))
            }
            (Carrier::Unknown, _) => Ok(()),
            (Carrier::Snmp, true) => oid(&written.value).map(|oid| variables.push((oid, feature))),
            (Carrier::Network | Carrier::Line { .. }, false) => {
                register(item, &feature).map(|(table, first, last)| registers.push((table, first, last, feature)))
            }
            (Carrier::Redfish, _) => {
                Err(foreign(key, "a Redfish device", "remove it; a service names itself by its certificate"))
            }
            (Carrier::Snmp, false) => Err(foreign(key, "an SNMP device", "name an OID")),
            (Carrier::Network | Carrier::Line { .. }, true) => {
                Err(foreign(key, "a Modbus device", "name a register such as holding:200"))
            }
        };
        if let Err(wrong) = read {
            report.wrong(written.place, format!("{}.{key}", item.label), wrong);
        }
    }
    let mut checks = reads(registers, item.max_registers);
    checks.extend(variables.chunks(MOST_VARIABLES).map(|some| Check {
        ask: Ask::Snmp { oids: some.iter().map(|(oid, _)| oid.clone()).collect() },
        features: some.iter().map(|(_, feature)| feature.clone()).collect(),
    }));
    Identity { checks, period: item.identity.period, point: None, confirmed: item.identity.confirmed.clone() }
}

fn foreign(key: &'static str, of: &str, mend: &str) -> Wrong {
    Wrong::KeyHasNoMeaning { key, of: of.into(), mend: mend.into() }
}

fn register(item: &DeviceItem, feature: &Feature) -> Result<(Table, u16, u16), Wrong> {
    let bad = |why: String| Wrong::BadRegister { register: feature.name.clone(), why };
    let (table, first, last) = range(&feature.name)?;
    if of_bits(table) {
        return Err(bad("a device is known by holding or input registers".into()));
    }
    let most = if matches!(feature.expect, Some(Mark::Number(_))) { MOST_WORDS.0 } else { MOST_WORDS.1 };
    let base = u32::from(item.base);
    let (Some(first), Some(last)) = (wire(first, base), wire(last, base)) else {
        return Err(bad("outside the device's addresses".into()));
    };
    let words = last - first; // one less: 65536 registers do not fit
    if words >= most.min(item.max_registers) {
        return Err(bad(format!("at most {} registers are compared together", most.min(item.max_registers))));
    }
    if let Some(Mark::Number(number)) = feature.expect
        && !(0..1_i128 << (16 * (u32::from(words) + 1))).contains(&number)
    {
        return Err(bad(format!("{number} never stands there: registers are compared as unsigned")));
    }
    if item.forbid.iter().any(|(other, low, high)| *other == table && *low <= last && first <= *high) {
        return Err(Wrong::ReadsForbidden { register: feature.name.clone() });
    }
    Ok((table, first, last))
}

/// Adjacent and overlapping features in one read each.
fn reads(mut registers: Vec<(Table, u16, u16, Feature)>, max_registers: u16) -> Vec<Check> {
    registers.sort_by_key(|(table, first, last, _)| (*table, *first, *last));
    let mut checks: Vec<Check> = Vec::new();
    for (at, first, last, feature) in registers {
        let words = u8::try_from(last - first + 1).unwrap_or(u8::MAX);
        if let Some(Check { ask: Ask::Modbus { table, start, count, slices }, features }) = checks.last_mut()
            && *table == at
            && u32::from(first) <= u32::from(*start) + u32::from(*count)
            && last - *start < max_registers
        {
            *count = (*count).max(last - *start + 1);
            slices.push(Slice { offset: first - *start, words, scale_factor: None });
            features.push(feature);
            continue;
        }
        let slices = vec![Slice { offset: 0, words, scale_factor: None }];
        let ask = Ask::Modbus { table: at, start: first, count: last - first + 1, slices };
        checks.push(Check { ask, features: vec![feature] });
    }
    checks
}
