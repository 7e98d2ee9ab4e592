//! Every reason, in every language: no gap left, no language missing, each sentence of the files used by one.

use std::collections::BTreeSet;

use super::*;

fn ends() -> Vec<Failure> {
    [End::Wordless, End::ByOther, End::Told("reset".into())].map(Failure::Closed).into()
}

fn unreached() -> Vec<Unreached> {
    let (to, why) = (|| "10.0.0.7:502".to_owned(), || Cause::from("refused"));
    vec![
        Unreached::NoAddress { host: to(), why: None },
        Unreached::NoAddress { host: to(), why: Some(why()) },
        Unreached::Refused { to: to(), why: why() },
        Unreached::Silent { to: to(), within_ms: 1000 },
        Unreached::Tls { to: to(), why: why() },
        Unreached::TlsSilent { to: to(), within_ms: 1000 },
        Unreached::ServerName { name: to(), why: why() },
        Unreached::Serial { path: "/dev/ttyUSB0".into(), why: why() },
        Unreached::LineGone { why: why() },
        Unreached::AnotherMaster { requests: 4, unit: 3 },
        Unreached::Snmp { to: to(), why: why() },
        Unreached::Http { to: to(), why: why() },
        Unreached::File { path: "/etc/password".into(), why: why() },
        Unreached::Secret { why: why() },
    ]
}

fn failures() -> Vec<Failure> {
    let garbles = [
        Garble::Crc,
        Garble::Unit { asked: 1, got: 2 },
        Garble::Function { asked: 3, got: 4 },
        Garble::Length { asked: 5, got: 6 },
        Garble::Short { got: 7 },
        Garble::Long,
        Garble::Echo,
        Garble::Early,
        Garble::Order,
        Garble::Body,
        Garble::Header,
    ];
    let mut all = ends();
    all.extend(garbles.map(Failure::Garbled));
    all.extend((0..=u8::MAX).map(|code| Failure::Exception { code }));
    all.extend((100..=599).map(|status| Failure::Http { status }));
    all.extend(unreached().into_iter().map(Failure::NoConnection));
    all.extend([
        Failure::Silence { timeout_ms: 300 },
        Failure::Unanswered { timeout_ms: 300 },
        Failure::Refused("noSuchName".into()),
        Failure::Access("wrong digest".into()),
        Failure::AgentFailure,
        Failure::Plan("a read of nothing"),
    ]);
    all
}

fn all() -> Vec<Why> {
    let (feature, mark) = (|| "model".to_owned(), Mark::Number);
    let differences = vec![
        Difference::NotExpected { feature: feature(), shows: mark(7), expected: mark(8) },
        Difference::Changed { feature: feature(), shows: mark(7), before: mark(8) },
        Difference::Nothing { feature: feature(), expected: None },
        Difference::Nothing { feature: feature(), expected: Some(mark(8)) },
        Difference::Unreadable { features: vec![feature()], failure: Failure::Exception { code: 2 } },
    ];
    let (column, entries) =
        (|| "1.3.6.1.2.1.33.1.6.2.1.2".to_owned(), |n: u32| (0..n).map(|n| format!("e{n}")).collect());
    let mut all: Vec<Why> = failures().into_iter().map(Why::Failed).collect();
    all.extend(unreached().into_iter().map(Why::Unreached));
    all.extend(differences.into_iter().map(|difference| Why::Differs(vec![difference])));
    all.extend([
        Why::Answers,
        Why::NotConnected,
        Why::NoneAnswers { devices: 14 },
        Why::TwoAsOne { unit: 9, last: Failure::Garbled(Garble::Crc) },
        Why::Unheard { seconds: 30 },
        Why::Unread { places: vec!["fan/1/speed".into(), "fan/2/speed".into()] },
        Why::Foreign { unit: 9 },
        Why::OneMaster,
        Why::Fits,
        Why::Labels { several: false, labels: entries(1), column: column() },
        Why::Labels { several: true, labels: entries(2), column: column() },
        Why::Strange { column: column(), entries: entries(9) },
        Why::StrangeGone { column: column(), entries: entries(8) },
        Why::Restarted { up_s: 12 },
        Why::NoNotifications { listen: "0.0.0.0:162".into(), why: "in use".into() },
        Why::NotBuilt,
        Why::NoThread { why: "out of memory".into() },
    ]);
    all
}

#[test]
fn every_reason_is_said_in_every_language() {
    let (english, german) = (Words::of(Language::English), Words::of(Language::German));
    for why in all() {
        let said = [why.said(english), why.said(german)];
        for said in &said {
            assert!(!said.is_empty() && !said.contains(['{', '}']) && !said.ends_with('.'), "{why:?}: {said}");
        }
        // What only quotes is the same in both.
        if !matches!(why, Why::Failed(Failure::Plan(_))) {
            assert_ne!(said[0], said[1], "{why:?}");
        }
        assert_eq!(said[0], why.to_string());
    }
}

#[test]
fn no_sentence_of_the_file_is_left_over_or_missing() {
    let file: toml::Table = include_str!("../../words/en.toml").parse().expect("TOML");
    let keys: BTreeSet<&str> = file["why"].as_table().expect("a table").keys().map(String::as_str).collect();
    let source = include_str!("../why.rs");
    for key in &keys {
        assert!(source.contains(&format!("\"{key}\"")), "nothing says {key}");
    }
    // A code without a sentence would be said as itself.
    for why in all() {
        let said = why.to_string();
        assert!(said.contains(' ') || keys.contains("answers") && said == "answers", "{why:?}: {said}");
    }
}

#[test]
fn long_lists_are_cut() {
    let strange = |n: u32| Why::Strange { column: "1.3".into(), entries: (0..n).map(|n| format!("e{n}")).collect() };
    assert!(strange(8).to_string().contains("e6, e7;"));
    assert!(strange(10).to_string().contains("e6, e7 and 2 more;"));
    assert!(strange(10).said(Words::of(Language::German)).contains("e7 und 2 weitere;"));
}

#[test]
fn an_exception_says_what_to_do() {
    assert!(Failure::Exception { code: 2 }.to_string().contains("check the map's registers"));
    let german = Failure::Exception { code: 2 }.said(Words::of(Language::German));
    assert_eq!(
        german,
        "abgelehnt mit Ausnahme 02 (das Gerät hat diese Registeradresse nicht: die Register der Zuordnung prüfen)"
    );
}
