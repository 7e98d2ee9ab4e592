//! Which points are checked out, where each is read, and the plan that polls them and nothing else.
//!
//! Points come in the plan's order: link by link, device by device, as a person walks. Pure. Never panics.

use lapwing_engine::spec::{ByteOrder, Decode, Layout, Span, WordOrder};
use thiserror::Error;

use crate::plan::{Ask, Plan, Table, stretch};

/// What was asked for; nothing means everything.
#[derive(Clone, Debug, Default)]
pub struct Choice {
    /// Only this link.
    pub link: Option<String>,
    /// Only this device.
    pub device: Option<String>,
    /// Only points that match: `*` within a segment, `**` for any number of them.
    pub point: Option<String>,
}

/// One point to check.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Target {
    /// Index of the point in the plan.
    pub point: usize,
    /// Index of its device in the whole plan.
    pub device: usize,
    /// Index of its link in the whole plan.
    pub link: usize,
    /// Index of its transaction in the whole plan.
    pub transaction: usize,
    /// Its place among the points of the transaction.
    pub place: usize,
    /// Where and how it is read, as `holding 0, i16, × 0.1`. A point whose text changes is checked anew.
    pub reads: String,
}

/// Why nothing can be checked.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum NothingChosen {
    /// No such link.
    #[error("there is no link `{name}`; there are: {known}")]
    Link {
        /// Asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// No such device.
    #[error("there is no device `{name}`; there are: {known}")]
    Device {
        /// Asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// The pattern cannot be read.
    #[error("`{pattern}` is no pattern ({why}); write for example \"rack/**\" or \"coil/*/temperature\"")]
    Pattern {
        /// As given.
        pattern: String,
        /// What is wrong.
        why: String,
    },
    /// Everything exists, and no field point fits all of it.
    #[error("no field point fits what was asked for (derived points are computed, not read: they are not checked out)")]
    NoPoint,
}

/// The points asked for.
///
/// # Errors
/// What does not exist.
pub fn select(plan: &Plan, choice: &Choice) -> Result<Vec<Target>, NothingChosen> {
    let names = |names: &mut dyn Iterator<Item = &str>| names.collect::<Vec<_>>().join(", ");
    if let Some(name) = choice.link.as_ref().filter(|name| !plan.links.iter().any(|link| link.name == **name)) {
        let known = names(&mut plan.links.iter().map(|link| link.name.as_str()));
        return Err(NothingChosen::Link { name: name.clone(), known });
    }
    if let Some(name) = choice.device.as_ref().filter(|name| !plan.devices.iter().any(|device| device.name == **name)) {
        let known = names(&mut plan.devices.iter().map(|device| device.name.as_str()));
        return Err(NothingChosen::Device { name: name.clone(), known });
    }
    let pattern = match &choice.point {
        None => None,
        Some(pattern) => match globset::GlobBuilder::new(pattern).literal_separator(true).build() {
            Ok(glob) => Some(glob.compile_matcher()),
            Err(error) => {
                return Err(NothingChosen::Pattern { pattern: pattern.clone(), why: error.kind().to_string() });
            }
        },
    };
    let mut targets = Vec::new();
    for (transaction, asked) in plan.transactions.iter().enumerate() {
        let device = asked.device as usize;
        let Some(about) = plan.devices.get(device) else { continue };
        let link = about.link as usize;
        let of_link = choice.link.as_ref().is_none_or(|name| plan.links.get(link).is_some_and(|l| l.name == *name));
        if !of_link || choice.device.as_ref().is_some_and(|name| about.name != *name) {
            continue;
        }
        for (place, point) in (asked.points.first as usize..).take(asked.points.count as usize).enumerate() {
            let (Some(said), Some(spec)) = (plan.points.get(point), plan.engine.points.get(point)) else { continue };
            if pattern.as_ref().is_none_or(|pattern| pattern.is_match(&said.path)) {
                let reads = reads(&asked.ask, place, &spec.decode);
                targets.push(Target { point, device, link, transaction, place, reads });
            }
        }
    }
    if targets.is_empty() { Err(NothingChosen::NoPoint) } else { Ok(targets) }
}

/// A plan that reads the targets and touches no other link, device or register.
///
/// Points keep their numbers; links, devices and transactions are numbered anew.
#[must_use]
pub fn reduced(plan: &Plan, targets: &[Target]) -> Plan {
    let mut small = Plan { links: Vec::new(), devices: Vec::new(), transactions: Vec::new(), ..plan.clone() };
    let index = |len: usize| u32::try_from(len).unwrap_or(u32::MAX);
    for (at, link) in plan.links.iter().enumerate() {
        if !targets.iter().any(|target| target.link == at) {
            continue;
        }
        let mut devices = Span { first: index(small.devices.len()), count: 0 };
        for (number, device) in (link.devices.first as usize..).zip(stretch(&plan.devices, link.devices)) {
            let mut transactions = Span { first: index(small.transactions.len()), count: 0 };
            for (n, asked) in
                (device.transactions.first as usize..).zip(stretch(&plan.transactions, device.transactions))
            {
                if targets.iter().any(|target| target.transaction == n) {
                    let mut asked = asked.clone();
                    asked.device = index(small.devices.len());
                    small.transactions.push(asked);
                    transactions.count += 1;
                }
            }
            if targets.iter().any(|target| target.device == number) {
                let mut device = device.clone();
                device.link = index(small.links.len());
                device.transactions = transactions;
                small.devices.push(device);
                devices.count += 1;
            }
        }
        let mut link = link.clone();
        link.devices = devices;
        small.links.push(link);
    }
    small
}

/// Where and how a point is read, as an engineer writes it.
fn reads(ask: &Ask, place: usize, how: &Decode) -> String {
    let mut text = match ask {
        Ask::Modbus { table, start, slices, .. } => {
            let table = match table {
                Table::Coil => "coil",
                Table::Discrete => "discrete",
                Table::Holding => "holding",
                Table::Input => "input",
            };
            match slices.get(place) {
                Some(slice) => {
                    let at = u32::from(*start) + u32::from(slice.offset);
                    let factor = slice.scale_factor.map_or_else(String::new, |offset| {
                        format!(", scale factor in {table} {}", u32::from(*start) + u32::from(offset))
                    });
                    format!("{table} {at}, {}{factor}", layout_word(how.layout))
                }
                None => table.to_owned(),
            }
        }
        Ask::Snmp { oids } => format!("oid {}", oids.get(place).map_or_else(String::new, |arcs| dotted(arcs))),
        Ask::SnmpCells { rows, cells } => match cells.get(place) {
            None => "oid".to_owned(),
            Some(cell) => {
                let row = cell.row.and_then(|row| rows.get(row as usize));
                let row = row.map_or_else(String::new, |row| {
                    format!(" of the row whose {} is \"{}\"", dotted(&row.column), row.equals)
                });
                format!("oid {}{row}", dotted(&cell.oid))
            }
        },
        Ask::Redfish { resource, pointers } => {
            format!("{resource}#{}", pointers.get(place).map_or("", String::as_str))
        }
        Ask::SnmpColumn { column, listed } => match listed.get(place) {
            Some(Some(looked_for)) => format!("whether oid {} lists {}", dotted(column), dotted(looked_for)),
            Some(None) | None => format!("rows of oid {} that no point looks for", dotted(column)),
        },
    };
    if how.word_order == WordOrder::Little {
        text.push_str(", low word first");
    }
    if how.byte_order == ByteOrder::Little {
        text.push_str(", low byte first");
    }
    if let Some(mask) = how.mask {
        text.push_str(&format!(", mask 0x{mask:04X}"));
    }
    if how.shift > 0 {
        text.push_str(&format!(", shift {}", how.shift));
    }
    if how.invert {
        text.push_str(", inverted");
    }
    if how.scale.mantissa != 0 && how.scale != lapwing_protocol::Decimal::new(1, 0) {
        text.push_str(&format!(", × {}", how.scale));
    }
    if how.offset.mantissa != 0 {
        text.push_str(&format!(", + {}", how.offset));
    }
    text
}

fn dotted(arcs: &[u32]) -> String {
    arcs.iter().map(u32::to_string).collect::<Vec<_>>().join(".")
}

/// A layout's word in a map.
#[must_use]
pub const fn layout_word(layout: Layout) -> &'static str {
    match layout {
        Layout::U16 => "u16",
        Layout::I16 => "i16",
        Layout::U32 => "u32",
        Layout::I32 => "i32",
        Layout::U48 => "u48",
        Layout::I48 => "i48",
        Layout::U64 => "u64",
        Layout::I64 => "i64",
        Layout::F32 => "f32",
        Layout::F64 => "f64",
        Layout::Bit => "bit",
        Layout::Bits => "bits",
        Layout::Enum => "enum",
        Layout::Bcd => "bcd",
        Layout::Modulo10000 => "modulo10000",
        Layout::TextNumber => "text_number",
        Layout::Counter => "counter",
    }
}

#[cfg(test)]
#[path = "select/tests.rs"]
mod tests;
