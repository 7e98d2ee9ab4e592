//! A recorded run is judged again: with unchanged settings the log's alarm events come again to the millisecond, also over
//! a restart and from the middle; with changed ones the difference is told with the keys that make it.
//!
//! The record is a demo with faults, played by the real agent into a real store. Panics are failures.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use lapwing_tests::agent::{Agent, output};
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};
use rustix::process::Signal;
use serde_json::Value;

const FIRST: &str = r#"
[[fault]]
at_s = 8.0
until_s = 22.0
name = "pump-trip"
[[fault]]
at_s = 10.0
until_s = 18.0
name = "sensor-open"
target = "rack/07/inlet/top/temperature"
[[fault]]
at_s = 12.0
until_s = 20.0
name = "device-silent"
target = "fan-03"
[[fault]]
at_s = 14.0
name = "leak"
"#;

const SECOND: &str = r#"
[[fault]]
at_s = 6.0
until_s = 16.0
name = "fans-to-minimum"
[[fault]]
at_s = 9.0
name = "smoke"
"#;

struct Record {
    home: TempDir,
    /// Alarm events as the agent told them.
    events: Vec<Value>,
    /// When the first run had ended.
    stopped: i64,
}

impl Record {
    /// Two runs on one store.
    fn make() -> Self {
        let home = TempDir::new("replay");
        let (mut events, mut ends) = (Vec::new(), Vec::new());
        for (name, text, seconds) in [("first.toml", FIRST, "26"), ("second.toml", SECOND, "20")] {
            let scenario = home.write(name, text);
            let data = home.join("demo");
            let arguments = ["--scenario", text_of(&scenario), "--seconds", seconds, "--data", text_of(&data)];
            let agent = Agent::demo(&arguments);
            agent.wait("summary", 0, Duration::from_secs(120), |said| said.get("summary").cloned());
            let stopping = |said: &Value| (said["change"] == "stopping").then(|| said["t"].as_i64()).flatten();
            ends.extend(agent.said().iter().filter_map(|(said, _)| stopping(said)));
            events.extend(agent.said().into_iter().map(|(said, _)| said).filter(|said| said["kind"] == "alarm"));
        }
        assert!(events.len() > 10, "there is something to judge again: {} alarm events", events.len());
        Self { home, events, stopped: *ends.first().expect("the first run said that it stops") }
    }

    fn data(&self) -> PathBuf {
        self.home.join("demo/store")
    }

    fn config(&self) -> PathBuf {
        self.home.join("demo/config/module.toml")
    }

    /// `lapwing replay --json`.
    fn replay(&self, config: &Path, more: &[&str]) -> Vec<Value> {
        let (code, out, err) = replayed(&self.data(), config, &[more, &["--json"]].concat());
        assert_eq!(code, 0, "{out}{err}");
        out.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"))).collect()
    }

    /// The settings with one text put in the place of another.
    fn changed(&self, name: &str, changes: &[(&str, &str)]) -> PathBuf {
        let mut text = std::fs::read_to_string(self.config()).expect("the demo wrote its configuration");
        for (old, new) in changes {
            assert!(text.contains(old), "the demo's settings have {old}");
            text = text.replacen(old, new, 1);
        }
        let path = self.config().with_file_name(name);
        std::fs::write(&path, text).expect("written");
        path
    }
}

fn text_of(path: &Path) -> &str {
    path.to_str().expect("a path in plain text")
}

fn replayed(data: &Path, config: &Path, more: &[&str]) -> (i32, String, String) {
    output(&[&["replay", "--data", text_of(data), "--config", text_of(config)], more].concat(), &[])
}

fn summary(lines: &[Value]) -> &Value {
    &lines.last().expect("lines")["summary"]
}

fn all_same(lines: &[Value], expected: usize, what: &str) {
    let summary = summary(lines);
    let found = ["events_then", "events_now", "events_same"].map(|key| summary[key].as_u64().expect("a number"));
    let differing: Vec<&Value> = lines.iter().filter(|line| line["alarm"]["differs"] == true).collect();
    assert_eq!(found, [expected as u64; 3], "{what}: {differing:#?}");
    assert!(differing.is_empty(), "{what}: {differing:#?}");
}

fn alarm<'a>(lines: &'a [Value], id: &str) -> &'a Value {
    lines.iter().map(|line| &line["alarm"]).find(|alarm| alarm["id"] == id).unwrap_or_else(|| panic!("no alarm {id}"))
}

#[test]
fn what_was_recorded_is_judged_again_to_the_millisecond_and_changes_are_explained() {
    let record = Record::make();

    // ---- unchanged settings, over a restart
    let lines = record.replay(&record.config(), &[]);
    assert_eq!(lines[0]["replay"]["starts"], 2, "{}", lines[0]);
    assert_eq!(lines[0]["replay"]["from_begin"], true);
    assert_eq!(lines[0]["replay"]["settings"]["same"], true, "{}", lines[0]);
    assert_eq!(lines[0]["replay"]["holes"], 0);
    all_same(&lines, record.events.len(), "the whole record");

    // ---- a range that begins in the middle, at any alarm event
    let t = |event: &Value| event["t"].as_i64().expect("a stamp");
    for part in [3, 2] {
        let from = t(&record.events[record.events.len() / part]);
        let expected = record.events.iter().filter(|event| t(event) >= from).count();
        let time = jiff_text(from);
        let lines = record.replay(&record.config(), &["--from", &time]);
        all_same(&lines, expected, &format!("from {time}"));
    }
    // Begun between the two runs: what stood is taken from the event log.
    let (stopped, from) = (record.stopped + 1, t(record.events.last().expect("events")) - 3000);
    #[allow(clippy::cast_precision_loss)] // milliseconds of a minute
    let lead = ((from - stopped) as f64 / 1000.0).to_string();
    let expected = record.events.iter().filter(|event| t(event) >= from).count();
    let lines = record.replay(&record.config(), &["--from", &jiff_text(from), "--lead", &lead]);
    let said = &lines[0]["replay"];
    assert_eq!((&said["from_begin"], &said["starts"]), (&false.into(), &1.into()), "{said}");
    all_same(&lines, expected, "from between the runs");
    // To a moment: what comes later is not told.
    let to = t(&record.events[record.events.len() / 2]);
    let expected = record.events.iter().filter(|event| t(event) < to).count();
    all_same(&record.replay(&record.config(), &["--to", &jiff_text(to)]), expected, "to the middle");

    // ---- a longer delay: the same alarm later, with the key that makes it
    let id = "smoke";
    let later = record.changed("later.toml", &[("id = \"smoke\"\n", "id = \"smoke\"\non_delay = \"3s\"\n")]);
    let lines = record.replay(&later, &[]);
    let found = alarm(&lines, id);
    assert_eq!(found["differs"], true, "{found}");
    assert_eq!(found["changed"][0]["key"], "on_delay", "{found}");
    assert_eq!(found["changed"][0]["now"], "3s");
    let life = &found["lives"][0];
    let late = life["now"]["raised"].as_i64().expect("raised") - life["then"]["raised"].as_i64().expect("raised");
    assert!((2000..=3500).contains(&late), "{late} ms later: {life}");
    // In words.
    let (code, words, _) = replayed(&record.data(), &later, &[]);
    assert_eq!(code, 0);
    assert!(words.contains("1 alarm set otherwise"), "{words}");
    assert!(words.contains("smoke: on_delay"), "{words}");

    // ---- an alarm that is not there any more was raised then only
    let gone = record.changed("gone.toml", &[("id = \"smoke\"\n", "id = \"smoke-seen\"\n")]);
    let lines = record.replay(&gone, &[]);
    assert_eq!(lines[0]["replay"]["settings"]["removed"][0], "smoke");
    let (then, now) = (alarm(&lines, "smoke"), alarm(&lines, "smoke-seen"));
    assert_eq!((&then["then"]["raised"], &then["now"]["raised"]), (&1.into(), &0.into()));
    assert_eq!((&now["then"]["raised"], &now["now"]["raised"]), (&0.into(), &1.into()));
    assert_eq!(then["lives"][0]["then"]["raised"], now["lives"][0]["now"]["raised"], "the same moment");

    wrong_use(&record);
}

/// The controller's registers: supply water in tenths of a degree, flow in tenths.
fn show(controller: &mut ModbusPeer, water: u16, flow: u16) {
    controller.set(1, "holding", 0, &[water, flow]);
}

#[test]
fn a_run_that_was_reloaded_with_other_settings_is_explained() {
    const SOON: Duration = Duration::from_secs(30);
    let home = TempDir::new("replay-reload");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let subscriber = Subscriber::start(broker.port());
    let old = home.write("old.toml", &std::fs::read_to_string(&config).expect("the configuration"));
    let agent = Agent::run(&config);
    let raised = |alarm: &str, mark: usize| agent.alarm(alarm, "unacknowledged", mark, SOON);
    let cleared = |alarm: &str, mark: usize| agent.alarm(alarm, "returned_unacknowledged", mark, SOON);

    // ---- by the old settings: the water is warm for a moment, the flow stays low over the reload
    let mark = agent.mark();
    show(&mut controller, 215, 615);
    raised("supply-water-warm", mark);
    // Longer than the delay that the new settings will have.
    for _ in 0..3 {
        let mark = subscriber.mark();
        subscriber.topic("frame", mark, SOON, |_| true);
    }
    show(&mut controller, 182, 615);
    cleared("supply-water-warm", mark);
    show(&mut controller, 182, 150);
    raised("low-flow", mark);
    let text = std::fs::read_to_string(&config).expect("the configuration");
    let new = text
        .replace("high = 21.0", "high = 22.0")
        .replace("priority = \"high\"", "on_delay = \"1s\"\npriority = \"high\"");
    assert_ne!(new, text);
    std::fs::write(&config, new).expect("written");
    let mark = agent.mark();
    agent.signal(Signal::HUP);
    let accepted = |said: &Value| (said["kind"] == "config").then(|| said.clone());
    let (said, _) = agent.wait("the new settings", mark, SOON, accepted);
    assert_eq!(said["accepted"], true, "{said}");
    let reloaded = said["t"].as_i64().expect("a stamp");

    // ---- by the new ones: what was warm is no longer, what is hot comes a second later
    let seen = |value: f64, mark: usize| {
        subscriber.topic("point/coil/water/supply/temperature", mark, SOON, |point| point["value"] == value);
    };
    let mark = subscriber.mark();
    show(&mut controller, 215, 150);
    seen(21.5, mark);
    for _ in 0..3 {
        let mark = subscriber.mark();
        subscriber.topic("frame", mark, SOON, |_| true);
    }
    let mark = agent.mark();
    show(&mut controller, 230, 150);
    raised("supply-water-warm", mark);
    show(&mut controller, 182, 150);
    cleared("supply-water-warm", mark);
    show(&mut controller, 182, 615);
    cleared("low-flow", mark);
    let events: Vec<Value> =
        agent.said().into_iter().map(|(said, _)| said).filter(|said| said["kind"] == "alarm").collect();
    assert!(agent.terminate().0.success());
    let data = home.join("data");
    let replay = |config: &Path, more: &[&str]| -> Vec<Value> {
        let (code, out, err) = replayed(&data, config, &[more, &["--json"]].concat());
        assert_eq!(code, 0, "{out}{err}");
        out.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"))).collect()
    };
    let raises = |lines: &[Value], id: &str| {
        let found = alarm(lines, id);
        [found["then"]["raised"].as_u64().expect("a count"), found["now"]["raised"].as_u64().expect("a count")]
    };

    // ---- judged by the new settings: what only the old ones raised is not raised, and it is told until when they held
    let lines = replay(&config, &[]);
    let said = &lines[0]["replay"];
    assert_eq!((&said["starts"], &said["settings"]["of_then"]), (&1.into(), &2.into()), "{said}");
    let warm = alarm(&lines, "supply-water-warm");
    assert_eq!(raises(&lines, "supply-water-warm"), [2, 1], "{warm}");
    assert_eq!(warm["lives"][0]["now"], Value::Null, "{warm}");
    let (then, now) = (&warm["lives"][1]["then"], &warm["lives"][1]["now"]);
    assert_eq!((&then["raised"], &then["cleared"]), (&now["raised"], &now["cleared"]), "{warm}");
    let keys: Vec<(&str, &str, &str)> = (warm["changed"].as_array().expect("a list").iter())
        .map(|one| ["key", "then", "now"].map(|field| one[field].as_str().expect("a text")).into())
        .collect();
    assert_eq!(keys, [("high", "21.0 Cel", "22.0 Cel"), ("on_delay", "0s", "1s")], "{warm}");
    for change in warm["changed"].as_array().expect("a list") {
        let until = change["until"].as_i64().expect("the old settings ended");
        assert!((until - reloaded).abs() < 2000 && change["since"].is_null(), "{change}, reloaded at {reloaded}");
    }
    // Either alone: the limit keeps the first away, the delay does not.
    let alone = |key: &str| warm["alone"][key]["raised"].as_u64();
    assert_eq!((alone("limit"), alone("on_delay")), (Some(1), Some(2)), "{warm}");
    // The other alarm stood over the reload: nothing of it differs.
    assert_eq!(alarm(&lines, "low-flow")["differs"], false, "{:#?}", alarm(&lines, "low-flow"));
    let (code, words, _) = replayed(&data, &config, &[]);
    assert_eq!(code, 0);
    assert!(words.contains("In this time 2 different settings were in force."), "{words}");
    assert!(words.contains("supply-water-warm: high 21.0 Cel → 22.0 Cel (until 20"), "{words}");
    assert!(words.contains("told in all") && words.contains("told most often then: "), "{words}");
    let figures = &summary(&lines)["figures"];
    assert_eq!((&figures["then"]["announced"], &figures["now"]["announced"]), (&3.into(), &2.into()), "{figures}");
    assert_eq!(figures["then"]["share_critical"], 33.3, "{figures}");

    // ---- from the reload on they are the settings of then: everything comes again, numbers of occurrences too
    let from = jiff_text(reloaded + 1);
    let expected = events.iter().filter(|event| event["t"].as_i64().expect("a stamp") > reloaded).count();
    assert!(expected >= 3, "{events:#?}");
    all_same(&replay(&config, &["--from", &from]), expected, "from the reload on");

    // ---- judged by the old settings: what came later comes at once
    let lines = replay(&old, &[]);
    let warm = alarm(&lines, "supply-water-warm");
    assert_eq!(raises(&lines, "supply-water-warm"), [2, 2], "{warm}");
    let life = &warm["lives"][1];
    let early = life["then"]["raised"].as_i64().expect("raised") - life["now"]["raised"].as_i64().expect("raised");
    assert!(early > 2000, "{early} ms earlier: {warm}");
    assert!(warm["changed"][0]["since"].as_i64().is_some_and(|since| (since - reloaded).abs() < 2000), "{warm}");
    // … and up to the reload they are the settings of then.
    let to = jiff_text(reloaded);
    let expected = events.iter().filter(|event| event["t"].as_i64().expect("a stamp") < reloaded).count();
    all_same(&replay(&old, &["--to", &to]), expected, "up to the reload");
}

fn wrong_use(record: &Record) {
    let (code, _, said) = replayed(&record.home.join("nothing"), &record.config(), &[]);
    assert_eq!(code, 2);
    assert!(said.contains("holds no history") && said.contains("--data"), "{said}");

    let range = ["--from", "2026-01-02T00:00:00Z", "--to", "2026-01-01T00:00:00Z"];
    let (code, _, said) = replayed(&record.data(), &record.config(), &range);
    assert_eq!(code, 2);
    assert!(said.contains("--to must be later than --from"), "{said}");

    let (code, _, said) = replayed(&record.data(), &record.config(), &["--to", "2001-01-01T00:00:00Z"]);
    assert_eq!(code, 2);
    assert!(said.contains("no readings between") && said.contains("it goes from 2"), "{said}");

    let (code, _, said) = replayed(&record.data(), &record.config(), &["--from", "yesterday"]);
    assert_eq!(code, 2);
    assert!(said.contains("--from"), "{said}");

    // Every mistake of the new settings, with its place.
    let wrong = record.changed("wrong.toml", &[("id = \"smoke\"\n", "id = \"smoke\"\non_dely = \"3s\"\n")]);
    let (code, _, said) = replayed(&record.data(), &wrong, &[]);
    assert_eq!(code, 2);
    assert!(said.contains("wrong.toml:") && said.contains("on_dely"), "{said}");

    // Settings of another module.
    let other = record.home.write("other/module.toml", OTHER);
    record.home.write("other/coil.toml", COIL);
    let (code, _, said) = replayed(&record.data(), &other, &[]);
    assert_eq!(code, 2, "{said}");
    assert!(said.contains("none of the points") && said.contains("another module"), "{said}");

    // Without the event log there is nothing to compare with.
    let bare = record.home.join("bare");
    let copied = Command::new("cp").arg("-r").arg(record.data().join("history")).arg(&bare).status();
    assert!(copied.expect("cp runs").success());
    let moved = record.home.join("only");
    std::fs::create_dir_all(&moved).expect("made");
    std::fs::rename(&bare, moved.join("history")).expect("moved");
    let (code, _, said) = replayed(&moved, &record.config(), &[]);
    assert_eq!(code, 2, "{said}");
}

const OTHER: &str = r#"
[module]
site = "elsewhere"
name = "m9"
[mqtt]
broker = "127.0.0.1:1883"
[store]
dir = "/nowhere"
[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:1502"
[[device]]
name = "coil"
link = "plant"
map = "coil.toml"
[[alarm]]
id = "coil-warm"
point = "quite/another/temperature"
high = 30.0
deadband = 1.0
priority = "low"
text = "The coil is {value}"
consequence = "c"
response = "r"
respond_within = "8h"
"#;

const COIL: &str = r#"
[[point]]
path = "quite/another/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:0"
as = "i16"
scale = 0.1
"#;

/// RFC 3339 of a stamp.
fn jiff_text(t: i64) -> String {
    let out = Command::new("date").args(["-u", "-d", &format!("@{}", t / 1000), "+%Y-%m-%dT%H:%M:%S"]).output();
    let whole = String::from_utf8(out.expect("date runs").stdout).expect("plain text");
    format!("{}.{:03}Z", whole.trim(), t % 1000)
}
