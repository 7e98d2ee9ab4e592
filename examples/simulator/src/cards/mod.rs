//! Everything that stands between the true values and the wire: sensors, and the cards that show them at their own pace.
//!
//! A card takes new values every `refresh_s` and holds them in between, as real ones do; the refreshes are spread out.
//! Read `roster` for what there is, `show` and `ups` for what each card shows. Model time, seconds. After the start
//! nothing allocates except SNMP alarm rows that appear. Never panics.

pub mod probe;
pub mod registers;
pub mod roster;
pub mod show;
mod ups;

use crate::bank::{Bank, Manner, SharedBank, SimDevice, SimLink};
use crate::model::Truth;
use crate::model::layout::{AIR_SENSORS, FANS, RACKS};
use crate::model::noise::Noise;
use probe::{PROBES, Probe, ProbeId, SensorFault};
use roster::{CardKind, DeviceId};
use show::View;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

#[derive(Debug)]
struct Card {
    kind: CardKind,
    bank: SharedBank,
    serial: u32,
    refresh_s: f64,
    beat: u16,
    swapped: bool,
    ups: ups::Card,
}

/// All sensors and cards.
#[derive(Debug)]
pub struct Cards {
    probes: [Probe; PROBES],
    /// e^(−dt/response) of each probe, for `keep_dt_s`.
    keep: [f64; PROBES],
    keep_dt_s: f64,
    cards: Vec<Card>,
    /// By card: when it takes new values next, s.
    due_s: Vec<f64>,
    noise: Noise,
}

impl Cards {
    /// Settled sensors and filled banks, with the links that share the banks.
    #[must_use]
    pub fn new(truth: &Truth, seed: u64) -> (Self, Vec<SimLink>) {
        let mut probes = [Probe::default(); PROBES];
        let mut values = true_values(truth);
        for (i, probe) in probes.iter_mut().enumerate() {
            let (response_s, noise) = nature(i);
            *probe = Probe::settled(values.next().unwrap_or_default(), response_s, noise);
        }
        let mut links: Vec<SimLink> = roster::links()
            .iter()
            .map(|l| SimLink {
                name: l.name.clone(),
                carrier: l.carrier,
                devices: Vec::new(),
                up: Arc::new(AtomicBool::new(true)),
                second_master: Arc::new(AtomicBool::new(false)),
            })
            .collect();
        let entries = roster::devices();
        let mut cards = Vec::with_capacity(entries.len());
        let mut due_s = Vec::with_capacity(entries.len());
        for (i, entry) in entries.iter().enumerate() {
            let bank = SharedBank::default();
            size(entry.kind, &mut bank.lock());
            links[entry.link.index()].devices.push(SimDevice {
                name: entry.name.clone(),
                reached: entry.reached.clone(),
                bank: bank.clone(),
            });
            cards.push(Card {
                kind: entry.kind,
                bank,
                serial: 412_000 + 17 * i as u32,
                refresh_s: entry.refresh_s,
                beat: 0,
                swapped: false,
                ups: ups::Card::default(),
            });
            // Spread out, so that no step refreshes everything.
            due_s.push(entry.refresh_s * i as f64 / entries.len() as f64);
        }
        let mut all = Self { probes, keep: [0.0; PROBES], keep_dt_s: 0.0, cards, due_s, noise: Noise::new(seed, 2) };
        for i in 0..all.cards.len() {
            all.refresh(i, truth, 0.0);
        }
        (all, links)
    }

    /// Sensors follow, and the cards that are due take new values.
    pub fn step(&mut self, truth: &Truth, dt_s: f64, time_s: f64) {
        if dt_s.to_bits() != self.keep_dt_s.to_bits() {
            self.keep_dt_s = dt_s;
            for (keep, probe) in self.keep.iter_mut().zip(&self.probes) {
                *keep = libm::exp(-dt_s / probe.response_s());
            }
        }
        let mut probes = self.probes.iter_mut().zip(&self.keep);
        true_values(truth).for_each(|value| {
            if let Some((probe, keep)) = probes.next() {
                probe.follow(value, *keep, dt_s);
            }
        });
        for i in 0..self.due_s.len() {
            if self.due_s[i] <= time_s {
                self.due_s[i] += self.cards[i].refresh_s;
                self.refresh(i, truth, time_s);
            }
        }
    }

    /// Sets or mends a sensor's fault.
    pub fn set_sensor_fault(&mut self, probe: ProbeId, fault: SensorFault) {
        self.probes[probe.index()].set_fault(fault);
    }

    /// Sets how a device answers.
    pub fn set_manner(&mut self, device: DeviceId, manner: Manner) {
        self.cards[device.index()].bank.lock().manner = manner;
    }

    /// Replaces a device by another one, or puts the first one back.
    pub fn set_swapped(&mut self, device: DeviceId, swapped: bool) {
        self.cards[device.index()].swapped = swapped;
    }

    fn refresh(&mut self, i: usize, truth: &Truth, time_s: f64) {
        let card = &mut self.cards[i];
        card.beat = card.beat.wrapping_add(1);
        let mut bank = card.bank.lock();
        let bank = &mut *bank;
        let view = &mut View {
            truth,
            probes: &mut self.probes,
            noise: &mut self.noise,
            swapped: card.swapped,
            beat: card.beat,
        };
        if !matches!(card.kind, CardKind::Ups(_)) {
            show::identity(bank, model_number(card.kind), card.serial, card.swapped);
        }
        match card.kind {
            CardKind::CoilPlant => show::coil_plant(view, bank),
            CardKind::Contacts => show::contacts(view, bank),
            CardKind::CoolingMeter => show::cooling_meter(view, bank),
            CardKind::MainMeter => show::main_meter(view, bank),
            CardKind::BuswayMeter(b) => show::busway_meter(b, view, bank),
            CardKind::Taps(b) => show::taps(b, view, bank),
            CardKind::Pdu { rack, side } => show::pdu(rack, side, view, bank),
            CardKind::Fan(f) => show::fan(f, view, bank),
            CardKind::RackSensors(r) => show::rack_sensors(r, view, bank),
            CardKind::AirSensor(a) => show::air_sensor(a, view, bank),
            CardKind::Ups(b) => card.ups.show(b, truth, time_s, bank),
        }
    }
}

/// Model number a card gives as its identity.
const fn model_number(kind: CardKind) -> u16 {
    match kind {
        CardKind::CoilPlant => 1210,
        CardKind::Contacts => 1244,
        CardKind::BuswayMeter(b) if b >= 3 => 3320,
        CardKind::CoolingMeter | CardKind::MainMeter | CardKind::BuswayMeter(_) => 3310,
        CardKind::Taps(_) => 3406,
        CardKind::Pdu { .. } => 3510,
        CardKind::Fan(_) => 4114,
        CardKind::RackSensors(_) => 5104,
        CardKind::AirSensor(_) => 5202,
        CardKind::Ups(_) => 0,
    }
}

/// Gives a bank the size of its card's register list.
fn size(kind: CardKind, bank: &mut Bank) {
    if !matches!(kind, CardKind::Ups(_)) {
        bank.holding = vec![0; show::HOLDING];
    }
    match kind {
        CardKind::Contacts => bank.discrete = vec![false; show::CONTACTS],
        CardKind::Pdu { .. } | CardKind::Fan(_) => bank.input = vec![0; 8],
        CardKind::RackSensors(_) => bank.input = vec![0; 4],
        CardKind::AirSensor(_) => bank.input = vec![0; 2],
        CardKind::CoilPlant
        | CardKind::CoolingMeter
        | CardKind::MainMeter
        | CardKind::BuswayMeter(_)
        | CardKind::Taps(_) => {}
        CardKind::Ups(b) => ups::prepare(b, bank),
    }
}

/// Response time, s, and noise (standard deviation, in the quantity's unit) of a probe.
fn nature(i: usize) -> (f64, f64) {
    const COIL: [(f64, f64); probe::COIL_PROBES.len()] = [
        (8.0, 0.01), // water temperatures: wells
        (8.0, 0.01),
        (6.0, 0.02), // air temperatures
        (6.0, 0.02),
        (6.0, 0.02),
        (0.3, 0.05), // flow
        (0.5, 0.2),
        (0.5, 0.05),
        (0.3, 0.2),
        (0.3, 0.4), // fan wall
        (0.5, 0.2),
        (0.5, 0.05),
        (8.0, 0.01),
    ];
    const RACK: (f64, f64) = (6.0, 0.03);
    const AIR: [(f64, f64); 2] = [(15.0, 0.03), (10.0, 0.1)];
    const MOTOR: (f64, f64) = (30.0, 0.05);
    if let Some(nature) = COIL.get(i) {
        *nature
    } else if i < ProbeId::air(0, 0).index() {
        RACK
    } else if i < ProbeId::motor(0).index() {
        AIR[(i - ProbeId::air(0, 0).index()) % 2]
    } else {
        MOTOR
    }
}

/// The true values the probes stand in, in their order.
fn true_values(truth: &Truth) -> impl Iterator<Item = f64> {
    let coil = [
        truth.supply_water_c,
        truth.return_water_c,
        truth.coil_leaving_air_c - 0.2,
        truth.coil_leaving_air_c + 0.2,
        truth.hot_aisle_c,
        truth.water_flow_m3h,
        truth.static_kpa,
        truth.strainer_kpa,
        truth.pump_rise_kpa,
        truth.fan_wall_pa,
        truth.filter_pa,
        truth.aisle_pa,
        truth.chiller_leaving_c,
    ];
    let racks = truth
        .inlet_c
        .iter()
        .zip(&truth.outlet_c)
        .flat_map(|(&[top, middle, bottom], &outlet)| [top, middle, bottom, outlet]);
    let cold = [0.2, 0.0, 0.1].into_iter().flat_map(|above| [truth.cold_aisle_c + above, truth.cold_aisle_rh]);
    let hot = [[truth.hot_aisle_c, truth.hot_aisle_rh]; AIR_SENSORS - 3].into_iter().flatten();
    coil.into_iter().chain(racks).chain(cold).chain(hot).chain(truth.fans.iter().map(|fan| fan.motor_c))
}

const _: () = assert!(AIR_SENSORS == 5 && RACKS == 18 && FANS == 14, "invariant: the layout of the probes");
