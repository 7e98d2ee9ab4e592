//! Limits and deadbands against what the sensor can say: out of reach, narrower than its noise or step, too wide to clear.
//!
//! Limits of `high` and `low` outside the valid range are told where they are read (`config`). A deadband at least as wide
//! as the noise keeps an alarm from chattering (ISA-18.2, from memory). Values are steps of the point. Never panics.

use lapwing_engine::spec::{Condition, Layout};
use lapwing_protocol::Decimal;

use super::ground::{Ground, Subject};
use super::{Finding, Severity, alarm};

/// From peak to peak noise is about six standard deviations (of a normal distribution, 99.7 %).
const PEAK_TO_PEAK: f64 = 6.0;
/// Below so many standard errors a slope is noise.
const SURE: f64 = 3.0;

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    for subject in &ground.alarms {
        deadband(subject, found);
        reach(ground, subject, found);
        rate(ground, subject, found);
    }
}

fn deadband(subject: &Subject<'_>, found: &mut Vec<Finding>) {
    let Some((_, deadband)) = subject.limit() else { return };
    let id = &subject.alarm.id;
    let noise = subject.point.noise.and_then(|noise| noise.rescale(subject.point.exponent).ok());
    if let Some(noise) = noise.map(|noise| noise.mantissa).filter(|noise| deadband < *noise) {
        found.push(alarm(
            "deadband_below_noise",
            Severity::Moderate,
            id,
            format!(
                "the deadband {} is narrower than the noise {} of `{}`: near its limit the alarm comes and goes",
                subject.said(deadband),
                subject.said(noise),
                subject.point.path
            ),
            format!("make the deadband at least {}", subject.said(noise)),
        ));
        return;
    }
    // One step of the source is what its last digit flickers by; where that is one step of the point, the strict
    // comparison holds it already.
    let step = step(subject);
    if step > 1 && deadband < step {
        found.push(alarm(
            "deadband_below_step",
            Severity::Moderate,
            id,
            format!(
                "the deadband {} is narrower than one step of the source, {}: its last digit alone raises and clears it",
                subject.said(deadband),
                subject.said(step)
            ),
            format!("make the deadband at least {}", subject.said(step)),
        ));
    }
}

/// One step of a whole-numbered source, in steps of the point; 0 where it has none.
fn step(subject: &Subject<'_>) -> i64 {
    let decode = &subject.reading.decode;
    match decode.layout {
        Layout::F32 | Layout::F64 => return 0,
        Layout::U16
        | Layout::I16
        | Layout::U32
        | Layout::I32
        | Layout::U48
        | Layout::I48
        | Layout::U64
        | Layout::I64
        | Layout::Bit
        | Layout::Bits
        | Layout::Enum
        | Layout::Bcd
        | Layout::Modulo10000
        | Layout::TextNumber
        | Layout::Counter => {}
    }
    let scale = Decimal::new(decode.scale.mantissa.saturating_abs(), decode.scale.exponent);
    scale.rescale(subject.point.exponent).map_or(0, |step| step.mantissa)
}

fn reach(ground: &Ground<'_>, subject: &Subject<'_>, found: &mut Vec<Finding>) {
    let Some((low, high)) = ground.range(subject) else { return };
    let id = &subject.alarm.id;
    let range = || format!("{} to {}", subject.said(low), subject.said(high));
    let out = |limit: i64| {
        let what = format!(
            "{} lies outside what `{}` can read, {}: the alarm can never be raised",
            subject.said(limit),
            subject.point.path,
            range()
        );
        alarm("limit_out_of_reach", Severity::Serious, id, what, "choose a limit inside, or correct `valid`")
    };
    match subject.spec.condition {
        Condition::TimeToLimit { limit, rising, .. } => {
            if (rising && limit >= high) || (!rising && limit <= low) {
                found.push(out(limit));
            }
        }
        Condition::Beyond { limit, .. } if limit >= high.saturating_abs().max(low.saturating_abs()) => {
            found.push(out(limit));
        }
        Condition::High { limit, deadband } if limit < high && limit.saturating_sub(deadband) <= low => {
            found.push(too_wide(subject, deadband, &range()));
        }
        Condition::Low { limit, deadband } if limit > low && limit.saturating_add(deadband) >= high => {
            found.push(too_wide(subject, deadband, &range()));
        }
        Condition::Beyond { limit, deadband } if deadband > 0 && deadband >= limit => {
            found.push(too_wide(subject, deadband, &range()));
        }
        Condition::High { .. }
        | Condition::Low { .. }
        | Condition::Beyond { .. }
        | Condition::Rise { .. }
        | Condition::Fall { .. }
        | Condition::State { .. }
        | Condition::BadMeasurement
        | Condition::Frozen
        | Condition::NotIn { .. } => {}
    }
    if let Some(left_to) = subject.alarm.left_to
        && !matches!(subject.spec.condition, Condition::TimeToLimit { .. })
        && !(low..=high).contains(&left_to)
    {
        let what = format!(
            "`left_to` {} lies outside what `{}` can read, {}: the time left is never known at the end",
            subject.said(left_to),
            subject.point.path,
            range()
        );
        found.push(alarm("left_to_out_of_reach", Severity::Moderate, id, what, "choose a value inside the range"));
    }
}

fn too_wide(subject: &Subject<'_>, deadband: i64, range: &str) -> Finding {
    let what = format!(
        "with the deadband {} the alarm never clears: `{}` reads {range} only",
        subject.said(deadband),
        subject.point.path
    );
    alarm("deadband_too_wide", Severity::Serious, &subject.alarm.id, what, "narrow the deadband")
}

/// Rates against the noise of the window: the standard error of a slope of n readings, σ·√(12/n)/T.
fn rate(ground: &Ground<'_>, subject: &Subject<'_>, found: &mut Vec<Finding>) {
    let (Condition::Rise { per_min, .. } | Condition::Fall { per_min, .. }) = subject.spec.condition else { return };
    let Some(window) = subject.reading.window.and_then(|at| ground.plan.engine.windows.get(usize::try_from(at).ok()?))
    else {
        return;
    };
    let over_s = f64::from(window.over_ms) / 1000.0;
    let steps = |value: i64| Decimal::new(value, subject.point.exponent).to_f64();
    if let Some((low, high)) = ground.range(subject)
        && steps(per_min) * over_s / 60.0 > steps(high.saturating_sub(low))
    {
        let what = format!(
            "a rise of {} a minute over {over_s} s is more than `{}` can change from one end to the other: the alarm can \
             never be raised",
            subject.said(per_min),
            subject.point.path
        );
        found.push(alarm(
            "window_too_long",
            Severity::Serious,
            &subject.alarm.id,
            what,
            "shorten `over` or lower the rate",
        ));
    }
    let Some(noise) = subject.point.noise.map(|noise| noise.to_f64()).filter(|noise| *noise > 0.0) else { return };
    let readings = (f64::from(window.over_ms) / f64::from(window.spacing_ms.max(1))).max(2.0);
    let error = noise / PEAK_TO_PEAK * (12.0 / readings).sqrt() / over_s * 60.0;
    if steps(per_min) < SURE * error && subject.spec.on_delay_ms < window.over_ms {
        let what = format!(
            "the rate {} a minute is within what the noise of `{}` makes of a window of {over_s} s (about {:.2} a minute, \
             three standard errors)",
            subject.said(per_min),
            subject.point.path,
            SURE * error
        );
        found.push(alarm("rate_below_noise", Severity::Moderate, &subject.alarm.id, what, "lengthen `over`"));
    }
}
