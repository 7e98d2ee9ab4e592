//! Recipients, mail server and time zone: right ones become the plan, wrong ones are told, gaps are findings; a build
//! without the feature says so.

use super::{Copy, MODULE, changed};

const MAIL: &str = "
[mail]
server = \"mail.saltmarsh.example:465\"
from = \"m1@saltmarsh.example\"
";

const SHIFT: &str = "
[[recipient]]
name = \"shift\"
email = \"shift@saltmarsh.example\"
priorities = [\"critical\", \"high\"]
unacknowledged_for = \"10m\"
then = \"desk\"

[[recipient]]
name = \"desk\"
webhook = \"https://hooks.saltmarsh.example/m1\"
secret_file = \"/etc/lapwing/webhook-secret\"
hours = [\"mon-fri 07:00-18:00\"]
";

fn with(old: &str, new: &str) -> Copy {
    let text = format!("{MAIL}{SHIFT}");
    assert!(text.contains(old), "{old}");
    Copy::new().and(MODULE, &text.replacen(old, new, 1))
}

/// Mistakes beside those of a build without the feature.
fn mistakes(old: &str, new: &str) -> Vec<(&'static str, String, String)> {
    let found = match with(old, new).load() {
        Ok(_) => Vec::new(),
        Err(found) => found.list,
    };
    let others = found.into_iter().filter(|mistake| mistake.code != "not_built_in");
    others.map(|mistake| (mistake.code, mistake.key, mistake.mend)).collect()
}

#[track_caller]
fn one(old: &str, new: &str, code: &str, key: &str, mend: &str) {
    let found = mistakes(old, new);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert_eq!((found[0].0, found[0].1.as_str()), (code, key), "{found:#?}");
    assert!(found[0].2.contains(mend), "{found:#?}");
}

#[test]
fn each_mistake_is_told_with_its_mend() {
    let shift = |key: &str| format!("recipient[shift].{key}");
    let desk = |key: &str| format!("recipient[desk].{key}");
    one("email = \"shift@saltmarsh.example\"\n", "", "no_way_to_recipient", "recipient[shift]", "webhook = ");
    one("name = \"desk\"", "name = \"desk\"\nemail = \"a@b\"", "two_ways_to_recipient", &desk("webhook"), "keep one");
    one("shift@saltmarsh", "shift saltmarsh@", "bad_mail_address", &shift("email"), "shift@saltmarsh.example");
    one("https://hooks", "http://hooks", "bad_webhook", &desk("webhook"), "https://");
    one("secret_file = \"/etc/lapwing/webhook-secret\"\n", "", "missing_key", &desk("secret_file"), "secret_file");
    one("\"high\"]", "\"hihg\"]", "not_one_of", &shift("priorities"), "did you mean `high`?");
    one("mon-fri", "mon-fry", "bad_hours", &desk("hours"), "daily");
    one("[\"mon-fri 07:00-18:00\"]", "[]", "no_hours", &desk("hours"), "always");
    one("unacknowledged_for = \"10m\"\n", "", "missing_key", &shift("unacknowledged_for"), "10m");
    one("then = \"desk\"\n", "", "missing_key", &shift("then"), "then");
    one("\"10m\"", "\"1s\"", "out_of_range", &shift("unacknowledged_for"), "10s to 1d");
    one("then = \"desk\"", "then = \"dsek\"", "unknown_recipient", &shift("then"), "did you mean `desk`?");
    one(
        "hours = [",
        "unacknowledged_for = \"5m\"\nthen = \"shift\"\nhours = [",
        "passed_in_circle",
        &shift("then"),
        "leave `then` out",
    );
    one("then = \"desk\"", "then = \"shift\"", "passed_in_circle", &shift("then"), "leave `then` out");
    one("from = \"m1@saltmarsh.example\"\n", "", "missing_key", "mail.from", "m1@saltmarsh.example");
    one("from = \"m1@saltmarsh.example\"", "from = \"m1\"", "bad_mail_address", "mail.from", "shift@");
    one(":465", "", "bad_address", "mail.server", "mail.saltmarsh.example:465");
    one(MAIL, "", "no_mail_server", &shift("email"), "[mail]");
    one("from =", "user = \"m1\"\nfrom =", "missing_key", "mail.password_file", "mail-password");
    one("name = \"shift\"", "name = \"the shift\"", "bad_name", "recipient[the shift].name", "lower-case");
    one("email =", "ca = \"ca.pem\"\nemail =", "key_has_no_meaning", &shift("ca"), "[mail]");
    let twice = "name = \"desk\"\nemail = \"a@b\"\n\n[[recipient]]\nname = \"desk\"";
    one("name = \"desk\"", twice, "duplicate", &desk("name"), "name of its own");
}

#[test]
fn one_that_is_told_of_nothing_is_a_mistake() {
    let found = mistakes("unacknowledged_for = \"10m\"\nthen = \"desk\"\n", "");
    assert_eq!(found.iter().map(|(code, ..)| *code).collect::<Vec<_>>(), ["told_of_nothing"]);
}

#[test]
fn a_zone_that_nobody_knows_is_told_and_a_rule_is_taken() {
    changed(
        MODULE,
        "[module]\n",
        "[module]\ntime_zone = \"Moon/Tranquility\"\n",
        "\"Moon/Tranquility\"",
        "bad_time_zone",
        "Moon/Tranquility",
        "tzdata",
    );
    let copy = Copy::new().with(MODULE, "[module]\n", "[module]\ntime_zone = \"CET-1CEST,M3.5.0,M10.5.0/3\"\n");
    let zone = copy.load().expect("right").plan.module.time_zone;
    assert_eq!(crate::plan::recipients::minute_of_week(1_783_468_800_000, &zone), 2 * 1440 + 120);
}

#[cfg(not(feature = "notify"))]
#[test]
fn a_build_without_notification_says_so() {
    let found = with("a", "a").load().expect_err("a mistake").list;
    assert!(found.iter().all(|mistake| mistake.code == "not_built_in"), "{found:#?}");
}

#[cfg(feature = "notify")]
mod built_in {
    use std::time::Duration;

    use lapwing_protocol::Priority;

    use super::*;
    use crate::plan::recipients::{Hours, MailTls, Way};

    #[test]
    fn what_is_right_stands_in_the_plan() {
        let loaded = with("from =", "tls = \"starttls\"\nfrom =").load().expect("right");
        let plan = &loaded.plan;
        assert_eq!(plan.mail.server, Some(("mail.saltmarsh.example".into(), 465)));
        assert_eq!(plan.mail.tls, MailTls::StartTls);
        let [shift, desk] = plan.recipients.as_slice() else { panic!("{:#?}", plan.recipients) };
        assert_eq!(shift.way, Way::Email { address: "shift@saltmarsh.example".into() });
        assert_eq!(shift.priorities, [Priority::Critical, Priority::High]);
        assert_eq!((shift.hours.clone(), shift.then), (Hours::always(), Some((Duration::from_secs(600), 1))));
        assert!(
            matches!(&desk.way, Way::Webhook(hook) if hook.host == "hooks.saltmarsh.example" && hook.path == "/m1")
        );
        assert!(desk.priorities.is_empty() && desk.hours.0.len() == 5);
        for recipient in &plan.recipients {
            let point = &plan.points[recipient.state_point as usize];
            assert_eq!(point.path, format!("agent/recipient/{}/state", recipient.name));
            assert!(plan.alarms.iter().any(|alarm| alarm.id == format!("fault/recipient/{}", recipient.name)));
        }
    }

    fn findings(old: &str, new: &str) -> Vec<(&'static str, String)> {
        let loaded = with(old, new).load().expect("right");
        let about = loaded.findings.into_iter().filter(|finding| finding.key.starts_with("recipient"));
        about.map(|finding| (finding.code, finding.what)).collect()
    }

    #[test]
    fn nobody_for_an_urgent_priority_and_a_gap_in_hours_are_findings() {
        assert_eq!(findings("a", "a"), []);
        let gap = findings("priorities", "hours = [\"daily 06:00-22:00\"]\npriorities");
        assert!(
            gap.iter()
                .any(|(code, what)| *code == "gap_in_hours" && what.contains("from Monday 22:00 to Tuesday 06:00")),
            "{gap:?}"
        );
        let nobody = findings("[\"critical\", \"high\"]", "[\"low\"]");
        assert!(!nobody.is_empty() && nobody.iter().all(|(code, _)| *code == "nobody_for_priority"), "{nobody:?}");
    }
}
