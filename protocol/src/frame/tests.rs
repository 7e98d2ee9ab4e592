//! Tests of frames: the contract's form, runs, splitting, size, every mistake by name, any readings at all.

use alloc::{format, vec};

use proptest::prelude::*;

use super::*;
use crate::encoding::{Encoding, FRAME_MAX, decode};

const T: i64 = 1_764_000_005_000;
const LOG: &str = "a3f09c5e11d20b47";
const HASH: &str = "0123456789abcdef";

type Reading = (u32, i64, Option<i64>, Status);

fn build(readings: &[Reading]) -> Vec<Frame> {
    let mut builder = FrameBuilder::new(LOG, 2, HASH, 7);
    for (id, t, value, status) in readings {
        builder.push(*id, *t, *value, *status);
    }
    builder.finish()
}

fn read(frames: &[Frame]) -> Vec<Reading> {
    frames
        .iter()
        .flat_map(Frame::readings)
        .map(|reading| (reading.id, reading.t, reading.value, reading.status))
        .collect()
}

fn both_ways(frame: &Frame) -> (usize, usize) {
    let [json, cbor] = [Encoding::Json, Encoding::Cbor].map(|encoding| {
        let bytes = encoding.to_vec(frame).expect("writes");
        assert_eq!(decode::<Frame>(&bytes).expect("reads"), *frame);
        bytes.len()
    });
    (json, cbor)
}

#[test]
fn as_in_the_contract() {
    let frames = build(&[
        (10, T, Some(214), Status::GOOD),
        (11, T, None, Status::BAD_SENSOR_FAILURE),
        (12, T + 40, Some(-3), Status::UNCERTAIN_LAST_USABLE),
        (3, T - 5, Some(0), Status::GOOD),
    ]);
    let text = serde_json::to_string(&frames).expect("writes");
    let expected = format!(
        r#"[{{"log":"{LOG}","boot":2,"seq":7,"t":{T},"catalogue":"{HASH}","runs":[[10,2,0],[12,1,40],[3,1,-5]],"values":[214,null,-3,0],"bad":[[1,2156658688],[2,1083179008]]}}]"#
    );
    assert_eq!(text, expected);
    both_ways(&frames[0]);
}

#[test]
fn late_is_the_only_difference() {
    let frame = build(&[(1, T, Some(5), Status::GOOD)]).remove(0);
    let late = frame.clone().with_late(true);
    assert!(late.is_late() && !frame.is_late());
    let [plain, marked] = [&frame, &late].map(|frame| serde_json::to_string(frame).expect("writes"));
    assert_eq!(marked, plain.replace("\"bad\":[]", "\"bad\":[],\"late\":true"));
    both_ways(&late);
    assert_eq!(late.with_late(false), frame);
}

#[test]
fn nothing_read_is_no_frame() {
    assert!(build(&[]).is_empty());
}

#[test]
fn taking_goes_on_with_the_next_number() {
    let mut builder = FrameBuilder::new(LOG, 2, HASH, 7);
    let mut seqs = Vec::new();
    for second in 0..3 {
        builder.push(1, T + second * 1000, Some(5), Status::GOOD);
        let frames = builder.take();
        assert_eq!((frames.len(), frames[0].t()), (1, T + second * 1000));
        assert!(builder.take().is_empty());
        seqs.push(frames[0].seq());
    }
    assert_eq!(seqs, [7, 8, 9]);
}

#[test]
fn no_value_is_never_good_and_bad_has_none() {
    let frames = build(&[
        (1, T, None, Status::GOOD),
        (2, T, Some(7), Status::BAD_NOT_CONNECTED),
        (3, T, None, Status::UNCERTAIN),
    ]);
    let expected = [(1, T, None, Status::BAD), (2, T, None, Status::BAD_NOT_CONNECTED), (3, T, None, Status::BAD)];
    assert_eq!(read(&frames), expected);
    both_ways(&frames[0]);
}

#[test]
fn extreme_moments_split() {
    let readings = [
        (u32::MAX, i64::MIN, Some(i64::MIN), Status::GOOD),
        (0, i64::MAX, Some(i64::MAX), Status::GOOD),
        (1, i64::MAX - 1, Some(0), Status::GOOD),
    ];
    let frames = build(&readings);
    assert_eq!(frames.len(), 2);
    assert_eq!(frames.iter().map(Frame::seq).collect::<Vec<_>>(), [7, 8]);
    assert_eq!(read(&frames), readings);
    for frame in &frames {
        both_ways(frame);
    }
}

/// 800 points as a module has them: transactions of several points, temperatures and humidities with small changes,
/// powers and energies with many digits, one sensor in a hundred bad.
#[test]
fn bytes_a_reading() {
    let mut readings = Vec::new();
    let mut id = 100;
    for transaction in 0..60_i64 {
        for point in 0..if transaction < 20 { 14 } else { 13 } {
            let value = match transaction % 4 {
                0 => 180 + (transaction * 7 + point * 13) % 150, // 18.0..33.0 Cel
                1 => 2300 + (point * 29) % 90,                   // 230.0 V
                2 => 12_000 + transaction * 311 + point * 97,    // 12.0 kW in W
                _ => i64::from(point % 3 == 0),                  // states
            };
            let status = if (transaction * 13 + point) % 100 == 99 { Status::BAD_SENSOR_FAILURE } else { Status::GOOD };
            readings.push((id, T + transaction * 16, Some(value).filter(|_| status.is_good()), status));
            id += 1;
        }
        id += 1; // a point of another transaction between
    }
    assert_eq!(readings.len(), 800);
    let frames = build(&readings);
    assert_eq!(frames.len(), 1);
    assert_eq!(frames[0].runs().len(), 60);
    let (json, cbor) = both_ways(&frames[0]);
    assert!(json <= 800 * 8, "{json} bytes of JSON for 800 readings");
    assert!(cbor <= 800 * 4, "{cbor} bytes of CBOR for 800 readings");
}

#[test]
fn a_hundred_thousand_points_keep_the_packet() {
    let readings: Vec<Reading> = (0..100_000)
        .map(|id| (id * 2, T + i64::from(id % 1000), Some(i64::from(id) * 1_000_003), Status::UNCERTAIN))
        .collect();
    let frames = build(&readings);
    assert!(frames.len() > 10);
    for (at, frame) in frames.iter().enumerate() {
        let (json, cbor) = both_ways(frame);
        assert!(json <= FRAME_MAX && cbor <= FRAME_MAX, "{json} and {cbor}");
        assert!(at + 1 == frames.len() || json > FRAME_MAX - 512, "{json}: split too early");
    }
    assert_eq!(read(&frames), readings);
}

#[test]
fn each_mistake_has_its_name() {
    let good = serde_json::json!({"log": "l", "boot": 1, "seq": 1, "t": T, "catalogue": HASH,
        "runs": [[1, 2, 0], [9, 1, 5]], "values": [1, null, 3], "bad": [[1, 0x8000_0000_u32]]});
    assert!(serde_json::from_value::<Frame>(good.clone()).is_ok());
    for (key, value, error) in [
        ("runs", serde_json::json!([[1, 2, 0]]), FrameError::CountMismatch { announced: 2, values: 3 }),
        (
            "runs",
            serde_json::json!([[1, 3, 0], [9, u32::MAX, 5], [0, u32::MAX, 0]]),
            FrameError::RunOutOfRange { run: 1 },
        ),
        (
            "runs",
            serde_json::json!([[0, u32::MAX, 0], [0, u32::MAX, 0]]),
            FrameError::CountMismatch { announced: 8_589_934_590, values: 3 },
        ),
        ("runs", serde_json::json!([[1, 3, 0], [9, 0, 5]]), FrameError::EmptyRun { run: 1 }),
        ("runs", serde_json::json!([[u32::MAX, 3, 0]]), FrameError::RunOutOfRange { run: 0 }),
        ("t", serde_json::json!(i64::MAX), FrameError::RunOutOfRange { run: 1 }),
        ("bad", serde_json::json!([]), FrameError::Unexplained { position: 1 }),
        ("bad", serde_json::json!([[1, 0x4000_0000_u32]]), FrameError::Unexplained { position: 1 }),
        ("bad", serde_json::json!([[0, 0x8000_0000_u32], [1, 0x8000_0000_u32]]), FrameError::BadValue { position: 0 }),
        ("bad", serde_json::json!([[1, 0x8000_0000_u32], [3, 0x8000_0000_u32]]), FrameError::Position { position: 3 }),
        ("bad", serde_json::json!([[1, 0x8000_0000_u32], [1, 0x8000_0000_u32]]), FrameError::Position { position: 1 }),
        ("bad", serde_json::json!([[1, 0x8000_0000_u32], [0, 0x4000_0000_u32]]), FrameError::Position { position: 0 }),
    ] {
        let mut wrong = good.clone();
        wrong[key] = value;
        let said = serde_json::from_value::<Frame>(wrong).expect_err("a mistake");
        assert_eq!(format!("{said}"), format!("{error}"), "{key}");
    }
    for (key, value) in [
        ("values", serde_json::json!([1, null, 3.5])),
        ("values", serde_json::json!([1, null, "3"])),
        ("runs", serde_json::json!([[1, 2], [9, 1]])),
    ] {
        let mut wrong = good.clone();
        wrong[key] = value;
        assert!(serde_json::from_value::<Frame>(wrong).is_err());
    }
}

fn any_reading() -> impl Strategy<Value = Reading> {
    let id = prop_oneof![0_u32..40, any::<u32>()];
    let t = prop_oneof![Just(T), T - 50..T + 50, any::<i64>()];
    let value = prop_oneof![(-5000_i64..5000).prop_map(Some), any::<i64>().prop_map(Some), Just(None)];
    let status = prop_oneof![4 => Just(Status::GOOD), 1 => any::<u32>().prop_map(Status::from_number)];
    (id, t, value, status)
}

proptest! {
    #[test]
    fn whatever_is_read_comes_back(readings in prop::collection::vec(any_reading(), 0..200), limit in 400_usize..4000) {
        let mut builder = FrameBuilder::new(LOG, u64::MAX, HASH, u64::MAX - 500).with_limit(limit);
        for (id, t, value, status) in &readings {
            builder.push(*id, *t, *value, *status);
        }
        let frames = builder.finish();
        for frame in &frames {
            let (json, cbor) = both_ways(&frame.clone().with_late(true));
            prop_assert!(json <= limit, "{} of {}", json, limit);
            prop_assert!(cbor <= limit);
            prop_assert_eq!(frame.readings().len(), frame.len());
        }
        let expected: Vec<Reading> = readings.iter().map(|(id, t, value, status)| match value {
            Some(value) if !status.is_bad() => (*id, *t, Some(*value), *status),
            _ => (*id, *t, None, if status.is_bad() { *status } else { Status::BAD }),
        }).collect();
        prop_assert_eq!(read(&frames), expected);
    }

    #[test]
    fn neighbours_are_one_run(first in 0_u32..1000, count in 1_u32..500) {
        let frames = build(&(0..count).map(|at| (first + at, T, Some(1), Status::GOOD)).collect::<Vec<_>>());
        prop_assert_eq!(frames[0].runs(), &vec![Run { first_id: first, count, dt_ms: 0 }][..]);
    }
}
