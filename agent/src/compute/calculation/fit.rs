//! The fit of the two-node ride-through model to recorded samples, stamped with the condition they were recorded in.
//!
//! Only brings inputs to the engine's physics. Times s, temperatures °C, heats kW. Never panics.

use lapwing_engine::physics::fit::{self, Condition};
use serde::Deserialize;
use serde_json::json;

use super::super::NoNumber;
use super::{Calculation, Found, typed};

pub(super) const CALCULATIONS: &[Calculation] = &[Calculation {
    name: "fit_two_node",
    takes: "t_s [list of s], air_c [list of Cel], q_kw [list of kW kept in the air since the sample before], \
            c_air and c_mass [kJ/K] and ha_kw_k [kW/K] as first guesses, condition (load_bank, test_bay or site)",
    unit: "kJ/K,kJ/K,kW/K,1,1,1,K,",
    run: |inputs| typed(inputs, fit_two_node),
}];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Recorded {
    t_s: Vec<f64>,
    air_c: Vec<f64>,
    q_kw: Vec<f64>,
    c_air: f64,
    c_mass: f64,
    ha_kw_k: f64,
    condition: Word,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Word {
    LoadBank,
    TestBay,
    Site,
}

fn fit_two_node(given: Recorded) -> Result<Found, NoNumber> {
    let condition = match given.condition {
        Word::LoadBank => Condition::LoadBank,
        Word::TestBay => Condition::TestBay,
        Word::Site => Condition::Site,
    };
    let guess = [given.c_air, given.c_mass, given.ha_kw_k];
    let got = fit::fit_two_node(&given.t_s, &given.air_c, &given.q_kw, guess, condition)?;
    let [u_c_air, u_c_mass, u_ha] = got.relative;
    let value = json!({
        "c_air": got.c_air, "c_mass": got.c_mass, "ha_kw_k": got.ha_kw_k,
        "u_c_air_rel": u_c_air, "u_c_mass_rel": u_c_mass, "u_ha_rel": u_ha,
        "rms_k": got.rms_k, "condition": got.condition.word(),
    });
    let doubt = match got.condition {
        Condition::Site => None,
        Condition::TestBay => Some("fitted in a test bay: loop and chiller plant are not the site's"),
        Condition::LoadBank => Some("fitted with load banks: their mass and air flow are not the equipment's"),
    };
    Ok(Found { doubt, ..value.into() })
}
