//! Batches for the tests of the history: made by a rule or at random.
//!
//! Only compiled for tests; its values mean nothing.

use lapwing_protocol::Status;
use proptest::prelude::*;

use super::{Batch, Entry, Happening};

/// A batch of `steps` scans of a group of `points`, once a second, from the axis' zero of slot 1.
pub(crate) fn batch_of(steps: usize, points: u32) -> Batch {
    let mut batch = Batch::default();
    for step in 0..steps {
        let n = i64::try_from(step).expect("small");
        let entries = (1..=points).map(|id| {
            let value = i64::from(id) * 100 + (n * i64::from(id)) % 5;
            match (step + id as usize) % 11 {
                0 => Entry {
                    value: None,
                    status: Status::BAD_NO_COMMUNICATION,
                    judged: Status::BAD_NO_COMMUNICATION,
                    ..Entry::good(id, 0)
                },
                1 => Entry { judged: Status::BAD_SENSOR_FAILURE, ..Entry::good(id, value) },
                2 => Entry { lag_ms: 40, ..Entry::good(id, value) },
                _ => Entry::good(id, value),
            }
        });
        batch.readings(super::SLOT_MS + n * 1000 + n % 3, 5000, 7, entries);
        if step % 10 == 9 {
            batch.happened(
                super::SLOT_MS + n * 1000,
                5000,
                Happening::Frames { first: step as u64, next: step as u64 + 1 },
            );
        }
    }
    batch
}

fn any_entry(id: u32) -> impl Strategy<Value = Entry> {
    let status = prop_oneof![
        4 => Just(Status::GOOD),
        1 => Just(Status::UNCERTAIN_SENSOR_NOT_ACCURATE),
        1 => Just(Status::BAD_SENSOR_FAILURE),
        1 => any::<u32>().prop_map(Status::from_number),
    ];
    let value = prop_oneof![6 => (-300_i64..300).prop_map(Some), 1 => any::<i64>().prop_map(Some), 1 => Just(None)];
    (value, status.clone(), status, prop_oneof![5 => Just(0_u64), 1 => any::<u64>()]).prop_map(
        move |(value, status, judged, lag_ms)| {
            let (status, judged) =
                if value.is_none() && status == Status::GOOD { (Status::BAD, Status::BAD) } else { (status, judged) };
            Entry { id, value, status, judged, lag_ms }
        },
    )
}

#[allow(clippy::type_complexity)] // a step as the recorder takes it
fn any_step() -> impl Strategy<Value = (i64, i64, Result<(u32, Vec<Entry>), Happening>)> {
    let group = |source: u32, ids: Vec<u32>| {
        ids.into_iter().map(any_entry).collect::<Vec<_>>().prop_map(move |entries| Ok((source, entries)))
    };
    let what = prop_oneof![
        3 => group(0, vec![1, 2, 3, 9]),
        2 => group(1, vec![4, 5]),
        1 => group(1, vec![4, 5, 9]),
        1 => group(super::OWN, vec![77]),
        1 => (1_u64..90, 0_u64..3).prop_map(|(first, more)| Err(Happening::Frames { first, next: first + more })),
        1 => (1_u32..9).prop_map(|id| Err(Happening::Rebase { id })),
        1 => (1_u64..9).prop_map(|number| Err(Happening::Start { number })),
        1 => (1_u64..9).prop_map(|readings| Err(Happening::Dropped { readings })),
        1 => (-9_i64..2_000_000_000_000).prop_map(|at| Err(Happening::Passed { at })),
    ];
    (0_i64..3000, prop_oneof![4 => Just(5000_i64), 1 => -9000_i64..9000], what)
}

/// Steps of several groups within a slot, with everything that can happen between.
pub(crate) fn any_batch() -> impl Strategy<Value = Batch> {
    proptest::collection::vec(any_step(), 0..60).prop_map(|steps| {
        let mut batch = Batch::default();
        let mut at = super::SLOT_MS;
        for (pause, offset, what) in steps {
            at += pause;
            match what {
                Ok((source, entries)) => batch.readings(at, offset, source, entries),
                Err(happening) => batch.happened(at, offset, happening),
            }
        }
        batch
    })
}
