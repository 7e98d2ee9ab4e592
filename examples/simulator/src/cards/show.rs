//! What each Modbus card shows of the true values, register by register.
//!
//! The register lists here and the maps of the demo configuration are two sides of one thing; a test reads every mapped
//! address. Temperatures in 0.01 or 0.1 K steps, currents 0.01 or 0.1 A; steps stand beside each line. Never panics.

use super::probe::{Probe, ProbeId, RACK_PROBES};
use super::registers::Registers;
use crate::bank::Bank;
use crate::model::fans::FULL_SPEED_RPM;
use crate::model::layout::{BUSWAYS, FANS, PUMPS, RACKS, Side, busway_of, racks_of, side_of};
use crate::model::loads::POWER_FACTOR;
use crate::model::noise::Noise;
use crate::model::truth::{ChillerState, PumpState, Tap};
use crate::model::water::SUPPLY_AIR_SETPOINT_C;
use crate::model::{Truth, chiller, supply};

/// First of the identity registers every Modbus card has in its holding registers: model, serial (2), firmware,
/// current transformer primary.
pub const IDENTITY: usize = 200;
/// Number of holding registers of every Modbus card.
pub const HOLDING: usize = IDENTITY + 5;
/// Current transformer primary of the busway meters, A, and of the one that comes in by a swap.
pub const CT_PRIMARY_A: u16 = 250;
/// See [`CT_PRIMARY_A`].
pub const SWAPPED_CT_PRIMARY_A: u16 = 400;

/// What a card's refresh reads.
pub(super) struct View<'a> {
    pub truth: &'a Truth,
    pub probes: &'a mut [Probe],
    pub noise: &'a mut Noise,
    pub swapped: bool,
    /// Counts the card's refreshes.
    pub beat: u16,
}

impl View<'_> {
    fn sensor(&mut self, out: &mut Registers<'_>, address: usize, probe: ProbeId, step: f64) {
        let gauss = self.noise.gauss();
        out.sensor(address, self.probes[probe.index()].shown(gauss), step);
    }

    /// A measured electrical value: 0.05 % of reading.
    fn measured(&mut self, value: f64) -> f64 {
        value * (1.0 + 0.000_5 * self.noise.gauss())
    }
}

/// Model, serial number, firmware and current transformer of a card.
pub(super) fn identity(bank: &mut Bank, model: u16, serial: u32, swapped: bool) {
    let mut out = Registers(&mut bank.holding);
    out.raw(IDENTITY, model);
    out.high_word_first(IDENTITY + 1, if swapped { serial + 70_001 } else { serial });
    out.raw(IDENTITY + 3, 0x0103);
    out.raw(IDENTITY + 4, if swapped { SWAPPED_CT_PRIMARY_A } else { CT_PRIMARY_A });
}

pub(super) fn coil_plant(view: &mut View<'_>, bank: &mut Bank) {
    let truth = view.truth;
    let mut out = Registers(&mut bank.holding);
    // Steps of the probes in the order of COIL_PROBES: temperatures 0.01 K, flow 0.01 m³/h, pressures 0.1 kPa or Pa.
    let steps = [0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.01];
    for (i, step) in steps.into_iter().enumerate() {
        view.sensor(&mut out, i, ProbeId::coil(i), step);
    }
    out.unsigned(13, 100.0 * truth.valve, 0.1);
    out.unsigned(14, 100.0 * truth.fan_command, 0.1);
    for p in 0..PUMPS {
        let pump = &truth.pumps[p];
        out.raw(15 + p, pump.state as u16);
        out.unsigned(17 + p, 2900.0 * pump.speed, 1.0);
        out.unsigned(19 + p, pump.power_kw, 0.01);
        out.count(26 + 2 * p, pump.run_h, 1.0);
    }
    out.raw(21, truth.chiller as u16);
    let chiller_kw = view.measured(truth.chiller_power_kw);
    out.unsigned(22, chiller_kw, 0.1);
    out.signed(23, SUPPLY_AIR_SETPOINT_C, 0.1);
    out.signed(24, chiller::SETPOINT_C, 0.1);
    out.raw(25, view.beat);
}

/// Number of discrete inputs of the contacts card.
pub(super) const CONTACTS: usize = 44;

pub(super) fn contacts(view: &mut View<'_>, bank: &mut Bank) {
    let truth = view.truth;
    let inputs = &mut bank.discrete;
    let mut set = |address: usize, on: bool| {
        if let Some(input) = inputs.get_mut(address) {
            *input = on;
        }
    };
    for d in 0..3 {
        set(d, truth.door_open[d]);
    }
    set(3, truth.smoke);
    set(4, truth.smoke_panel_fault);
    set(5, truth.emergency_off);
    for b in 0..BUSWAYS {
        set(6 + b, truth.breaker_closed[b]);
        set(12 + b, truth.breaker_tripped[b]);
    }
    set(18, truth.main_breaker_closed);
    set(20, truth.utility_healthy);
    set(21, truth.generator_running);
    set(22, truth.on_generator);
    set(24, truth.generator_not_in_auto);
    set(25, truth.generator_fuel_low);
    set(26, truth.generator_start_battery_low);
    set(27, truth.generator_failed);
    set(28, truth.water_flow_m3h > 15.0);
    set(29, truth.condensate_high);
    for z in 0..2 {
        set(30 + z, truth.leak[z] && !truth.leak_rope_broken[z]);
        set(32 + z, truth.leak_rope_broken[z]);
    }
    set(34, truth.earth_leakage);
    set(35, truth.cooling_panel_live);
    set(36, truth.chiller == ChillerState::Tripped);
    for p in 0..PUMPS {
        set(37 + p, truth.pumps[p].state == PumpState::Tripped);
    }
    set(39, truth.static_kpa < 100.0);
    set(40, truth.load_shed_armed);
}

/// Voltage, current and power of the three phases, as a meter has them.
struct Phases {
    volts: [f64; 3],
    amps: [f64; 3],
    kw: [f64; 3],
}

/// Neutral current of three currents at equal power factor, 120° apart.
fn neutral_a(i: [f64; 3]) -> f64 {
    let [a, b, c] = i;
    libm::sqrt((a * a + b * b + c * c - a * b - b * c - c * a).max(0.0))
}

pub(super) fn busway_meter(busway: usize, view: &mut View<'_>, bank: &mut Bank) {
    let truth = &view.truth.busways[busway];
    // Another current transformer ratio than the meter believes: currents and powers are off by it.
    let ct = if view.swapped { f64::from(SWAPPED_CT_PRIMARY_A) / f64::from(CT_PRIMARY_A) } else { 1.0 };
    let (volts, amps, kw, kwh) = (truth.volts, truth.amps, truth.kw, truth.kwh);
    let phases = Phases {
        volts: volts.map(|v| view.measured(v)),
        amps: amps.map(|i| ct * view.measured(i)),
        kw: kw.map(|p| ct * view.measured(p)),
    };
    let hz = if volts.iter().any(|v| *v > 100.0) { 50.0 + 0.01 * view.noise.gauss() } else { 0.0 };
    match side_of(busway) {
        Side::A => meter_of_reals(&phases, hz, kwh, bank),
        Side::B => meter_of_integers(&phases, hz, kwh, bank),
    }
}

pub(super) fn main_meter(view: &mut View<'_>, bank: &mut Bank) {
    let (volts, kw, hz, kwh) = (view.truth.main_volts, view.truth.main_kw, view.truth.main_hz, view.truth.main_kwh);
    let volts = volts.map(|v| view.measured(v));
    let kw = supply::PHASE_SHARES.map(|share| view.measured(kw * share));
    let mut amps = [0.0; 3];
    for p in 0..3 {
        amps[p] = if volts[p] > 100.0 { kw[p] * 1000.0 / (volts[p] * supply::POWER_FACTOR) } else { 0.0 };
    }
    meter_of_reals(&Phases { volts, amps, kw }, hz + if hz > 0.0 { 0.01 * view.noise.gauss() } else { 0.0 }, kwh, bank);
}

pub(super) fn cooling_meter(view: &mut View<'_>, bank: &mut Bank) {
    let (live, kw, kwh) = (view.truth.cooling_panel_live, view.truth.cooling_kw, view.truth.cooling_kwh);
    let volts = [230.0; 3].map(|v| if live { view.measured(v) } else { 0.0 });
    let kw = [0.34, 0.33, 0.33].map(|share| view.measured(kw * share));
    let amps = kw.map(|p| if live { p * 1000.0 / (230.0 * 0.9) } else { 0.0 });
    meter_of_reals(&Phases { volts, amps, kw }, if live { 50.0 } else { 0.0 }, kwh, bank);
}

/// The meters of side A, the main supply and the cooling panel: IEEE singles, high word first.
fn meter_of_reals(phases: &Phases, hz: f64, kwh: f64, bank: &mut Bank) {
    let mut out = Registers(&mut bank.holding);
    for p in 0..3 {
        out.real(2 * p, phases.volts[p]);
        out.real(6 + 2 * p, phases.amps[p]);
        out.real(14 + 2 * p, phases.kw[p]);
    }
    out.real(12, neutral_a(phases.amps));
    let kw = phases.kw.iter().sum::<f64>();
    out.real(20, kw);
    out.real(22, power_factor(phases, kw));
    out.real(24, hz);
    out.count(26, kwh, 0.1);
}

/// The meters of side B: 32-bit integers, low word first, powers of ten in registers 0–3.
fn meter_of_integers(phases: &Phases, hz: f64, kwh: f64, bank: &mut Bank) {
    let mut out = Registers(&mut bank.holding);
    out.raw(0, -1_i16 as u16); // volts in 0.1 V
    out.raw(1, -2_i16 as u16); // amperes in 0.01 A
    out.raw(2, 1); // watts in 10 W
    out.raw(3, 2); // watt-hours in 100 Wh
    let mut put = |address: usize, value: f64| out.low_word_first(address, (libm::round(value) as i32) as u32);
    for p in 0..3 {
        put(10 + 2 * p, phases.volts[p] * 10.0);
        put(16 + 2 * p, phases.amps[p] * 100.0);
        put(24 + 2 * p, phases.kw[p] * 100.0);
    }
    put(22, neutral_a(phases.amps) * 100.0);
    let kw = phases.kw.iter().sum::<f64>();
    put(30, kw * 100.0);
    put(32, power_factor(phases, kw) * 1000.0);
    put(34, hz * 100.0);
    put(36, kwh * 10.0);
}

fn power_factor(phases: &Phases, kw: f64) -> f64 {
    let kva: f64 = phases.volts.iter().zip(phases.amps).map(|(v, i)| v * i / 1000.0).sum();
    if kva > 0.01 { (kw / kva).min(1.0) } else { 0.0 }
}

pub(super) fn taps(busway: usize, view: &mut View<'_>, bank: &mut Bank) {
    let side = side_of(busway).index();
    for (t, rack) in racks_of(busway).enumerate() {
        let tap: Tap = view.truth.taps[rack][side];
        let amps = tap.amps.map(|i| view.measured(i));
        let kw = view.measured(tap.kw);
        let mut out = Registers(&mut bank.holding);
        let base = 10 * t;
        for (p, i) in amps.into_iter().enumerate() {
            out.unsigned(base + p, i, 0.1);
        }
        out.unsigned(base + 3, kw, 0.01);
        out.raw(base + 4, if tap.tripped { 2 } else { u16::from(tap.live) });
        out.count(base + 5, tap.kwh, 0.1);
    }
}

pub(super) fn pdu(rack: usize, side: Side, view: &mut View<'_>, bank: &mut Bank) {
    let tap: Tap = view.truth.taps[rack][side.index()];
    let amps = tap.amps.map(|i| view.measured(i));
    let kw = view.measured(tap.kw);
    let mut out = Registers(&mut bank.input);
    for (p, i) in amps.into_iter().enumerate() {
        out.unsigned(p, i, 0.01);
    }
    out.unsigned(3, kw, 0.01);
    out.unsigned(4, if tap.kw > 0.1 { POWER_FACTOR } else { 0.0 }, 0.001);
    out.count(5, tap.kwh, 0.1);
}

pub(super) fn fan(f: usize, view: &mut View<'_>, bank: &mut Bank) {
    let fan = view.truth.fans[f];
    let powered = view.truth.cooling_panel_live;
    let rpm = fan.speed * FULL_SPEED_RPM + if fan.speed.abs() > 0.01 { 2.0 * view.noise.gauss() } else { 0.0 };
    let watts = view.measured(fan.power_w);
    let mut out = Registers(&mut bank.input);
    out.signed(0, rpm, 1.0);
    out.unsigned(1, 100.0 * view.truth.fan_command, 0.1);
    // Three phases of 400 V; the converter's own power factor.
    out.unsigned(2, watts / (libm::sqrt(3.0) * 400.0 * 0.92), 0.01);
    out.unsigned(3, watts, 1.0);
    let running = fan.speed > 0.05;
    let failed = fan.stopped_by_fault;
    let reverse = fan.speed < -0.02;
    out.raw(4, u16::from(running) | u16::from(failed) << 1 | u16::from(reverse) << 2 | u16::from(powered) << 3);
    view.sensor(&mut out, 5, ProbeId::motor(f), 0.1);
    out.count(6, fan.run_h, 1.0);
}

pub(super) fn rack_sensors(rack: usize, view: &mut View<'_>, bank: &mut Bank) {
    let mut out = Registers(&mut bank.input);
    for k in 0..RACK_PROBES.len() {
        view.sensor(&mut out, k, ProbeId::rack(rack, k), 0.1);
    }
}

pub(super) fn air_sensor(sensor: usize, view: &mut View<'_>, bank: &mut Bank) {
    let mut out = Registers(&mut bank.input);
    view.sensor(&mut out, 0, ProbeId::air(sensor, 0), 0.1);
    view.sensor(&mut out, 1, ProbeId::air(sensor, 1), 0.1);
}

const _: () = assert!(busway_of(RACKS - 1, Side::B) == BUSWAYS - 1 && FANS == 14, "invariant: the layout of the maps");
