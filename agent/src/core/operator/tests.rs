//! Who may do what, what is needed for it, and that every refusal is said in every language.

use lapwing_engine::Refusal;

use super::*;
use crate::plan::Language;
use crate::words::Words;

fn all() -> Vec<Action> {
    let rule = || "pump-1".to_owned();
    vec![
        Action::Acknowledge,
        Action::AcknowledgeIncident,
        Action::Reset,
        Action::Shelve { for_ms: 1 },
        Action::ShelveOnce,
        Action::Unshelve,
        Action::RemoveFromService,
        Action::ReturnToService,
        Action::Suppress { rule: rule(), for_ms: None },
        Action::Release { rule: rule() },
        Action::SetMode { mode: Mode::Test, for_ms: Some(1) },
        Action::ConfirmDevice { device: "ups-a1".to_owned() },
        Action::Note,
    ]
}

fn request(role: Role, action: Action, reason: Option<&str>) -> Request {
    Request {
        who: "Operator on shift".into(),
        role,
        action,
        alarm: None,
        occurrence: None,
        reason: reason.map(str::to_owned),
        once: None,
        reply: Reply::nobody(),
    }
}

#[test]
fn who_may_do_what() {
    let may = |role: Role| -> Vec<&'static str> {
        let allowed = all().into_iter().filter(|a| permitted(&request(role, a.clone(), Some("why"))).is_ok());
        allowed.map(|action| action.word()).collect()
    };
    assert!(may(Role::Observer).is_empty());
    let operator =
        ["acknowledge", "acknowledge", "reset", "shelve", "shelve once", "unshelve", "suppress", "release", "note"];
    assert_eq!(may(Role::Operator), operator);
    assert_eq!(may(Role::Engineer).len(), all().len());
}

#[test]
fn what_hides_needs_a_reason() {
    let refused: Vec<&'static str> = all()
        .into_iter()
        .filter(|action| permitted(&request(Role::Engineer, action.clone(), Some("  "))) == Err(Refused::NoReason))
        .map(|action| action.word())
        .collect();
    assert_eq!(
        refused,
        ["shelve", "shelve once", "remove from service", "suppress", "set mode", "confirm device", "note"]
    );
}

#[test]
fn names_and_reasons_are_plain_text_of_bounded_length() {
    let with = |who: &str, reason: &str| {
        permitted(&Request { who: who.into(), ..request(Role::Operator, Action::Note, Some(reason)) })
    };
    assert_eq!(with("", "x"), Err(Refused::NoName));
    assert_eq!(with("a\u{7}b", "x"), Err(Refused::NoName));
    assert_eq!(with(&"n".repeat(NAME_MAX + 1), "x"), Err(Refused::NoName));
    assert_eq!(with(&"n".repeat(NAME_MAX), "x"), Ok(()));
    assert_eq!(with("n", &"r".repeat(REASON_MAX + 1)), Err(Refused::BadReason));
    assert_eq!(with("n", "a\u{1b}[2J"), Err(Refused::BadReason));
    assert_eq!(with("n", "two\nlines"), Ok(()));
    for turning in ["eve\u{202e}ada", "a\u{2067}b", "a\u{2028}Acknowledged by ada"] {
        assert_eq!(with("n", turning), Err(Refused::BadReason), "{turning:?}");
        assert_eq!(with(turning, "x"), Err(Refused::NoName), "{turning:?}");
    }
    assert_eq!(with("Grüße", "läuft wieder – geprüft ✓ 泵 مضخة"), Ok(()), "any script is plain text");
}

#[test]
fn every_refusal_is_said_in_every_language() {
    let name = || "coil".to_owned();
    let refused = [
        Refused::NotAllowed { role: Role::Observer, needs: Role::Engineer },
        Refused::NoName,
        Refused::NoReason,
        Refused::BadReason,
        Refused::NoAlarm,
        Refused::UnknownAlarm { id: name(), near: Some("coil-hot".into()) },
        Refused::UnknownRule { name: name(), known: vec!["pump-1".into(), "fans".into()] },
        Refused::UnknownRule { name: name(), known: Vec::new() },
        Refused::HoldsByItself { name: name() },
        Refused::NotInForce { name: name() },
        Refused::InForce { name: name() },
        Refused::UnknownDevice { name: name(), near: None },
        Refused::NothingToConfirm { name: name() },
        Refused::TooLong { max_ms: 28_800_000 },
        Refused::NoDuration,
        Refused::AcknowledgedElsewhere,
        Refused::OtherOccurrence { seen: 3, now: 4 },
        Refused::Repeated { id: "17".into() },
        Refused::Old { id: "17".into() },
        Refused::TooMany { most: 10 },
    ];
    let of_state = [
        Refusal::NothingToAcknowledge,
        Refusal::NotLatched,
        Refusal::StillActive,
        Refusal::NotAcknowledged,
        Refusal::NothingToRealarm,
        Refusal::Hidden,
        Refusal::AlreadyHidden,
        Refusal::NotHidden,
        Refusal::TooLong { max_ms: 3_600_000 },
        Refusal::NoDuration,
        Refusal::ShelvingNotAllowed,
        Refusal::TooManyRules,
        Refusal::NoSuchAlarm,
    ];
    for why in refused.into_iter().chain(of_state.map(Refused::State)) {
        let (english, german) = (why.said(Words::of(Language::English)), why.said(Words::of(Language::German)));
        for said in [&english, &german] {
            assert!(said.contains(' ') && !said.contains(['{', '}']), "{}: {said}", why.code());
        }
        assert_ne!(english, german);
        assert_eq!(english, why.to_string());
    }
    let said = Refused::TooLong { max_ms: 28_800_000 }.to_string();
    assert_eq!(said, "longer than allowed: at most 8 h");
    let said = Refused::UnknownAlarm { id: "coil".into(), near: Some("coil-hot".into()) };
    assert_eq!(said.to_string(), "no alarm is called `coil`; did you mean `coil-hot`?");
    assert_eq!(said.said(Words::of(Language::German)), "kein Alarm heißt `coil`; ist `coil-hot` gemeint?");
}

#[test]
fn roles_have_words() {
    for role in [Role::Observer, Role::Operator, Role::Engineer] {
        assert_eq!(Role::from_word(role.word()), Some(role));
    }
    assert_eq!(Role::from_word("root"), None);
}
