//! How the agent itself is, for people, for a load balancer and for whoever scrapes figures.
//!
//! `/metrics` is OpenMetrics 1.0 text; every name begins with `lapwing_`. Values are those of the board and the counters;
//! nothing is measured here. Never panics.

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use lapwing_protocol::{AlarmRecord, Decimal};

use super::Shared;
use super::answer::{Health, OwnRow};
use crate::cause::Cause;
use crate::words::{Words, sentence};

/// The core looks about once a second; one that does not for so long hangs.
const STILL: Duration = Duration::from_secs(4);

/// `GET /health`, `GET /api/health`.
pub(super) async fn health(State(shared): State<Arc<Shared>>) -> Response {
    let health = look(&shared);
    let status = if health.state == "failing" { StatusCode::SERVICE_UNAVAILABLE } else { StatusCode::OK };
    (status, Json(health)).into_response()
}

fn look(shared: &Shared) -> Health {
    let words = Words::of(shared.plan.module.language);
    let say = |cause: &Cause| sentence(&cause.said(words));
    let (mut degraded, mut failing) = (Vec::new(), Vec::new());
    let still = shared.board.without_progress();
    if still > STILL {
        failing.push(say(&Cause::known("health_no_progress", &[("seconds", &still.as_secs())])));
    }
    let store = shared.writer.state();
    if let Some((_, why)) = &store.failing {
        degraded.push(say(why));
    }
    if store.stopped {
        failing.push(say(&Cause::known("store_stopped", &[])));
    }
    let head = shared.board.head();
    if head.broker_down {
        degraded.push(say(&Cause::known("health_broker", &[("count", &store.unsent)])));
    }
    if !head.clock_synced {
        degraded.push(say(&Cause::known("health_clock", &[])));
    }
    let dead = shared.plan.links.iter().filter(|link| {
        let shown = usize::try_from(link.state_point).ok().and_then(|point| shared.board.get(point));
        shown.and_then(|shown| shown.value) == Some(1)
    });
    degraded.extend(dead.map(|link| say(&Cause::known("health_link", &[("link", &link.name)]))));
    let (own, alarms) = own(shared);
    degraded.extend(alarms);
    let state = match (failing.is_empty(), degraded.is_empty()) {
        (false, _) => "failing",
        (true, false) => "degraded",
        (true, true) => "well",
    };
    failing.extend(degraded);
    Health { state: state.into(), why: failing, own }
}

/// The points of the agent's own health, and what alarms on them say now.
fn own(shared: &Shared) -> (Vec<OwnRow>, Vec<String>) {
    let Some(health) = &shared.plan.health else { return (Vec::new(), Vec::new()) };
    let points = health.points();
    let row = |point: u32| {
        let at = usize::try_from(point).ok()?;
        let (about, shown) = (shared.plan.points.get(at)?, shared.board.get(at)?);
        Some(OwnRow {
            path: about.path.clone(),
            value: shown.value.map(|value| Decimal::new(value, about.exponent)),
            unit: about.unit.clone(),
            status: shown.status.number(),
        })
    };
    // Store and clock have been told above.
    let told = [health.store, health.clock];
    let alarms =
        shared.plan.alarms.iter().filter(|alarm| points.contains(&alarm.point) && !told.contains(&alarm.point));
    let said = alarms.filter_map(|alarm| {
        let record = shared.board.alarm_record(&alarm.id)?;
        let record: AlarmRecord = serde_json::from_slice(&record).ok()?;
        record.active.then_some(record.text)
    });
    (points.iter().copied().filter_map(row).collect(), said.collect())
}

/// `GET /metrics`.
pub(super) async fn metrics(State(shared): State<Arc<Shared>>) -> Response {
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    ([(header::CONTENT_TYPE, kind)], text(&shared)).into_response()
}

fn text(shared: &Shared) -> String {
    let mut out = String::with_capacity(64 * 1024);
    let mut line = |text: std::fmt::Arguments<'_>| {
        // Writing to a string cannot fail.
        let _infallible = out.write_fmt(text);
        out.push('\n');
    };
    line(format_args!("# TYPE lapwing_point gauge"));
    line(format_args!("# HELP lapwing_point Value of a point in its unit; absent while bad."));
    for shown in shared.board.since(0) {
        let Some(about) = usize::try_from(shown.point).ok().and_then(|point| shared.plan.points.get(point)) else {
            continue;
        };
        if let Some(value) = shown.value {
            let value = Decimal::new(value, about.exponent);
            line(format_args!("lapwing_point{{path=\"{}\",unit=\"{}\"}} {value}", about.path, escaped(&about.unit)));
        }
    }
    line(format_args!("# TYPE lapwing_point_status gauge"));
    line(format_args!(
        "# HELP lapwing_point_status OPC UA status number of a point's reading; 0 is good, good ones are left out."
    ));
    for shown in shared.board.since(0).filter(|shown| !shown.status.is_good()) {
        let Some(about) = usize::try_from(shown.point).ok().and_then(|point| shared.plan.points.get(point)) else {
            continue;
        };
        line(format_args!("lapwing_point_status{{path=\"{}\"}} {}", about.path, shown.status.number()));
    }
    line(format_args!("# TYPE lapwing_alarm_active gauge"));
    line(format_args!("# HELP lapwing_alarm_active Whether an alarm's condition holds, delays considered."));
    for record in shared.board.alarms() {
        let Ok(record) = serde_json::from_slice::<AlarmRecord>(&record) else { continue };
        line(format_args!(
            "lapwing_alarm_active{{alarm=\"{}\",priority=\"{}\",state=\"{}\"}} {}",
            escaped(&record.alarm),
            record.priority.as_str(),
            record.state.as_str(),
            u8::from(record.active)
        ));
    }
    type Count = fn(crate::field::stats::Figures) -> u64;
    let counters: [(&str, &str, Count); 5] = [
        ("requests", "Requests sent to a device.", |f| f.requests),
        ("timeouts", "Requests that nobody answered in time.", |f| f.timeouts),
        ("garbled", "Answers not believed.", |f| f.garbled),
        ("scans_due", "Scans that fell due.", |f| f.scans_due),
        ("scans_good", "Scans that brought values.", |f| f.scans_good),
    ];
    for (name, help, count) in counters {
        line(format_args!("# TYPE lapwing_device_{name} counter"));
        line(format_args!("# HELP lapwing_device_{name} {help}"));
        for (index, device) in (0u32..).zip(&shared.plan.devices) {
            let figures = shared.stats.device(index);
            line(format_args!(
                "lapwing_device_{name}_total{{device=\"{}\"}} {}",
                escaped(&device.name),
                count(figures)
            ));
        }
    }
    let store = shared.writer.state();
    line(format_args!("# TYPE lapwing_events_unsent gauge"));
    line(format_args!("# HELP lapwing_events_unsent Events the broker has not confirmed."));
    line(format_args!("lapwing_events_unsent {}", store.unsent));
    out.push_str("# EOF\n");
    out
}

/// A label's value: backslash, quote and line feed escaped (OpenMetrics 1.0, ABNF of escaped-string).
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    #[test]
    fn labels_are_escaped() {
        assert_eq!(super::escaped("a\\b\"c\nd"), "a\\\\b\\\"c\\nd");
    }
}
