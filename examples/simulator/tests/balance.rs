//! The model makes and loses no heat: what is put in electrically leaves with the water or is stored.
//!
//! UPS units and distribution stand outside the cooled air, the walls let nothing through, pumps and chiller plant stand
//! outside too. Powers kW, heat kJ. Panics are test failures.

use lapwing_simulator::model::air::AIR_KJ_PER_M3K;
use lapwing_simulator::model::water::KW_PER_K_A_M3H;
use lapwing_simulator::model::{Model, Upset};

const STEP_S: f64 = 0.1;

/// Heat over a time, kJ: put in, given by the air to the coil, taken by the water in the coil and carried by it, and what the
/// air and the equipment store more than before.
#[derive(Debug, Default)]
struct Heat {
    put_in: f64,
    to_coil: f64,
    to_water: f64,
    carried: f64,
    stored: f64,
}

impl Heat {
    fn over(model: &mut Model, seconds: f64) -> Self {
        let mut heat = Self { stored: -model.stored_kj(), ..Self::default() };
        for _ in 0..(seconds / STEP_S) as u32 {
            let hot = model.truth.hot_aisle_c;
            model.step(STEP_S);
            let truth = &model.truth;
            let fans: f64 = truth.fans.iter().map(|fan| fan.power_w / 1000.0).sum();
            heat.put_in += (truth.it_kw() + fans) * STEP_S;
            heat.to_coil += AIR_KJ_PER_M3K * truth.air_flow_m3s * (hot - truth.coil_leaving_air_c) * STEP_S;
            heat.to_water += truth.coil_heat_kw * STEP_S;
            let warmer = truth.return_water_c - truth.supply_water_c;
            heat.carried += truth.water_flow_m3h * KW_PER_K_A_M3H * warmer * STEP_S;
        }
        heat.stored += model.stored_kj();
        heat
    }
}

/// Name and what is wrong.
type Case = (&'static str, fn(&mut Upset));

const CASES: [Case; 8] = [
    ("calm", |_| {}),
    ("less load", |upset| upset.load_share = 0.7),
    ("a rack more", |upset| upset.added_kw[8] = 12.0),
    ("a fan lost", |upset| (upset.fan_stopped[6], upset.damper_stuck_open[6]) = (true, true)),
    ("a door open", |upset| upset.door_open[0] = true),
    ("filters clog", |upset| upset.filter_clogging = true),
    ("fans to minimum", |upset| upset.fans_to_minimum = true),
    ("a side lost", |upset| upset.breaker_tripped[..3].fill(true)),
];

#[test]
fn at_rest_the_water_carries_what_is_put_in() {
    for (name, wrong) in CASES {
        let mut model = Model::new(1);
        wrong(&mut model.upset);
        Heat::over(&mut model, 6000.0);
        let heat = Heat::over(&mut model, 1200.0);
        let open = (heat.put_in - heat.carried - heat.stored) / heat.put_in;
        println!("{name}: {:.1} kW put in, open by {:.4} %", heat.put_in / 1200.0, 100.0 * open);
        assert!(open.abs() < 0.001, "{name}: {open}, {heat:?}");
        assert!((heat.to_water / heat.carried - 1.0).abs() < 0.001, "{name}: {heat:?}");
    }
}

#[test]
fn what_is_put_in_goes_to_the_coil_or_is_stored_while_it_changes_too() {
    for (name, wrong) in CASES {
        let mut model = Model::new(1);
        wrong(&mut model.upset);
        let heat = Heat::over(&mut model, 600.0);
        let open = (heat.put_in - heat.to_coil - heat.stored) / heat.put_in;
        println!("{name}: {:.0} kJ stored of {:.0}, open by {:.4} %", heat.stored, heat.put_in, 100.0 * open);
        assert!(open.abs() < 0.001, "{name}: {open}, {heat:?}");
    }
}
