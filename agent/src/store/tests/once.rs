//! Tellings and commands in the store: written with their event, there after a restart, gone when they are done with; a
//! damaged one is named.

use super::*;
use crate::store::{SeenCommand, Taken, Telling};

fn telling(recipient: &str) -> Telling {
    Telling { recipient: recipient.into(), due_ms: 5_000, after_ms: 600_000, further: true }
}

fn with_tellings(seq: u64) -> Commit {
    let mut one = commit([seq]);
    one.events[0].tellings = vec![telling("lead"), telling("shift")];
    one.seen.push(SeenCommand {
        by: "ada".into(),
        id: seq.to_string(),
        at_s: 1000 + seq.cast_signed(),
        keep_from_s: 1001,
    });
    one
}

fn writer(dir: &TestDir) -> (Writer, Opened, mpsc::Receiver<Durable>) {
    let (store, opened) = Store::open(dir.path(), 16).expect("the store opens");
    let (tell, hear) = mpsc::channel();
    let writer = store.spawn_writer(move |durable| {
        let _test_over = tell.send(durable);
    });
    (writer.expect("the writer starts"), opened, hear)
}

#[test]
fn tellings_come_with_their_event_and_go_when_they_are_done() {
    let dir = TestDir::new("tellings");
    let (first, opened, hear) = writer(&dir);
    assert_eq!((opened.tellings.len(), opened.seen.len()), (0, 0));
    first.submit(with_tellings(1)).expect("taken");
    first.submit(with_tellings(2)).expect("taken");
    let mut told = Vec::new();
    while told.len() < 4 {
        told.extend(hear.recv_timeout(Duration::from_secs(20)).expect("it becomes durable").tellings);
    }
    assert_eq!(told.len(), 4);
    assert!(told.iter().all(|row| !row.volatile && row.payload == event(row.seq).payload));
    first.told(vec![told[0].key()]);
    assert_eq!(first.stop(), 0);

    let (second, opened, _hear) = writer(&dir);
    let waiting: Vec<_> = opened.tellings.iter().map(|row| (row.seq, row.telling.recipient.as_str())).collect();
    assert_eq!(waiting, [(1, "shift"), (2, "lead"), (2, "shift")]);
    assert_eq!(opened.tellings[0].telling, telling("shift"));
    assert_eq!(opened.tellings[0].payload, event(1).payload);
    assert_eq!(opened.tellings[0].log.as_ref(), opened.log);
    assert_eq!(
        opened.seen.iter().map(|seen| (seen.id.as_str(), seen.at_s)).collect::<Vec<_>>(),
        [("1", 1001), ("2", 1002)]
    );
    // A command that was made later forgets the older ones of its person.
    let mut later = Commit::default();
    later.seen.push(SeenCommand { by: "ada".into(), id: "3".into(), at_s: 5000, keep_from_s: 1002 });
    second.submit(later).expect("taken");
    second.told(opened.tellings.iter().map(crate::store::TellingRow::key).collect());
    assert_eq!(second.stop(), 0);
    let (third, opened, _hear) = writer(&dir);
    assert!(opened.tellings.is_empty() && opened.damage.is_empty());
    assert_eq!(opened.seen.iter().map(|seen| seen.id.as_str()).collect::<Vec<_>>(), ["2", "3"]);
    third.stop();
}

#[test]
fn a_damaged_telling_is_named_and_one_whose_event_is_gone_is_empty() {
    let dir = TestDir::new("tellings-damaged");
    let (first, ..) = writer(&dir);
    first.submit(with_tellings(1)).expect("taken");
    first.submit(with_tellings(2)).expect("taken");
    assert_eq!(first.stop(), 0);
    let connection = Connection::open(dir.path().join(FILE_NAME)).expect("it opens");
    connection.execute("UPDATE telling SET due = due + 1 WHERE recipient = 'lead' AND row = 1", []).expect("bent");
    connection.execute("DELETE FROM event WHERE row = 1", []).expect("gone");
    drop(connection);
    let (second, opened, _hear) = writer(&dir);
    let damage: Vec<String> = opened.damage.iter().map(ToString::to_string).collect();
    assert_eq!(damage, ["a message about event 1 to one recipient"]);
    assert_eq!(opened.tellings.len(), 3);
    assert!(opened.tellings[0].payload.is_empty() && !opened.tellings[1].payload.is_empty());
    second.stop();
}

#[test]
fn what_was_told_while_the_disk_was_away_is_not_told_again() {
    let dir = TestDir::new("tellings-volatile");
    let (first, ..) = writer(&dir);
    let begun = first.begin_volatile("tried".into()).expect("a volatile log");
    // Until the copy is in the store the events are in memory only; either way nothing may be told twice.
    let Ok(Taken::Volatile(_, told)) = first.submit(with_tellings(1)) else { panic!("it waits for the disk") };
    assert_eq!(
        told.iter().map(|row| (row.log.to_string(), row.volatile)).collect::<Vec<_>>(),
        [(begun.log.clone(), true), (begun.log, true)]
    );
    first.told(vec![told[0].key()]);
    wait_until("the store has it all", || first.state().volatile.is_none());
    assert_eq!(first.stop(), 0);
    let (second, opened, _hear) = writer(&dir);
    let waiting: Vec<_> = opened.tellings.iter().map(|row| row.telling.recipient.as_str()).collect();
    assert_eq!(waiting, ["shift"]);
    assert_eq!(opened.seen.len(), 1, "and the command is remembered");
    second.stop();
}
