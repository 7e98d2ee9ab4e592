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
    let (findings, questions) = (loaded.findings.len(), loaded.review.len());
    if findings + questions > 0 {
        let questions = if questions == 0 { "no question".into() } else { counted(questions, "question") };
        let findings = if findings == 0 { "no finding".into() } else { counted(findings, "finding") };
        text.push_str(&format!(
            "It can be used. At the end of this: {findings}, and {questions} to the alarm set; begin there.\n"
        ));
    }
    text.push_str(&links_in_words(plan));
    text.push_str(&power::in_words(&plan.topology));
    text.push_str(&people::in_words(plan));
    text.push_str(&alarms_in_words(plan));
    if !loaded.findings.is_empty() {
        text.push_str("\nFindings (advice; the configuration can be used):\n");
        for finding in &loaded.findings {
            text.push_str(&format!("  {finding}\n"));
        }
        text.truncate(text.trim_end().len());
        text.push('\n');
    }
    text.push_str(&review::in_words(loaded));
    text
}

/// A name with its digits masked: what is alike but for its number is told once.
fn kind(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_digit() { '#' } else { c }).collect()
}

/// What is told once, with how many are alike, in the order of the first of each.
fn told_once<T: PartialEq>(rows: impl Iterator<Item = (String, T)>) -> Vec<(String, usize, T)> {
    let mut once: Vec<(String, usize, T)> = Vec::new();
    for (name, said) in rows {
        let like = |(known, _, other): &&mut (String, usize, T)| kind(known) == kind(&name) && *other == said;
        match once.iter_mut().find(like) {
            Some((_, count, _)) => *count += 1,
            None => once.push((name, 1, said)),
        }
    }
    for (name, count, _) in &mut once {
        if *count > 1 {
            *name = format!("{} ({count})", kind(name));
        }
    }
    once
}

fn links_in_words(plan: &Plan) -> String {
    // The only device of a link often has its name.
    let masked = |link: &Link| link_in_words(plan, link).replace(&link.name, &kind(&link.name));
    let mut text = String::new();
    for (name, _, said) in told_once(plan.links.iter().map(|link| (link.name.clone(), masked(link)))) {
        match plan.links.iter().find(|link| link.name == name) {
            Some(link) => text.push_str(&format!("\nLink {name}: {}", link_in_words(plan, link))),
            None => text.push_str(&format!("\nLinks {name}, each: {said}")),
        }
    }
    text
}

/// What a link carries, without its name.
fn link_in_words(plan: &Plan, link: &Link) -> String {
    let about = link_plan(plan, link);
    let mut text = format!(
        "{}, {} in {}, {} transactions a second; {:.1} % of its time in use",
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
    let reads = crate::plan::stretch(&plan.devices, link.devices).iter().map(|device| {
        let asks = crate::plan::stretch(&plan.transactions, device.transactions);
        let said: Vec<String> =
            asks.iter().map(|t| format!("{} every {}", asked(&t.ask), spoken_ms(millis(t.period)))).collect();
        (device.name.clone(), said.join("; "))
    });
    for (name, _, said) in told_once(reads) {
        text.push_str(&format!("  {name:<16} {said}\n"));
    }
    text
}

/// A line an alarm; alarms whose ids differ in numbers only and whose times are equal share one.
fn alarms_in_words(plan: &Plan) -> String {
    let times = alarm_times(plan).into_iter();
    let rows =
        told_once(times.map(|time| (time.alarm.to_owned(), (time.parts_s, time.worst_s, time.respond_within_s))));
    if rows.is_empty() {
        return String::new();
    }
    let mut text = String::from(
        "\nAlarms, at their worst from the change to its publication, and what that leaves to act. Where the seconds go:\n\
         probe is the sensor's own lag, refresh the device's, scan a reading just missed and the round waited for, line what\n\
         else goes first, held the rounds waited out while what is added up moves, window that of a slope, delay on_delay.\n",
    );
    for (name, _, (parts_s, worst_s, within_s)) in rows {
        let left = match within_s.map(|within| (within - worst_s, within)) {
            Some((left, within)) if left <= 0.0 => format!("TOO LATE for {}", long(within, within)),
            Some((left, within)) => format!("{} of {} left", long(left, within), long(within, within)),
            None => "no time to respond is given".into(),
        };
        let parts: Vec<String> = ["probe", "refresh", "scan", "line", "held", "window", "delay"]
            .into_iter()
            .filter_map(|name| parts_s.get(name).filter(|part| **part > 0.0).map(|part| format!("{name} {part}")))
            .collect();
        text.push_str(&format!("  {name:<36} {:>8}  {left:<26} ({})\n", spoken_s(worst_s), parts.join(", ")));
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

/// A part of a whole that may be hours: in minutes where that has ten of them.
fn long(s: f64, whole_s: f64) -> String {
    if whole_s < 600.0 {
        return spoken_s(s);
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // clamped, and rounded down
    crate::words::lasting(s.clamp(0.0, 1e9) as u64)
}

fn spoken_ms(ms: u64) -> String {
    if ms.is_multiple_of(1000) { format!("{} s", ms / 1000) } else { format!("{ms} ms") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_alike_but_for_its_number_is_told_once() {
        let rows = [("pdu-01-a", 7), ("pdu-01-b", 7), ("pdu-02-a", 7), ("pdu-03-a", 8), ("main", 7)];
        let once = told_once(rows.into_iter().map(|(name, said)| (name.to_owned(), said)));
        let said: Vec<(&str, usize, i32)> = once.iter().map(|(name, n, said)| (name.as_str(), *n, *said)).collect();
        assert_eq!(said, [("pdu-##-a (2)", 2, 7), ("pdu-01-b", 1, 7), ("pdu-03-a", 1, 8), ("main", 1, 7)]);
    }

    #[test]
    fn a_part_is_said_in_the_words_of_its_whole() {
        assert_eq!((long(13.71, 30.0), long(30.0, 30.0)), ("13.71 s".into(), "30 s".into()));
        assert_eq!((long(598.4, 600.0), long(600.0, 600.0)), ("9 min 58 s".into(), "10 min".into()));
        assert_eq!(long(28_179.0, 28_800.0), "7 h 49 min");
    }
}
