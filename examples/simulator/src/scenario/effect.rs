//! What each fault does: turns a fault on or off in the model, the sensors, the devices and the links.
//!
//! The only place that knows both names of faults and switches. Applying twice equals applying once. Allocates nothing.
//! Never panics.

use super::Fault;
use crate::bank::{Manner, SimLink};
use crate::cards::Cards;
use crate::cards::probe::SensorFault;
use crate::model::layout::PAIRS;
use crate::model::upset::Upset;
use std::sync::atomic::Ordering;

/// How fast a drifting sensor walks away, K (or the unit of its quantity) a second: seen within a minute.
const DRIFT_PER_S: f64 = 0.06;
/// How late a slow device answers, ms: beyond the demo's time-out.
const SLOW_MS: u32 = 450;
/// Share of capacity a weak battery has left.
const WEAK_BATTERY: f64 = 0.3;

/// Turns a fault on or off.
pub fn apply(fault: Fault, on: bool, upset: &mut Upset, cards: &mut Cards, links: &[SimLink]) {
    match fault {
        Fault::FanLost(f) => {
            upset.fan_stopped[f] = on;
            upset.damper_stuck_open[f] = on;
        }
        Fault::FansToMinimum => upset.fans_to_minimum = on,
        Fault::PumpTrip(p) => upset.pump_tripped[p] = on,
        Fault::StandbyFails => upset.standby_fails = on,
        Fault::ChillerTrip => upset.chiller_tripped = on,
        Fault::ChillerSlowRestart => upset.chiller_dropped_out = on,
        Fault::UtilityLost => upset.utility_lost = on,
        Fault::GeneratorNoStart => upset.generator_blocked = on,
        Fault::GeneratorNotInAuto => upset.generator_not_in_auto = on,
        Fault::GeneratorFuelLow => upset.generator_fuel_low = on,
        Fault::GeneratorStartBatteryLow => upset.generator_start_battery_low = on,
        Fault::SideLost(side) => {
            let first = side.index() * PAIRS;
            upset.breaker_tripped[first..first + PAIRS].fill(on);
        }
        Fault::TapTrip { rack, side } => upset.tap_tripped[rack][side.index()] = on,
        Fault::BreakerOpen(b) => upset.breaker_open[b] = on,
        Fault::BreakerTrip(b) => upset.breaker_tripped[b] = on,
        Fault::PhaseLost { busway, phase } => upset.phase_lost[busway][phase] = on,
        Fault::UpsBypass(b) => upset.ups_on_bypass[b] = on,
        Fault::BatteryWeak(b) => upset.battery_health[b] = if on { WEAK_BATTERY } else { 1.0 },
        Fault::FilterClogging => upset.filter_clogging = on,
        Fault::StrainerClogging => upset.strainer_clogging = on,
        Fault::DoorOpen(d) => upset.door_open[d] = on,
        Fault::Smoke => upset.smoke = on,
        Fault::SmokePanelFault => upset.smoke_panel_fault = on,
        Fault::EmergencyOff => upset.emergency_off = on,
        Fault::Leak(z) => upset.leak[z] = on,
        Fault::LeakRopeBroken(z) => upset.leak_rope_broken[z] = on,
        Fault::HumidityRise => upset.humid_air = on,
        Fault::CondensateHigh => upset.condensate_high = on,
        Fault::EarthLeakage => upset.earth_leakage = on,
        Fault::LoadShedOff => upset.load_shed_off = on,
        Fault::StaticPressureFall => upset.static_pressure_falls = on,
        Fault::SensorOpen(p) => cards.set_sensor_fault(p, if on { SensorFault::Open } else { SensorFault::None }),
        Fault::SensorShort(p) => cards.set_sensor_fault(p, if on { SensorFault::Short } else { SensorFault::None }),
        Fault::SensorFrozen(p) => cards.set_sensor_fault(p, if on { SensorFault::Frozen } else { SensorFault::None }),
        Fault::SensorDrift(p) => {
            cards.set_sensor_fault(p, if on { SensorFault::Drift { per_s: DRIFT_PER_S } } else { SensorFault::None })
        }
        Fault::DeviceSilent(d) => cards.set_manner(d, if on { Manner::Silent } else { Manner::Well }),
        Fault::DeviceSlow(d) => cards.set_manner(d, if on { Manner::Slow { delay_ms: SLOW_MS } } else { Manner::Well }),
        Fault::DeviceGarbage(d) => cards.set_manner(d, if on { Manner::Garbage } else { Manner::Well }),
        Fault::DuplicateAddress(d) => cards.set_manner(d, if on { Manner::Doubled } else { Manner::Well }),
        Fault::DeviceSwapped(d) => cards.set_swapped(d, on),
        Fault::SecondMaster(l) => links[l.index()].second_master.store(on, Ordering::Relaxed),
        Fault::LinkCut(l) => links[l.index()].up.store(!on, Ordering::Relaxed),
    }
}
