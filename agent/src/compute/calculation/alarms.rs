//! Alarm sequences through the engine's own life-cycle, and the figures of an alarm log.
//!
//! States are answered by their letters' names in ISA-18.2 state diagrams (NORM, UNACK, …). A flood starts with the first
//! 10-minute interval of more than 10 annunciations and ends with the first of fewer than 5; an alarm chatters when it
//! annunciates 3 times within 60 s (ISA-18.2 clause 16, from memory). Times s. Never panics.
#![doc = ""]
#![doc = include_str!("../alarms.md")]

use lapwing_engine::alarm::hide::Cover;
use lapwing_engine::spec::{AlarmSpec, Condition, Decode, Layout, Millis, PointSpec, Span, Tables};
use lapwing_engine::{AlarmState, Engine, Operation, PointState};
use lapwing_protocol::{Decimal, Priority, ShownState, Status};
use serde::Deserialize;
use serde_json::json;

use super::super::NoNumber;
use super::{Calculation, Found, domain, typed};

pub(super) const CALCULATIONS: &[Calculation] = &[
    Calculation {
        name: "alarm_seq",
        takes: "cfg {latching, dir (high or low), limit, deadband, on_delay_s, off_delay_s}, samples [[s, value], …], \
                ops [[s, \"ack\", \"reset\", \"shelve:SECONDS\", \"unshelve\", \"suppress:SECONDS\", \"release\", \"out_of_service\" or \"in_service\"], …]",
        unit: "",
        run: |inputs| typed(inputs, sequence),
    },
    Calculation {
        name: "flood_intervals",
        takes: "counts_per_10min [list of counts]",
        unit: "",
        run: |inputs| {
            typed(inputs, |Counts { counts_per_10min: counts }| {
                let start = counts
                    .iter()
                    .position(|count| *count > 10)
                    .ok_or_else(|| NoNumber { word: "none", why: "no interval has more than 10".into() })?;
                let end = counts.iter().skip(start).position(|count| *count < 5).map(|after| start + after);
                Ok(json!({ "start": start, "end": end }).into())
            })
        },
    },
    Calculation {
        name: "is_chattering",
        takes: "t_s [list of s, rising]",
        unit: "",
        run: |inputs| {
            typed(inputs, |Times { t_s }| {
                if t_s.windows(2).any(|pair| pair[1] < pair[0]) {
                    return Err(domain("times must not fall"));
                }
                Ok(t_s.windows(3).any(|three| three[2] - three[0] <= 60.0).into())
            })
        },
    },
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Counts {
    counts_per_10min: Vec<u64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Times {
    t_s: Vec<f64>,
}

#[derive(Deserialize)]
#[serde(rename_all = "snake_case")]
enum Direction {
    High,
    Low,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Settings {
    latching: bool,
    dir: Direction,
    limit: f64,
    deadband: f64,
    on_delay_s: f64,
    off_delay_s: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sequence {
    cfg: Settings,
    samples: Vec<(f64, f64)>,
    ops: Vec<(f64, String)>,
}

/// What happens at one moment.
enum Step {
    Sample(i64),
    Operate(Operation),
}

/// Digits behind the point that samples and limits keep.
const EXPONENT: i8 = -6;

/// Longest shelf: what the type holds.
const MAX_SHELF_MS: u32 = u32::MAX;

/// Plays samples and operations into an engine of one point and one alarm. At one moment a sample comes before an
/// operation. The engine's clock moves from sample to sample, so that a delay ends at the sample that finds it over; only
/// the end of a shelf or suppression comes in between.
fn sequence(given: Sequence) -> Result<Found, NoNumber> {
    let mut steps = Vec::new();
    for (at, value) in &given.samples {
        steps.push((ms(*at)?, Step::Sample(whole(*value)?)));
    }
    for (at, word) in &given.ops {
        steps.push((ms(*at)?, Step::Operate(operation(word)?)));
    }
    steps.sort_by_key(|(at, step)| (*at, matches!(step, Step::Operate(_))));

    let decode = Decode { layout: Layout::I64, ..Decode::default() };
    let points =
        [PointSpec { decode, exponent: EXPONENT, alarms: Span { first: 0, count: 1 }, ..PointSpec::default() }];
    let alarms = [alarm(&given.cfg)?];
    let (mut point, mut state) = ([PointState::default()], [AlarmState::default()]);
    let tables = Tables { points: &points, alarms: &alarms, windows: &[], absent: &[], uses: &[], use_alarms: &[] };
    let mut engine = Engine::new(tables, &mut point, &mut state, &mut []).map_err(|error| domain(error.to_string()))?;
    for (at, step) in steps {
        let now = Millis(at);
        while let Some(end) = engine.alarm(0).and_then(|alarm| hidden_until(alarm.cover())).filter(|end| *end <= now) {
            engine.poll(end, &mut |_| {});
        }
        match step {
            Step::Sample(value) => engine.put(now, 0, value, Status::GOOD, now, &mut |_| {}),
            // What the state does not allow is refused and changes nothing; the state answered shows it.
            Step::Operate(operation) => drop(engine.operate(now, 0, operation, &mut |_| {})),
        }
    }
    let alarm = engine.alarm(0).ok_or_else(|| domain("there is no alarm"))?;
    #[allow(clippy::cast_precision_loss)] // moments came from f64 seconds
    let raised_at = alarm.raised_at().map(|at| at.0 as f64 / 1000.0);
    Ok(json!({ "state": name(alarm.shown()), "raised_at": raised_at }).into())
}

/// When the first of what hides it ends.
fn hidden_until(cover: &Cover) -> Option<Millis> {
    [cover.shelf_until(), cover.suppressed_until()].into_iter().flatten().min()
}

fn alarm(settings: &Settings) -> Result<AlarmSpec, NoNumber> {
    let (limit, deadband) = (whole(settings.limit)?, whole(settings.deadband)?);
    if deadband < 0 {
        return Err(domain("a deadband is not negative"));
    }
    let delay = |s: f64| u32::try_from(ms(s)?).map_err(|_| domain("a delay this long is none"));
    Ok(AlarmSpec {
        point: 0,
        condition: match settings.dir {
            Direction::High => Condition::High { limit, deadband },
            Direction::Low => Condition::Low { limit, deadband },
        },
        on_delay_ms: delay(settings.on_delay_s)?,
        off_delay_ms: delay(settings.off_delay_s)?,
        latching: settings.latching,
        priority: Priority::Medium,
        max_shelf_ms: MAX_SHELF_MS,
        only_while: None,
    })
}

fn operation(word: &str) -> Result<Operation, NoNumber> {
    if let Some((what @ ("shelve" | "suppress"), seconds)) = word.split_once(':') {
        let seconds: f64 = seconds.parse().map_err(|_| domain(format!("'{word}' names no number of seconds")))?;
        let for_ms = u32::try_from(ms(seconds)?).map_err(|_| domain("nothing is hidden for this long"))?;
        return Ok(if what == "shelve" {
            Operation::Shelve { for_ms }
        } else {
            Operation::Suppress { rule: 0, for_ms }
        });
    }
    match word {
        "ack" => Ok(Operation::Acknowledge),
        "reset" => Ok(Operation::Reset),
        "unshelve" => Ok(Operation::Unshelve),
        "release" => Ok(Operation::Release { rule: 0 }),
        "out_of_service" => Ok(Operation::RemoveFromService),
        "in_service" => Ok(Operation::ReturnToService),
        _ => Err(domain(format!("'{word}' is no operation"))),
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

fn ms(seconds: f64) -> Result<u64, NoNumber> {
    let ms = Decimal::quantise(seconds, -3).map_err(|error| domain(error.to_string()))?.mantissa;
    u64::try_from(ms).map_err(|_| domain("a time before the start"))
}

fn whole(value: f64) -> Result<i64, NoNumber> {
    Decimal::quantise(value, EXPONENT).map(|decimal| decimal.mantissa).map_err(|error| domain(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn state(samples: &str, ops: &str) -> String {
        let cfg = r#"{"latching":false,"dir":"high","limit":30,"deadband":1,"on_delay_s":3,"off_delay_s":2}"#;
        let given = serde_json::from_str(&format!(r#"{{"cfg":{cfg},"samples":{samples},"ops":{ops}}}"#)).expect("fits");
        sequence(given).map_or_else(|none| none.word.to_owned(), |found| found.value["state"].to_string())
    }

    #[test]
    fn what_hides_ends_in_its_own_time() {
        // The suppression ends at 9 while the alarm is active: it annunciates as new, then clears.
        assert_eq!(state("[[0,31],[3,31],[10,20],[12,20]]", r#"[[4,"ack"],[5,"suppress:4"]]"#), "\"RTNUN\"");
        assert_eq!(state("[[0,31],[3,31],[6,20],[8,20],[12,20]]", r#"[[4,"ack"],[5,"suppress:6"]]"#), "\"NORM\"");
        assert_eq!(state("[[0,31],[3,31],[6,31]]", r#"[[4,"shelve:60"],[5,"out_of_service"]]"#), "\"OOSRV\"");
        assert_eq!(state("[[0,31],[3,31],[6,31]]", r#"[[4,"shelve:60"],[5,"suppress:60"]]"#), "\"DSUPR\"");
        assert_eq!(state("[[0,31],[3,31],[6,31]]", r#"[[4,"shelve:60"],[5,"unshelve"]]"#), "\"UNACK\"");
    }

    #[test]
    fn what_is_no_sequence() {
        for ops in [
            r#"[[4,"shelve"]]"#,
            r#"[[4,"shelve:x"]]"#,
            r#"[[4,"shelve:-1"]]"#,
            r#"[[4,"shelve:1e9"]]"#,
            r#"[[-4,"ack"]]"#,
        ] {
            assert_eq!(state("[[0,31]]", ops), "domain_error", "{ops}");
        }
    }
}
