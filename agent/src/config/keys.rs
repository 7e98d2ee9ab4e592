//! Every key of the configuration: its table, type, default, an example and its meaning.
//!
//! The one list behind "unknown key" messages, the layering of plain tables and the documentation (`table()` writes it as
//! Markdown). `module`, `mqtt`, `store`, `http`, `log`, `snmp`, `overview` and `mail` are plain tables, reachable from the environment; the
//! others are lists of tables in the file. Reads nothing. Never panics.
#![doc = include_str!("keys.md")]

mod words;

use std::fmt::Write as _;

pub use words::{ACKNOWLEDGE, COMMANDS, IMPACTS, LAYOUTS, MODES, ORDERS, PARITIES, PRIORITIES};

/// How a value is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A text in quotes.
    Text,
    /// `true` or `false`.
    Flag,
    /// A whole number.
    Whole,
    /// A number.
    Number,
    /// A text with a unit: `"300ms"`, `"5s"`, `"3m"`, `"1h"`, `"1d"`.
    Duration,
    /// One of these texts.
    Word(&'static [&'static str]),
    /// A list of texts.
    Texts,
    /// A list of numbers.
    Numbers,
    /// A text or a list of texts.
    OneOrMany,
    /// A table of names.
    Names,
    /// A list of texts or of lists of them.
    Lists,
}

/// One key.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Table it belongs to.
    pub section: &'static str,
    /// Its name.
    pub name: &'static str,
    /// How its value is written.
    pub kind: Kind,
    /// What holds when it is missing; `required` if it must be there, empty if there is then none.
    pub default: &'static str,
    /// A value as it would be written.
    pub example: &'static str,
    /// What it means.
    pub meaning: &'static str,
}

/// Plain tables: once a file, and within reach of the environment.
pub const PLAIN: &[&str] = &["module", "mqtt", "store", "http", "log", "snmp", "overview", "mail", "review"];
/// Lists of tables in the module file.
pub const LISTS: &[&str] = &[
    "link",
    "device",
    "main",
    "busway",
    "tapoff",
    "pdu",
    "rack",
    "derived",
    "alarm",
    "group",
    "suppress",
    "recipient",
    "accept",
];

/// The keys of one table.
pub fn of(section: &str) -> impl Iterator<Item = &'static Key> {
    let section = section.to_string();
    KEYS.iter().filter(move |key| key.section == section)
}

/// The list as a Markdown table.
#[must_use]
pub fn table() -> String {
    let mut text = String::from("| table | key | type | default | meaning |\n|---|---|---|---|---|\n");
    for key in KEYS {
        let kind = match key.kind {
            Kind::Text => "text".to_string(),
            Kind::Flag => "true or false".into(),
            Kind::Whole => "whole number".into(),
            Kind::Number => "number".into(),
            Kind::Duration => "duration".into(),
            Kind::Word(words) => words.join(", "),
            Kind::Texts => "list of texts".into(),
            Kind::Numbers => "list of numbers".into(),
            Kind::OneOrMany => "text or list of texts".into(),
            Kind::Names => "table".into(),
            Kind::Lists => "list of texts, or of lists of them".into(),
        };
        // A path with braces or stars would be read as markup.
        let default = if key.default.contains('/') { format!("`{}`", key.default) } else { key.default.to_string() };
        // Writing to a String cannot fail.
        let _ = writeln!(text, "| `{}` | `{}` | {kind} | {default} | {} |", key.section, key.name, key.meaning);
    }
    text
}

const fn key(
    section: &'static str,
    name: &'static str,
    kind: Kind,
    default: &'static str,
    example: &'static str,
    meaning: &'static str,
) -> Key {
    Key { section, name, kind, default, example, meaning }
}

use Kind::{
    Duration as D, Flag as F, Lists, Names, Number as N, Numbers, OneOrMany, Text as T, Texts, Whole as W, Word,
};

/// Every key.
#[rustfmt::skip]
pub const KEYS: &[Key] = &[
    key("module", "site", T, "required", "\"saltmarsh\"", "Site; a topic segment."),
    key("module", "name", T, "required", "\"m1\"", "Module; a topic segment."),
    key("module", "altitude_m", N, "0", "9", "Height above sea level in metres."),
    key("module", "mode", Word(MODES), "live", "\"live\"", "Whether what is said concerns a live module."),
    key("module", "announce_in", Texts, "[\"live\"]", "[\"live\", \"test\"]", "Modes in which alarms are announced to people; in the others only events and records tell of them."),
    key("module", "mode_at_most", D, "8h", "\"8h\"", "Longest time for which a person may set another mode; it then falls back to `mode` by itself."),
    key("module", "language", Word(&crate::plan::Language::WORDS), "en", "\"de\"", "Language in which the agent speaks to people: what happened to alarms, its own ones, what people did, messages to recipients. Texts of `[[alarm]]` stand as they are written, unless `translations` has them in it."),
    key("module", "translations", Texts, "", "[\"translations/de.toml\"]", "Files of the alarm set's texts in other languages, relative to the module file; that of `language` is in force. Without one for it, texts stand as they are written."),
    key("module", "acknowledge", Word(ACKNOWLEDGE), "here", "\"here\"", "Who acknowledges alarms: people through this agent, people in the site's own system (alarms then acknowledge themselves when they clear), or both."),
    key("module", "time_zone", T, "UTC", "\"Europe/Zurich\"", "The site's time zone, for the hours of recipients: a name of the host's zone files, or a POSIX rule."),
    key("mqtt", "broker", T, "127.0.0.1:1883", "\"127.0.0.1:1883\"", "Broker host and port."),
    key("mqtt", "base", T, "lapwing", "\"lapwing\"", "First topic segment."),
    key("mqtt", "client_id", T, "site-module", "\"saltmarsh-m1\"", "Client identifier."),
    key("mqtt", "frames", Word(&["json", "cbor"]), "json", "\"json\"", "How frames and catalogue pages are written."),
    key("mqtt", "frame_period", D, "1s", "\"1s\"", "How often a frame is published."),
    key("mqtt", "keep_alive", D, "10s", "\"10s\"", "Longest silence before the broker is asked whether it is there."),
    key("mqtt", "user", T, "", "\"m1\"", "User name at the broker."),
    key("mqtt", "password_file", T, "", "\"/etc/lapwing/mqtt-password\"", "File that holds the password."),
    key("mqtt", "ca", T, "", "\"/etc/lapwing/ca.pem\"", "Certificate authority; its presence turns TLS on."),
    key("mqtt", "client_certificate", T, "", "\"/etc/lapwing/client.pem\"", "TLS client certificate; needs `client_key`."),
    key("mqtt", "client_key", T, "", "\"/etc/lapwing/client.key\"", "Key of the TLS client certificate."),
    key("mqtt", "points", Texts, "[]", "[\"coil/**\"]", "Points published one by one, by pattern: `*` within a segment, `**` for any number of them."),
    key("mqtt", "commands", Word(COMMANDS), "off", "\"signed\"", "Whether people may act over MQTT, and how a command proves whose it is: signed with the person's key on `command`, or by a topic `command/CLIENT/PERSON` that the broker lets only that client publish to."),
    key("store", "dir", T, "/var/lib/lapwing", "\"/var/lib/lapwing\"", "Directory of what must not be lost."),
    key("store", "max_mib", W, "512", "512", "Largest size of the event store, MiB."),
    key("store", "event_days", W, "400", "400", "Days an event stays in the event log, where `max_mib` allows; one the broker has not confirmed stays in any case."),
    key("store", "history", F, "true", "true", "Whether readings are kept."),
    key("store", "raw_days", W, "60", "60", "Days every reading is kept, where the disk allows."),
    key("store", "minute_days", W, "180", "180", "Days one-minute roll-ups are kept."),
    key("store", "quarter_days", W, "400", "400", "Days fifteen-minute roll-ups are kept."),
    key("store", "incident_days", W, "400", "400", "Days the readings about critical and high incidents are kept."),
    key("store", "history_max_mib", W, "8192", "8192", "Largest size of the history, MiB; the oldest readings go first, roll-ups stay longer."),
    key("store", "reserve_mib", W, "256", "256", "Space of the disk that history leaves free, MiB, so that events never starve."),
    key("http", "listen", T, "127.0.0.1:8467", "\"127.0.0.1:8467\"", "Where the local page and its interface listen; loopback only unless another address is given."),
    key("http", "enabled", F, "true", "true", "Whether there is a page; see `listen`."),
    key("http", "certificate", T, "", "\"/etc/lapwing/page.pem\"", "Certificate of the page, PEM, its own first; turns TLS on and needs `key`. A renewed one is taken up within a minute."),
    key("http", "key", T, "", "\"/etc/lapwing/page.key\"", "Key of that certificate, PEM."),
    key("http", "without_tls", F, "false", "true", "Allows plain HTTP beyond loopback, where something else encrypts the way to the page."),
    key("http", "names", Texts, "[]", "[\"m1.saltmarsh.example\"]", "Host names the page is reached by, beside addresses and `localhost`."),
    key("log", "level", T, "info", "\"info\"", "What is logged: error, warn, info, debug, trace, or by part as lapwing=debug."),

    key("overview", "supply_temperature", T, "coil/water/supply/temperature", "\"coil/water/supply/temperature\"", "Water that comes to the coil."),
    key("overview", "return_temperature", T, "coil/water/return/temperature", "\"coil/water/return/temperature\"", "Water that leaves it."),
    key("overview", "flow", T, "coil/water/flow", "\"coil/water/flow\"", "Water flow."),
    key("overview", "static_pressure", T, "coil/water/static-pressure", "\"coil/water/static-pressure\"", "Static pressure of the loop."),
    key("overview", "strainer_drop", T, "coil/water/strainer/pressure-drop", "\"coil/water/strainer/pressure-drop\"", "Pressure drop of the strainer."),
    key("overview", "pump_rise", T, "pump/pressure-rise", "\"pump/pressure-rise\"", "Pressure rise of the pumps."),
    key("overview", "pump_state", OneOrMany, "pump/{n}/state", "\"pump/{n}/state\"", "State of each pump."),
    key("overview", "pump_speed", OneOrMany, "pump/{n}/speed", "\"pump/{n}/speed\"", "Speed of each pump."),
    key("overview", "pump_power", OneOrMany, "pump/{n}/power", "\"pump/{n}/power\"", "Power of each pump."),
    key("overview", "valve", T, "coil/valve/position", "\"coil/valve/position\"", "Position of the coil's valve."),
    key("overview", "heat", T, "coil/water/heat", "\"coil/water/heat\"", "Heat the water takes out."),
    key("overview", "condensation_margin", T, "coil/condensation-margin", "\"coil/condensation-margin\"", "Distance of the coldest surface from the dew point."),
    key("overview", "dew_point", T, "cold-aisle/dew-point", "\"cold-aisle/dew-point\"", "Dew point."),
    key("overview", "entering_air", T, "coil/air/entering/temperature", "\"coil/air/entering/temperature\"", "Air that comes to the coil."),
    key("overview", "leaving_air", OneOrMany, "coil/air/leaving/temperature, coil/air/leaving/*/temperature", "\"coil/air/leaving/*/temperature\"", "Air that leaves it."),
    key("overview", "fan_speed", OneOrMany, "fan/{n}/speed", "\"fan/{n}/speed\"", "Speed of each fan."),
    key("overview", "fan_running", OneOrMany, "fan/{n}/running", "\"fan/{n}/running\"", "Whether each fan runs."),
    key("overview", "fan_fault", OneOrMany, "fan/{n}/fault", "\"fan/{n}/fault\"", "Fault of each fan."),
    key("overview", "fan_rise", T, "fan-wall/pressure-rise", "\"fan-wall/pressure-rise\"", "Pressure rise of the fan wall."),
    key("overview", "fan_reserve", T, "fan-wall/reserve", "\"fan-wall/reserve\"", "Fans beyond those needed."),
    key("overview", "filter_drop", T, "filter/pressure-drop", "\"filter/pressure-drop\"", "Pressure drop of the filters."),
    key("overview", "cold_aisle_temperature", OneOrMany, "cold-aisle/temperature, cold-aisle/*/temperature", "\"cold-aisle/*/temperature\"", "Cold aisle, temperatures."),
    key("overview", "cold_aisle_humidity", OneOrMany, "cold-aisle/humidity, cold-aisle/*/humidity", "\"cold-aisle/*/humidity\"", "Cold aisle, humidities."),
    key("overview", "hot_aisle_temperature", OneOrMany, "hot-aisle/temperature, hot-aisle/*/temperature", "\"hot-aisle/*/temperature\"", "Hot aisle, temperatures."),
    key("overview", "rack_inlet", OneOrMany, "rack/{n}/inlet/temperature, rack/{n}/inlet/*/temperature", "\"rack/{n}/inlet/*/temperature\"", "Inlet temperatures of each rack."),
    key("overview", "rack_outlet", OneOrMany, "rack/{n}/outlet/temperature", "\"rack/{n}/outlet/temperature\"", "Outlet temperature of each rack."),
    key("overview", "rack_power", OneOrMany, "rack/{n}/power, rack/{n}/pdu/*/power", "\"rack/{n}/pdu/*/power\"", "Power of each rack; several are added."),
    key("overview", "rack_fits", OneOrMany, "rack/{n}/capacity", "\"rack/{n}/capacity\"", "What still fits in each rack."),
    key("overview", "chiller_state", T, "chiller/state", "\"chiller/state\"", "State of the chiller."),
    key("overview", "chiller_leaving", T, "chiller/water/leaving/temperature", "\"chiller/water/leaving/temperature\"", "Water that leaves it."),
    key("overview", "chiller_power", T, "chiller/power", "\"chiller/power\"", "Its power."),
    key("overview", "main_power", T, "main/power", "\"main/power\"", "Power of the module."),
    key("overview", "power_source", T, "main/supply/source, supply/source", "\"supply/source\"", "What feeds the module now."),
    key("overview", "ups_seconds", OneOrMany, "ups/{n}/seconds-left", "\"ups/{n}/seconds-left\"", "How long each UPS lasts."),
    key("overview", "ups_source", OneOrMany, "ups/{n}/output/source", "\"ups/{n}/output/source\"", "What each UPS feeds its output from."),
    key("overview", "electrical_margin", T, "ride-through/electrical/margin", "\"ride-through/electrical/margin\"", "Time the first battery lasts beyond the start of the generator."),
    key("overview", "air_seconds", T, "ride-through/air-movement/seconds", "\"ride-through/air-movement/seconds\"", "Time to the limit if the fans stopped."),
    key("overview", "air_margin", T, "ride-through/air-movement/margin", "\"ride-through/air-movement/margin\"", "What is left of it after a restart."),
    key("overview", "water_seconds", T, "ride-through/water-flow/seconds", "\"ride-through/water-flow/seconds\"", "Time to the limit if the water stood still."),
    key("overview", "water_margin", T, "ride-through/water-flow/margin", "\"ride-through/water-flow/margin\"", "What is left of it after a restart."),
    key("overview", "chiller_seconds", T, "ride-through/chiller/seconds", "\"ride-through/chiller/seconds\"", "Time to the limit if the chiller stopped."),
    key("overview", "chiller_margin", T, "ride-through/chiller/margin", "\"ride-through/chiller/margin\"", "What is left of it after a restart."),
    key("overview", "breaker_position", OneOrMany, "breaker/{n}/position", "\"breaker/{n}/position\"", "Position of each tier's breaker, by the tier's name."),
    key("overview", "breaker_trip", OneOrMany, "breaker/{n}/trip", "\"breaker/{n}/trip\"", "Trip of each tier's breaker."),
    key("overview", "first_breaker", OneOrMany, "failover/{n}/first-breaker", "\"failover/{n}/first-breaker\"", "For the loss of each side: the breaker that would be nearest to its limit."),
    key("overview", "first_breaker_margin", OneOrMany, "failover/{n}/margin", "\"failover/{n}/margin\"", "How far it would be from it."),
    key("overview", "fits", T, "module/capacity", "\"module/capacity\"", "What still fits in the module."),
    key("overview", "fits_bound_by", T, "module/capacity/bound-by", "\"module/capacity/bound-by\"", "What binds it."),
    key("overview", "fits_power", T, "module/busways/capacity", "\"module/busways/capacity\"", "What still fits by power."),
    key("overview", "fits_cooling", T, "cooling/capacity", "\"cooling/capacity\"", "What still fits by cooling."),
    key("overview", "doors", OneOrMany, "door/{n}", "\"door/{n}\"", "Doors."),
    key("overview", "leaks", OneOrMany, "leak/{n}", "\"leak/{n}\"", "Leak detectors."),
    key("overview", "smoke", T, "smoke/alarm", "\"smoke/alarm\"", "Smoke."),

    key("snmp", "notifications", T, "", "\"0.0.0.0:1162\"", "Where traps and informs are received, as a hint to poll the sender at once. Communities and users are those of the links."),

    key("mail", "server", T, "", "\"mail.saltmarsh.example:465\"", "Mail server that takes messages for recipients (a build with the feature `notify`): host and port."),
    key("mail", "tls", Word(&["implicit", "starttls"]), "implicit", "\"implicit\"", "TLS from the first byte, or by STARTTLS; without TLS nothing is sent."),
    key("mail", "ca", T, "the public ones", "\"/etc/lapwing/mail-ca.pem\"", "Certificate authority of the mail server."),
    key("mail", "user", T, "", "\"m1\"", "User name at the mail server; needs `password_file`."),
    key("mail", "password_file", T, "", "\"/etc/lapwing/mail-password\"", "File that holds the password; read for each message."),
    key("mail", "from", T, "required with `server`", "\"m1@saltmarsh.example\"", "Address that messages come from."),

    key("review", "human_response", D, "180s", "\"3m\"", "How long a person takes from hearing of an alarm to having done something about it: what leaves less needs automatic protection."),
    key("review", "design_load_kw", N, "`cooling_kw` of the mains", "460", "Heat at which `check` reckons how long there is after a loss of cooling, kW."),
    key("review", "design_inlet_c", N, "27", "24", "Inlet air at which that loss begins, °C; 27 is the upper end of the recommended envelope."),

    key("link", "name", T, "required", "\"plant\"", "Name of the link; unique."),
    key("link", "modbus_tcp", T, "", "\"127.0.0.1:502\"", "Modbus TCP: host and port."),
    key("link", "modbus_tls", T, "", "\"192.0.2.10:802\"", "Modbus TCP inside TLS (Modbus/TCP Security): host and port; needs `ca`."),
    key("link", "modbus_rtu_tcp", T, "", "\"127.0.0.1:4001\"", "Modbus RTU frames over TCP: host and port."),
    key("link", "serial", T, "", "\"/dev/ttyUSB0\"", "Modbus RTU on a serial line: device file."),
    key("link", "snmp", T, "", "\"127.0.0.1:161\"", "SNMP: host and port."),
    key("link", "redfish", T, "", "\"192.0.2.30:443\"", "Redfish service over HTTPS (a build with the feature `redfish`): host and port; needs `ca`, `user`, `password_file`."),
    key("link", "password_file", T, "", "\"/etc/lapwing/redfish-password\"", "Redfish: file that holds the user's password, read at each connect."),
    key("link", "server_name", T, "the host", "\"gateway-1.plant.example\"", "TLS: the name the certificate must carry, where the device is reached by another one, such as a bare address."),
    key("link", "ca", T, "", "\"/etc/lapwing/field-ca.pem\"", "TLS: authority that signs the devices' certificates."),
    key("link", "client_certificate", T, "", "\"/etc/lapwing/field.pem\"", "TLS: certificate the agent shows; the standard asks for one. Needs `client_key`."),
    key("link", "client_key", T, "", "\"/etc/lapwing/field.key\"", "TLS: key of that certificate."),
    key("link", "timeout_ms", W, "1000", "300", "How long an answer is waited for, ms."),
    key("link", "retries", W, "1", "1", "Repetitions of a failed request within one scan."),
    key("link", "baud", W, "19200", "19200", "Bits a second of a serial line, also behind a gateway."),
    key("link", "parity", Word(PARITIES), "even", "\"even\"", "Parity of a serial line."),
    key("link", "stop_bits", W, "1, or 2 without parity", "1", "Stop bits of a serial line."),
    key("link", "listen", F, "false", "true", "Never speak: another master asks on this serial line, its requests and the answers are decoded."),
    key("link", "listen_first", D, "10s", "\"10s\"", "How long a serial line is listened to before the agent first speaks; it does not speak while it hears another master."),
    key("link", "version", Word(super::items::access::VERSIONS), "2c", "\"3\"", "SNMP version."),
    key("link", "community", T, "public", "\"public\"", "SNMP community, versions 1 and 2c."),
    key("link", "community_file", T, "", "\"/etc/lapwing/community\"", "File that holds the SNMP community."),
    key("link", "user", T, "required by version 3 and Redfish", "\"lapwing\"", "SNMP user, version 3; Redfish user."),
    key("link", "auth", Word(super::items::access::AUTH), "sha256", "\"sha256\"", "How messages of version 3 are authenticated."),
    key("link", "auth_password_file", T, "required by version 3", "\"/etc/lapwing/snmp-auth\"", "File that holds the authentication password, at least 8 octets."),
    key("link", "priv", Word(super::items::access::PRIVACY), "aes128", "\"aes128\"", "How messages of version 3 are encrypted; two key extensions of the longer AES are in use."),
    key("link", "priv_password_file", T, "required with `priv`", "\"/etc/lapwing/snmp-priv\"", "File that holds the encryption password, at least 8 octets."),

    key("device", "name", T, "required", "\"coil-plant\"", "Name of the device; unique."),
    key("device", "link", T, "required", "\"plant\"", "Its link."),
    key("device", "unit", W, "1", "1", "Modbus unit: 1 to 247, behind TCP also 0 and 255."),
    key("device", "map", T, "required", "\"maps/coil-plant.toml\"", "Its map, relative to the module file."),
    key("device", "prefix", T, "", "\"rack/07\"", "Put before every path of its map."),
    key("device", "tag", T, "", "\"UPS-A1\"", "Label as on plate and drawing, of it and of those of its points that have none."),
    key("device", "where", T, "", "\"power room, cabinet 1\"", "Where it is, for a person who walks there; the place of each of its points is said behind it."),
    key("device", "timeout_ms", W, "that of its link", "500", "Its own time-out, ms."),
    key("device", "pause_ms", W, "0", "20", "Silence it needs between requests, ms."),
    key("device", "turnaround_ms", W, "5; 20 for SNMP", "12", "How long it thinks before it answers, ms: the poll plan counts with it."),
    key("device", "min_interval_ms", W, "the map's, else 0", "2000", "No point of it is read more often than this, ms."),
    key("device", "scan_period_when", Names, "", "{ point = \"ups/a1/output/source\", state = \"battery\", period = \"1s\" }", "`{ point, state, period }`: while that point of its own (whole path) is in that state (or one of a list), it is scanned so often; what is read more often anyway stays."),
    key("device", "late_max_ms", W, "three time-outs", "1500", "How late an answer may still come after a time-out, ms."),
    key("device", "max_registers", W, "125", "60", "Most registers it gives in one answer."),
    key("device", "forbid", Texts, "[]", "[\"holding:100-119\"]", "Registers never to touch."),
    key("device", "base", W, "0", "1", "1 if its map counts addresses from 1."),
    key("device", "expect", Names, "{}", "{ \"holding:204\" = 250 }", "What tells that it is the right device: registers (`holding:201-202` for several) or OIDs, and what they must show, a whole number or a text. Read at connect, after silence and every `identity_period`; otherwise its readings are uncertain."),
    key("device", "identity", Texts, "[]", "[\"holding:201-202\"]", "Registers or OIDs that must go on showing what they showed first, such as a serial number; what that was is kept over a restart."),
    key("device", "confirmed", T, "", "\"2026-03-14 AB, meter replaced\"", "Written when another device is found to be right: whenever this text changes, what `identity` names counts anew from what it shows then."),
    key("device", "identity_period", D, "1d", "\"1d\"", "How often `expect` and `identity` are read while nothing happens."),

    key("main", "name", T, "required", "\"main\"", "Name, unique among all tiers of the power distribution."),
    key("main", "rating_a", N, "required", "1250", "Rating of its breaker, A."),
    key("main", "limit", N, "0.8", "1.0", "Part of the rating that may be carried for hours: 0.80 standard (NEC), 1.00 for breakers rated for it or under IEC 60364-4-43."),
    key("main", "meter", T, "", "\"main\"", "Path before `l1/current`, `l2/current`, `l3/current` of its meter; what is derived stands beside them."),
    key("main", "source_kw", N, "", "800", "What its source (transformer, generator) gives for hours, kW."),
    key("main", "voltage_v", N, "230", "230", "Nominal voltage to neutral."),
    key("main", "power_factor", N, "0.95", "0.97", "Power factor of load that is added, for capacity."),
    key("main", "efficiency", N, "1", "0.985", "Of what stands between its meter and those below it (UPS, transformer)."),
    key("main", "draws_per_kw", N, "1 by `efficiency`", "1.3", "What each kW added in a rack draws at its meter: itself, the losses between, and what cools it. Its `capacity` is in kW of racks."),
    key("main", "also", OneOrMany, "[]", "[\"chiller/power\"]", "Power points of what it feeds beside the tiers."),
    key("main", "cooling_kw", N, "", "460", "Heat that the cooling takes out for hours, kW."),
    key("main", "cooling_load", T, "", "\"it/power\"", "Point of the heat it must take out now; needed with `cooling_kw`. What is put in, not what the water carries: that falls when the cooling fails, and everything would seem to fit."),

    key("busway", "name", T, "required", "\"a1\"", "Name, unique among all tiers."),
    key("busway", "side", Word(super::items::tier::SIDES), "required", "\"a\"", "Side; what it feeds is of the same."),
    key("busway", "fed_by", T, "required", "\"main\"", "Name of the main that feeds it."),
    key("busway", "rating_a", N, "required", "250", "Rating of its breaker, A."),
    key("busway", "limit", N, "0.8", "1.0", "Part of the rating that may be carried for hours."),
    key("busway", "meter", T, "", "\"busway/{b}\"", "Path before `l1/current` … of its meter; `{name}` makes a busway for each match, with `{name}` in `name`."),
    key("busway", "source_kw", N, "", "170", "What the source in front of it (UPS) gives for hours, kW."),
    key("busway", "source_state", T, "", "\"ups/{b}/output/source\"", "Point that tells what feeds the UPS in front of it (upsOutputSource, RFC 1628): while it is `battery`, the main's `meter-difference` has no value."),
    key("busway", "also", OneOrMany, "[]", "[\"cooling-panel/power\"]", "Power points of what that source feeds beside the busway, now or after the loss of the other side."),

    key("tapoff", "name", T, "required", "\"{b}/{t}\"", "Name, unique among all tiers."),
    key("tapoff", "fed_by", T, "required", "\"{b}\"", "Name of the busway that feeds it."),
    key("tapoff", "rating_a", N, "required", "63", "Rating of its breaker, A."),
    key("tapoff", "limit", N, "0.8", "1.0", "Part of the rating that may be carried for hours."),
    key("tapoff", "phases", W, "3", "1", "1 or 3."),
    key("tapoff", "meter", T, "", "\"busway/{b}/tapoff/{t}\"", "Path before `l1/current` … of its meter; `{name}` makes one for each match."),

    key("pdu", "name", T, "required", "\"07/a\"", "Name, unique among all tiers."),
    key("pdu", "fed_by", T, "required", "\"a2/1\"", "Name of the tap-off or busway that feeds it."),
    key("pdu", "rating_a", N, "required", "63", "Rating, A."),
    key("pdu", "limit", N, "0.8", "1.0", "Part of the rating that may be carried for hours."),
    key("pdu", "phases", W, "3", "1", "1 or 3."),
    key("pdu", "meter", T, "", "\"rack/07/pdu/a\"", "Path before `l1/current` … of its meter; `{name}` makes one for each match."),

    key("rack", "name", T, "required", "\"{r}\"", "Name, unique among all tiers."),
    key("rack", "fed_by", OneOrMany, "required", "[\"{r}/a\", \"{r}/b\"]", "Names of what its cords hang on; `{name}` in the first makes a rack for each match."),
    key("rack", "cords", Word(super::items::tier::CORDS), "dual", "\"single\"", "`dual`: on both sides; `single`: on one, which dies with it."),
    key("rack", "tag", T, "", "\"R{r}\"", "Label as on plate and drawing: alarms on what feeds the rack name it."),

    key("derived", "path", T, "required", "\"coil/water/heat\"", "Path of the point; unique. With `{name}` in segments: one point for each match of an input that captures them."),
    key("derived", "compute", T, "required", "\"water_heat_kw\"", "Function, by its name in `lapwing calc`."),
    key("derived", "from", Names, "{}", "{ t_c = \"cold-aisle/temperature\" }", "Arguments that are points: a path; for many points a list of paths or patterns, `*` for any segment. `{name}` is what `path` names."),
    key("derived", "with", Names, "{}", "{ p_pa = 300000.0 }", "Arguments that are constants: numbers, words, lists of numbers or of pairs."),
    key("derived", "scan_period", D, "that of its fastest input", "\"5s\"", "It is computed at most so often."),
    key("derived", "resolution", N, "required", "0.1", "Smallest step that matters, in its unit."),
    key("derived", "valid", Numbers, "", "[0.0, 600.0]", "Lowest and highest believable value."),
    key("derived", "tag", T, "", "\"EQ-101\"", "Label as on plate and drawing."),
    key("derived", "where", T, "", "\"coil bay\"", "Where it is."),

    key("alarm", "id", T, "required", "\"supply-water-warm\"", "Identifier; unique. A plain id replaces the alarm of that id which a pattern makes."),
    key("alarm", "point", T, "required", "\"coil/water/supply/temperature\"", "Point or pattern: `{name}` captures one segment, `*` stands for one."),
    key("alarm", "high", N, "", "21.0", "Condition: above this limit."),
    key("alarm", "low", N, "", "4.0", "Condition: below this limit."),
    key("alarm", "rise_per_min", N, "", "3.0", "Condition: rising faster, by minute."),
    key("alarm", "fall_per_min", N, "", "3.0", "Condition: falling faster, by minute."),
    key("alarm", "state", OneOrMany, "", "\"open\"", "Condition: in one of these states."),
    key("alarm", "bad_measurement", F, "", "true", "Condition: no believable reading."),
    key("alarm", "rises_to", N, "", "32.0", "Condition: at its present rate it rises to this limit sooner than `within`."),
    key("alarm", "falls_to", N, "", "20.0", "Condition: at its present rate it falls to this limit sooner than `within`."),
    key("alarm", "within", D, "required with `rises_to` and `falls_to`", "\"60s\"", "Time left below which they are an alarm; it clears at twice that."),
    key("alarm", "deviation", N, "", "3.0", "Condition: farther than this, either way, from what one of `from_value`, `from_point`, `from_median_of` says. The difference is a point of its own: PATH/from-set-point, PATH/from-expected, PATH/from-median."),
    key("alarm", "discrepancy", N, "", "1.0", "Condition: two sensors of one quantity, this and `from_point`, differ by more. The difference is a point of its own, PATH/discrepancy."),
    key("alarm", "from_value", N, "", "18.0", "Set point of a deviation."),
    key("alarm", "from_point", T, "", "\"coil/air/leaving/setpoint\"", "Point a deviation or discrepancy is counted from; captures may stand in it."),
    key("alarm", "times", N, "1", "15.0", "What `from_point` is multiplied by first: revolutions a percent of command."),
    key("alarm", "from_median_of", T, "", "\"fan/*/speed\"", "Peers whose median a deviation is counted from; those without a believable reading are left out."),
    key("alarm", "fewer_than", N, "", "13", "Condition: fewer than so many of `working` are. The count is a point of its own, agent/working/ID."),
    key("alarm", "working", Names, "required with `fewer_than`", "{ points = \"fan/*/speed\", above = 300 }", "What counts as working: points by pattern or a list of patterns, and `state`, `above` or `below`."),
    key("alarm", "frozen", D, "", "\"60s\"", "Condition: the value has not changed for so long, as no live sensor's does."),
    key("alarm", "armed", OneOrMany, "", "\"armed\"", "Condition: not shown to be in one of these states: it is in another one, or cannot be read. For a point that proves that an automatic protection is armed."),
    key("alarm", "only_while", Names, "", "{ point = \"fan/{f}/command\", above = 10.0 }", "It counts only while that point is in a `state`, `above` or `below` a value; captures may stand in the path."),
    key("alarm", "left_to", N, "that of `rises_to`, `falls_to`", "32.0", "What counts as too late: the time left to it at the present rate is told."),
    key("alarm", "urgent_below", D, "", "\"60s\"", "With less time left, the alarm has `urgent_priority`."),
    key("alarm", "urgent_priority", Word(PRIORITIES), "required with `urgent_below`", "\"critical\"", "Its priority when little time is left."),
    key("alarm", "over", D, "10s", "\"10s\"", "Window of a rate or of the time left; the same for all of a point."),
    key("alarm", "deadband", N, "0", "0.5", "Distance back from the limit before it clears."),
    key("alarm", "on_delay", D, "0s", "\"5s\"", "The condition must hold this long before the alarm is raised."),
    key("alarm", "off_delay", D, "0s", "\"10s\"", "It must be gone this long before the alarm clears."),
    key("alarm", "latching", F, "false", "true", "Held after it cleared until a person resets it."),
    key("alarm", "priority", Word(PRIORITIES), "required", "\"high\"", "How urgent."),
    key("alarm", "impact", Word(IMPACTS), "none", "\"degraded\"", "What is at stake."),
    key("alarm", "text", T, "required", "\"Supply water {value} is above {limit}\"", "One sentence: {value}, {limit}, {state}, {rate}, {tag}, {where}, {feeds} (the racks below the tier it is about) and captures are filled in. Where load or redundancy is at stake and no text has {feeds}, the racks are named behind it."),
    key("alarm", "consequence", T, "", "\"…\"", "What follows if nobody acts."),
    key("alarm", "response", T, "", "\"…\"", "What to do."),
    key("alarm", "first_check", T, "", "\"…\"", "What to look at first."),
    key("alarm", "safety", T, "", "\"…\"", "What can hurt whoever goes there."),
    key("alarm", "document", T, "", "\"OM-12 §4\"", "Where to read on: a document's address or number."),
    key("alarm", "respond_within", D, "", "\"3m\"", "Time a person has."),
    key("alarm", "clock", T, "", "\"ride-through/water-flow/seconds\"", "Point that says how many seconds there are once this alarm's condition holds; `check` reckons it at the design load. Captures may stand in the path."),
    key("alarm", "protection", T, "", "\"load-shed/armed\"", "Point that shows that what acts by itself, faster than a person, is armed; another alarm watches it with `armed`. Captures may stand in the path."),
    key("alarm", "max_shelf", D, "8h", "\"8h\"", "Longest time it may be shelved."),

    key("group", "name", T, "required", "\"water-flow\"", "Name of the group; unique."),
    key("group", "chain", Lists, "required", "[\"pump-*-tripped\", \"water-flow-low\", [\"coil-air-*-hot\", \"cold-aisle-rising\"]]", "Alarms by id or pattern from cause to consequence: each step explains those after it. Steps of several alarms are lists."),
    key("group", "window", D, "5m", "\"5m\"", "How long after its cause a consequence is attached to it rather than announced by itself."),
    key("group", "lag", D, "5s", "\"5s\"", "How long before its cause a consequence may be seen: it was read by a faster sensor."),
    key("group", "together", Texts, "[]", "[\"inlet-hot-*\"]", "Alarms of one step that have one cause: the first stands for the others."),
    key("group", "tell_again", Texts, "[]", "[\"inlet-hot-*\"]", "Alarms that are announced although they follow from another, once an incident a pattern. What is more urgent than all that was announced of the incident is announced anyway."),

    key("suppress", "name", T, "required", "\"pump-1-maintenance\"", "Name of the rule; unique."),
    key("suppress", "text", T, "required", "\"Pump 1 is in maintenance\"", "Why the alarms mean nothing then, one sentence."),
    key("suppress", "alarms", Texts, "required", "[\"pump-1-*\"]", "Alarms by id or pattern that it hides; they go on being judged."),
    key("suppress", "while", Names, "", "{ point = \"pump/1/switch\", state = \"off\" }", "Holds by itself while that point is in a state, `above` or `below` a value. Without it a person starts and ends the rule."),
    key("suppress", "at_most", D, "required", "\"8h\"", "Longest time it hides at a stretch; then the alarms show themselves again."),

    key("recipient", "name", T, "required", "\"shift\"", "Name of who is told directly (a build with the feature `notify`); unique."),
    key("recipient", "email", T, "", "\"shift@saltmarsh.example\"", "Mail address; one of `email` and `webhook`."),
    key("recipient", "webhook", T, "", "\"https://hooks.saltmarsh.example/m1\"", "Where messages are posted, HTTPS only; needs `secret_file`."),
    key("recipient", "secret_file", T, "", "\"/etc/lapwing/webhook-secret\"", "File of the secret that signs what is posted (HMAC-SHA256); read for each message."),
    key("recipient", "ca", T, "the public ones", "\"/etc/lapwing/hooks-ca.pem\"", "Certificate authority of the webhook's server."),
    key("recipient", "priorities", Texts, "[]", "[\"critical\", \"high\"]", "Priorities it is told of by itself; without any it is told only what others pass on."),
    key("recipient", "hours", Texts, "always", "[\"mon-fri 07:00-18:00\"]", "When it is told, in the site's time: days and times; a stretch may go past midnight."),
    key("recipient", "unacknowledged_for", D, "required with `then`", "\"10m\"", "An alarm that nobody has acknowledged for so long is told to the recipient of `then` too."),
    key("recipient", "then", T, "", "\"shift-lead\"", "Name of that further recipient; outside its hours its own `then` is told in its place."),

    key("accept", "finding", T, "required", "\"priority_split\"", "Code of the finding of `lapwing check` that is meant."),
    key("accept", "about", T, "required", "\"inlet-hot-*\"", "What it is about, as the finding names it: an alarm, a point, a group, a tier, a role, or `module`; a pattern for several."),
    key("accept", "because", T, "required", "\"the main is watched by the site\"", "Why it is right as it is: printed by `check`."),

    key("translation", "language", Word(&crate::plan::Language::WORDS), "required", "\"de\"", "At the top of a file of texts: the language they are in."),
    key("translation", "alarm", Names, "", "{ \"fan-{n}-failed\" = { text = \"Lüfter {n} ist ausgefallen\" } }", "By the id as an `[[alarm]]` is written with: its `text`, `consequence`, `response`, `first_check`, `safety` and `document`, with the same names in braces."),
    key("translation", "suppress", Names, "", "{ fan-wall-work = \"Arbeiten an der Lüfterwand\" }", "The texts of `[[suppress]]`, by name."),
    key("translation", "where", Names, "", "{ \"coil bay\" = \"Kühlerraum\" }", "Places (`where`), as the configuration and its maps have them: a whole one, its parts between commas, or what stands before the number of a part (`rack` for `rack 07`)."),
    key("translation", "state", Names, "", "{ open = \"offen\" }", "Names of states, as maps have them; a table below a pattern of points is for these alone."),
    key("translation", "captured", Names, "", "{ left = \"links\" }", "Segments that a pattern captures, as translated texts say them."),

    key("map", "min_interval_ms", W, "0", "2000", "At the top of a map: no point of a device with this map is read more often than this, ms; the device's own `min_interval_ms` wins."),
    key("point", "path", T, "required", "\"coil/water/supply/temperature\"", "Path; the device's prefix comes before it."),
    key("point", "quantity", T, "required", "\"temperature\"", "What it measures."),
    key("point", "unit", T, "required; 1 for states and counts", "\"Cel\"", "UCUM unit."),
    key("point", "register", T, "", "\"holding:0\"", "Modbus: table (coil, discrete, input, holding) and wire address."),
    key("point", "oid", T, "", "\"1.3.6.1.2.1.33.1.2.1.0\"", "SNMP: instance OID; with `row` or `present` that of a column."),
    key("point", "row", Names, "", "{ column = \"1.3.6.1.2.1.47.1.1.1.1.7\", equals = \"Outlet 3\" }", "SNMP: the row whose label, in that column, is this text; read in the same answer."),
    key("point", "present", T, "", "\"1.3.6.1.2.1.33.1.6.3.2\"", "SNMP: 1 while a row of the column holds this OID, else 0; \"others\" counts the rows holding one that no point of the device names."),
    key("point", "redfish", T, "", "\"/redfish/v1/Chassis/1/Thermal#/Temperatures/0/ReadingCelsius\"", "Redfish: resource and, after #, the JSON pointer (RFC 6901) of the value."),
    key("point", "as", Word(LAYOUTS), "required; bit in bit tables", "\"i16\"", "Layout of the raw value."),
    key("point", "words", W, "by layout", "2", "Registers of a bcd, modulo10000, text_number or counter."),
    key("point", "word_order", Word(ORDERS), "big", "\"big\"", "Order of the registers of a value."),
    key("point", "byte_order", Word(ORDERS), "big", "\"big\"", "Order of the bytes of a register."),
    key("point", "scale", N, "1", "0.1", "Multiplied first; its places set the resolution unless `resolution` does."),
    key("point", "offset", N, "0", "-273.15", "Added after scaling."),
    key("point", "scale_from", T, "", "\"holding:12\"", "Register that holds a power of ten; read in the same answer."),
    key("point", "mask", W, "", "0x00F0", "Bits to keep."),
    key("point", "shift", W, "0", "4", "Right shift after masking."),
    key("point", "invert", F, "false", "true", "The opposite is meant; bits only."),
    key("point", "names", Names, "", "{ 0 = \"closed\", 1 = \"open\" }", "Names of its states."),
    key("point", "absent", Numbers, "[]", "[0x8000]", "Raw patterns by which the device says that there is nothing."),
    key("point", "valid", Numbers, "", "[-20.0, 90.0]", "Lowest and highest believable value; outside it the sensor has failed."),
    key("point", "current_loop", Numbers, "", "[0.0, 16.0]", "The raw value, scaled, is a loop current in mA: what 4 and 20 mA stand for. At most 3.6 and at least 21.0 mA are the sensor's failure, below 3.8 and above 20.5 mA it is uncertain (NAMUR NE 43); needs `resolution`."),
    key("point", "resolution", N, "that of `scale`", "0.1", "Smallest step that matters: 1, 2 or 5 times a power of ten. Required for f32, f64 and with `scale_from`."),
    key("point", "rate_max", N, "", "5.0", "Fastest believable change, units a second."),
    key("point", "scan_period", D, "by quantity", "\"1s\"", "How often it is read."),
    key("point", "response_s", N, "", "8.0", "The probe's own lag (63 %), seconds."),
    key("point", "refresh_s", N, "", "2.0", "How often the device itself refreshes it, seconds."),
    key("point", "noise", N, "", "0.1", "How far its reading wavers while nothing changes, from peak to peak, in its unit: a deadband must be wider."),
    key("point", "role", Word(&crate::plan::Role::WORDS), "", "\"door\"", "What it is to any module: by this `check` finds what is missing and what has no alarm."),
    key("point", "group", T, "", "\"phase-currents\"", "Points of one group come from one transaction."),
    key("point", "tag", T, "", "\"TT-101\"", "Label as on plate and drawing."),
    key("point", "where", T, "", "\"coil bay, left\"", "Where it is, for a person who walks there."),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_says_what_the_table_says() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/config/keys.md");
        let expected = format!("{}{}", include_str!("keys_head.md"), table());
        if std::env::var_os("LAPWING_WRITE_KEYS").is_some() {
            std::fs::write(&path, &expected).expect("written");
        }
        let page = std::fs::read_to_string(&path).expect("the page is there");
        assert!(
            page == expected,
            "keys.md is out of date: run this test with LAPWING_WRITE_KEYS=1 and commit the page"
        );
    }

    #[test]
    fn no_key_twice_and_none_without_meaning() {
        for (n, key) in KEYS.iter().enumerate() {
            assert!(
                !KEYS[..n].iter().any(|k| k.section == key.section && k.name == key.name),
                "{}.{} twice",
                key.section,
                key.name
            );
            assert!(!key.meaning.is_empty() && !key.example.is_empty());
            assert!(
                PLAIN.contains(&key.section)
                    || LISTS.contains(&key.section)
                    || ["map", "point", "translation"].contains(&key.section)
            );
        }
        assert_eq!(table().lines().count(), KEYS.len() + 2);
    }
}
