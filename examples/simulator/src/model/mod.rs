//! Saltmarsh M1's physics: one step moves every part on, in the order in which one part feels the other.
//!
//! Pure: no clock, no socket, no allocation in a step; f64 through `libm`, so that every machine gets the same run.
//! Starts in steady state at full load. All numbers invented, consistent with each other: 414 kW in 18 racks,
//! 30 m³/s of air, 36 m³/h of water from 17 °C. The step is passed in, seconds. Never panics.

pub mod air;
pub mod chiller;
pub mod coil;
pub mod fans;
pub mod layout;
pub mod loads;
pub mod moist;
pub mod noise;
pub mod supply;
pub mod truth;
pub mod ups;
pub mod upset;
pub mod water;

pub use truth::Truth;
pub use upset::Upset;

use supply::Supply;
use truth::{ChillerState, OutputSource, PumpState};

/// Settling before the start, s: three server time constants from a good guess.
const SETTLE_S: f64 = 900.0;

/// The whole physics.
#[derive(Clone, Debug)]
pub struct Model {
    /// What is wrong; faults set it.
    pub upset: Upset,
    /// True values.
    pub truth: Truth,
    air: air::Air,
    chiller: chiller::Chiller,
    fans: fans::FanWall,
    loads: loads::Loads,
    moist: moist::Moist,
    supply: Supply,
    water: water::WaterLoop,
}

impl Model {
    /// A module in steady state.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self::at_load(seed, 1.0)
    }

    /// A module in steady state whose servers want this share of their load at rest.
    #[must_use]
    pub fn at_load(seed: u64, share: f64) -> Self {
        let mut model = Self {
            upset: Upset { load_share: share, ..Upset::default() },
            truth: guess(),
            air: air::Air::default(),
            chiller: chiller::Chiller::default(),
            fans: fans::FanWall::default(),
            loads: loads::Loads::new(seed),
            moist: moist::Moist::default(),
            supply: Supply::default(),
            water: water::WaterLoop::default(),
        };
        for _ in 0..(SETTLE_S / 0.1) as u32 {
            model.step(0.1);
        }
        model
    }

    /// The same steady state, going on with another seed's noise.
    #[must_use]
    pub fn reseeded(&self, seed: u64) -> Self {
        let mut model = self.clone();
        model.loads.reseed(seed);
        model
    }

    /// Goes on by `dt_s`; at most about 0.1 s at once, longer steps blur the pumps' and fans' first second.
    pub fn step(&mut self, dt_s: f64) {
        let (upset, truth) = (&self.upset, &mut self.truth);
        self.supply.step(dt_s, upset, truth);
        let supplied = Supply::live(truth);
        ups::step(dt_s, upset, supplied, truth);
        self.loads.step(dt_s, upset, truth);
        self.fans.step(dt_s, upset, truth);
        self.water.step_flow(dt_s, upset, truth);
        self.chiller.step(dt_s, upset, supplied, truth);
        let coil_outlet_c = coil::step(dt_s, truth);
        self.water.step_temperatures(dt_s, coil_outlet_c, truth);
        self.air.step(dt_s, upset, truth);
        self.moist.step(dt_s, upset, truth);
        let through_ups: f64 = truth.ups.iter().map(|u| u.output_kw).sum::<f64>() / ups::EFFICIENCY;
        truth.main_kw = if supplied { through_ups + truth.chiller_power_kw } else { 0.0 };
        Supply::carry(truth);
        truth.main_kwh += truth.main_kw * dt_s / 3600.0;
        contacts(upset, truth);
    }

    /// Heat in air and equipment, above 0 °C, kJ.
    #[must_use]
    pub fn stored_kj(&self) -> f64 {
        self.air.stored_kj(&self.truth)
    }
}

/// What needs no physics: switches that a contact shows as they are.
fn contacts(upset: &Upset, truth: &mut Truth) {
    truth.door_open = upset.door_open;
    truth.smoke = upset.smoke;
    truth.smoke_panel_fault = upset.smoke_panel_fault;
    truth.emergency_off = upset.emergency_off;
    truth.leak = upset.leak;
    truth.leak_rope_broken = upset.leak_rope_broken;
    truth.earth_leakage = upset.earth_leakage;
    truth.load_shed_armed = !upset.load_shed_off;
    truth.generator_not_in_auto = upset.generator_not_in_auto;
    truth.generator_fuel_low = upset.generator_fuel_low;
    truth.generator_start_battery_low = upset.generator_start_battery_low;
}

/// A guess near the steady state; settling does the rest.
fn guess() -> Truth {
    let mut truth = Truth {
        cold_aisle_c: 23.3,
        hot_aisle_c: 35.0,
        coil_leaving_air_c: 23.0,
        inlet_c: [[23.5; 3]; layout::RACKS],
        outlet_c: [35.3; layout::RACKS],
        air_flow_m3s: 30.0,
        server_air_flow_m3s: 29.2,
        fan_wall_pa: 200.0,
        humidity_ratio: 0.0075,
        dew_point_c: 9.5,
        fan_command: 0.93,
        water_flow_m3h: 36.0,
        supply_water_c: chiller::SETPOINT_C,
        return_water_c: 27.1,
        static_kpa: 200.0,
        valve: 0.65,
        chiller: ChillerState::Running,
        chiller_leaving_c: chiller::SETPOINT_C,
        chiller_cooling_kw: 422.0,
        coil_heat_kw: 422.0,
        rack_kw: layout::RACK_KW,
        cooling_panel_live: true,
        main_volts: [230.0; 3],
        main_kwh: 1_204_310.0,
        cooling_kwh: 27_450.0,
        ..Truth::default()
    };
    for (f, fan) in truth.fans.iter_mut().enumerate() {
        fan.speed = 0.93;
        fan.motor_c = 48.0;
        fan.run_h = 11_800.0 + 37.0 * f as f64;
    }
    truth.pumps[0] = truth::Pump { state: PumpState::Running, speed: 1.0, power_kw: 2.3, run_h: 6_120.0 };
    truth.pumps[1] = truth::Pump { state: PumpState::Standby, speed: 0.0, power_kw: 0.0, run_h: 5_870.0 };
    for (b, ups) in truth.ups.iter_mut().enumerate() {
        ups.source = OutputSource::Normal;
        ups.charge = 1.0;
        ups.battery_c = 24.0;
        ups.input_volts = [230.0; 3];
        truth.busways[b].kwh = 151_000.0 + 3_100.0 * b as f64;
    }
    for (r, taps) in truth.taps.iter_mut().enumerate() {
        for tap in taps {
            tap.kwh = 25_000.0 + 310.0 * r as f64;
        }
    }
    truth
}
