//! The engine step by step beside `tests/peers/alarm_model.py`, which was written from the documentation alone.
//!
//! The peer invents plants and steps and says what must be told; here the same steps go through the engine. 50 000 steps
//! by default; `LAPWING_MODEL_STEPS` asks for more (`tests/run alarm-model`: a million), `LAPWING_MODEL_SEED` for others.
//! A disagreement names the seed and the steps before it. Needs Python 3 and nothing else.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

use lapwing_engine::spec::{AlarmSpec, Condition, Millis};
use lapwing_engine::{Effect, Engine, Operation};
use lapwing_protocol::Status;
use serde_json::{Value, json};

use crate::plant::{Plant, alarm, name};

const PEER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/peers/alarm_model.py");
/// Steps shown before a disagreement.
const SHOWN: usize = 12;

fn number(of: &Value, key: &str) -> i64 {
    of[key].as_i64().unwrap_or_else(|| panic!("the peer gives {key} as a whole number: {of}"))
}

fn small(of: &Value, key: &str) -> u32 {
    u32::try_from(number(of, key)).expect("the peer's times and numbers are small")
}

fn text<'a>(of: &'a Value, key: &str) -> &'a str {
    of[key].as_str().unwrap_or_else(|| panic!("the peer gives {key} as text: {of}"))
}

fn list<'a>(of: &'a Value, key: &str) -> &'a [Value] {
    of[key].as_array().unwrap_or_else(|| panic!("the peer gives {key} as a list: {of}"))
}

fn spec(of: &Value) -> AlarmSpec {
    let (limit, deadband) = (number(of, "limit"), number(of, "deadband"));
    let condition = match text(of, "kind") {
        "high" => Condition::High { limit, deadband },
        "low" => Condition::Low { limit, deadband },
        "state" => {
            let states = list(of, "states").iter().filter_map(Value::as_u64).fold(0, |bits, state| bits | 1 << state);
            Condition::State { states }
        }
        "bad" => Condition::BadMeasurement,
        other => panic!("no condition {other}"),
    };
    AlarmSpec {
        on_delay_ms: small(of, "on_delay"),
        off_delay_ms: small(of, "off_delay"),
        latching: of["latching"] == true,
        max_shelf_ms: small(of, "max_shelf"),
        ..alarm(small(of, "point"), condition)
    }
}

fn plant(of: &Value) -> Plant {
    let points: Vec<_> = list(of, "points")
        .iter()
        .map(|point| {
            let valid = point["valid"].as_array().map(|ends| match ends.as_slice() {
                [low, high] => (low.as_i64().expect("whole"), high.as_i64().expect("whole")),
                other => panic!("a range has two ends: {other:?}"),
            });
            (valid, small(point, "max_age"))
        })
        .collect();
    let alarms: Vec<AlarmSpec> = list(of, "alarms").iter().map(spec).collect();
    Plant::new(&points, &alarms)
}

fn status(word: &str) -> Status {
    match word {
        "good" => Status::GOOD,
        "uncertain" => Status::UNCERTAIN_SENSOR_NOT_ACCURATE,
        "sensor" => Status::BAD_SENSOR_FAILURE,
        "silent" => Status::BAD_NO_COMMUNICATION,
        "out of service" => Status::BAD_OUT_OF_SERVICE,
        other => panic!("no quality {other}"),
    }
}

fn operation(of: &Value) -> Operation {
    let rule = || u16::try_from(number(of, "rule")).expect("small");
    match text(of, "operation") {
        "Acknowledge" => Operation::Acknowledge,
        "Reset" => Operation::Reset,
        "ReAlarm" => Operation::ReAlarm,
        "Shelve" => Operation::Shelve { for_ms: small(of, "for") },
        "ShelveOneShot" => Operation::ShelveOneShot,
        "Unshelve" => Operation::Unshelve,
        "Suppress" => Operation::Suppress { rule: rule(), for_ms: small(of, "for") },
        "Release" => Operation::Release { rule: rule() },
        "RemoveFromService" => Operation::RemoveFromService,
        "ReturnToService" => Operation::ReturnToService,
        other => panic!("no operation {other}"),
    }
}

/// The name of a variant without what it holds.
fn variant(of: &impl std::fmt::Debug) -> String {
    format!("{of:?}").split_whitespace().next().unwrap_or_default().to_owned()
}

fn shown(engine: &Engine<'_>) -> Vec<Value> {
    (0..).map_while(|alarm| engine.alarm(alarm)).map(|state| name(state.process(), state.cover()).into()).collect()
}

/// Does a step; what it tells, by alarm, and what it refuses.
fn step(plant: &mut Plant, line: &Value) -> Value {
    let now = Millis(u64::try_from(number(line, "at")).expect("time goes on"));
    let mut moved: Vec<(u32, Value)> = Vec::new();
    let mut engine = plant.engine();
    // The cover is not part of what is told: it is put together from the flags and, for one-shot shelves, the last cover.
    let mut once: Vec<bool> = (0..).map_while(|alarm| engine.alarm(alarm)).map(|a| a.cover().one_shot()).collect();
    let done = &line["do"];
    let asked = (text(done, "what") == "operate").then(|| operation(done));
    let mut follow = |effect| {
        let Effect::Alarm(told) = effect else { return };
        let index = told.alarm as usize;
        let shelf = match (told.hidden.shelved, asked) {
            (true, Some(Operation::ShelveOneShot)) if variant(&told.cause) == "Shelved" => true,
            (held, _) => held && once[index],
        };
        once[index] = shelf;
        let flags = [
            (told.hidden.shelved, if shelf { "O" } else { "G" }),
            (told.hidden.suppressed, "H"),
            (told.hidden.out_of_service, "I"),
        ];
        let over: String = flags.into_iter().filter(|(held, _)| *held).map(|(_, flag)| flag).collect();
        let letter = crate::plant::letter(told.process_to);
        let state = if over.is_empty() { letter.to_owned() } else { format!("{over}/{letter}") };
        moved.push((told.alarm, json!([variant(&told.cause), state, told.annunciate, told.occurrence, told.at.0])));
    };
    engine.poll(now, &mut follow);
    let mut refused = Value::Null;
    match text(done, "what") {
        "wait" | "restart" => {}
        "read" => {
            let (value, status) = (number(done, "value"), status(text(done, "quality")));
            engine.put(now, small(done, "point"), value, status, now, &mut follow);
        }
        "operate" => {
            if let Err(refusal) = engine.operate(now, small(done, "alarm"), operation(done), &mut follow) {
                refused = variant(&refusal).into();
            }
        }
        other => panic!("no step {other}"),
    }
    if let Some(due) = engine.poll_at() {
        assert!(due > now, "something due at {due:?} was left undone at {now:?}");
    }
    if text(done, "what") == "restart" {
        plant.restarted(now);
    }
    let mut by_alarm: Vec<(u32, Vec<Value>)> = Vec::new();
    moved.sort_by_key(|(alarm, _)| *alarm); // stable: in order for each
    for (alarm, told) in moved {
        match by_alarm.last_mut() {
            Some((last, all)) if *last == alarm => all.push(told),
            _ => by_alarm.push((alarm, vec![told])),
        }
    }
    json!({"told": by_alarm, "refused": refused, "shown": shown(&plant.engine())})
}

fn setting(name: &str, usual: u64) -> u64 {
    std::env::var(name)
        .map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name} is a whole number: {text}")))
}

#[test]
fn an_independent_model_agrees_on_every_step() {
    let (steps, seed) = (setting("LAPWING_MODEL_STEPS", 50_000), setting("LAPWING_MODEL_SEED", 20_260_101));
    let mut peer = Command::new("python3")
        .args([PEER, &steps.to_string(), &seed.to_string()])
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 runs the peer");
    let lines = BufReader::new(peer.stdout.take().expect("piped")).lines();
    let mut before: VecDeque<String> = VecDeque::new();
    let (mut plant, mut compared, mut moved) = (Plant::new(&[], &[]), 0, 0_u64);
    for line in lines {
        let line = line.expect("the peer writes text");
        let said: Value = serde_json::from_str(&line).expect("the peer writes JSON");
        if !said["plant"].is_null() {
            plant = self::plant(&said["plant"]);
            before.clear();
            before.push_back(line);
            continue;
        }
        let got = step(&mut plant, &said);
        for key in ["told", "refused", "shown"] {
            let history = before.iter().map(String::as_str).collect::<Vec<_>>().join("\n");
            assert_eq!(got[key], said[key], "{key}, seed {seed}, step {compared}:\n{history}\n{line}");
        }
        moved += u64::try_from(list(&said, "told").len()).expect("few");
        compared += 1;
        before.push_back(line);
        if before.len() > SHOWN {
            before.remove(1); // the plant stays
        }
    }
    assert!(peer.wait().expect("the peer ends").success(), "the peer keeps its own promises");
    assert_eq!(compared, steps);
    assert!(moved > steps / 10, "{moved} alarms moved: the steps try too little");
}
