//! The plain tables as the Plan has them: module, mqtt, store, http, log, snmp, mail; and what `overview` has in writing.
//!
//! Takes merged values of the right type and judges their meaning: topic segments, addresses, what belongs together.
//! Fills defaults as the table of keys states them. Touches neither disk nor network. Never panics.

mod mail;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use lapwing_protocol::{Mode, Vocabulary};

use crate::plan;

use super::address::host_port;
use super::keys::MODES;
use super::mistake::Report;
use super::names;
use super::plain::Plain;
use super::source::Place;
use super::wrong::Wrong;

/// The plain tables.
#[derive(Debug, Default)]
pub(crate) struct Settings {
    pub(crate) module: plan::Module,
    pub(crate) mqtt: plan::Mqtt,
    pub(crate) store: plan::Store,
    pub(crate) http: plan::Http,
    pub(crate) log: plan::Log,
    pub(crate) snmp: plan::snmp::Snmp,
    pub(crate) mail: plan::recipients::Mail,
    /// A mistake about the mail server was told already.
    pub(crate) mail_told: bool,
    pub(crate) review: plan::Review,
    /// Files of texts in other languages, and where they are named.
    pub(crate) translations: Vec<String>,
    pub(crate) translations_place: Option<Place>,
    /// Where `mqtt.points` is written, for what can only be judged with the points at hand.
    pub(crate) points_place: Option<Place>,
    /// What `[overview]` says, by role; judged with the points at hand.
    pub(crate) overview: BTreeMap<&'static str, Written>,
}

/// Paths or patterns a person has written for a role of the drawing.
#[derive(Clone, Debug)]
pub(crate) struct Written {
    pub(crate) paths: Vec<String>,
    pub(crate) place: Place,
}

/// Judges the merged tables. `tables` tells where each begins, `file` is the file's beginning.
pub(crate) fn settings(
    plain: &Plain,
    tables: &BTreeMap<&'static str, Place>,
    file: Place,
    report: &mut Report,
) -> Settings {
    let place = |section: &str, key: &str| {
        plain.place(&format!("{section}.{key}"), tables.get(section).copied().unwrap_or(file))
    };
    let module = module(plain, &place, report);
    let mqtt = mqtt(plain, &module, &place, report);
    let max_mib = plain.whole("store.max_mib").unwrap_or(512);
    if !(16..=1_048_576).contains(&max_mib) {
        let wrong = Wrong::OutOfRange { value: max_mib.to_string(), low: "16".into(), high: "1048576".into() };
        report.wrong(place("store", "max_mib"), "store.max_mib", wrong);
    }
    let store = plan::Store {
        dir: plain.text("store.dir").map_or_else(|| PathBuf::from("/var/lib/lapwing"), PathBuf::from),
        max_mib: u32::try_from(max_mib).unwrap_or(512),
        event_days: days(plain, "event_days", 400, &place, report),
        history: history(plain, &place, report),
    };
    let http = http(plain, &place, report);
    let level = plain.text("log.level").unwrap_or_else(|| "info".into());
    if level.parse::<tracing_subscriber::EnvFilter>().is_err() {
        let known = vec!["error", "warn", "info", "debug", "trace"];
        report.wrong(
            place("log", "level"),
            "log.level",
            Wrong::NotOneOf {
                near: super::reader::nearest(&level, known.iter().copied()),
                value: level.clone(),
                known,
            },
        );
    }
    let snmp = snmp(plain, &place, report);
    let (mail, mail_told) = mail::mail(plain, &place, report);
    let review = review(plain, &place, report);
    let points_place = plain.written("mqtt.points");
    let (log, overview) = (plan::Log { level }, overview(plain));
    let translations = plain.texts("module.translations").unwrap_or_default();
    let translations_place = plain.written("module.translations");
    Settings {
        module,
        mqtt,
        store,
        http,
        log,
        snmp,
        mail,
        mail_told,
        review,
        translations,
        translations_place,
        points_place,
        overview,
    }
}

/// Where the page listens, and under which protection.
fn http(plain: &Plain, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> plan::Http {
    let listen = plain.text("http.listen").unwrap_or_else(|| "127.0.0.1:8467".into());
    let listen = match listen.parse::<SocketAddr>() {
        Ok(listen) => Some(listen),
        Err(_) => {
            let why = "an address and a port to listen on are needed".into();
            let wrong = Wrong::BadAddress { address: listen, why, example: "\"127.0.0.1:8467\"" };
            report.wrong(place("http", "listen"), "http.listen", wrong);
            None
        }
    };
    let listen = listen.filter(|_| plain.flag("http.enabled").unwrap_or(true));
    let file = |key: &str| plain.text(&format!("http.{key}")).map(PathBuf::from);
    let tls = match (file("certificate"), file("key")) {
        (Some(certificate), Some(key)) => Some((certificate, key)),
        (None, None) => None,
        (certificate, _) => {
            let (given, key, example) = match certificate {
                Some(_) => ("certificate", "key", "\"/etc/lapwing/page.key\""),
                None => ("key", "certificate", "\"/etc/lapwing/page.pem\""),
            };
            report.wrong(place("http", given), format!("http.{key}"), Wrong::MissingKey { key, example });
            None
        }
    };
    let half_told = plain.has("http.certificate") || plain.has("http.key");
    let open = tls.is_none() && !half_told && !plain.flag("http.without_tls").unwrap_or(false);
    if let Some(address) = listen.filter(|address| open && !address.ip().is_loopback()) {
        let what = format!("at {address} the page would be reached beyond this machine without TLS, secrets in clear");
        let mend =
            "add certificate and key, listen on 127.0.0.1, or write without_tls = true where something else encrypts";
        report.wrong(place("http", "listen"), "http.listen", Wrong::WeakAccess { what, mend });
    }
    let names = plain.texts("http.names").unwrap_or_default();
    for (number, name) in names.iter().enumerate() {
        if !matches!(
            rustls::pki_types::ServerName::try_from(name.as_str()),
            Ok(rustls::pki_types::ServerName::DnsName(_))
        ) {
            let why = "it is no DNS name without a port; addresses need no entry".into();
            let wrong = Wrong::BadAddress { address: name.clone(), why, example: "\"m1.saltmarsh.example\"" };
            report.wrong(place("http", "names"), format!("http.names[{number}]"), wrong);
        }
    }
    plan::Http { listen, tls, names: names.iter().map(|name| name.to_ascii_lowercase()).collect() }
}

fn overview(plain: &Plain) -> BTreeMap<&'static str, Written> {
    let roles = super::keys::of("overview").filter_map(|key| {
        let path = format!("overview.{}", key.name);
        let place = plain.written(&path)?;
        let paths = plain.texts(&path).or_else(|| plain.text(&path).map(|text| vec![text])).unwrap_or_default();
        Some((key.name, Written { paths, place }))
    });
    roles.collect()
}

/// A number of `[store]` within bounds.
fn number(
    plain: &Plain,
    (key, otherwise): (&'static str, u32),
    (low, high): (u32, u32),
    place: &impl Fn(&str, &str) -> Place,
    report: &mut Report,
) -> u32 {
    let path = format!("store.{key}");
    let Some(given) = plain.whole(&path) else { return otherwise };
    match u32::try_from(given).ok().filter(|number| (low..=high).contains(number)) {
        Some(number) => number,
        None => {
            let wrong = Wrong::OutOfRange { value: given.to_string(), low: low.to_string(), high: high.to_string() };
            report.wrong(place("store", key), path, wrong);
            otherwise
        }
    }
}

/// Days something is kept: ten years at most.
fn days(
    plain: &Plain,
    key: &'static str,
    otherwise: u32,
    place: &impl Fn(&str, &str) -> Place,
    report: &mut Report,
) -> u32 {
    number(plain, (key, otherwise), (1, 3660), place, report)
}

/// How much history is kept. The bounds are wide: ten years, and a disk of a petabyte.
fn history(plain: &Plain, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> Option<plan::History> {
    let defaults = plan::History::default();
    let mut number = |key: &'static str, otherwise: u32, low: u32, high: u32| {
        number(plain, (key, otherwise), (low, high), place, report)
    };
    let history = plan::History {
        raw_days: number("raw_days", defaults.raw_days, 1, 3660),
        minute_days: number("minute_days", defaults.minute_days, 1, 3660),
        quarter_days: number("quarter_days", defaults.quarter_days, 1, 3660),
        incident_days: number("incident_days", defaults.incident_days, 1, 3660),
        max_mib: number("history_max_mib", defaults.max_mib, 64, 1 << 30),
        reserve_mib: number("reserve_mib", defaults.reserve_mib, 16, 1 << 30),
    };
    plain.flag("store.history").unwrap_or(true).then_some(history)
}

/// What the review of the alarm set reckons with.
fn review(plain: &Plain, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> plan::Review {
    let defaults = plan::Review::default();
    let mut number = |key: &'static str, low: f64, high: f64| {
        let path = format!("review.{key}");
        let given = plain.number(&path)?;
        if (low..=high).contains(&given) {
            return Some(given);
        }
        let wrong = Wrong::OutOfRange { value: given.to_string(), low: low.to_string(), high: high.to_string() };
        report.wrong(place("review", key), path, wrong);
        None
    };
    plan::Review {
        design_load_kw: number("design_load_kw", 0.1, 100_000.0),
        design_inlet_c: number("design_inlet_c", 0.0, 60.0).unwrap_or(defaults.design_inlet_c),
        human_response: plain
            .whole("review.human_response")
            .and_then(|ms| u64::try_from(ms).ok())
            .map_or(defaults.human_response, Duration::from_millis),
    }
}

fn snmp(plain: &Plain, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> plan::snmp::Snmp {
    let Some(text) = plain.text("snmp.notifications") else { return plan::snmp::Snmp::default() };
    let notifications = text.parse::<SocketAddr>().ok();
    if notifications.is_none() {
        let why = "an address and a port to listen on are needed".into();
        let wrong = Wrong::BadAddress { address: text, why, example: "\"0.0.0.0:1162\"" };
        report.wrong(place("snmp", "notifications"), "snmp.notifications", wrong);
    }
    plan::snmp::Snmp { notifications }
}

fn module(plain: &Plain, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> plan::Module {
    let mut segment = |key: &'static str, example: &'static str| {
        let path = format!("module.{key}");
        match plain.text(&path) {
            Some(text) => {
                names::segment(&text, "a topic segment", place("module", key), &path, report);
                text
            }
            None => {
                // A value of the wrong type has been told already.
                if !plain.has(&path) {
                    report.wrong(place("module", key), path, Wrong::MissingKey { key, example });
                }
                String::new()
            }
        }
    };
    let (site, name) = (segment("site", "\"saltmarsh\""), segment("name", "\"m1\""));
    let altitude_m = plain.number("module.altitude_m").unwrap_or(0.0);
    // ASHRAE's pressure formula holds for −5000 to 11000 m; nobody builds outside −430 to 6000 m.
    if !(-500.0..=6000.0).contains(&altitude_m) {
        let wrong = Wrong::OutOfRange { value: altitude_m.to_string(), low: "-500".into(), high: "6000".into() };
        report.wrong(place("module", "altitude_m"), "module.altitude_m", wrong);
    }
    let mode = match plain.text("module.mode").as_deref() {
        Some("test") => Mode::Test,
        Some("maintenance") => Mode::Maintenance,
        Some("simulated") => Mode::Simulated,
        _ => Mode::Live,
    };
    let announce_in = announce_in(plain, place("module", "announce_in"), report);
    let at_most = plain.whole("module.mode_at_most").and_then(|ms| u64::try_from(ms).ok());
    let acknowledge = match plain.text("module.acknowledge").as_deref() {
        Some("elsewhere") => plan::Acknowledge::Elsewhere,
        Some("both") => plan::Acknowledge::Both,
        _ => plan::Acknowledge::Here,
    };
    plan::Module {
        site,
        name,
        altitude_m,
        mode,
        announce_in,
        mode_at_most: at_most.map_or(plan::MODE_AT_MOST, Duration::from_millis),
        acknowledge,
        time_zone: mail::time_zone(plain, place("module", "time_zone"), report),
        language: plain.text("module.language").and_then(|word| plan::Language::from_word(&word)).unwrap_or_default(),
    }
}

fn announce_in(plain: &Plain, place: Place, report: &mut Report) -> Vec<Mode> {
    let Some(words) = plain.texts("module.announce_in") else { return vec![Mode::Live] };
    let modes = words.iter().enumerate().filter_map(|(number, word)| {
        let mode = <Mode as Vocabulary>::from_word(word);
        if mode.is_none() {
            let near = super::reader::nearest(word, MODES.iter().copied());
            let wrong = Wrong::NotOneOf { value: word.clone(), near, known: MODES.to_vec() };
            report.wrong(place, format!("module.announce_in[{number}]"), wrong);
        }
        mode
    });
    modes.collect()
}

fn mqtt(plain: &Plain, module: &plan::Module, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> plan::Mqtt {
    let defaults = plan::Mqtt::default();
    let file = |key: &str| plain.text(&format!("mqtt.{key}")).map(PathBuf::from);
    let broker = match plain.text("mqtt.broker") {
        Some(text) => host_port(&text, "\"127.0.0.1:1883\"").unwrap_or_else(|wrong| {
            report.wrong(place("mqtt", "broker"), "mqtt.broker", wrong);
            defaults.broker.clone()
        }),
        None => defaults.broker.clone(),
    };
    let base = plain.text("mqtt.base").unwrap_or(defaults.base);
    names::segment(&base, "a topic segment", place("mqtt", "base"), "mqtt.base", report);
    let mut duration = |key: &'static str, otherwise: Duration, low_ms: i64, high_ms: i64| {
        let path = format!("mqtt.{key}");
        let Some(ms) = plain.whole(&path) else { return otherwise };
        if !(low_ms..=high_ms).contains(&ms) {
            let wrong = Wrong::OutOfRange {
                value: format!("{ms}ms"),
                low: format!("{low_ms}ms"),
                high: format!("{high_ms}ms"),
            };
            report.wrong(place("mqtt", key), path, wrong);
        }
        Duration::from_millis(u64::try_from(ms).unwrap_or(0))
    };
    let frame_period = duration("frame_period", defaults.frame_period, 100, 3_600_000);
    let keep_alive = duration("keep_alive", defaults.keep_alive, 1000, 3_600_000);
    let client_certificate = match (file("client_certificate"), file("client_key")) {
        (Some(certificate), Some(key)) => Some((certificate, key)),
        (None, None) => None,
        (certificate, _) => {
            let (given, key, example) = match certificate {
                Some(_) => ("client_certificate", "client_key", "\"/etc/lapwing/client.key\""),
                None => ("client_key", "client_certificate", "\"/etc/lapwing/client.pem\""),
            };
            report.wrong(place("mqtt", given), format!("mqtt.{key}"), Wrong::MissingKey { key, example });
            None
        }
    };
    if let (Some(_), None) = (&client_certificate, file("ca")) {
        report.wrong(
            place("mqtt", "client_certificate"),
            "mqtt.ca",
            Wrong::MissingKey { key: "ca", example: "\"/etc/lapwing/ca.pem\"" },
        );
    }
    if let (Some(_), None) = (file("password_file"), plain.text("mqtt.user")) {
        report.wrong(place("mqtt", "password_file"), "mqtt.user", Wrong::MissingKey { key: "user", example: "\"m1\"" });
    }
    plan::Mqtt {
        broker,
        base,
        client_id: plain.text("mqtt.client_id").unwrap_or_else(|| format!("{}-{}", module.site, module.name)),
        frames: if plain.text("mqtt.frames").as_deref() == Some("cbor") {
            plan::Encoding::Cbor
        } else {
            plan::Encoding::Json
        },
        frame_period,
        user: plain.text("mqtt.user"),
        password_file: file("password_file"),
        ca: file("ca"),
        client_certificate,
        points: plain.texts("mqtt.points").unwrap_or(defaults.points),
        keep_alive,
        commands: match plain.text("mqtt.commands").as_deref() {
            Some("signed") => plan::Commands::Signed,
            Some("topic") => plan::Commands::Topic,
            _ => plan::Commands::Off,
        },
    }
}
