//! `lapwing check --config PATH`: every mistake of a configuration; when there is none, what each link must
//! carry and whether it can, how the power goes, who is told directly, how late each alarm may be, findings, and a review of the alarm set.
//!
//! Exit code 2 when the configuration cannot be used, 0 when it can; findings are advice. It opens no link. Never panics.

mod people;
mod power;
mod review;

use std::collections::BTreeMap;

use super::{End, RunArgs};
use crate::config::{self, Loaded, Mistakes};
use crate::field::budget::{self, LinkBudget, counted};
use crate::plan::{Ask, Link, Plan, Table, Transport};

/// Checks a configuration.
pub(super) fn check(args: &RunArgs) -> End {
    let overrides = config::Overrides { review: true, ..config::Overrides::default() };
    match config::load(&args.config, config::environment(), &overrides) {
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

/// What one link is asked, and whether it can carry it.
#[derive(Debug, serde::Serialize)]
struct LinkPlan<'a> {
    link: &'a str,
    devices: u32,
    points: u32,
    transactions: u32,
    /// By scan period in ms.
    periods: BTreeMap<u64, Period>,
    transactions_per_s: f64,
    /// Share of the line's time in use.
    utilisation: f64,
    /// The same while every `scan_period_when` holds.
    utilisation_fastest: f64,
    /// Devices whose points other reads might bring in less line time: at most this share less.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    above_least: BTreeMap<&'a str, f64>,
    /// Longest time from a scan's due moment to its answer.
    longest_wait_s: f64,
    feasible: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mend: Option<String>,
}

#[derive(Debug, serde::Serialize)]
struct Period {
    transactions: u32,
    points: u32,
    /// Line time of all its transactions, once each.
    line_time_s: f64,
}

/// How late one alarm may be.
#[derive(Debug, serde::Serialize)]
struct AlarmTime<'a> {
    alarm: &'a str,
    worst_s: f64,
    respond_within_s: Option<f64>,
    /// What is left of it to act, at the worst.
    left_s: Option<f64>,
    parts_s: BTreeMap<&'static str, f64>,
}

fn link_plan<'a>(plan: &'a Plan, link: &'a Link) -> LinkPlan<'a> {
    let budget = LinkBudget::of(plan, link);
    let (problem, mend) = budget.mend(plan, link).unzip();
    let per_s =
        budget.periods.iter().map(|(period, share)| f64::from(share.transactions) / period.as_secs_f64().max(0.001));
    LinkPlan {
        link: &link.name,
        devices: link.devices.count,
        points: budget.periods.values().map(|share| share.points).sum(),
        transactions: budget.periods.values().map(|share| share.transactions).sum(),
        transactions_per_s: thousandths(per_s.sum()),
        utilisation: thousandths(budget.utilisation),
        utilisation_fastest: thousandths(budget.utilisation_fastest),
        above_least: crate::plan::stretch(&plan.devices, link.devices)
            .iter()
            .filter(|device| device.above_least_ppm > 0)
            .map(|device| (device.name.as_str(), f64::from(device.above_least_ppm) / 1e6))
            .collect(),
        longest_wait_s: thousandths(budget.wait.as_secs_f64()),
        feasible: budget.is_feasible(),
        problem,
        mend,
        periods: budget
            .periods
            .iter()
            .map(|(period, share)| {
                let line_time_s = thousandths(share.busy.as_secs_f64());
                (millis(*period), Period { transactions: share.transactions, points: share.points, line_time_s })
            })
            .collect(),
    }
}

/// The configured alarms, those with the least time left first.
fn alarm_times(plan: &Plan) -> Vec<AlarmTime<'_>> {
    let configured = plan.alarms.iter().zip(budget::lateness(plan)).filter(|(alarm, _)| !alarm.own);
    let mut times: Vec<AlarmTime<'_>> = configured
        .filter_map(|(alarm, late)| {
            let late = late?;
            let within = alarm.respond_within.map(|within| within.as_secs_f64());
            let worst = late.total().as_secs_f64();
            Some(AlarmTime {
                alarm: &alarm.id,
                worst_s: thousandths(worst),
                respond_within_s: within,
                left_s: within.map(|within| thousandths(within - worst)),
                parts_s: late.parts().iter().map(|(name, part)| (*name, thousandths(part.as_secs_f64()))).collect(),
            })
        })
        .collect();
    let left = |time: &AlarmTime<'_>| time.left_s.unwrap_or(f64::INFINITY);
    times.sort_by(|a, b| left(a).total_cmp(&left(b)).then_with(|| a.alarm.cmp(b.alarm)));
    times
}

fn in_json(loaded: &Loaded) -> serde_json::Value {
    let plan = &loaded.plan;
    let links: Vec<_> = plan.links.iter().map(|link| link_plan(plan, link)).collect();
    serde_json::json!({
        "mistakes": [],
        "findings": loaded.findings,
        "review": loaded.review,
        "accepted": loaded.accepted,
        "points": plan.points.len(),
        "derived": plan.derived.len(),
        "alarms": plan.alarms.iter().filter(|alarm| !alarm.own).count(),
        "links": links,
        "power": power::in_json(&plan.topology),
        "recipients": people::in_json(plan),
        "alarm_times": alarm_times(plan),
    })
}

fn in_words(loaded: &Loaded) -> String {
    let plan = &loaded.plan;
    let mut text = format!(
        "{} {}: {}, {}, {} ({} derived), {}. No mistake was found.\n",
        plan.module.site,
        plan.module.name,
        counted(plan.links.len(), "link"),
        counted(plan.devices.len(), "device"),
        counted(plan.points.len(), "point"),
        plan.derived.len(),
        counted(plan.alarms.iter().filter(|alarm| !alarm.own).count(), "alarm")
    );
    for link in &plan.links {
        text.push_str(&link_in_words(plan, link));
    }
    text.push_str(&power::in_words(&plan.topology));
    text.push_str(&people::in_words(plan));
    text.push_str(&alarms_in_words(plan));
    if !loaded.findings.is_empty() {
        text.push_str("\nFindings (advice; the configuration can be used):\n");
        for finding in &loaded.findings {
            text.push_str(&format!("  {finding}\n"));
        }
    }
    text.push_str(&review::in_words(loaded));
    text
}

fn link_in_words(plan: &Plan, link: &Link) -> String {
    let about = link_plan(plan, link);
    let mut text = format!(
        "\nLink {}: {}, {} in {}, {} transactions a second; {:.1} % of its time in use",
        about.link,
        counted(about.devices as usize, "device"),
        counted(about.points as usize, "point"),
        counted(about.transactions as usize, "transaction"),
        about.transactions_per_s,
        about.utilisation * 100.0
    );
    if about.utilisation_fastest > about.utilisation {
        text.push_str(&format!(", {:.1} % while scan_period_when holds", about.utilisation_fastest * 100.0));
    }
    text.push_str(&format!("; an answer comes at most {} after its scan is due\n", spoken_s(about.longest_wait_s)));
    if let (Some(problem), Some(mend)) = (&about.problem, &about.mend) {
        text.push_str(&format!("  NOT FEASIBLE: {problem}: {mend}\n"));
    }
    for (period, share) in &about.periods {
        text.push_str(&format!(
            "  every {}: {}, {}, {} of line time\n",
            spoken_ms(*period),
            counted(share.transactions as usize, "transaction"),
            counted(share.points as usize, "point"),
            spoken_s(share.line_time_s)
        ));
    }
    let is_modbus = match link.transport {
        Transport::ModbusTcp { .. } | Transport::ModbusTls { .. } | Transport::ModbusRtuTcp { .. } => true,
        Transport::Serial { .. } => !link.listen,
        Transport::Snmp { .. } | Transport::Redfish(_) => false,
    };
    if is_modbus && about.transactions > 0 {
        if about.above_least.is_empty() {
            text.push_str("  proved: no other reads bring these points in less line time\n");
        }
        for (device, share) in &about.above_least {
            let percent = share * 100.0;
            text.push_str(&format!(
                "  {device}: good reads, not proved the best: others might take up to {percent:.1} % less line time\n"
            ));
        }
    }
    for device in crate::plan::stretch(&plan.devices, link.devices) {
        let asks = crate::plan::stretch(&plan.transactions, device.transactions);
        let said: Vec<String> =
            asks.iter().map(|t| format!("{} every {}", asked(&t.ask), spoken_ms(millis(t.period)))).collect();
        text.push_str(&format!("  {:<16} {}\n", device.name, said.join("; ")));
    }
    text
}

/// A line an alarm; alarms whose ids differ in numbers only and whose times are equal share one.
fn alarms_in_words(plan: &Plan) -> String {
    let mut rows: Vec<(String, usize, AlarmTime<'_>)> = Vec::new();
    for time in alarm_times(plan) {
        let kind: String = time.alarm.chars().map(|c| if c.is_ascii_digit() { '#' } else { c }).collect();
        let like = |(known, _, other): &&mut (String, usize, AlarmTime<'_>)| {
            *known == kind && (other.parts_s == time.parts_s) && other.respond_within_s == time.respond_within_s
        };
        match rows.iter_mut().find(like) {
            Some((_, count, _)) => *count += 1,
            None => rows.push((kind, 1, time)),
        }
    }
    if rows.is_empty() {
        return String::new();
    }
    let mut text = String::from(
        "\nAlarms, at their worst from the change to its publication, and what that leaves to act. Where the seconds go:\n\
         probe is the sensor's own lag, refresh the device's, scan a reading just missed and the round waited for, line what\n\
         else goes first, held the rounds waited out while what is added up moves, window that of a slope, delay on_delay.\n",
    );
    for (kind, count, time) in rows {
        let name = if count == 1 { time.alarm.to_string() } else { format!("{kind} ({count})") };
        let left = match (time.left_s, time.respond_within_s) {
            (Some(left), Some(within)) if left <= 0.0 => format!("TOO LATE for {}", spoken_s(within)),
            (Some(left), Some(within)) => format!("{} of {} left", spoken_s(left), spoken_s(within)),
            _ => "no time to respond is given".into(),
        };
        let parts: Vec<String> = ["probe", "refresh", "scan", "line", "held", "window", "delay"]
            .into_iter()
            .filter_map(|name| time.parts_s.get(name).filter(|part| **part > 0.0).map(|part| format!("{name} {part}")))
            .collect();
        text.push_str(&format!("  {name:<36} {:>8}  {left:<24} ({})\n", spoken_s(time.worst_s), parts.join(", ")));
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
        Ask::Snmp { oids } => counted(oids.len(), "variable"),
        Ask::SnmpCells { rows, cells } if rows.is_empty() => counted(cells.len(), "sensor"),
        Ask::SnmpCells { rows, cells } => {
            format!("{} of {}", counted(cells.len(), "cell"), counted(rows.len(), "labelled row"))
        }
        Ask::Redfish { resource, .. } => resource.clone(),
        Ask::SnmpColumn { listed, .. } => format!("1 column walked for {}", counted(listed.len(), "point")),
    }
}

fn millis(duration: std::time::Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

fn spoken_s(s: f64) -> String {
    budget::spoken(std::time::Duration::from_secs_f64(s.clamp(0.0, 1e9)))
}

fn spoken_ms(ms: u64) -> String {
    if ms.is_multiple_of(1000) { format!("{} s", ms / 1000) } else { format!("{ms} ms") }
}
