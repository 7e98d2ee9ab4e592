//! What a UPS's SNMP card shows: the UPS-MIB of RFC 1628 with its alarm table, and the few system variables.
//!
//! Values have the MIB's own coarse units: whole volts, 0.1 A, whole minutes that are never 0. Alarm rows appear and
//! vanish with ids that only rise. Model time in seconds; sysUpTime and alarm times in hundredths. Allocates at the
//! start and when a row appears. Never panics.

use super::registers::nearest;
use crate::bank::{Bank, Variable};
use crate::model::Truth;
use crate::model::layout::BUSWAY_NAMES;
use crate::model::truth::OutputSource;
use crate::model::ups::RATED_KW;

const UPS_MIB: [u32; 7] = [1, 3, 6, 1, 2, 1, 33];
const SYSTEM: [u32; 7] = [1, 3, 6, 1, 2, 1, 1];
/// The card was up this long before the run began, hundredths of a second.
const UP_BEFORE: u32 = 8_640_000;
/// The UPS says "low battery" below this, s.
const LOW_BATTERY_S: f64 = 120.0;
/// Apparent power over power of the load and the rating, for percent load.
const RATED_W: f64 = RATED_KW * 1000.0;

/// Well-known alarms the card can raise (upsWellKnownAlarms, 1.6.3.n).
const ALARMS: [u32; 7] = [2, 3, 4, 6, 8, 9, 14];
const ON_BATTERY: usize = 0;
const LOW_BATTERY: usize = 1;
const DEPLETED: usize = 2;
const INPUT_BAD: usize = 3;
const OVERLOAD: usize = 4;
const ON_BYPASS: usize = 5;
const OUTPUT_OFF: usize = 6;

/// What a card has shown last.
#[derive(Clone, Debug, Default)]
pub(super) struct Card {
    /// Row id of each alarm of `ALARMS`, 0 while absent.
    row: [u32; ALARMS.len()],
    last_id: u32,
    /// The integers shown at the last refresh, in the order of `show`: what has not moved is not looked up.
    shown: Vec<i32>,
}

/// A refresh under way.
struct Refresh<'a> {
    bank: &'a mut Bank,
    shown: &'a mut Vec<i32>,
    next: usize,
}

impl Refresh<'_> {
    fn integer(&mut self, tail: &[u32], value: f64) {
        let value = nearest(value) as i32;
        match self.shown.get_mut(self.next) {
            Some(last) if *last == value => {}
            Some(last) => {
                *last = value;
                put(self.bank, UPS_MIB, tail, Variable::Integer(value));
            }
            None => {
                self.shown.push(value);
                put(self.bank, UPS_MIB, tail, Variable::Integer(value));
            }
        }
        self.next += 1;
    }
}

/// Object identifiers of one tail, without allocation.
struct Oid {
    arcs: [u32; 16],
    len: usize,
}

impl Oid {
    fn new(root: [u32; 7], tail: &[u32]) -> Self {
        let mut arcs = [0; 16];
        arcs[..7].copy_from_slice(&root);
        arcs[7..7 + tail.len()].copy_from_slice(tail);
        Self { arcs, len: 7 + tail.len() }
    }

    fn as_slice(&self) -> &[u32] {
        &self.arcs[..self.len]
    }
}

fn put(bank: &mut Bank, root: [u32; 7], tail: &[u32], value: Variable) {
    let oid = Oid::new(root, tail);
    if let Some(variable) = bank.variables.get_mut(oid.as_slice()) {
        *variable = value;
    } else {
        bank.variables.insert(oid.as_slice().to_vec(), value);
    }
}

fn integer(bank: &mut Bank, tail: &[u32], value: f64) {
    put(bank, UPS_MIB, tail, Variable::Integer(libm::round(value) as i32));
}

/// Everything that never changes.
pub(super) fn prepare(b: usize, bank: &mut Bank) {
    let name = format!("UPS {}", BUSWAY_NAMES[b].to_uppercase());
    for (tail, text) in [
        ([1, 0], "Simulated UPS of Saltmarsh M1, UPS-MIB card"),
        ([4, 0], ""),
        ([5, 0], name.as_str()),
        ([6, 0], "Saltmarsh M1"),
    ] {
        put(bank, SYSTEM, &tail, Variable::Text(text.to_owned()));
    }
    put(bank, SYSTEM, &[2, 0], Variable::Oid(UPS_MIB.to_vec()));
    for (n, text) in
        [(1, "Saltmarsh"), (2, "Module UPS 170 kW"), (3, "1.3"), (4, "1.3"), (5, name.as_str()), (6, "busway")]
    {
        put(bank, UPS_MIB, &[1, 1, n, 0], Variable::Text(text.to_owned()));
    }
    for (tail, value) in [
        ([1, 3, 2, 0], 3.0),
        ([1, 4, 3, 0], 3.0),
        ([1, 5, 2, 0], 3.0),
        ([1, 7, 3, 0], 6.0),
        ([1, 9, 1, 0], 230.0),
        ([1, 9, 2, 0], 500.0),
        ([1, 9, 3, 0], 230.0),
        ([1, 9, 4, 0], 500.0),
        ([1, 9, 5, 0], RATED_W * 175.0 / 170.0),
        ([1, 9, 6, 0], RATED_W),
        ([1, 9, 7, 0], LOW_BATTERY_S / 60.0),
        ([1, 9, 8, 0], 2.0),
        ([1, 9, 9, 0], 207.0),
        ([1, 9, 10, 0], 253.0),
    ] {
        integer(bank, &tail, value);
    }
    put(bank, UPS_MIB, &[1, 7, 1, 0], Variable::Oid([&UPS_MIB[..], &[1, 7, 7, 1]].concat()));
}

impl Card {
    /// Everything that changes.
    pub(super) fn show(&mut self, b: usize, truth: &Truth, time_s: f64, bank: &mut Bank) {
        let ups = &truth.ups[b];
        let now = UP_BEFORE.wrapping_add((time_s * 100.0) as u32);
        put(bank, SYSTEM, &[3, 0], Variable::TimeTicks(now));
        put(bank, UPS_MIB, &[1, 3, 1, 0], Variable::Counter(ups.input_line_bads));
        let refresh = &mut Refresh { bank, shown: &mut self.shown, next: 0 };

        let on_battery = ups.source == OutputSource::Battery;
        let low = on_battery && ups.remaining_s < LOW_BATTERY_S;
        let empty = ups.charge <= 0.0;
        refresh.integer(
            &[1, 2, 1, 0],
            if empty {
                4.0
            } else if low {
                3.0
            } else {
                2.0
            },
        );
        refresh.integer(&[1, 2, 2, 0], libm::floor(ups.on_battery_s));
        refresh.integer(&[1, 2, 3, 0], libm::ceil(ups.remaining_s / 60.0).max(1.0));
        refresh.integer(&[1, 2, 4, 0], 100.0 * ups.charge);
        refresh.integer(&[1, 2, 5, 0], 10.0 * ups.battery_volts);
        refresh.integer(&[1, 2, 6, 0], 10.0 * ups.battery_amps);
        refresh.integer(&[1, 2, 7, 0], ups.battery_c);

        let through = if on_battery { 0.0 } else { 1.0 };
        refresh.integer(&[1, 4, 1, 0], f64::from(ups.source as u8));
        refresh.integer(&[1, 4, 2, 0], if ups.source == OutputSource::None { 0.0 } else { 500.0 });
        refresh.integer(&[1, 5, 1, 0], 10.0 * truth.main_hz);
        let mut heaviest = 0.0_f64;
        for p in 0..3 {
            let line = p as u32 + 1;
            let input_v = ups.input_volts[p];
            let watts = ups.output_kw * 1000.0 * share(ups.output_amps, p);
            refresh.integer(&[1, 3, 3, 1, 2, line], 10.0 * truth.main_hz);
            refresh.integer(&[1, 3, 3, 1, 3, line], input_v);
            refresh.integer(&[1, 3, 3, 1, 4, line], through * 10.0 * ups.output_amps[p] / 0.985);
            refresh.integer(&[1, 3, 3, 1, 5, line], through * watts / 0.985);
            let load = 100.0 * 3.0 * watts / RATED_W;
            heaviest = heaviest.max(load);
            refresh.integer(&[1, 4, 4, 1, 2, line], ups.output_volts[p]);
            refresh.integer(&[1, 4, 4, 1, 3, line], 10.0 * ups.output_amps[p]);
            refresh.integer(&[1, 4, 4, 1, 4, line], watts);
            refresh.integer(&[1, 4, 4, 1, 5, line], load.min(200.0));
            let bypassed = if ups.source == OutputSource::Bypass { 1.0 } else { 0.0 };
            refresh.integer(&[1, 5, 3, 1, 2, line], input_v);
            refresh.integer(&[1, 5, 3, 1, 3, line], bypassed * 10.0 * ups.output_amps[p]);
            refresh.integer(&[1, 5, 3, 1, 4, line], bypassed * watts);
        }

        let mut present = [false; ALARMS.len()];
        present[ON_BATTERY] = on_battery;
        present[LOW_BATTERY] = low;
        present[DEPLETED] = empty;
        present[INPUT_BAD] = ups.input_volts[0] < 100.0;
        present[OVERLOAD] = heaviest > 100.0;
        present[ON_BYPASS] = ups.source == OutputSource::Bypass;
        present[OUTPUT_OFF] = ups.source == OutputSource::None;
        for (i, there) in present.into_iter().enumerate() {
            if there && self.row[i] == 0 {
                self.last_id += 1;
                self.row[i] = self.last_id;
                let id = self.last_id;
                let descr = [&UPS_MIB[..], &[1, 6, 3, ALARMS[i]]].concat();
                put(bank, UPS_MIB, &[1, 6, 2, 1, 2, id], Variable::Oid(descr));
                put(bank, UPS_MIB, &[1, 6, 2, 1, 3, id], Variable::TimeTicks(now));
            } else if !there && self.row[i] != 0 {
                for column in [2, 3] {
                    bank.variables.remove(Oid::new(UPS_MIB, &[1, 6, 2, 1, column, self.row[i]]).as_slice());
                }
                self.row[i] = 0;
            }
        }
        let count = self.row.iter().filter(|r| **r != 0).count() as u32;
        put(bank, UPS_MIB, &[1, 6, 1, 0], Variable::Gauge(count));
    }
}

/// Share of a phase in the total, by current.
fn share(amps: [f64; 3], p: usize) -> f64 {
    let sum: f64 = amps.iter().sum();
    if sum > 0.0 { amps[p] / sum } else { 0.0 }
}
