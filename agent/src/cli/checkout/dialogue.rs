//! The way from point to point: shows what is read, takes what the person says, records what comes of it.
//!
//! The links go on reading while a person types, walks or waits. A typed value is compared with the newest reading; one
//! that disagrees is recorded at once and can be taken back by going back. Never panics.

use std::collections::BTreeMap;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use lapwing_protocol::{Decimal, Status};

mod talk;
mod words;

use super::about;
use crate::core::tell::spoken;
use crate::plan::{Plan, Point};
use crate::witness::checkout::answers::{Answer, Answers};
use crate::witness::checkout::board::{Board, Seen, spoken_raw};
use crate::witness::checkout::entry::{Comparison, Entry, HELP, compare};
use crate::witness::checkout::record::{Finding, Progress, RecordError, Verdict};
use crate::witness::checkout::select::Target;
use crate::witness::checkout::sheet::{Line, Sheet};
use crate::witness::checkout::suggest::{Wanted, suggest, usual};
pub(super) use talk::Talk;
use words::{agrees, now, plain, refresh_words};

/// What comes in.
#[derive(Debug)]
pub(super) enum Input {
    /// A line.
    Line(String),
    /// Nobody types any more, or somebody wants to stop.
    Stop,
}

/// Who answers.
#[derive(Debug)]
pub(super) enum Source {
    /// A person, or a pipe.
    Typed {
        /// Whether to show that a line is waited for.
        prompt: bool,
    },
    /// A file prepared before.
    File(Answers),
}

/// A checkout under way.
#[derive(Debug)]
pub(super) struct Dialogue<'a> {
    plan: &'a Plan,
    targets: &'a [Target],
    board: &'a Board,
    progress: Progress,
    source: Source,
    inputs: Receiver<Input>,
    talk: Talk,
    identities: BTreeMap<String, String>,
    initials: String,
    begun: Instant,
    /// Points decided in this run.
    decided: usize,
    /// How long one waits for a sensor to be moved.
    pub(super) wait_longest: Duration,
    /// Points decided before are asked again.
    pub(super) again: bool,
}

/// Where to go from a point.
enum Go {
    On,
    Back,
    End,
}

impl<'a> Dialogue<'a> {
    #[allow(clippy::too_many_arguments)] // one caller, each a thing of its own
    pub(super) fn new(
        plan: &'a Plan,
        targets: &'a [Target],
        board: &'a Board,
        progress: Progress,
        source: Source,
        inputs: Receiver<Input>,
        talk: Talk,
        identities: BTreeMap<String, String>,
    ) -> Self {
        Self {
            plan,
            targets,
            board,
            progress,
            source,
            inputs,
            talk,
            identities,
            initials: String::new(),
            begun: Instant::now(),
            decided: 0,
            wait_longest: Duration::from_secs(60),
            again: false,
        }
    }

    /// Goes from point to point until all are done or the person stops; looks on for `look` first.
    pub(super) fn run(&mut self, look: Duration) -> Result<(), RecordError> {
        if !look.is_zero() {
            self.talk.say(&format!("Looking on for {} s …", look.as_secs()));
            if let Ok(Input::Stop) = self.inputs.recv_timeout(look) {
                return Ok(());
            }
        }
        let before = self.targets.iter().filter(|target| self.is_decided(target)).count();
        if before > 0 && !self.again {
            self.talk.say(&format!("{before} of {} points were decided before.", self.targets.len()));
        }
        if let Source::Typed { prompt: true } = self.source {
            self.talk.say("Type what the sensor should read, or ? for help.");
        }
        let (mut at, mut back) = (0, false);
        while let Some(target) = self.targets.get(at) {
            if self.is_decided(target) && !self.again && !back {
                at += 1;
                continue;
            }
            match self.point(at, target)? {
                Go::On => (at, back) = (at + 1, false),
                Go::Back => (at, back) = (at.saturating_sub(1), true),
                Go::End => break,
            }
        }
        Ok(())
    }

    /// The sheet as it stands: findings, and for the others what is read now.
    pub(super) fn sheet(&self, plan: &Plan) -> Sheet {
        let lines = self.targets.iter().filter_map(|target| {
            let (point, device, link) = about(plan, target)?;
            let finding = self.progress.finding(&point.path, target).cloned();
            Some(Line {
                path: point.path.clone(),
                tag: point.tag.clone().unwrap_or_default(),
                location: point.location.clone().unwrap_or_default(),
                device: device.to_owned(),
                link: link.to_owned(),
                reads: target.reads.clone(),
                finding: finding.or_else(|| Some(self.finding(target, point, Verdict::NotDecided))),
            })
        });
        let lines: Vec<Line> = lines.collect();
        let of =
            |name: &String| lines.iter().find(|line| line.device == *name).map_or("", |line| &line.link).to_owned();
        let devices = self.identities.iter().map(|(name, said)| (name.clone(), of(name), said.clone())).collect();
        let configuration = plan.digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect();
        let (site, module) = (plan.module.site.clone(), plan.module.name.clone());
        Sheet { site, module, written: now(), configuration, lines, devices }
    }

    fn is_decided(&self, target: &Target) -> bool {
        let path = self.plan.points.get(target.point).map_or("", |point| &point.path);
        self.progress.finding(path, target).is_some_and(|found| found.verdict != Verdict::NotDecided)
    }

    fn point(&mut self, at: usize, target: &Target) -> Result<Go, RecordError> {
        let Some((point, ..)) = about(self.plan, target) else { return Ok(Go::On) };
        let patience = point.scan_period * 2 + Duration::from_secs(2);
        self.board.wait(target.point, patience, |_| true);
        self.show(at, target);
        if let Source::File(answers) = &self.source {
            let answer = answers.of(&point.path).cloned();
            // Somebody may want to stop.
            if let Ok(Input::Stop) = self.inputs.try_recv() {
                return Ok(Go::End);
            }
            let Some(Answer { entry, note }) = answer else {
                self.talk.say("");
                return Ok(Go::On);
            };
            return match self.take(target, point, entry, &note)? {
                Some(go) => Ok(go),
                None => Ok(Go::On),
            };
        }
        loop {
            let Some(line) = self.ask("> ") else { return Ok(Go::End) };
            let entry = Entry::parse(&line);
            if entry == Entry::Again {
                self.show(at, target);
            } else if let Some(go) = self.take(target, point, entry, "")? {
                return Ok(go);
            }
        }
    }

    /// Does what an entry says; `None` if the point is not yet done with.
    fn take(&mut self, target: &Target, point: &Point, entry: Entry, note: &str) -> Result<Option<Go>, RecordError> {
        match entry {
            Entry::Quit => return Ok(Some(Go::End)),
            Entry::Back => return Ok(Some(Go::Back)),
            Entry::Again => return Ok(None),
            Entry::Help => self.talk.say(HELP),
            Entry::Unclear(why) => self.talk.say(&why),
            Entry::Initials(initials) => self.initials = initials,
            Entry::Skip { note } => {
                let finding = Finding { note, ..self.finding(target, point, Verdict::NotDecided) };
                return self.record(finding).map(Some);
            }
            Entry::Differs { note } => {
                if self.know_initials(None) {
                    let finding = Finding { note, ..self.finding(target, point, Verdict::Differs) };
                    return self.record(finding).map(Some);
                }
            }
            Entry::AsRead { initials } => {
                let seen = self.board.seen(target.point).filter(|seen| !seen.status.is_bad());
                let Some(value) = seen.and_then(|seen| seen.value) else {
                    self.talk.say("There is no good value to agree with; type d if it should be there, s to skip.");
                    return self.unusable(target, point, note);
                };
                return self.expect(target, point, &plain(point, value), initials, note);
            }
            Entry::Expect { value, initials } => return self.expect(target, point, &value, initials, note),
            Entry::WaitFor { value, initials } => {
                if let Err(why) = compare(point, &value, 0) {
                    self.talk.say(&why);
                    return Ok(None);
                }
                self.talk.say(&format!("Waiting up to {} s for {value} …", self.wait_longest.as_secs()));
                let arrived = |seen: &Seen| agrees(point, &value, seen);
                let seen = self.board.wait(target.point, self.wait_longest, arrived);
                if seen.is_some_and(|seen| agrees(point, &value, &seen)) || self.is_file() {
                    return self.expect(target, point, &value, initials, note);
                }
                self.talk.say(&format!("It did not come; it reads {}.", self.reading(target, point)));
            }
        }
        Ok(None)
    }

    /// A file cannot be asked again: what it expects and is not there differs.
    fn unusable(&mut self, target: &Target, point: &Point, note: &str) -> Result<Option<Go>, RecordError> {
        if !self.is_file() {
            return Ok(None);
        }
        let finding = Finding { note: note.into(), ..self.finding(target, point, Verdict::Differs) };
        self.record(finding).map(Some)
    }

    fn expect(
        &mut self,
        target: &Target,
        point: &Point,
        typed: &str,
        initials: Option<String>,
        note: &str,
    ) -> Result<Option<Go>, RecordError> {
        let seen = self.board.seen(target.point);
        let comparison = match compare(point, typed, seen.as_ref().and_then(|seen| seen.value).unwrap_or(0)) {
            Ok(comparison) => comparison,
            Err(why) => {
                self.talk.say(&why);
                return self.unusable(target, point, &format!("{why} {note}"));
            }
        };
        if !self.know_initials(initials) {
            return Ok(Some(Go::End));
        }
        let usable = seen.as_ref().is_some_and(|seen| seen.value.is_some() && !seen.status.is_bad());
        let verdict = if usable && comparison.agrees() { Verdict::Agrees } else { Verdict::Differs };
        let mut finding = self.finding(target, point, verdict);
        finding.expected = typed.into();
        finding.note = note.into();
        if let Comparison::Number { expected, off, tolerance } = comparison {
            finding.difference = usable.then_some((off * 1e6).round() / 1e6);
            finding.tolerance = Some((tolerance * 1e6).round() / 1e6);
            if verdict == Verdict::Differs
                && let Some(seen) = &seen
            {
                finding.suggestions = self.hints(target, point, seen, Some(Wanted::Near { expected, tolerance }));
            }
        }
        self.record(finding).map(Some)
    }

    /// Remembers initials; asks for them if nobody has given any. `false` when nobody answers.
    fn know_initials(&mut self, given: Option<String>) -> bool {
        if let Some(initials) = given {
            self.initials = initials;
        }
        while self.initials.is_empty() && !self.is_file() {
            let Some(line) = self.ask("Initials: ") else { return false };
            match Entry::parse(&format!("i {line}")) {
                Entry::Initials(initials) => self.initials = initials,
                Entry::Unclear(why) => self.talk.say(&why),
                _ => {}
            }
        }
        true
    }

    fn record(&mut self, finding: Finding) -> Result<Go, RecordError> {
        let mut text = format!("  {}", finding.verdict.words());
        if let (Some(off), Some(tolerance)) = (finding.difference, finding.tolerance) {
            text.push_str(&format!(" (off by {off:.3}, may be {tolerance:.3})"));
        }
        for hint in &finding.suggestions {
            text.push_str(&format!("\n  hint      {hint}"));
        }
        if finding.verdict != Verdict::NotDecided {
            self.decided += 1;
        }
        self.talk.object(&finding);
        self.progress.record(finding)?;
        let done = self.targets.iter().filter(|target| self.is_decided(target)).count();
        let hours = self.begun.elapsed().as_secs_f64() / 3600.0;
        #[allow(clippy::cast_precision_loss)] // a count of points
        let pace = self.decided as f64 / hours.max(1e-9);
        let pace = if self.decided >= 5 && !self.is_file() { format!(", {pace:.0} an hour") } else { String::new() };
        self.talk.say(&format!("{text}\n  {done} of {} points decided{pace}.\n", self.targets.len()));
        Ok(Go::On)
    }

    /// What is seen now, as a finding with nothing a person said.
    fn finding(&self, target: &Target, point: &Point, verdict: Verdict) -> Finding {
        let seen = self.board.seen(target.point);
        let ms = |d: Duration| (d.as_secs_f64() * 1e5).round() / 1e2;
        Finding {
            path: point.path.clone(),
            reads: target.reads.clone(),
            raw: seen.as_ref().map_or_else(String::new, |seen| spoken_raw(&seen.raw)),
            value: seen.as_ref().and_then(|s| s.value).map_or_else(String::new, |value| spoken(point, value)),
            expected: String::new(),
            difference: None,
            tolerance: None,
            quality: seen.as_ref().map_or(Status::BAD_WAITING, |seen| seen.status).words().into(),
            // What is only overheard has none.
            latency_ms: seen.as_ref().filter(|seen| seen.reads > 0 && !seen.latency.is_zero()).map(|s| ms(s.latency)),
            refresh_s: seen.as_ref().and_then(Seen::refresh).map(|d| (d.as_secs_f64() * 1e3).round() / 1e3),
            verdict,
            initials: if verdict == Verdict::NotDecided { String::new() } else { self.initials.clone() },
            t: now(),
            note: String::new(),
            suggestions: seen.as_ref().map_or_else(Vec::new, |seen| self.hints(target, point, seen, None)),
        }
    }

    /// Changes of the map that would explain a wrong value; without an expectation only for one that cannot be right.
    fn hints(&self, target: &Target, point: &Point, seen: &Seen, wanted: Option<Wanted>) -> Vec<String> {
        let Some(spec) = self.plan.engine.points.get(target.point) else { return Vec::new() };
        let bounds = match point.valid {
            Some((low, high)) => Some(Wanted::Within { low: low.to_f64(), high: high.to_f64() }),
            None => usual(&point.quantity, &point.unit),
        };
        let outside = match (bounds, seen.value) {
            (Some(Wanted::Within { low, high }), Some(value)) => {
                let value = Decimal::new(value, point.exponent).to_f64();
                value < low || value > high
            }
            _ => false,
        };
        let impossible = outside || seen.status == Status::BAD_OUT_OF_RANGE;
        let Some(wanted) = wanted.or(bounds.filter(|_| impossible)) else { return Vec::new() };
        let neighbour = |step| self.board.neighbour(target.point, step);
        suggest(&seen.raw, &spec.decode, spec.exponent, wanted, neighbour)
            .into_iter()
            .map(|s| {
                let shown = Point { exponent: s.value.exponent, ..point.clone() };
                format!("with {} it would read {}", s.change, spoken(&shown, s.value.mantissa))
            })
            .collect()
    }

    fn show(&self, at: usize, target: &Target) {
        let Some((point, device, link)) = about(self.plan, target) else { return };
        let place: Vec<&str> = [&point.tag, &point.location].into_iter().flatten().map(String::as_str).collect();
        let place = if place.is_empty() { String::new() } else { format!("   {}", place.join(", ")) };
        let identity = self.identities.get(device).map_or_else(String::new, |said| format!(": {said}"));
        let mut text = format!(
            "[{}/{}] {}{place}\n  device    {device} on {link}{identity}\n  read at   {}\n",
            at + 1,
            self.targets.len(),
            point.path,
            target.reads
        );
        let found = self.finding(target, point, Verdict::NotDecided);
        if !found.raw.is_empty() {
            text.push_str(&format!("  raw       {}\n", found.raw));
        }
        text.push_str(&format!("  value     {}\n", self.reading(target, point)));
        if let Some(why) = self.board.why_down(target.point) {
            text.push_str(&format!("  because   {why}\n"));
        }
        for doubt in self.board.doubts(target.point) {
            text.push_str(&format!("  doubt     {doubt}\n"));
        }
        let answer = match found.latency_ms {
            Some(latency) => Some(format!("{latency:.1} ms")),
            None => found.refresh_s.map(|_| "overheard".to_owned()),
        };
        if let Some(answer) = answer {
            text.push_str(&format!("  answer    {answer}; {}\n", refresh_words(point, found.refresh_s)));
        }
        for hint in &found.suggestions {
            text.push_str(&format!("  hint      {hint}\n"));
        }
        self.talk.put(&text);
    }

    fn reading(&self, target: &Target, point: &Point) -> String {
        match self.board.seen(target.point) {
            None => "nothing yet".into(),
            Some(Seen { value: Some(value), status, .. }) => format!("{}, {}", spoken(point, value), status.words()),
            Some(Seen { status, .. }) => status.words().into(),
        }
    }

    /// A line; `None` when nobody types any more.
    fn ask(&self, prompt: &str) -> Option<String> {
        if let Source::Typed { prompt: true } = self.source {
            self.talk.put(prompt);
        }
        match self.inputs.recv() {
            Ok(Input::Line(line)) => Some(line),
            Ok(Input::Stop) | Err(_) => None,
        }
    }

    const fn is_file(&self) -> bool {
        matches!(self.source, Source::File(_))
    }
}
