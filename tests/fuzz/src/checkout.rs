//! Files of the checkout: expected values (CSV) and progress (a line of JSON a finding).

use std::path::Path;

use lapwing::plan::{Plan, Point};
use lapwing::witness::checkout::answers::Answers;
use lapwing::witness::checkout::entry::Entry;
use lapwing::witness::checkout::record::{Finding, findings};

use super::input::Input;

const PATHS: [&str; 3] = ["a/b", "rack/07/inlet/top/temperature", "ö"];

/// An even first byte: expected values; an odd one: progress.
pub(super) fn run(data: &[u8]) {
    let mut input = Input(data);
    if input.byte() & 1 == 0 { expected(input.0) } else { progress(input.0) }
}

fn expected(text: &[u8]) {
    let points = PATHS.map(|path| Point { path: path.into(), ..Point::default() });
    let plan = Plan { points: points.into(), ..Plan::default() };
    match Answers::parse(text, &plan) {
        Ok(answers) => {
            for answer in PATHS.iter().filter_map(|path| answers.of(path)) {
                let is_answer = matches!(
                    answer.entry,
                    Entry::Expect { .. }
                        | Entry::AsRead { .. }
                        | Entry::WaitFor { .. }
                        | Entry::Differs { .. }
                        | Entry::Skip { .. }
                );
                assert!(is_answer, "{answer:?} answers nothing");
            }
            assert!(answers.of("a/c").is_none(), "a point the module does not have");
        }
        Err(why) => assert!(!why.is_empty()),
    }
}

fn progress(text: &[u8]) {
    let Ok((found, whole)) = findings(text, Path::new("progress.jsonl"), "saltmarsh", "m1") else { return };
    let whole = usize::try_from(whole).expect("a length");
    assert!(whole <= text.len() && (whole == 0 || text[whole - 1] == b'\n'), "not whole lines");
    assert!(found.is_empty() || whole > 0);
    for (path, finding) in found {
        assert_eq!(path, finding.path);
        let line = serde_json::to_string(&finding).expect("what was read can be written");
        let again: Finding = serde_json::from_str(&line).expect("what was written can be read");
        assert_eq!(again, finding);
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let finding = r#"{"path":"a/b","reads":"plant 1 holding:0","raw":"00D7","value":"21.5 °C","expected":"21.4","difference":0.1,"tolerance":0.5,"quality":"good","latency_ms":12.25,"refresh_s":null,"verdict":"agrees","initials":"AB","t":"2026-01-01T00:00:00Z","note":"","suggestions":["scale = 0.1"]}"#;
    vec![
        b"\0path,expected,initials,note\na/b, 20.7, ab, wet\n\xc3\xb6,d,AB,\"no, none\"\n".to_vec(),
        b"\0path,expected\nrack/07/inlet/top/temperature,w 20.7\na/b,=\n".to_vec(),
        format!("\u{1}{{\"schema\":1,\"site\":\"saltmarsh\",\"module\":\"m1\"}}\n{finding}\n{finding}\n{{\"pa")
            .into_bytes(),
    ]
}
