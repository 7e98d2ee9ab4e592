//! Progress survives ends of every kind, and never counts for another module or another map.

use super::*;

struct Dir(PathBuf);

impl Dir {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("lapwing-record-{name}-{}", std::process::id()));
        // Left by a run that was cut short.
        let _none = std::fs::remove_dir_all(&path);
        Self(path)
    }
}

impl Drop for Dir {
    fn drop(&mut self) {
        let _gone = std::fs::remove_dir_all(&self.0);
    }
}

fn target(reads: &str) -> Target {
    Target { point: 0, device: 0, link: 0, transaction: 0, place: 0, reads: reads.into() }
}

fn finding(path: &str, verdict: Verdict) -> Finding {
    Finding {
        path: path.into(),
        reads: "holding 0, i16".into(),
        raw: "00CF".into(),
        value: "20.7 °C".into(),
        expected: "20.5".into(),
        difference: Some(0.2),
        tolerance: Some(1.0),
        quality: "good".into(),
        latency_ms: Some(0.4),
        refresh_s: None,
        verdict,
        initials: "AB".into(),
        t: "2031-01-01T00:00:00.000Z".into(),
        note: "a\nnote".into(),
        suggestions: vec!["`scale = 0.1`".into()],
    }
}

fn verdict(progress: &Progress, path: &str) -> Option<Verdict> {
    progress.finding(path, &target("holding 0, i16")).map(|found| found.verdict)
}

#[test]
fn the_last_finding_counts_after_a_restart() {
    let dir = Dir::new("last");
    let mut progress = Progress::open(&dir.0, "saltmarsh", "m1").expect("begun");
    progress.record(finding("a", Verdict::Differs)).expect("recorded");
    progress.record(finding("b", Verdict::NotDecided)).expect("recorded");
    progress.record(finding("a", Verdict::Agrees)).expect("recorded");
    drop(progress);
    let progress = Progress::open(&dir.0, "saltmarsh", "m1").expect("goes on");
    assert_eq!(verdict(&progress, "a"), Some(Verdict::Agrees));
    assert_eq!(verdict(&progress, "b"), Some(Verdict::NotDecided));
    assert_eq!(progress.finding("a", &target("holding 1, i16")), None, "the map has changed");
    let kept = progress.finding("a", &target("holding 0, i16")).expect("kept");
    assert_eq!(*kept, finding("a", Verdict::Agrees), "every field comes back");
}

#[test]
fn a_line_cut_short_anywhere_loses_that_line_only() {
    let dir = Dir::new("cut");
    let mut progress = Progress::open(&dir.0, "saltmarsh", "m1").expect("begun");
    progress.record(finding("a", Verdict::Agrees)).expect("recorded");
    let whole = std::fs::read(dir.0.join(FILE_NAME)).expect("there");
    progress.record(finding("b", Verdict::Agrees)).expect("recorded");
    let longer = std::fs::read(dir.0.join(FILE_NAME)).expect("there");
    drop(progress);
    for len in whole.len()..longer.len() {
        std::fs::write(dir.0.join(FILE_NAME), &longer[..len]).expect("cut");
        let mut progress = Progress::open(&dir.0, "saltmarsh", "m1").expect("goes on");
        assert_eq!(verdict(&progress, "a"), Some(Verdict::Agrees), "{len} bytes");
        assert_eq!(verdict(&progress, "b"), None, "{len} bytes");
        if len % 50 == 0 {
            progress.record(finding("c", Verdict::Differs)).expect("recorded");
            drop(progress);
            let progress = Progress::open(&dir.0, "saltmarsh", "m1").expect("goes on");
            assert_eq!(verdict(&progress, "c"), Some(Verdict::Differs), "{len} bytes");
        }
    }
}

#[test]
fn another_module_and_damage_are_refused() {
    let dir = Dir::new("foreign");
    drop(Progress::open(&dir.0, "saltmarsh", "m1").expect("begun"));
    let other = Progress::open(&dir.0, "saltmarsh", "m2").expect_err("another module");
    assert!(other.to_string().contains("belongs to saltmarsh m1"), "{other}");
    let path = dir.0.join(FILE_NAME);
    let mut text = std::fs::read(&path).expect("there");
    text.extend(b"{\"path\": 7}\n");
    std::fs::write(&path, text).expect("written");
    let damaged = Progress::open(&dir.0, "saltmarsh", "m1").expect_err("damaged");
    assert!(damaged.to_string().contains("line 2"), "{damaged}");
}
