//! From a transition to words: the event, the alarm's retained record and the announcement.
//!
//! Decides what a person reads; it neither numbers events nor judges anything. Values are decimals at the point's
//! exponent with the unit people see (`21.6 °C`). Times in: milliseconds of the monotonic clock, turned to wall time by
//! the caller's function. Never panics.

use lapwing_engine::spec::{AlarmSpec, Condition, Millis};
use lapwing_engine::{Cause, Hidden, Process, Transition};
use lapwing_protocol::{AlarmChange, AlarmRecord, Decimal, Hiding, Mode, Priority, ShownState, Status, Unit, Word};

use super::saved::Kept;
use crate::plan::{Alarm, Language, Plan, Point};
use crate::words::{Words, filled};

/// What the plan knows of one alarm, looked up once.
#[derive(Clone, Copy, Debug)]
pub struct Subject<'a> {
    /// What it says.
    pub alarm: &'a Alarm,
    /// How it is judged.
    pub spec: &'a AlarmSpec,
    /// Its point.
    pub point: &'a Point,
    /// In which words.
    pub words: &'static Words,
}

impl<'a> Subject<'a> {
    /// The subject with this index; `None` if the plan has no such alarm.
    #[must_use]
    pub fn of(plan: &'a Plan, index: u32) -> Option<Self> {
        let index = usize::try_from(index).ok()?;
        let alarm = plan.alarms.get(index)?;
        let point = plan.points.get(usize::try_from(alarm.point).ok()?)?;
        let words = Words::of(plan.module.language);
        Some(Self { alarm, spec: plan.engine.alarms.get(index)?, point, words })
    }

    fn value(&self, mantissa: i64) -> Decimal {
        Decimal::new(mantissa, self.point.exponent)
    }

    /// A value with what people call it: a state's name, or number and unit.
    #[must_use]
    pub fn spoken(&self, mantissa: i64) -> String {
        in_words(self.words, self.point, mantissa)
    }

    fn limit_spoken(&self) -> String {
        let Some(limit) = self.alarm.limit else { return String::new() };
        let unit = self.alarm.limit_unit.as_deref().unwrap_or(&self.point.unit);
        with_unit(self.words, limit, unit)
    }

    /// The alarm's sentence with its value, limit and rate; of an own alarm, which points it is about.
    #[must_use]
    pub fn sentence(
        &self,
        value: Option<i64>,
        status: lapwing_protocol::Status,
        rate_per_min: Option<Decimal>,
        which: Option<&str>,
    ) -> String {
        let value = value.map_or_else(|| self.words.status(status).to_owned(), |v| self.spoken(v));
        let rate = rate_per_min.map_or_else(|| self.words.tell.unknown_rate.clone(), |rate| self.rate_spoken(rate));
        let text = self.alarm.text.replace("{value}", &value).replace("{state}", &value);
        let text = text.replace("{limit}", &self.limit_spoken()).replace("{rate}", &rate);
        if self.alarm.own { text.replace("{which}", which.unwrap_or(&self.words.tell.all_points)) } else { text }
    }

    fn rate_spoken(&self, rate: Decimal) -> String {
        let unit = Unit::parse(&self.point.unit).and_then(Unit::per_minute);
        let size = Decimal::new(rate.mantissa.saturating_abs(), rate.exponent);
        with_unit(self.words, size, unit.as_deref().unwrap_or("/min"))
    }
}

/// A point's value as people say it, in English.
#[must_use]
pub fn spoken(point: &Point, mantissa: i64) -> String {
    in_words(Words::of(Language::English), point, mantissa)
}

fn in_words(words: &Words, point: &Point, mantissa: i64) -> String {
    let states = if point.state_texts.is_empty() { &point.states } else { &point.state_texts };
    match states.iter().find(|(value, _)| *value == mantissa) {
        Some((_, name)) => name.clone(),
        None => with_unit(words, Decimal::new(mantissa, point.exponent), &point.unit),
    }
}

fn with_unit(words: &Words, value: Decimal, code: &str) -> String {
    let value = words.number(&value.to_string());
    let text = match Unit::parse(code) {
        Some(unit) => unit.text(),
        None => code,
    };
    match text {
        "" | "1" => value,
        "%" => format!("{value} %"),
        text => format!("{value} {text}"),
    }
}

/// What the ledger needs beside the transition to make a record of it.
#[derive(Clone, Copy)]
#[allow(missing_debug_implementations)] // holds a function
pub struct Circumstance<'a> {
    /// Wall time of a monotonic moment.
    pub wall: &'a dyn Fn(Millis) -> i64,
    /// What the core keeps of the alarm: its incident and place in it, its priority now.
    pub kept: &'a Kept,
    /// A person is told by this.
    pub announced: bool,
    /// Slope of the point, per minute, at its exponent, where it has a trend.
    pub rate_per_min: Option<Decimal>,
    /// Time left to what counts as too late, s, at the present rate.
    pub seconds_left: Option<u32>,
    /// Who did it, when a person did.
    pub by: Option<&'a str>,
    /// Why, when it was not the value.
    pub reason: Option<&'a str>,
    /// When its shelf ends, if it has one.
    pub until: Option<Millis>,
}

/// The event's own part.
#[must_use]
pub fn change(subject: Subject<'_>, t: &Transition, with: &Circumstance<'_>) -> AlarmChange {
    let Subject { alarm, point, .. } = subject;
    AlarmChange {
        alarm: alarm.id.clone(),
        occurrence: t.occurrence,
        incident: with.kept.incident,
        condition: Word::from(alarm.condition),
        from: Word::from(t.from),
        to: Word::from(t.to),
        active: t.active,
        acknowledged: acknowledged(t.process_to),
        hidden_by: hidden_by(t.hidden),
        priority: Word::from(with.kept.priority.unwrap_or(alarm.priority)),
        impact: Word::from(alarm.impact),
        point: point.path.clone(),
        tag: point.tag.clone(),
        location: point.location.clone(),
        value: (!t.status.is_bad()).then(|| subject.value(t.value)),
        limit: alarm.limit,
        unit: point.unit.clone(),
        limit_unit: alarm.limit_unit.clone(),
        quality: t.status,
        true_since: t.true_since.map(with.wall),
        raised_at: t.raised_at.map(with.wall),
        rate_per_min: with.rate_per_min,
        seconds_left: with.seconds_left,
        left_to: with.seconds_left.and(alarm.left_to).map(|left_to| subject.spoken(left_to)),
        first_out: with.kept.first_out,
        follows: with.kept.follows.clone(),
        tie: with.kept.tie,
        announced: with.announced,
        consequence: alarm.consequence.clone(),
        response: alarm.response.clone(),
        first_check: alarm.first_check.clone(),
        safety: alarm.safety.clone(),
        document: alarm.document.clone(),
        respond_within_s: seconds(alarm.respond_within),
        by: with.by.map(str::to_owned),
        reason: with.reason.map(str::to_owned),
        until: with.until.map(with.wall),
    }
}

/// The sentence of the event: what happened, said so that a person can act. `stood` is what was said when the alarm was
/// raised, `which` the points an own alarm is about.
#[must_use]
pub fn text(
    subject: Subject<'_>,
    t: &Transition,
    rate_per_min: Option<Decimal>,
    by: Option<&str>,
    stood: &str,
    which: Option<&str>,
) -> String {
    let value = (!t.status.is_bad()).then_some(t.value);
    let tell = &subject.words.tell;
    let plain = if stood.is_empty() { title(subject) } else { stood.trim_end_matches('.').to_owned() };
    let about = filled(&tell.quoted, &[("about", &plain)]);
    let whom = by.map(|name| filled(&tell.by, &[("who", name)])).unwrap_or_default();
    let done = |sentence: &str| filled(sentence, &[("about", &about), ("by", &whom)]);
    match t.cause {
        Cause::Raised | Cause::ReAlarmed => subject.sentence(value, t.status, rate_per_min, which),
        // The state of a link or device is no reading of anything, and its alarm has said what it is.
        Cause::Cleared => match value.filter(|_| !subject.alarm.own || subject.point.states.is_empty()) {
            Some(value) => filled(
                &tell.cleared_at,
                &[("about", &about), ("point", &subject.point.path), ("value", &subject.spoken(value))],
            ),
            None => done(&tell.cleared),
        },
        Cause::Acknowledged => done(&tell.acknowledged),
        Cause::Reset => done(&tell.reset),
        Cause::Shelved => done(&tell.shelved),
        Cause::Unshelved => done(&tell.unshelved),
        Cause::ShelfEnded => done(&tell.shelf_ended),
        Cause::Suppressed { .. } => done(&tell.suppressed),
        Cause::Released { .. } => done(&tell.released),
        Cause::SuppressionEnded => done(&tell.suppression_ended),
        Cause::RemovedFromService => done(&tell.removed),
        Cause::ReturnedToService => done(&tell.returned),
    }
}

/// The sentence of a raise with what it belongs to: what it follows from, or what it explains.
#[must_use]
pub fn with_place(words: &Words, text: &str, follows: Option<&str>, explains: Option<&str>, tie: bool) -> String {
    let tell = &words.tell;
    let (frame, other) = match (follows, explains, tie) {
        (Some(cause), _, false) => (&tell.follows, cause),
        (Some(cause), _, true) => (&tell.follows_tie, cause),
        (None, Some(effect), false) => (&tell.explains, effect),
        (None, Some(effect), true) => (&tell.explains_tie, effect),
        (None, None, _) => return text.to_owned(),
    };
    let other = filled(&tell.quoted, &[("about", other.trim_end_matches('.'))]);
    filled(frame, &[("sentence", text.trim_end_matches('.')), ("other", &other)])
}

/// The sentence of a change that was there already at the first reading after the start.
#[must_use]
pub fn found_so(words: &Words, text: &str) -> String {
    format!("{} {}", finished(text), words.tell.found_so)
}

/// The alarm's sentence with a gap where a value would stand: what it is about.
#[must_use]
pub fn title(subject: Subject<'_>) -> String {
    let text = ["{value}", "{state}", "{rate}", "{which}"]
        .iter()
        .fold(subject.alarm.text.clone(), |text, gap| text.replace(gap, "…"));
    text.replace("{limit}", &subject.limit_spoken()).trim_end_matches(['.', ' ']).to_owned()
}

/// One plain sentence for simple receivers.
#[must_use]
pub fn announcement(plan: &Plan, mode: Mode, priority: Priority, subject: Subject<'_>, text: &str) -> String {
    let Subject { alarm, point, words, .. } = subject;
    let mut said = String::new();
    said.push_str(match mode {
        Mode::Live => "",
        Mode::Test => &words.tell.test,
        Mode::Maintenance => &words.tell.maintenance,
        Mode::Simulated => &words.tell.simulated,
    });
    let module = &plan.module;
    said.push_str(&format!("{} {}, {}: {}", module.site, module.name, words.priority(priority), finished(text)));
    if let Some(location) = &point.location {
        let tag = point.tag.as_ref().map(|tag| format!(" ({tag})")).unwrap_or_default();
        said.push_str(&filled(&words.tell.r#where, &[("place", &format!("{location}{tag}"))]));
    }
    if !alarm.response.is_empty() {
        said.push(' ');
        said.push_str(&finished(&alarm.response));
    }
    said
}

/// The retained record of an alarm's present state.
#[must_use]
pub fn record(plan: &Plan, subject: Subject<'_>, state: &Standing<'_>) -> AlarmRecord {
    let Subject { alarm, spec, point, .. } = subject;
    let (deadband, states) = match spec.condition {
        Condition::High { deadband, .. } | Condition::Low { deadband, .. } => {
            (Some(Decimal::new(deadband, point.exponent)), Vec::new())
        }
        Condition::Rise { deadband, .. } | Condition::Fall { deadband, .. } => {
            (Some(Decimal::new(deadband, point.exponent)), Vec::new())
        }
        Condition::State { states } | Condition::NotIn { states } => {
            let named = point.states.iter().filter(|(value, _)| (0..64).contains(value) && states >> value & 1 == 1);
            (None, named.map(|(_, name)| name.clone()).collect())
        }
        Condition::Beyond { deadband, .. } => (Some(Decimal::new(deadband, point.exponent)), Vec::new()),
        Condition::BadMeasurement | Condition::TimeToLimit { .. } | Condition::Frozen => (None, Vec::new()),
    };
    AlarmRecord {
        schema: lapwing_protocol::SCHEMA,
        log: state.log.to_owned(),
        seq: state.kept.seq,
        t: state.t,
        mode: Word::from(state.mode),
        site: plan.module.site.clone(),
        module: plan.module.name.clone(),
        alarm: alarm.id.clone(),
        state: Word::from(state.shown),
        active: state.active,
        acknowledged: state.acknowledged,
        hidden_by: state.hidden_by.clone(),
        occurrence: state.occurrence,
        incident: state.kept.incident,
        condition: Word::from(alarm.condition),
        limit: alarm.limit,
        deadband,
        states,
        on_delay_s: Decimal::new(i64::from(spec.on_delay_ms), -3),
        off_delay_s: Decimal::new(i64::from(spec.off_delay_ms), -3),
        latching: spec.latching,
        priority: Word::from(state.kept.priority.unwrap_or(alarm.priority)),
        impact: Word::from(alarm.impact),
        point: point.path.clone(),
        tag: point.tag.clone(),
        location: point.location.clone(),
        unit: point.unit.clone(),
        limit_unit: alarm.limit_unit.clone(),
        value: state.kept.value.map(|v| subject.value(v)),
        quality: Status::from_number(state.kept.quality),
        true_since: state.true_since,
        raised_at: state.raised_at,
        first_out: state.kept.first_out,
        follows: state.kept.follows.clone(),
        tie: state.kept.tie,
        until: state.until,
        text: state.text.clone(),
        consequence: alarm.consequence.clone(),
        response: alarm.response.clone(),
        first_check: alarm.first_check.clone(),
        safety: alarm.safety.clone(),
        document: alarm.document.clone(),
        respond_within_s: seconds(alarm.respond_within),
    }
}

/// The part of a record that changes.
#[derive(Clone, Debug)]
pub struct Standing<'a> {
    /// Event log.
    pub log: &'a str,
    /// Mode of the module.
    pub mode: Mode,
    /// What the core keeps of it.
    pub kept: &'a Kept,
    /// When.
    pub t: i64,
    /// State as shown.
    pub shown: ShownState,
    /// Whether the condition holds, delays considered.
    pub active: bool,
    /// Whether a person has acknowledged it.
    pub acknowledged: bool,
    /// What hides it.
    pub hidden_by: Vec<Word<Hiding>>,
    /// Occurrence.
    pub occurrence: u32,
    /// Since when the condition holds.
    pub true_since: Option<i64>,
    /// When it was last raised.
    pub raised_at: Option<i64>,
    /// When its shelf ends.
    pub until: Option<i64>,
    /// What stands, in one sentence.
    pub text: String,
}

/// What hides an alarm, strongest first.
#[must_use]
pub fn hidden_by(hidden: Hidden) -> Vec<Word<Hiding>> {
    let flags = [
        (hidden.out_of_service, Hiding::OutOfService),
        (hidden.suppressed, Hiding::Suppressed),
        (hidden.shelved, Hiding::Shelved),
    ];
    flags.into_iter().filter(|(set, _)| *set).map(|(_, word)| Word::from(word)).collect()
}

/// Whether a person has acknowledged the present occurrence; there is nothing to acknowledge in normal.
#[must_use]
pub const fn acknowledged(process: Process) -> bool {
    match process {
        Process::Normal | Process::Acknowledged | Process::LatchedAcknowledged => true,
        Process::Unacknowledged | Process::ReturnedUnacknowledged | Process::LatchedUnacknowledged => false,
    }
}

fn seconds(duration: Option<std::time::Duration>) -> Option<u32> {
    duration.map(|d| u32::try_from(d.as_secs()).unwrap_or(u32::MAX))
}

/// A sentence with its full stop.
fn finished(text: &str) -> String {
    let text = text.trim();
    if text.is_empty() || text.ends_with(['.', '!', '?', '…']) { text.to_owned() } else { format!("{text}.") }
}

#[cfg(test)]
mod tests;
