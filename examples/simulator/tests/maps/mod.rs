//! Reads the demo's configuration with nothing but a TOML parser and looks its points up in the banks.
//!
//! Written apart from the agent on purpose: it checks the maps against the cards, not against the agent's own reading.
//! Values are f64 in the point's unit. Panics are test failures.
#![allow(dead_code)] // each test program uses its own part

use lapwing_simulator::bank::{Bank, Reached, SimLink, Variable};
use lapwing_simulator::saltmarsh::FILES;
use toml::{Table, Value};

/// One point of one device.
#[derive(Debug)]
pub(crate) struct Mapped {
    pub(crate) path: String,
    pub(crate) link: usize,
    pub(crate) device: usize,
    pub(crate) point: Table,
}

/// What a point shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Seen {
    Value(f64),
    Absent,
}

/// A file of the configuration.
pub(crate) fn file(name: &str) -> Table {
    let (_, text) = FILES.iter().find(|(file, _)| *file == name).unwrap_or_else(|| panic!("no file {name}"));
    text.parse().unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// A text of a table.
pub(crate) fn text<'t>(table: &'t Table, key: &str) -> Option<&'t str> {
    table.get(key).and_then(Value::as_str)
}

/// A number of a table, whole or not.
pub(crate) fn number(table: &Table, key: &str) -> Option<f64> {
    table.get(key).and_then(|v| v.as_float().or_else(|| v.as_integer().map(|i| i as f64)))
}

/// The list of tables of that name.
pub(crate) fn list(table: &Table, key: &str) -> Vec<Table> {
    table[key].as_array().expect(key).iter().map(|v| v.as_table().expect(key).clone()).collect()
}

/// Every point of the module file, with where its device stands among the links.
pub(crate) fn points(links: &[SimLink]) -> Vec<Mapped> {
    let mut all = Vec::new();
    for device in list(&file("module.toml"), "device") {
        let (name, link_name) = (text(&device, "name").expect("name"), text(&device, "link").expect("link"));
        let link = links.iter().position(|l| l.name == link_name).unwrap_or_else(|| panic!("no link {link_name}"));
        let found = links[link].devices.iter().position(|d| d.name == name);
        let at = found.unwrap_or_else(|| panic!("no device {name} on {link_name}"));
        match &links[link].devices[at].reached {
            Reached::Unit(unit) => assert_eq!(device["unit"].as_integer(), Some(i64::from(*unit)), "{name}"),
            Reached::Agent => assert!(device.get("unit").is_none(), "{name}"),
        }
        for point in list(&file(text(&device, "map").expect("map")), "point") {
            let own = text(&point, "path").expect("path");
            let path = text(&device, "prefix").map_or_else(|| own.to_owned(), |prefix| format!("{prefix}/{own}"));
            all.push(Mapped { path, link, device: at, point });
        }
    }
    all
}

impl Mapped {
    /// What the point shows now; panics where its address is not in the bank.
    pub(crate) fn read(&self, links: &[SimLink]) -> Seen {
        let bank = links[self.link].devices[self.device].bank.lock();
        let point = &self.point;
        let raw = match text(point, "oid") {
            Some(oid) => variable(&bank, oid, &self.path),
            None => match self.register(&bank) {
                Some(raw) => raw,
                None => return Seen::Absent,
            },
        };
        let mut value = raw * number(point, "scale").unwrap_or(1.0);
        if let Some(factor) = text(point, "scale_from") {
            let (table, address) = factor.split_once(':').expect("table:address");
            let word = words(&bank, table, address.parse().expect("address"), 1, &self.path)[0];
            value *= 10_f64.powi(i32::from(word as i16));
        }
        Seen::Value(value)
    }

    /// The name of a state.
    pub(crate) fn state(&self, links: &[SimLink]) -> String {
        let Seen::Value(value) = self.read(links) else { panic!("{} shows no state", self.path) };
        let names = self.point["names"].as_table().expect("names");
        text(names, &format!("{value}")).unwrap_or_else(|| panic!("{}: no name for {value}", self.path)).to_owned()
    }

    fn register(&self, bank: &Bank) -> Option<f64> {
        let (table, address) = text(&self.point, "register").expect("register").split_once(':').expect("table:address");
        let address: usize = address.parse().expect("address");
        if table == "discrete" {
            let input = bank.discrete.get(address).unwrap_or_else(|| panic!("{}: no input {address}", self.path));
            return Some(f64::from(u8::from(*input)));
        }
        let layout = text(&self.point, "as").expect("as");
        let count = if layout.ends_with("32") { 2 } else { 1 };
        let words = words(bank, table, address, count, &self.path);
        let bits = match (count, text(&self.point, "word_order")) {
            (1, _) => u32::from(words[0]),
            (_, Some("little")) => u32::from(words[1]) << 16 | u32::from(words[0]),
            _ => u32::from(words[0]) << 16 | u32::from(words[1]),
        };
        let absent = self.point.get("absent").and_then(Value::as_array);
        if absent.is_some_and(|list| list.iter().any(|a| a.as_integer() == Some(i64::from(bits)))) {
            return None;
        }
        Some(match layout {
            "u16" | "u32" | "enum" => f64::from(bits),
            "i16" => f64::from(bits as u16 as i16),
            "i32" => f64::from(bits as i32),
            "f32" => f64::from(f32::from_bits(bits)),
            "bit" => {
                let mask = self.point["mask"].as_integer().expect("mask");
                f64::from(u8::from(i64::from(bits) & mask != 0))
            }
            other => panic!("{}: no reading of {other} here", self.path),
        })
    }
}

fn words<'b>(bank: &'b Bank, table: &str, address: usize, count: usize, path: &str) -> &'b [u16] {
    let all = match table {
        "holding" => &bank.holding,
        "input" => &bank.input,
        other => panic!("{path}: no table {other}"),
    };
    all.get(address..address + count).unwrap_or_else(|| panic!("{path}: no {table} register {address}"))
}

fn variable(bank: &Bank, oid: &str, path: &str) -> f64 {
    let arcs: Vec<u32> = oid.split('.').map(|arc| arc.parse().expect("arc")).collect();
    match bank.variables.get(&arcs).unwrap_or_else(|| panic!("{path}: no variable {oid}")) {
        Variable::Integer(value) => f64::from(*value),
        Variable::Gauge(value) | Variable::Counter(value) | Variable::TimeTicks(value) => f64::from(*value),
        other @ (Variable::Text(_) | Variable::Oid(_)) => panic!("{path}: no number: {other:?}"),
    }
}
