//! Every derived point against its truth in every scenario.
//!
//! Good readings only: one that is not good claims nothing. Panics where a reading lies outside what it claims.

use lapwing::plan::Plan;
use lapwing_simulator::model::Truth;
use lapwing_simulator::model::water::KW_PER_K_A_M3H;
use lapwing_simulator::scenario::Scenario;
use lapwing_tests::virtually;

use super::electrical::electrical;
use super::lost::Lost;
use super::planned::{Claim, claim};
use super::thermal::ROWS;
use super::truths::{fans_kw, it_kw, span};
use super::{SECONDS, SEED, good, index};

/// Derived points without a truth of their own, and why.
const NO_TRUTH: &[(&str, &str)] = &[
    ("uncertainty", "how sure another point is"),
    ("fan-wall/speed-with-one-less", "what would be: compared with what happens, below"),
    ("module/steady", "a judgement; where it says steady, the heat carried is compared with what is put in"),
    ("module/heat-stored", "a bound, as module/steady"),
    ("module/heat-balance-suspect", "a judgement; which sensor it names is compared with the fault"),
    ("ride-through/", "compared with what happens when it is played, below"),
    ("envelope/earliest-too-warm", "compared with what happens, below"),
    ("efficiency/partial-pue-", "compared on the quiet module, below"),
    ("efficiency/pue", "compared on the quiet module, below"),
    ("efficiency/energy-gap", "about the agent's own reading"),
    ("efficiency/energy-span", "about the agent's own reading"),
];

/// Where a sensor lies and nothing in the module can know at once: the point that must say so instead.
const LIES: &[(&str, &str)] = &[("sensor-drift", "module/heat-balance-suspect")];

/// Points that hang on the sensor that lies in it.
const LIED_TO: &[&str] = &[
    "coil/water/heat",
    "coil/approach",
    "coil/effectiveness",
    "coil/conductance",
    "coil/cleanliness",
    "module/heat-balance",
    "envelope/facility-water-margin",
    "coil/condensation-margin",
];

#[test]
fn every_derived_point_has_a_truth_or_a_reason() {
    let plan = virtually::demo_plan();
    let open: Vec<&str> = plan
        .derived
        .iter()
        .map(|derived| &plan.points[derived.point as usize])
        .filter(|point| claim(point, &[]).is_none() && electrical(&point.path, &[]).is_none())
        .map(|point| point.path.as_str())
        .filter(|path| !ROWS.iter().any(|row| row.path == *path))
        .filter(|path| !NO_TRUTH.iter().any(|(part, _)| path.contains(part)))
        .collect();
    assert!(open.is_empty(), "{} points: {open:#?}", open.len());
}

/// Heat that a module called steady may still store: what is asked for, and a quarter for probes and rounding.
const STEADY_KW: f64 = 1.25 * 8.0;

/// Heat that goes into the module's mass: what is put in less what the water carries away.
fn stored_kw(truth: &Truth) -> f64 {
    let carried = truth.water_flow_m3h * KW_PER_K_A_M3H * (truth.return_water_c - truth.supply_water_c);
    it_kw(truth) + fans_kw(truth) - carried
}

/// What disagreed in one scenario, and how many readings were compared.
fn compare(plan: &Plan, name: &str) -> (Vec<String>, usize) {
    let scenario = Scenario::named(name).expect("a scenario of that name");
    let points: Vec<u32> = ROWS.iter().map(|row| index(plan, row.path)).collect();
    let suspect = index(plan, "module/heat-balance-suspect");
    let mut past: Vec<Truth> = Vec::new();
    let mut lost: Vec<Lost> = Vec::new();
    let mut wrong: Vec<Option<(String, usize)>> = vec![None; ROWS.len()];
    let mut compared = 0_usize;
    let electric: Vec<u32> = plan
        .derived
        .iter()
        .map(|derived| derived.point)
        .filter(|point| electrical(&plan.points[*point as usize].path, &[]).is_some())
        .collect();
    let planned: Vec<u32> = plan
        .derived
        .iter()
        .map(|derived| derived.point)
        .filter(|point| claim(&plan.points[*point as usize], &[]).is_some())
        .collect();
    let mut electric_wrong: std::collections::BTreeMap<u32, (String, usize)> = std::collections::BTreeMap::new();
    let mut suspects = std::collections::BTreeSet::new();
    let steady = index(plan, "module/steady");
    let mut not_steady = None;
    virtually::play(plan, &scenario, SEED, SECONDS, &mut |moment| {
        past.push(moment.plant.truth().clone());
        lost.push(Lost::of(moment.plant.model()));
        if moment.at_ms < 12_000 {
            return; // humidity is read every 10 s
        }
        if let Some(number) = good(plan, moment, suspect) {
            suspects.insert(number as i64);
        }
        // A window's middle lies half a minute back, and the wells are 8 s late.
        if good(plan, moment, steady) == Some(1.0) {
            let least = span(&past[past.len().saturating_sub(40)..], |t| stored_kw(t).abs()).0;
            if least > STEADY_KW && not_steady.is_none() {
                not_steady = Some(format!("{name}: called steady at {} s, {least:.1} kW stored", moment.at_ms / 1000));
            }
        }
        for point in &electric {
            let path = &plan.points[*point as usize].path;
            let (Some(shown), Some(((low, high), by))) = (good(plan, moment, *point), electrical(path, &past)) else {
                continue;
            };
            compared += 1;
            if shown < low - by || shown > high + by {
                let second = moment.at_ms / 1000;
                let text =
                    || format!("{name}: {path} shows {shown} at {second} s, truth {low:.2} to {high:.2}, ±{by:.2}");
                electric_wrong.entry(*point).or_insert_with(|| (text(), 0)).1 += 1;
            }
        }
        for point in &planned {
            let Some(shown) = good(plan, moment, *point) else { continue };
            let Some(claim) = claim(&plan.points[*point as usize], &lost) else { continue };
            compared += 1;
            let why = match claim {
                Claim::Number((low, high), by) if shown < low - by || shown > high + by => {
                    format!("truth {low:.2} to {high:.2}, ±{by:.2}")
                }
                Claim::OneOf(states) if !states.contains(&shown) => format!("truth one of {states:?}"),
                Claim::Number(..) | Claim::OneOf(_) => continue,
            };
            let (path, second) = (&plan.points[*point as usize].path, moment.at_ms / 1000);
            let text = || format!("{name}: {path} shows {shown} at {second} s, {why}");
            electric_wrong.entry(*point).or_insert_with(|| (text(), 0)).1 += 1;
        }
        for ((row, point), wrong) in ROWS.iter().zip(&points).zip(&mut wrong) {
            let Some(shown) = good(plan, moment, *point) else { continue };
            let (low, high) = (row.truth)(&past[past.len().saturating_sub(row.lag_s + 1)..]);
            compared += 1;
            let by = (row.within)(shown.abs());
            if shown < low - by - 1e-9 || shown > high + by + 1e-9 {
                let second = moment.at_ms / 1000;
                let text = || {
                    format!(
                        "{name}: {} shows {shown} at {second} s, truth {low:.3} to {high:.3}, ±{by:.3} ({})",
                        row.path, row.because
                    )
                };
                let (_, times) = wrong.get_or_insert_with(|| (text(), 0));
                *times += 1;
            }
        }
    });
    let lie = LIES.iter().find(|(scenario, _)| *scenario == name);
    let mut told: Vec<String> = ROWS
        .iter()
        .zip(wrong)
        .filter_map(|(row, wrong)| wrong.map(|wrong| (row.path, wrong)))
        .filter(|(path, _)| lie.is_none() || !LIED_TO.contains(path))
        .map(|(_, (text, times))| format!("{text}; {times} times"))
        .collect();
    told.extend(electric_wrong.into_values().map(|(text, times)| format!("{text}; {times} times")));
    told.extend(not_steady);
    let expected = if lie.is_some() { vec![0, 1] } else { vec![0] };
    let said: Vec<i64> = suspects.into_iter().collect();
    // A module that is never in steady state in this time names nobody.
    if said.iter().any(|number| !expected.contains(number)) || (lie.is_some() && said.last() != Some(&1)) {
        told.push(format!("{name}: the heat balance names {said:?}, expected {expected:?}"));
    }
    (told, compared)
}

#[test]
fn every_derived_point_agrees_with_the_truth_in_every_scenario() {
    let plan = virtually::demo_plan();
    let names: Vec<&str> = Scenario::names().collect();
    let results: Vec<(Vec<String>, usize)> = std::thread::scope(|scope| {
        let halves: Vec<_> = names
            .chunks(names.len().div_ceil(2))
            .map(|names| {
                let plan = &plan;
                scope.spawn(move || names.iter().map(|name| compare(plan, name)).collect::<Vec<_>>())
            })
            .collect();
        halves.into_iter().flat_map(|half| half.join().expect("a comparison does not panic")).collect()
    });
    let compared: usize = results.iter().map(|(_, compared)| compared).sum();
    println!("{compared} good readings compared with the truth in {} scenarios", names.len());
    let wrong: Vec<&String> = results.iter().flat_map(|(wrong, _)| wrong).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(compared > 100_000, "{compared}");
}
