//! SNMP: versions, users, secrets, labelled rows, alarm columns, notifications; right and wrong.

use std::time::Duration;

use super::{Copy, MODULE, UPS, added, changed};
use crate::plan::snmp::{Access, AuthProtocol, PrivacyProtocol, SensorKind};
use crate::plan::{Ask, Transport};

const LINK: &str = "community = \"saltmarsh\"";
const POINT: &str = "oid = \"1.3.6.1.2.1.33.1.2.4.0\"";

/// The small configuration with a user on its SNMP link, and the passwords' files.
fn with_user(more: &str) -> Copy {
    let copy = Copy::new();
    let (auth, privacy) = (copy.0.join("auth"), copy.0.join("priv"));
    std::fs::write(&auth, "authentic-and-long\r\n").expect("written");
    std::fs::write(&privacy, "private-and-long").expect("written");
    let keys = format!(
        "version = \"3\"\nuser = \"lapwing\"\nauth_password_file = \"{}\"\npriv_password_file = \"{}\"\n{more}",
        auth.display(),
        privacy.display()
    );
    copy.with(MODULE, LINK, &keys)
}

fn access(copy: &Copy) -> (Access, Vec<&'static str>) {
    let loaded = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}"));
    let access = loaded.plan.links.iter().find_map(|link| match &link.transport {
        Transport::Snmp { access, .. } => Some(access.clone()),
        _ => None,
    });
    (access.expect("an SNMP link"), loaded.findings.iter().map(|finding| finding.code).collect())
}

#[test]
fn users_and_their_findings() {
    let (found, findings) = access(&with_user(""));
    let Access::User(user) = found else { panic!("a user") };
    assert_eq!((user.name.as_str(), user.auth.0), ("lapwing", AuthProtocol::Sha256));
    assert_eq!(user.auth.1.reveal(), "authentic-and-long", "a line's end is no part of a password");
    assert_eq!(user.privacy, Some((PrivacyProtocol::Aes128, "private-and-long".into())));
    assert!(findings.is_empty(), "{findings:?}");
    for (more, weak) in [
        ("auth = \"sha512\"\npriv = \"aes256\"", 0),
        ("auth = \"sha1\"", 1),
        ("auth = \"md5\"\npriv = \"des\"", 2),
        ("priv = \"aes192-reeder\"", 0),
    ] {
        assert_eq!(access(&with_user(more)).1, vec!["weak_access"; weak], "{more}");
    }
    let (found, findings) = access(&Copy::new().with(MODULE, LINK, "version = \"1\""));
    assert_eq!(found, Access::Community { version_1: true, community: "public".into() });
    assert_eq!(findings, ["weak_access"]);
    assert_eq!(access(&Copy::new()).1, ["weak_access"], "version 2c, once for all links");
}

#[test]
fn what_a_version_needs_and_has_no_use_for() {
    let wrong = |copy: &Copy| {
        let list = copy.mistakes();
        list.into_iter().map(|mistake| (mistake.code, mistake.key)).collect::<Vec<_>>()
    };
    let link = "link[ups-a1]";
    let missing = |key: &str| ("missing_key", format!("{link}.{key}"));
    assert_eq!(
        wrong(&Copy::new().with(MODULE, LINK, "version = \"3\"")),
        [missing("user"), missing("auth_password_file"), missing("priv_password_file")]
    );
    let unused = |key: &str| ("key_has_no_meaning", format!("{link}.{key}"));
    assert_eq!(wrong(&with_user("community = \"x\"")), [unused("community")]);
    assert_eq!(wrong(&Copy::new().with(MODULE, LINK, "user = \"x\"")), [unused("user")]);
    assert_eq!(wrong(&with_user("priv = \"none\"")), [unused("priv_password_file")]);
    changed(MODULE, LINK, "version = \"2\"", "\"2\"", "not_one_of", "1, 2c, 3", "");
    let short = with_user("");
    std::fs::write(short.0.join("auth"), "short").expect("written");
    assert_eq!(wrong(&short), [("unreadable", format!("{link}.auth_password_file"))]);
    std::fs::remove_file(short.0.join("auth")).expect("there");
    assert_eq!(wrong(&short), [("unreadable", format!("{link}.auth_password_file"))]);
}

#[test]
fn notifications() {
    let copy = Copy::new().and(MODULE, "\n[snmp]\nnotifications = \"127.0.0.1:1162\"\n");
    let plan = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
    assert_eq!(plan.snmp.notifications, Some(([127, 0, 0, 1], 1162).into()));
    added("\n[snmp]\nnotifications = \"here:162\"\n", "\"here:162\"", "bad_address", "listen", "\"0.0.0.0:1162\"");
}

#[test]
fn rows_and_columns_become_transactions() {
    let row = "oid = \"1.3.6.1.2.1.99.1.1.1.4\"\nresolution = 1\n\
               row = { column = \"1.3.6.1.2.1.47.1.1.1.1.7\", equals = \"Battery\" }";
    let more = "\n[[point]]\npath = \"alarms/on-battery\"\nquantity = \"state\"\noid = \"1.3.6.1.2.1.33.1.6.2.1.2\"\n\
                present = \"1.3.6.1.2.1.33.1.6.3.2\"\nnames = { 0 = \"no\", 1 = \"yes\" }\nscan_period = \"2s\"\n\n\
                [[point]]\npath = \"alarms/unknown\"\nquantity = \"count\"\noid = \"1.3.6.1.2.1.33.1.6.2.1.2\"\n\
                present = \"others\"\nscan_period = \"7s\"\n";
    let copy = Copy::new().with(UPS, POINT, row).and(UPS, more);
    let plan = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
    let asked: Vec<_> =
        plan.transactions.iter().filter(|t| !matches!(t.ask, Ask::Modbus { .. } | Ask::Snmp { .. })).collect();
    let [cells, column] = &asked[..] else { panic!("{asked:?}") };
    let Ask::SnmpCells { rows, cells: list } = &cells.ask else { panic!("{cells:?}") };
    assert_eq!((rows[0].equals.as_str(), list[0].row, list[0].sensor), ("Battery", Some(0), Some(SensorKind::Any)));
    let Ask::SnmpColumn { column: of, listed } = &column.ask else { panic!("{column:?}") };
    assert_eq!((of.len(), listed.len(), listed[1].is_none()), (12, 2, true));
    assert_eq!(column.period, Duration::from_secs(2), "one walk, at the shortest period");
}

#[test]
fn rows_and_columns_written_wrongly() {
    let oid = "oid = \"1.3.6.1.2.1.33.1.2.4.0\"";
    let with = |more: &str| format!("{oid}\n{more}");
    changed(
        UPS,
        POINT,
        &with("row = { column = \"1.3.6\" }"),
        "{ column = \"1.3.6\" }",
        "missing_key",
        "equals",
        "Outlet 3",
    );
    changed(UPS, POINT, &with("row = { column = \"x\", equals = \"a\" }"), "\"x\"", "bad_oid", "", "");
    changed(
        UPS,
        POINT,
        &with("row = { column = \"1.3.6\", equals = \"a\", index = 1 }"),
        "index",
        "unknown_key",
        "index",
        "",
    );
    changed(UPS, POINT, &with("row = \"Outlet 3\""), "\"Outlet 3\"", "wrong_type", "a table", "");
    changed(UPS, POINT, &with("present = \"other\""), "\"other\"", "bad_oid", "", "");
    changed(
        UPS,
        POINT,
        &with("present = \"1.3.6\"\nrow = { column = \"1.3.6\", equals = \"a\" }"),
        "present",
        "key_has_no_meaning",
        "row",
        "keep one",
    );
    changed(
        super::COIL,
        "register = \"holding:0\"",
        "register = \"holding:0\"\npresent = \"1.3.6\"",
        "present",
        "key_has_no_meaning",
        "register",
        "oid",
    );
    changed(
        UPS,
        POINT,
        "oid = \"1.3.6.1.2.1.99.1.1.1.4.7\"",
        "[[point]]",
        "missing_resolution",
        "entity sensor",
        "resolution",
    );
}
