//! What the core hears of the field: readings to the engine, states of links and devices to people.
//!
//! Part of the loop in `run`. Never panics.

use super::*;
use crate::core::{lacking, marks};
use crate::field::Lacking;
use crate::field::why::Why;
use crate::plan::Language;
use crate::store::history::OWN;

impl Core<'_> {
    pub(super) fn field(&mut self, message: FieldMessage) {
        let now = self.lasting.clock.now();
        match message {
            FieldMessage::Batch(batch) => {
                let at = self.lasting.clock.at(batch.at).min(now);
                let (due, good) = self.judge.batch(now, at, batch.transaction, &batch.raws);
                self.lasting.figures.batch(due, good, now.since(at));
                self.publish_readings(now, batch.transaction);
            }
            FieldMessage::LinkState { link, up, why, at } => self.link_state(now, link, up, &why, at),
            FieldMessage::DeviceState { device, up, why, at } => self.device_state(now, device, up, &why, at),
            FieldMessage::Identity { device, fits, why, at } => self.identity(now, device, fits, &why, at),
            FieldMessage::Shown { device, feature, mark } => {
                let about = usize::try_from(device).ok().and_then(|d| self.plan.devices.get(d));
                if let Some(about) = about {
                    self.lasting.ledger.keep(marks::saved(about, feature, &mark));
                }
            }
            FieldMessage::Masters { link, another, why, at } => self.masters(now, link, another, &why, at),
            FieldMessage::Counts { link, counts } => {
                self.lasting.watched.counted(link, counts);
                let plan = self.plan;
                let first = usize::try_from(link).ok().and_then(|l| plan.links.get(l)).and_then(|l| l.count_points);
                for (point, count) in first.into_iter().flat_map(|first| first..).zip(counts) {
                    self.judge.own(now, point, i64::try_from(count).unwrap_or(i64::MAX));
                    self.publish_readings(now, OWN);
                    self.moved();
                }
            }
            FieldMessage::Lacks { device, lacking, why, at: _ } => self.lacks(now, device, &lacking, why.as_ref()),
            FieldMessage::Restarted { device, up_s, at: _ } => self.restarted(device, up_s),
            FieldMessage::Notice { device, what, at: _ } => self.notice(device, &what),
            FieldMessage::Late { transaction, skipped } => {
                let points = usize::try_from(transaction)
                    .ok()
                    .and_then(|t| self.plan.transactions.get(t))
                    .map_or(0, |t| t.points.count);
                self.lasting.figures.skipped(u64::from(skipped), u64::from(skipped) * u64::from(points));
            }
        }
    }

    pub(super) fn link_state(&mut self, now: Millis, link: u32, up: bool, why: &Why, _at: Instant) {
        let Some(about) = usize::try_from(link).ok().and_then(|l| self.plan.links.get(l)) else { return };
        if !self.changed(about.state_point, up) {
            return;
        }
        let words = self.words();
        let sentence = if up { &words.field.link_works } else { &words.field.link_failed };
        let text = filled(sentence, &[("link", &about.name), ("why", &why.said(words))]);
        let detail = LinkChange { link: about.name.clone(), up, reason: Some(why.to_string()) };
        self.event(text, Detail::Link(detail), None);
        self.set_own(now, about.state_point, up);
    }

    pub(super) fn device_state(&mut self, now: Millis, device: u32, up: bool, why: &Why, _at: Instant) {
        let Some(about) = usize::try_from(device).ok().and_then(|d| self.plan.devices.get(d)) else { return };
        if !self.changed(about.state_point, up) {
            return;
        }
        let link = usize::try_from(about.link)
            .ok()
            .and_then(|l| self.plan.links.get(l))
            .map_or_else(String::new, |link| link.name.clone());
        let words = self.words();
        let sentence = if up { &words.field.device_answers } else { &words.field.device_silent };
        let text = filled(sentence, &[("device", &about.name), ("link", &link), ("why", &why.said(words))]);
        let detail = DeviceChange { device: about.name.clone(), link, up, reason: Some(why.to_string()) };
        self.event(text, Detail::Device(detail), None);
        self.set_own(now, about.state_point, up);
    }

    pub(super) fn identity(&mut self, now: Millis, device: u32, fits: bool, why: &Why, _at: Instant) {
        let plan = self.plan;
        let Some(about) = usize::try_from(device).ok().and_then(|d| plan.devices.get(d)) else { return };
        let Some(point) = about.identity.point else { return };
        self.judge.doubt(device, !fits);
        if !self.changed(point, fits) {
            return;
        }
        let link = usize::try_from(about.link).ok().and_then(|l| plan.links.get(l)).map_or("", |link| &link.name);
        let words = self.words();
        let sentence = if fits { &words.field.identity_fits } else { &words.field.identity_differs };
        let text = filled(sentence, &[("device", &about.name), ("link", link), ("why", &why.said(words))]);
        let reason = Some(if fits { why.to_string() } else { format!("replaced or re-configured: {why}") });
        let detail = DeviceChange { device: about.name.clone(), link: link.to_owned(), up: true, reason };
        self.event(text, Detail::Device(detail), None);
        self.set_own(now, point, fits);
    }

    pub(super) fn masters(&mut self, now: Millis, link: u32, another: bool, why: &Why, _at: Instant) {
        let plan = self.plan;
        let Some(about) = usize::try_from(link).ok().and_then(|l| plan.links.get(l)) else { return };
        let Some(point) = about.masters_point else { return };
        if !self.changed(point, !another) {
            return;
        }
        let words = self.words();
        let sentence = if another { &words.field.another_master } else { &words.field.one_master };
        let text = filled(sentence, &[("link", &about.name), ("why", &why.said(words))]);
        let up =
            !self.judge.reading(about.state_point).status.is_bad() && self.judge.reading(about.state_point).value == 0;
        let reason = Some(if another { format!("another master: {why}") } else { why.to_string() });
        self.event(text, Detail::Link(LinkChange { link: about.name.clone(), up, reason }), None);
        self.set_own(now, point, !another);
    }

    /// A device gives other points than before, or not all of them from the start.
    fn lacks(&mut self, now: Millis, device: u32, missing: &[Lacking], why: Option<&Why>) {
        let plan = self.plan;
        let Some(about) = usize::try_from(device).ok().and_then(|d| plan.devices.get(d)) else { return };
        let Some(point) = about.map_point else { return };
        let fits = missing.is_empty();
        // That it gives all is news only after it did not.
        if fits && !self.changed(point, true) {
            return;
        }
        let link = usize::try_from(about.link).ok().and_then(|l| plan.links.get(l)).map_or("", |link| &link.name);
        let words = self.words();
        let say = &words.field;
        let points = lacking::named(say, plan, about.transactions, missing).short;
        let because = why.map(|why| filled(&say.lacks_because, &[("why", &why.said(words))])).unwrap_or_default();
        let gaps = [("device", about.name.as_str()), ("link", link), ("points", &points), ("because", &because)];
        let text = filled(if fits { &say.gives_all } else { &say.lacks }, &gaps);
        let reason = if fits {
            "gives all its points".to_owned()
        } else {
            let say = &Words::of(Language::English).field;
            format!("does not give {}", lacking::named(say, plan, about.transactions, missing).whole)
        };
        let up =
            !self.judge.reading(about.state_point).status.is_bad() && self.judge.reading(about.state_point).value == 0;
        let detail = DeviceChange { device: about.name.clone(), link: link.to_owned(), up, reason: Some(reason) };
        let seq = self.event(text, Detail::Device(detail), None);
        self.lasting.which.insert(point, points);
        self.set_own(now, point, fits);
        if !fits {
            self.says_anew(point, seq);
        }
    }

    /// What the device counts begins anew: a slope over the break would be none.
    fn restarted(&mut self, device: u32, up_s: u64) {
        let points = (0u32..).zip(&self.plan.points).zip(&self.plan.engine.points);
        let counters = points.filter(|((_, point), spec)| {
            point.device == Some(device) && spec.decode.layout == lapwing_engine::spec::Layout::Counter
        });
        for point in counters.map(|((index, _), _)| index).collect::<Vec<_>>() {
            self.judge.rebase(point);
            let id = usize::try_from(point).ok().and_then(|point| self.ids.get(point));
            if let (Some(keeping), Some(id)) = (&mut self.lasting.keeping, id) {
                keeping.rebased(&self.lasting.clock, *id);
            }
        }
        self.notice(Some(device), &Why::Restarted { up_s });
    }

    /// Makes an event of what changes no state.
    fn notice(&mut self, device: Option<u32>, what: &Why) {
        let words = self.words();
        let said = what.said(words);
        let reason = Some(what.to_string());
        let about = device.and_then(|d| usize::try_from(d).ok()).and_then(|d| self.plan.devices.get(d));
        let Some(about) = about else {
            let detail = AgentChange { change: "field notice".into(), version: None, reason };
            self.event(filled(&words.field.of_none, &[("what", &said)]), Detail::Agent(detail), None);
            return;
        };
        let link = usize::try_from(about.link).ok().and_then(|l| self.plan.links.get(l));
        let link = link.map_or_else(String::new, |link| link.name.clone());
        let text = filled(&words.field.of_device, &[("device", &about.name), ("link", &link), ("what", &said)]);
        let up = self.judge.reading(about.state_point).value == 0;
        let detail = DeviceChange { device: about.name.clone(), link, up, reason };
        self.event(text, Detail::Device(detail), None);
    }

    /// Whether a link's or device's state is worth an event; that it works from the start is not. Notes the state if so.
    pub(super) fn changed(&mut self, state_point: u32, up: bool) -> bool {
        let now = self.lasting.clock.now();
        if self.judge.reading(state_point).status.is_bad() && up {
            self.set_own(now, state_point, up);
            return false;
        }
        self.judge.is_news(now, state_point, up)
    }

    pub(super) fn set_own(&mut self, now: Millis, state_point: u32, up: bool) {
        self.judge.own(now, state_point, i64::from(!up));
        self.publish_readings(now, OWN);
        self.lasting.board.happened(Happened::Field);
    }
}
