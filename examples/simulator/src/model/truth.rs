//! The hidden true values of the module, as the physics has them; cards show them late, rounded and noisy.
//!
//! Plain data written by the model's parts, read by the cards and by tests. Units are in the names (`_c` °C, `_pa` Pa,
//! `_kpa` kPa). `get` finds a value by point path. Never panics.

use super::layout::{BUSWAY_NAMES, BUSWAYS, FANS, PAIRS, PUMPS, RACKS, Side};

/// A pump's state; the numbers are those on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PumpState {
    /// Off.
    Stopped = 0,
    /// Ready to take over.
    #[default]
    Standby = 1,
    /// Running.
    Running = 2,
    /// Tripped on overload.
    Tripped = 3,
    /// Called, but does not start.
    FailedToStart = 4,
}

/// The chiller plant's state; the numbers are those on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ChillerState {
    /// Off: no supply.
    Stopped = 0,
    /// Waits for its restart time or for water flow.
    Waiting = 1,
    /// Running.
    #[default]
    Running = 2,
    /// Tripped.
    Tripped = 3,
}

/// What feeds a UPS's output; the numbers are those of upsOutputSource (RFC 1628).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum OutputSource {
    /// Dead.
    None = 2,
    /// Through rectifier and inverter.
    #[default]
    Normal = 3,
    /// Bypass.
    Bypass = 4,
    /// Battery.
    Battery = 5,
}

/// One fan.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs)]
pub struct Fan {
    /// Share of full speed, negative when it turns backwards.
    pub speed: f64,
    pub flow_m3s: f64,
    pub power_w: f64,
    pub motor_c: f64,
    pub stopped_by_fault: bool,
    pub run_h: f64,
}

/// One pump.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs)]
pub struct Pump {
    pub state: PumpState,
    pub speed: f64,
    pub power_kw: f64,
    pub run_h: f64,
}

/// One busway, at its meter.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs)]
pub struct Busway {
    pub volts: [f64; 3],
    pub amps: [f64; 3],
    pub kw: [f64; 3],
    pub kwh: f64,
}

/// One tap-off with the power distribution unit behind it.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs)]
pub struct Tap {
    pub amps: [f64; 3],
    pub kw: f64,
    pub kwh: f64,
    pub live: bool,
    pub tripped: bool,
}

/// One UPS with its battery.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs)]
pub struct Ups {
    pub source: OutputSource,
    pub input_volts: [f64; 3],
    pub output_kw: f64,
    pub output_amps: [f64; 3],
    pub output_volts: [f64; 3],
    pub charge: f64,
    pub remaining_s: f64,
    pub on_battery_s: f64,
    pub battery_c: f64,
    pub battery_volts: f64,
    pub battery_amps: f64,
    pub input_line_bads: u32,
    pub bypass_ordered: bool,
}

/// All true values.
#[derive(Clone, Debug, Default)]
#[allow(missing_docs)] // the names with their units are the documentation
pub struct Truth {
    pub cold_aisle_c: f64,
    pub hot_aisle_c: f64,
    pub coil_leaving_air_c: f64,
    pub inlet_c: [[f64; 3]; RACKS],
    pub outlet_c: [f64; RACKS],
    pub air_flow_m3s: f64,
    pub server_air_flow_m3s: f64,
    pub fan_wall_pa: f64,
    pub filter_pa: f64,
    pub aisle_pa: f64,
    pub humidity_ratio: f64,
    pub dew_point_c: f64,
    pub cold_aisle_rh: f64,
    pub hot_aisle_rh: f64,
    pub fans: [Fan; FANS],
    pub fan_command: f64,
    pub water_flow_m3h: f64,
    pub supply_water_c: f64,
    pub return_water_c: f64,
    pub static_kpa: f64,
    pub strainer_kpa: f64,
    pub pump_rise_kpa: f64,
    pub valve: f64,
    pub pumps: [Pump; PUMPS],
    pub chiller: ChillerState,
    pub chiller_leaving_c: f64,
    pub chiller_cooling_kw: f64,
    pub chiller_power_kw: f64,
    pub coil_heat_kw: f64,
    pub rack_kw: [f64; RACKS],
    pub busways: [Busway; BUSWAYS],
    pub taps: [[Tap; 2]; RACKS],
    pub ups: [Ups; BUSWAYS],
    pub utility_healthy: bool,
    pub generator_running: bool,
    pub generator_failed: bool,
    pub on_generator: bool,
    pub main_volts: [f64; 3],
    pub main_hz: f64,
    pub main_kw: f64,
    pub main_amps: [f64; 3],
    pub main_kwh: f64,
    pub cooling_kw: f64,
    pub cooling_kwh: f64,
    pub cooling_panel_live: bool,
    pub breaker_closed: [bool; BUSWAYS],
    pub breaker_tripped: [bool; BUSWAYS],
    pub main_breaker_closed: bool,
    pub door_open: [bool; 3],
    pub smoke: bool,
    pub smoke_panel_fault: bool,
    pub emergency_off: bool,
    pub leak: [bool; 2],
    pub leak_rope_broken: [bool; 2],
    pub condensate_high: bool,
    pub earth_leakage: bool,
    /// The automatic load shedding is armed.
    pub load_shed_armed: bool,
    pub generator_not_in_auto: bool,
    pub generator_fuel_low: bool,
    pub generator_start_battery_low: bool,
}

impl Truth {
    /// A true value by the point path of the demo configuration, in that point's unit; `None` for a path without one.
    #[must_use]
    pub fn get(&self, path: &str) -> Option<f64> {
        Some(match path {
            "coil/water/supply/temperature" => self.supply_water_c,
            "coil/water/return/temperature" => self.return_water_c,
            "coil/water/flow" => self.water_flow_m3h,
            "coil/water/static-pressure" => self.static_kpa,
            "coil/water/strainer/pressure-drop" => self.strainer_kpa,
            "coil/air/leaving/left/temperature" | "coil/air/leaving/right/temperature" => self.coil_leaving_air_c,
            "coil/air/entering/temperature" => self.hot_aisle_c,
            "coil/valve/position" => 100.0 * self.valve,
            "pump/pressure-rise" => self.pump_rise_kpa,
            "fan-wall/pressure-rise" => self.fan_wall_pa,
            "fan-wall/command" => 100.0 * self.fan_command,
            "filter/pressure-drop" => self.filter_pa,
            "aisle/pressure-difference" => self.aisle_pa,
            "chiller/water/leaving/temperature" => self.chiller_leaving_c,
            "chiller/power" => self.chiller_power_kw,
            "chiller/state" => f64::from(self.chiller as u8),
            "cold-aisle/dew-point" => self.dew_point_c,
            "main/power" => self.main_kw,
            "main/l1/current" => self.main_amps[0],
            "main/l2/current" => self.main_amps[1],
            "main/l3/current" => self.main_amps[2],
            "cooling/power" => self.cooling_kw,
            _ => return self.numbered(path),
        })
    }

    /// Total power of the racks, kW.
    #[must_use]
    pub fn it_kw(&self) -> f64 {
        self.rack_kw.iter().sum()
    }

    /// Hottest rack inlet, °C.
    #[must_use]
    pub fn hottest_inlet_c(&self) -> f64 {
        self.inlet_c.iter().flatten().fold(f64::MIN, |a, b| a.max(*b))
    }

    fn numbered(&self, path: &str) -> Option<f64> {
        let mut parts = path.split('/');
        let kind = parts.next()?;
        let which = parts.next()?;
        let rest = (parts.next(), parts.next(), parts.next(), parts.next());
        match (kind, rest) {
            ("rack", (Some("inlet"), Some(height), Some("temperature"), None)) => {
                let k = ["top", "middle", "bottom"].iter().position(|h| *h == height)?;
                Some(self.inlet_c.get(index(which)?)?[k])
            }
            ("rack", (Some("outlet"), Some("temperature"), None, None)) => self.outlet_c.get(index(which)?).copied(),
            ("rack", (Some("power"), None, None, None)) => self.rack_kw.get(index(which)?).copied(),
            ("rack", (Some("pdu"), Some(side), Some("power"), None)) => {
                let side = Side::BOTH.into_iter().find(|s| s.letter() == side)?;
                Some(self.taps.get(index(which)?)?[side.index()].kw)
            }
            ("fan", (Some("speed"), None, None, None)) => {
                Some(self.fans.get(index(which)?)?.speed * super::fans::FULL_SPEED_RPM)
            }
            ("busway", (Some(phase), Some(quantity), None, None)) => {
                let b = BUSWAY_NAMES.iter().position(|n| *n == which)?;
                let p = ["l1", "l2", "l3"].iter().position(|l| *l == phase)?;
                match quantity {
                    "current" => Some(self.busways[b].amps[p]),
                    "voltage" => Some(self.busways[b].volts[p]),
                    "power" => Some(self.busways[b].kw[p]),
                    _ => None,
                }
            }
            ("busway", (Some("power"), None, None, None)) => {
                let b = BUSWAY_NAMES.iter().position(|n| *n == which)?;
                Some(self.busways[b].kw.iter().sum())
            }
            ("ups", (Some("output"), Some("source"), None, None)) => {
                let b = BUSWAY_NAMES.iter().position(|n| *n == which)?;
                Some(f64::from(self.ups[b].source as u8))
            }
            ("ups", (Some("battery"), Some("charge"), None, None)) => {
                let b = BUSWAY_NAMES.iter().position(|n| *n == which)?;
                Some(100.0 * self.ups[b].charge)
            }
            _ => None,
        }
    }
}

/// "07" → 6.
fn index(number: &str) -> Option<usize> {
    number.parse::<usize>().ok()?.checked_sub(1)
}

const _: () = assert!(PAIRS * 2 == BUSWAYS, "invariant: one busway a side in each pair");
