//! `lapwing check --config PATH`: every mistake of a configuration; when there is none, its findings and the poll plan.
//!
//! Exit code 2 when the configuration cannot be used, 0 when it can; findings are advice. It opens no link. Never panics.

use std::collections::BTreeMap;

use super::{End, RunArgs};
use crate::config::{self, Loaded, Mistakes};
use crate::plan::{Ask, Link, Plan, Table};

/// Checks a configuration.
pub(super) fn check(args: &RunArgs) -> End {
    match config::load(&args.config, config::environment(), &config::Overrides::default()) {
        Ok(loaded) => {
            if args.json {
                println!("{}", in_json(&loaded));
            } else {
                print!("{}", in_words(&loaded));
            }
            End::Done
        }
        Err(mistakes) => print_mistakes(&mistakes, args.json),
    }
}

/// Prints all mistakes: for people to standard error, for programs as one object to standard output.
pub(super) fn print_mistakes(mistakes: &Mistakes, json: bool) -> End {
    if json {
        match serde_json::to_string(&serde_json::json!({ "mistakes": mistakes.list })) {
            Ok(line) => println!("{line}"),
            Err(error) => eprintln!("The mistakes could not be written as JSON: {error}"),
        }
    } else {
        eprint!("{mistakes}");
    }
    End::NotTried
}

/// What one link is asked.
#[derive(Debug, serde::Serialize)]
struct LinkPlan<'a> {
    link: &'a str,
    devices: usize,
    points: u32,
    transactions: usize,
    /// By scan period in ms: transactions and points.
    periods: BTreeMap<u64, (usize, u32)>,
    transactions_per_s: f64,
}

fn link_plan<'a>(plan: &'a Plan, link: &'a Link) -> LinkPlan<'a> {
    let devices = crate::plan::stretch(&plan.devices, link.devices);
    let mut periods: BTreeMap<u64, (usize, u32)> = BTreeMap::new();
    let (mut transactions, mut points, mut per_s) = (0, 0, 0.0);
    for transaction in devices.iter().flat_map(|device| crate::plan::stretch(&plan.transactions, device.transactions)) {
        let period = millis(transaction.period);
        let entry = periods.entry(period).or_default();
        entry.0 += 1;
        entry.1 += transaction.points.count;
        transactions += 1;
        points += transaction.points.count;
        per_s += 1.0 / transaction.period.as_secs_f64().max(0.001);
    }
    LinkPlan {
        link: &link.name,
        devices: devices.len(),
        points,
        transactions,
        periods,
        transactions_per_s: (per_s * 1000.0).round() / 1000.0,
    }
}

fn in_json(loaded: &Loaded) -> serde_json::Value {
    let plan = &loaded.plan;
    let links: Vec<_> = plan.links.iter().map(|link| link_plan(plan, link)).collect();
    serde_json::json!({
        "mistakes": [],
        "findings": loaded.findings,
        "points": plan.points.len(),
        "derived": plan.derived.len(),
        "alarms": plan.alarms.iter().filter(|alarm| !alarm.own).count(),
        "links": links,
    })
}

fn in_words(loaded: &Loaded) -> String {
    let plan = &loaded.plan;
    let mut text = format!(
        "{} {}: {} links, {} devices, {} points ({} derived), {} alarms. No mistake was found.\n",
        plan.module.site,
        plan.module.name,
        plan.links.len(),
        plan.devices.len(),
        plan.points.len(),
        plan.derived.len(),
        plan.alarms.iter().filter(|alarm| !alarm.own).count()
    );
    for link in &plan.links {
        let about = link_plan(plan, link);
        text.push_str(&format!(
            "\nLink {}: {} devices, {} points in {} transactions, {} transactions a second\n",
            about.link, about.devices, about.points, about.transactions, about.transactions_per_s
        ));
        for (period, (transactions, points)) in &about.periods {
            text.push_str(&format!("  every {}: {transactions} transactions, {points} points\n", spoken_ms(*period)));
        }
        for device in crate::plan::stretch(&plan.devices, link.devices) {
            let asks = crate::plan::stretch(&plan.transactions, device.transactions);
            let said: Vec<String> =
                asks.iter().map(|t| format!("{} every {}", asked(&t.ask), spoken_ms(millis(t.period)))).collect();
            text.push_str(&format!("  {:<16} {}\n", device.name, said.join("; ")));
        }
    }
    if !loaded.findings.is_empty() {
        text.push_str("\nFindings (advice; the configuration can be used):\n");
        for finding in &loaded.findings {
            text.push_str(&format!("  {finding}\n"));
        }
    }
    text
}

/// A read as an engineer writes it: `holding 0–22`.
fn asked(ask: &Ask) -> String {
    match ask {
        Ask::Modbus { table, start, count, .. } => {
            let what = match table {
                Table::Coil => "coil",
                Table::Discrete => "discrete",
                Table::Holding => "holding",
                Table::Input => "input",
            };
            format!("{what} {start}–{}", (u32::from(*start) + u32::from(*count)).saturating_sub(1))
        }
        Ask::Snmp { oids } => format!("{} variables", oids.len()),
        Ask::SnmpCells { rows, cells } if rows.is_empty() => format!("{} sensors", cells.len()),
        Ask::SnmpCells { rows, cells } => format!("{} cells of {} labelled rows", cells.len(), rows.len()),
        Ask::SnmpColumn { listed, .. } => format!("1 column walked for {} points", listed.len()),
    }
}

fn millis(duration: std::time::Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

fn spoken_ms(ms: u64) -> String {
    if ms.is_multiple_of(1000) { format!("{} s", ms / 1000) } else { format!("{ms} ms") }
}
