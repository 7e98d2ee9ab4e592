//! Plays samples and operations into the engine's own alarm: one point, one alarm, as `alarm_seq` of the agent.
//!
//! At one moment a sample comes before an operation. States are answered by their letters' names in ISA-18.2 state
//! diagrams. Times s. Never panics.

use alloc::string::{String, ToString};
use alloc::vec::Vec;

use lapwing_engine::alarm::hide::Cover;
use lapwing_engine::spec::{AlarmSpec, Condition, Decode, Layout, Millis, PointSpec, Span, Tables};
use lapwing_engine::{AlarmState, Engine, Operation, PointState};
use lapwing_protocol::{Decimal, Priority, ShownState, Status};
use serde_json::{Map, Value, json};

use crate::answer::{NoNumber, domain};

/// Digits behind the point that samples and limits keep.
const EXPONENT: i8 = -6;

enum Step {
    Sample(i64),
    Operate(Operation),
}

/// The state after all of it.
pub fn play(given: &Map<String, Value>) -> Result<Value, NoNumber> {
    let unfit = || domain("no sequence of an alarm, samples and operations");
    let list = |name: &str| given.get(name).and_then(Value::as_array).ok_or_else(unfit);
    let mut steps = Vec::new();
    for row in list("samples")? {
        steps.push((ms(&row[0])?, Step::Sample(whole(&row[1])?)));
    }
    for row in list("ops")? {
        steps.push((ms(&row[0])?, Step::Operate(operation(row[1].as_str().unwrap_or_default())?)));
    }
    steps.sort_by_key(|(at, step)| (*at, matches!(step, Step::Operate(_))));

    let decode = Decode { layout: Layout::I64, ..Decode::default() };
    let points =
        [PointSpec { decode, exponent: EXPONENT, alarms: Span { first: 0, count: 1 }, ..PointSpec::default() }];
    let alarms = [alarm(given.get("cfg").ok_or_else(unfit)?)?];
    let (mut point, mut state) = ([PointState::default()], [AlarmState::default()]);
    let tables = Tables { points: &points, alarms: &alarms, windows: &[], absent: &[], uses: &[], use_alarms: &[] };
    let mut engine =
        Engine::new(tables, &mut point, &mut state, &mut []).map_err(|error| domain(&error.to_string()))?;
    for (at, step) in steps {
        let now = Millis(at);
        while let Some(end) = engine.alarm(0).and_then(|alarm| hidden_until(alarm.cover())).filter(|end| *end <= now) {
            engine.poll(end, &mut |_| {});
        }
        match step {
            Step::Sample(value) => engine.put(now, 0, value, Status::GOOD, now, &mut |_| {}),
            Step::Operate(operation) => drop(engine.operate(now, 0, operation, &mut |_| {})),
        }
    }
    let alarm = engine.alarm(0).ok_or_else(unfit)?;
    let raised_at = alarm.raised_at().map(|at| at.0 as f64 / 1000.0);
    Ok(json!({ "state": name(alarm.shown()), "raised_at": raised_at }))
}

fn hidden_until(cover: &Cover) -> Option<Millis> {
    [cover.shelf_until(), cover.suppressed_until()].into_iter().flatten().min()
}

fn alarm(cfg: &Value) -> Result<AlarmSpec, NoNumber> {
    let (limit, deadband) = (whole(&cfg["limit"])?, whole(&cfg["deadband"])?);
    let delay = |name: &str| u32::try_from(ms(&cfg[name])?).map_err(|_| domain("a delay this long is none"));
    let low = cfg["dir"] == "low";
    Ok(AlarmSpec {
        point: 0,
        condition: if low { Condition::Low { limit, deadband } } else { Condition::High { limit, deadband } },
        on_delay_ms: delay("on_delay_s")?,
        off_delay_ms: delay("off_delay_s")?,
        latching: cfg["latching"] == true,
        priority: Priority::Medium,
        max_shelf_ms: u32::MAX,
        only_while: None,
    })
}

fn operation(word: &str) -> Result<Operation, NoNumber> {
    if let Some((what, seconds)) = word.split_once(':') {
        let seconds: f64 = seconds.parse().map_err(|_| domain("no number of seconds"))?;
        let for_ms = u32::try_from(ms(&seconds.into())?).map_err(|_| domain("nothing is hidden for this long"))?;
        return match what {
            "shelve" => Ok(Operation::Shelve { for_ms }),
            "suppress" => Ok(Operation::Suppress { rule: 0, for_ms }),
            _ => Err(domain("no operation")),
        };
    }
    match word {
        "ack" => Ok(Operation::Acknowledge),
        "reset" => Ok(Operation::Reset),
        "unshelve" => Ok(Operation::Unshelve),
        "release" => Ok(Operation::Release { rule: 0 }),
        "out_of_service" => Ok(Operation::RemoveFromService),
        "in_service" => Ok(Operation::ReturnToService),
        _ => Err(domain("no operation")),
    }
}

const fn name(state: ShownState) -> &'static str {
    match state {
        ShownState::Normal => "NORM",
        ShownState::Unacknowledged => "UNACK",
        ShownState::Acknowledged => "ACKED",
        ShownState::ReturnedUnacknowledged => "RTNUN",
        ShownState::LatchedUnacknowledged => "LATCH_UNACK",
        ShownState::LatchedAcknowledged => "LATCH_ACK",
        ShownState::Shelved => "SHLVD",
        ShownState::Suppressed => "DSUPR",
        ShownState::OutOfService => "OOSRV",
    }
}

fn ms(seconds: &Value) -> Result<u64, NoNumber> {
    let seconds = seconds.as_f64().unwrap_or(f64::NAN);
    let ms = Decimal::quantise(seconds, -3).map_err(|error| domain(&error.to_string()))?.mantissa;
    u64::try_from(ms).map_err(|_| domain("a time before the start"))
}

fn whole(value: &Value) -> Result<i64, NoNumber> {
    let value = value.as_f64().unwrap_or(f64::NAN);
    Decimal::quantise(value, EXPONENT).map(|decimal| decimal.mantissa).map_err(|error| domain(&error.to_string()))
}
