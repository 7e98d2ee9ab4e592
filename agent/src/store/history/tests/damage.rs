//! What happens to its files: deleted, cut, zeroed, of a newer agent, after a cut of power. Only what was in them is lost.

use super::*;

#[test]
fn what_is_deleted_under_the_running_writer_costs_no_reading_of_the_open_slot() {
    for whole in [false, true] {
        let dir = TestDir::new("history-deleted");
        let data = dir.path().join("history");
        let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
        let (mut entered, mut frame) = (Vec::new(), 1);
        let mut goes_on = |minutes: std::ops::Range<i64>, entered: &mut Vec<Entry>| {
            for n in minutes {
                let batch = minute(T0 + n * 60_000, 60, &mut frame);
                entered.extend_from_slice(&batch.entries);
                recorder.submit(batch);
                recorder.flush();
            }
        };
        goes_on(0..5, &mut entered);
        if whole {
            std::fs::remove_dir_all(dir.path()).expect("removed");
        } else {
            std::fs::rename(data.join("open.slot"), dir.path().join("kept")).expect("moved");
            std::fs::write(data.join("open.slot"), "somebody's").expect("another in its place");
        }
        goes_on(5..7, &mut entered);
        recorder.sync();
        wait_until("it is written again", || {
            recorder.flush();
            data.join("open.slot").exists() && all(&Reader::new(dir.path())) == entered
        });
        // Past the slot's end: what was deleted of the other files is begun anew.
        let before = entered.len();
        goes_on(7..16, &mut entered);
        if whole {
            wait_until("its raw file is missed", || {
                recorder.flush();
                recorder.state().failing.is_some() || data.join("raw-000001.sqlite").exists()
            });
            wait_for("and made anew", Duration::from_secs(20), || {
                recorder.flush();
                data.join("raw-000001.sqlite").exists() && !data.join("closing.slot").exists()
            });
        }
        recorder.stop();
        let kept = all(&Reader::new(dir.path()));
        assert_eq!(kept[..before], entered[..before], "nothing of the slot is lost");
        if !whole {
            assert_eq!(kept, entered);
            assert_eq!(std::fs::read(data.join("open.slot.replaced")).expect("kept"), b"somebody's");
        }
    }
}

#[test]
fn a_power_cut_costs_what_was_not_synced_and_is_seen() {
    let dir = TestDir::new("history-cut");
    let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
    let mut frame = 1;
    let batch = minute(T0, 30, &mut frame);
    recorder.submit(batch.clone());
    recorder.sync();
    recorder.flush();
    // Nothing tells the writer to end: its files are copied as a power cut leaves them, with a torn tail.
    let copy = TestDir::new("history-cut-copy");
    std::fs::create_dir_all(copy.path().join("history")).expect("made");
    for entry in std::fs::read_dir(dir.path().join("history")).expect("read").flatten() {
        std::fs::copy(entry.path(), copy.path().join("history").join(entry.file_name())).expect("copied");
    }
    let open = copy.path().join("history/open.slot");
    let mut bytes = std::fs::read(&open).expect("read");
    bytes.extend_from_slice(b"LWrc\x40\0\0\0 half");
    std::fs::write(&open, bytes).expect("written");
    let (second, found) = Recorder::start(beginning(&copy, T0 + 40_000)).expect("started");
    assert!(!found.clean);
    assert!(found.losses.iter().any(Loss::is_tail), "{:?}", found.losses);
    assert_eq!(found.last_t, Some(T0 + 29_000));
    second.submit(minute(T0 + 41_000, 1, &mut frame));
    second.stop();
    let read = all(&Reader::new(copy.path()));
    assert_eq!(read[..90], batch.entries[..]);
    assert_eq!(read.len(), 93);
    recorder.stop();
}

#[test]
fn a_newer_format_is_refused_by_name_and_a_foreign_file_is_left_alone() {
    let dir = TestDir::new("history-newer");
    hours(&dir, 16);
    let raw = dir.path().join("history/raw-000001.sqlite");
    let connection = rusqlite::Connection::open(&raw).expect("opened");
    connection.pragma_update(None, "user_version", super::file::VERSION + 1).expect("set");
    drop(connection);
    let error = Recorder::start(beginning(&dir, T0 + 3_600_000)).expect_err("refused");
    assert!(error.to_string().contains("raw-000001.sqlite has format version 3, this agent knows up to 2"), "{error}");
    assert!(matches!(Reader::new(dir.path()).slots(), Err(HistoryError::Newer { .. })));
}

#[test]
fn any_file_may_be_deleted_truncated_or_zeroed_and_only_what_was_in_it_is_lost() {
    let dir = TestDir::new("history-files");
    let entered = hours(&dir, 40);
    let names: Vec<_> =
        std::fs::read_dir(dir.path().join("history")).expect("read").flatten().map(|e| e.file_name()).collect();
    assert!(names.len() >= 3, "{names:?}");
    for name in &names {
        for harm in 0..12 {
            let copy = TestDir::new("history-files-copy");
            std::fs::create_dir_all(copy.path().join("history")).expect("made");
            for other in &names {
                let bytes = std::fs::read(dir.path().join("history").join(other)).expect("read");
                let to = copy.path().join("history").join(other);
                match (other == name, harm) {
                    (true, 0) => {}
                    (true, 1) => std::fs::write(&to, &bytes[..bytes.len() / 2]).expect("written"),
                    (true, 2) => std::fs::write(&to, vec![0; bytes.len()]).expect("written"),
                    (true, 3) => std::fs::write(&to, []).expect("written"),
                    (true, _) => {
                        // One bit, at places spread over the file.
                        let mut bytes = bytes;
                        let place = bytes.len() * (harm - 4) / 8 + harm;
                        if let Some(byte) = bytes.get_mut(place) {
                            *byte ^= 1 << (harm % 8);
                        }
                        std::fs::write(&to, bytes).expect("written");
                    }
                    (false, _) => std::fs::write(&to, bytes).expect("written"),
                }
            }
            let started = Recorder::start(beginning(&copy, T0 + 3 * 3_600_000));
            let (recorder, _) = started.unwrap_or_else(|error| panic!("{name:?} {harm}: {error}"));
            let mut frame = 1;
            recorder.submit(minute(T0 + 3 * 3_600_000, 5, &mut frame));
            recorder.stop();
            let read = all(&Reader::new(copy.path()));
            let mut rest = entered.iter();
            let old = &read[..read.len() - 15];
            assert!(old.iter().all(|entry| rest.any(|known| known == entry)), "{name:?} {harm}: nothing false");
            let of_file = name.to_string_lossy();
            let lost = entered.len() - old.len();
            match of_file.as_ref() {
                "open.slot" => assert!(lost <= 10 * 60 * 3, "{harm}: {lost}"),
                "raw-000001.sqlite" => assert!(lost <= 30 * 60 * 3, "{harm}: {lost}"),
                _ => assert_eq!(lost, 0, "{of_file} {harm}"),
            }
        }
    }
}
