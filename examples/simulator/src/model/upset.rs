//! What is wrong with the plant at the moment: the switches that faults set and clear.
//!
//! Plain data, read by the model each step; knows no names of faults and no time. Never panics.

use super::layout::{BUSWAYS, DOORS, FANS, LEAK_ZONES, PUMPS, RACKS};

/// Everything a fault can do to the physics.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs)] // each field's name is its sentence
pub struct Upset {
    pub fan_stopped: [bool; FANS],
    pub damper_stuck_open: [bool; FANS],
    pub fans_to_minimum: bool,
    pub pump_tripped: [bool; PUMPS],
    pub standby_fails: bool,
    pub chiller_tripped: bool,
    pub chiller_dropped_out: bool,
    pub utility_lost: bool,
    pub generator_blocked: bool,
    pub generator_not_in_auto: bool,
    pub generator_fuel_low: bool,
    pub generator_start_battery_low: bool,
    pub breaker_open: [bool; BUSWAYS],
    pub breaker_tripped: [bool; BUSWAYS],
    pub tap_tripped: [[bool; 2]; RACKS],
    pub phase_lost: [[bool; 3]; BUSWAYS],
    pub ups_on_bypass: [bool; BUSWAYS],
    /// What the servers want, as a share of their load at rest.
    pub load_share: f64,
    /// What a rack's servers want beyond that, kW: to ask what would still fit.
    pub added_kw: [f64; RACKS],
    /// Share of its rated capacity each battery still has.
    pub battery_health: [f64; BUSWAYS],
    pub filter_clogging: bool,
    pub strainer_clogging: bool,
    pub door_open: [bool; DOORS],
    pub smoke: bool,
    pub smoke_panel_fault: bool,
    pub emergency_off: bool,
    pub leak: [bool; LEAK_ZONES],
    pub leak_rope_broken: [bool; LEAK_ZONES],
    pub humid_air: bool,
    pub condensate_high: bool,
    pub earth_leakage: bool,
    /// Somebody has switched the automatic load shedding off.
    pub load_shed_off: bool,
    pub static_pressure_falls: bool,
}

impl Default for Upset {
    fn default() -> Self {
        Self {
            fan_stopped: [false; FANS],
            damper_stuck_open: [false; FANS],
            fans_to_minimum: false,
            pump_tripped: [false; PUMPS],
            standby_fails: false,
            chiller_tripped: false,
            chiller_dropped_out: false,
            utility_lost: false,
            generator_blocked: false,
            generator_not_in_auto: false,
            generator_fuel_low: false,
            generator_start_battery_low: false,
            breaker_open: [false; BUSWAYS],
            breaker_tripped: [false; BUSWAYS],
            tap_tripped: [[false; 2]; RACKS],
            phase_lost: [[false; 3]; BUSWAYS],
            ups_on_bypass: [false; BUSWAYS],
            load_share: 1.0,
            added_kw: [0.0; RACKS],
            battery_health: [1.0; BUSWAYS],
            filter_clogging: false,
            strainer_clogging: false,
            door_open: [false; DOORS],
            smoke: false,
            smoke_panel_fault: false,
            emergency_off: false,
            leak: [false; LEAK_ZONES],
            leak_rope_broken: [false; LEAK_ZONES],
            humid_air: false,
            condensate_high: false,
            earth_leakage: false,
            load_shed_off: false,
            static_pressure_falls: false,
        }
    }
}
