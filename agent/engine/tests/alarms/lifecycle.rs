//! The whole life-cycle as a literal table, `tests/lifecycle.csv`: every state × latching × event, compared cell by cell.
//!
//! Rows are the ISA-18.2 process states A to F, alone and under each combination of what hides them (G shelved, O
//! shelved once, H suppressed, I out of service). A cell holds the state after the event, `!` where a person is told,
//! `=` where nothing happens and nothing is said, or `-` and the name of the refusal. Every cell is tried twice: in the
//! state as it came about, and in that state after a restart.

use lapwing_engine::alarm::life::{SavedShelf, SavedSuppression};
use lapwing_engine::spec::{Condition, Millis};
use lapwing_engine::{Effect, Engine, Operation, Process, SavedAlarm};
use lapwing_protocol::{ShownState, Status};

use crate::plant::{Plant, alarm, name};

const TABLE: &str = include_str!("../../../../tests/lifecycle.csv");

const NOW: Millis = Millis(1_000_000);
/// Ends of shelf and suppression: the one a column waits for comes soon, the other does not come.
const SOON: u64 = 1000;
const LATE: u64 = 500_000;
const AGE: u32 = 10_000;
const RULE: u16 = 7;

fn process(letter: &str) -> Process {
    match letter {
        "A" => Process::Normal,
        "B" => Process::Unacknowledged,
        "C" => Process::Acknowledged,
        "D" => Process::ReturnedUnacknowledged,
        "E" => Process::LatchedUnacknowledged,
        "F" => Process::LatchedAcknowledged,
        other => panic!("no process state {other}"),
    }
}

/// What would be kept of an alarm in a row's state.
fn state(row: &str, event: &str) -> SavedAlarm {
    let (over, letter) = row.split_once('/').unwrap_or(("", row));
    let until = |waits_for: &str| NOW.plus(if event == waits_for { SOON } else { LATE });
    SavedAlarm {
        process: process(letter),
        occurrence: 3,
        shelf: over
            .contains(['G', 'O'])
            .then(|| SavedShelf { until: until("shelf-ends"), one_shot: over.contains('O') }),
        suppression: over.contains('H').then(|| SavedSuppression {
            until: until("suppression-ends"),
            rules: [RULE, u16::MAX, u16::MAX, u16::MAX],
        }),
        out_of_service: over.contains('I'),
        ..SavedAlarm::default()
    }
}

/// Does a column's event; what the cell must hold.
fn after(engine: &mut Engine<'_>, event: &str) -> String {
    let mut told = Vec::new();
    let mut follow = |effect| {
        if let Effect::Alarm(step) = effect {
            told.push(step);
        }
    };
    let suppressed = engine.alarm(0).expect("there").hidden().suppressed;
    let operation = match event {
        "acknowledge" => Operation::Acknowledge,
        "reset" => Operation::Reset,
        "realarm" => Operation::ReAlarm,
        "shelve" => Operation::Shelve { for_ms: 60_000 },
        "one-shot" => Operation::ShelveOneShot,
        "unshelve" => Operation::Unshelve,
        "suppress" => Operation::Suppress { rule: if suppressed { RULE + 1 } else { RULE }, for_ms: 60_000 },
        "release" => Operation::Release { rule: RULE },
        "remove" => Operation::RemoveFromService,
        "return" => Operation::ReturnToService,
        field => {
            match field {
                "true" => engine.put(NOW, 0, 301, Status::GOOD, NOW, &mut follow),
                "false" => engine.put(NOW, 0, 289, Status::GOOD, NOW, &mut follow),
                "bad" => engine.put(NOW, 0, 289, Status::BAD_SENSOR_FAILURE, NOW, &mut follow),
                "silent" => engine.put(NOW, 0, 0, Status::BAD_NO_COMMUNICATION, NOW, &mut follow),
                "stale" => engine.poll(NOW.plus(u64::from(AGE)), &mut follow),
                "shelf-ends" | "suppression-ends" => engine.poll(NOW.plus(SOON), &mut follow),
                other => panic!("no event {other}"),
            }
            return cell(engine, &told);
        }
    };
    match engine.operate(NOW, 0, operation, &mut follow) {
        Ok(()) => cell(engine, &told),
        Err(refusal) => {
            assert!(told.is_empty(), "a refusal moves nothing");
            let said = format!("{refusal:?}");
            format!("-{}", said.split_whitespace().next().unwrap_or_default())
        }
    }
}

fn cell(engine: &Engine<'_>, told: &[lapwing_engine::Transition]) -> String {
    let alarm = engine.alarm(0).expect("there");
    let Some(last) = told.last() else { return "=".to_owned() };
    assert_eq!((last.to, last.process_to), (alarm.shown(), alarm.process()), "what is told is what stands");
    let announced = told.iter().filter(|step| step.annunciate).count();
    assert!(announced <= 1, "told twice");
    format!("{}{}", name(alarm.process(), alarm.cover()), "!".repeat(announced))
}

fn plant(latching: bool) -> Plant {
    let high = Condition::High { limit: 300, deadband: 10 };
    let spec = lapwing_engine::spec::AlarmSpec { latching, ..alarm(0, high) };
    Plant::new(&[(Some((0, 1000)), AGE)], &[spec])
}

/// Every row, column and cell.
fn cells() -> Vec<(String, bool, String, String)> {
    let mut lines = TABLE.lines();
    let columns: Vec<&str> = lines.next().expect("a head").split(',').skip(2).collect();
    let mut cells = Vec::new();
    for line in lines {
        let row: Vec<&str> = line.split(',').collect();
        assert_eq!(row.len(), columns.len() + 2, "{line}");
        for (column, cell) in columns.iter().zip(&row[2..]) {
            cells.push((row[0].to_owned(), row[1] == "yes", (*column).to_owned(), (*cell).to_owned()));
        }
    }
    cells
}

#[test]
fn every_cell_of_the_life_cycle() {
    let mut wrong = Vec::new();
    let cells = cells();
    for (row, latching, event, expected) in &cells {
        // As it stands while the readings go on, and as it stands when nothing was read since a restart.
        for read_before in [true, false] {
            let mut plant = plant(*latching);
            let mut engine = plant.engine();
            let saved = state(row, event);
            if read_before || event == "stale" {
                // The reading that the state came from: of a standing alarm it is above the limit.
                let value = if saved.process.is_active() { 301 } else { 200 };
                engine.put(NOW, 0, value, Status::GOOD, NOW, &mut |_| ());
            }
            engine.restore(NOW, 0, &saved);
            if read_before {
                let value = if saved.process.is_active() { 305 } else { 205 };
                let mut moved = 0;
                engine.put(NOW, 0, value, Status::GOOD, NOW, &mut |effect| {
                    moved += usize::from(matches!(effect, Effect::Alarm(_)));
                });
                assert_eq!(moved, 0, "{row}: the same reading again moves nothing");
            }
            let got = after(&mut engine, event);
            if got != *expected {
                wrong.push(format!("{row} latching={latching} {event}: expected {expected}, got {got}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{} of {} cells:\n{}", wrong.len(), cells.len(), wrong.join("\n"));
}

/// Nothing is left out: all states, covers, both kinds, all events.
#[test]
fn the_table_is_whole() {
    let cells = cells();
    assert_eq!(cells.len(), 6 * 12 * 2 * 17);
    let mut seen: Vec<_> = cells.iter().map(|(row, latching, event, _)| (row, latching, event)).collect();
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen.len(), cells.len(), "no cell stands twice");
}

/// The table by itself keeps the promises: read without the engine.
#[test]
fn the_table_keeps_the_promises() {
    for (row, _, event, cell) in cells() {
        if ["bad", "silent", "stale"].contains(&event.as_str()) {
            assert_eq!(cell, "=", "{row}: bad neither clears nor raises");
        }
        let letter = |state: &str| state.trim_end_matches('!').rsplit('/').next().unwrap_or_default().to_owned();
        let active = |state: &str| ["B", "C"].contains(&letter(state).as_str());
        let hidden = |state: &str| state.contains('/');
        if cell.starts_with(['-', '=']) {
            continue;
        }
        assert!(active(&row) == active(&cell) || ["true", "false"].contains(&event.as_str()), "{row} {event}: {cell}");
        if cell == "B" || active(&cell) && !active(&row) && !hidden(&cell) {
            assert!(cell.ends_with('!'), "{row} {event}: raised in sight and not told");
        }
        assert_eq!(cell.ends_with('!'), cell.starts_with('B') && row != "B", "{row} {event}: {cell}");
    }
}

/// Each row is a state that people can bring about, not only one that can be restored.
#[test]
fn every_state_is_reached_by_living() {
    for (row, latching, ..) in cells().into_iter().filter(|(_, _, event, _)| event == "true") {
        let (over, letter) = row.split_once('/').unwrap_or(("", &row));
        let needs = match letter {
            "D" => Some(false),
            "E" | "F" => Some(true),
            _ => None,
        };
        if needs.is_some_and(|needs| needs != latching) {
            continue; // left from before the alarm's settings were changed: only by a restart
        }
        let mut plant = plant(latching);
        let mut engine = plant.engine();
        let path: &[&str] = match letter {
            "A" => &["false"],
            "B" => &["true"],
            "C" => &["true", "acknowledge"],
            "D" | "E" => &["true", "false"],
            _ => &["true", "acknowledge", "false"],
        };
        let covers = over.chars().map(|flag| match flag {
            'G' => "shelve",
            'O' => "one-shot",
            'H' => "suppress",
            _ => "remove",
        });
        for event in path.iter().copied().chain(covers) {
            let got = after(&mut engine, event);
            assert!(!got.starts_with('-'), "{row}: {event} was refused: {got}");
        }
        let alarm = engine.alarm(0).expect("there");
        assert_eq!(name(alarm.process(), alarm.cover()), row);
        assert_eq!(alarm.shown() == ShownState::Normal, row == "A");
        let saved = engine.save(0).expect("there");
        let restored = state(&row, "shelf-ends");
        assert_eq!((saved.process, saved.out_of_service), (restored.process, restored.out_of_service));
        assert_eq!(saved.shelf.map(|shelf| shelf.one_shot), restored.shelf.map(|shelf| shelf.one_shot));
        assert_eq!(saved.suppression.map(|held| held.rules), restored.suppression.map(|held| held.rules));
    }
}
