//! Judgements and alarms that rest on derived points: they come where they belong, in time, and nowhere else.
//!
//! Times s and ms from the start. Panics where one is missing, wrong or late.

use lapwing::field::budget::{Lateness, lateness};
use lapwing::plan::Plan;
use lapwing_protocol::Decimal;
use lapwing_simulator::model::layout::BUSWAY_NAMES;
use lapwing_simulator::model::{Model, Truth};
use lapwing_simulator::plant::Plant;
use lapwing_simulator::scenario::Scenario;
use lapwing_tests::virtually::{self, Moment};

use super::{SECONDS, SEED, good, index};

/// Alarms of this room: what they are made of are derived points.
const THERMAL: &[&str] = &[
    "condensation-near",
    "condensation-imminent",
    "fans-fewer-than-needed",
    "heat-balance-open",
    "ride-through-chiller-short",
    "envelope-recommended-left",
    "inlet-air-changes-fast",
];

/// Which of them each scenario raises in three minutes; none of the others raises any.
const RAISED: &[(&str, &[&str])] = &[
    ("humidity-rise", &["condensation-imminent", "condensation-near"]),
    ("sensor-drift", &["heat-balance-open"]),
    ("fans-to-minimum", &["inlet-air-changes-fast"]),
    ("emergency-off", &["fans-fewer-than-needed"]),
    ("pump-trip-standby-fails", &["inlet-air-changes-fast"]),
];

#[test]
fn thermal_alarms_come_where_they_belong_and_nowhere_else() {
    let plan = virtually::demo_plan();
    let names: Vec<&str> = Scenario::names().collect();
    let wrong: Vec<String> = std::thread::scope(|scope| {
        let halves: Vec<_> = names
            .chunks(names.len().div_ceil(2))
            .map(|names| {
                let plan = &plan;
                scope.spawn(move || names.iter().filter_map(|name| thermal_alarms_of(plan, name)).collect::<Vec<_>>())
            })
            .collect();
        halves.into_iter().flat_map(|half| half.join().expect("a play does not panic")).collect()
    });
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// What a scenario raised, if that is not what belongs to it.
fn thermal_alarms_of(plan: &Plan, name: &str) -> Option<String> {
    let mut raised: Vec<&str> = Vec::new();
    virtually::play(plan, &Scenario::named(name).expect("a scenario"), SEED, 2 * SECONDS, &mut |moment| {
        for transition in moment.transitions.iter().filter(|transition| transition.active) {
            let id = plan.alarms[transition.alarm as usize].id.as_str();
            println!("{name}: {} s {id}", moment.at_ms / 1000);
            if THERMAL.contains(&id) && !raised.contains(&id) {
                raised.push(id);
            }
        }
    });
    raised.sort_unstable();
    let expected = RAISED.iter().find(|(scenario, _)| *scenario == name).map_or(&[][..], |(_, ids)| *ids);
    (raised != expected).then(|| format!("{name}: {raised:?}, expected {expected:?}"))
}

/// An alarm without any delay on the main's meter against what is below it.
const MAIN_DIFFERS: &str = r#"
[[alarm]]
id = "main-differs"
point = "main/meter-difference"
low = -8.0
deadband = 1.0
priority = "medium"
text = "The main's meter reads {value} against the sum of what it feeds, limit {limit}"
consequence = "One of the meters is wrong."
response = "Find which one."
respond_within = "8h"
"#;

/// The main's meter stands at zero while the batteries feed everything below it, and at a part while the others still do: no
/// meter is wrong.
#[test]
fn batteries_make_no_meter_differ() {
    let plan = virtually::demo_plan_and(MAIN_DIFFERS);
    let point = index(&plan, "main/meter-difference");
    let alarm = plan.alarms.iter().position(|alarm| alarm.id == "main-differs").expect("it was added");
    for name in ["calm", "utility-lost", "utility-return", "generator-no-start", "battery-weak", "emergency-off"] {
        let (mut good_s, mut dead_s, mut raised) = (0, 0, Vec::new());
        virtually::play(&plan, &Scenario::named(name).expect("a scenario"), SEED, SECONDS, &mut |moment| {
            good_s += u32::from(good(&plan, moment, point).is_some());
            dead_s += u32::from(moment.judge.reading(point).status.is_bad());
            let ours = moment.transitions.iter().filter(|transition| transition.alarm as usize == alarm);
            raised.extend(ours.filter(|transition| transition.active).map(|_| moment.at_ms / 1000));
        });
        println!("{name}: {good_s} s good, {dead_s} s without a number");
        assert!(raised.is_empty(), "{name}: raised at {raised:?} s");
        assert!(good_s >= 5, "{name}");
        let long = ["generator-no-start", "battery-weak"].contains(&name);
        assert!(!long || dead_s > 5, "{name}: said what it cannot know");
    }
}

/// The load falls by a fifth after two minutes and comes back sixteen minutes later: the water carries first too much, then
/// too little, and no sensor is wrong.
#[test]
fn nobody_is_suspected_while_the_racks_store_heat() {
    let plan = virtually::demo_plan();
    let [steady, suspect, balance] =
        ["module/steady", "module/heat-balance-suspect", "module/heat-balance"].map(|path| index(&plan, path));
    let mut load = |at_ms: u64, plant: &mut Plant| match at_ms {
        120_000 => plant.set_load(0.8),
        1_080_000 => plant.set_load(1.0),
        _ => {}
    };
    let (mut open_kw, mut believed_kw) = (0.0_f64, 0.0_f64);
    let (mut calm, mut named) = (Vec::new(), Vec::new());
    let mut look = |moment: &Moment<'_, '_>| {
        let second = moment.at_ms / 1000;
        let reading = moment.judge.reading(balance);
        if second >= 60 && !reading.status.is_bad() {
            let kw = Decimal::new(reading.value, plan.points[balance as usize].exponent).to_f64().abs();
            open_kw = open_kw.max(kw);
            believed_kw = if reading.status.is_good() { believed_kw.max(kw) } else { believed_kw };
        }
        if good(&plan, moment, steady) == Some(1.0) {
            calm.push(second);
        }
        if good(&plan, moment, suspect).is_some_and(|which| which > 0.0) {
            named.push(second);
        }
    };
    virtually::play_steered(&plan, &Scenario::named("calm").expect("a scenario"), SEED, 2040, &mut load, &mut look);
    let begins: Vec<&u64> = calm.iter().filter(|second| !calm.contains(&(*second - 1))).collect();
    println!("open by {open_kw} kW, believed {believed_kw} kW; steady {} s, from {begins:?} s", calm.len());
    assert!(named.is_empty(), "{named:?}");
    assert!(open_kw > 50.0, "the steps show in the balance: {open_kw} kW");
    assert!(believed_kw < 0.05 * 330.0, "{believed_kw} kW");
    for (from, until) in [(60, 120), (960, 1080), (1920, 2040)] {
        assert!((from..until).all(|second| calm.contains(&second)), "not steady at rest before {until} s");
    }
    assert!(!(122..300).chain(1082..1260).any(|second| calm.contains(&second)), "steady right after a step");
}

/// The load ramps up through the failover limits of the busways, begun at every phase of scan and meter: no alarm comes
/// later than `lapwing check` says at its worst, and the rounds that are waited out meanwhile are part of that.
#[test]
fn no_alarm_comes_later_than_its_stated_worst() {
    const FROM_MS: u64 = 20_000;
    let mut plan = virtually::demo_plan();
    let failover = |plan: &Plan, busway: usize| {
        let id = format!("busway-{}-failover-overload", BUSWAY_NAMES[busway]);
        plan.alarms.iter().position(|alarm| alarm.id == id).expect("the demo has this alarm")
    };
    let alarms: Vec<usize> = (0..BUSWAY_NAMES.len()).map(|busway| failover(&plan, busway)).collect();
    for alarm in &alarms {
        plan.engine.alarms[*alarm].on_delay_ms = 0; // five minutes would hide what is looked at
    }
    let stated: Vec<Lateness> =
        alarms.iter().map(|alarm| lateness(&plan)[*alarm].expect("meters are behind it")).collect();
    // What a breaker would carry alone, its worst phase, as a share of 250 A.
    let share = |truth: &Truth, b: usize| {
        let phase = |p: usize| truth.busways[b % 3].amps[p] + truth.busways[b % 3 + 3].amps[p];
        (0..3).map(phase).fold(0.0, f64::max) / 250.0
    };
    let calm = Scenario::named("calm").expect("a scenario");
    let at_full = share(&Model::new(SEED).truth, 0).max(share(&Model::new(SEED).truth, 1));
    let at_rest = 0.97 / at_full.max(share(&Model::new(SEED).truth, 2));
    let (mut worst, mut compared) = (vec![0_u64; alarms.len()], 0);
    for phase in 0..16 {
        let begin = FROM_MS + phase * 130;
        let mut crossed: Vec<Option<u64>> = vec![None; alarms.len()];
        let mut told: Vec<Option<u64>> = vec![None; alarms.len()];
        let mut ramp = |at_ms: u64, plant: &mut Plant| {
            let risen = at_ms.saturating_sub(begin).min(5000) as f64 / 1000.0;
            plant.set_load(at_rest * (1.0 + 0.08 * risen));
            for (b, crossed) in crossed.iter_mut().enumerate() {
                let over = share(plant.truth(), b) > 1.0;
                *crossed = if over { crossed.or(Some(at_ms)) } else { None };
            }
        };
        let mut look = |moment: &Moment<'_, '_>| {
            for transition in moment.transitions.iter().filter(|transition| transition.active) {
                if let Some(b) = alarms.iter().position(|alarm| *alarm == transition.alarm as usize) {
                    told[b].get_or_insert(transition.at.0);
                }
            }
        };
        virtually::play_steered(&plan, &calm, SEED, 45, &mut ramp, &mut look);
        for b in 0..alarms.len() {
            let crossed = crossed[b].unwrap_or_else(|| panic!("busway {} never passes its limit", BUSWAY_NAMES[b]));
            let told = told[b].unwrap_or_else(|| panic!("busway {}: not told", BUSWAY_NAMES[b]));
            worst[b] = worst[b].max(told.saturating_sub(crossed));
            compared += 1;
        }
    }
    let mut beyond = 0;
    for ((busway, late), worst_ms) in BUSWAY_NAMES.iter().zip(&stated).zip(&worst) {
        let (all_ms, held_ms) = (late.total().as_millis(), late.held.as_millis());
        println!(
            "busway {busway}: {worst_ms} ms measured, {all_ms} ms stated, of that {held_ms} held ({})",
            late.spoken()
        );
        assert!(u128::from(*worst_ms) <= all_ms, "busway {busway}: {worst_ms} ms measured, {all_ms} ms stated");
        assert!(held_ms > 0);
        // Here the wire, the disk and the broker take no time.
        beyond += usize::from(u128::from(*worst_ms) > (late.probe + late.refresh + late.scan).as_millis());
    }
    assert!(compared == 16 * 6 && beyond > 0, "without the rounds that are held the stated worst was too little");
}
