//! The engine's tables out of all alarms: those of one point together, conditions of use, digests.
//!
//! A digest covers what makes an alarm's condition, so that a changed one is judged anew. Never panics.

use lapwing_engine::spec::{AlarmSpec, Condition, Span, Test, UseSpec, WindowSpec};
use sha2::{Digest, Sha256};

use crate::plan::{Alarm, EngineTables};

use super::super::{Draft, index};
use super::Tables;

impl Tables {
    /// The alarms in point order and the engine's tables.
    pub(crate) fn finish(mut self, points: &[Draft]) -> (Vec<Alarm>, EngineTables) {
        self.alarms.sort_by_key(|(_, spec, _)| spec.point);
        let mut engine = EngineTables::default();
        for (at, draft) in points.iter().enumerate() {
            let mut spec = draft.spec;
            spec.decode.absent = Span { first: index(engine.absent.len()), count: index(draft.absent.len()) };
            engine.absent.extend_from_slice(&draft.absent);
            spec.window = self.windows.get(&at).map(|window| {
                engine.windows.push(*window);
                index(engine.windows.len() - 1)
            });
            let first = self.alarms.partition_point(|(_, alarm, _)| (alarm.point as usize) < at);
            let count = self.alarms[first..].iter().take_while(|(_, alarm, _)| alarm.point as usize == at).count();
            spec.alarms = Span { first: index(first), count: index(count) };
            engine.points.push(spec);
        }
        for (alarm, spec, tested) in &mut self.alarms {
            let at = spec.point as usize;
            let tested = tested.and_then(|(point, test)| Some((points.get(point as usize)?.point.path.as_str(), test)));
            let window = self.windows.get(&at).copied();
            alarm.digest = points.get(at).map_or(0, |draft| digest(&draft.point, spec, window, tested));
        }
        self.uses(&mut engine);
        let (alarms, specs): (Vec<Alarm>, Vec<AlarmSpec>) =
            self.alarms.into_iter().map(|(alarm, spec, _)| (alarm, spec)).unzip();
        engine.alarms = specs;
        (alarms, engine)
    }
}

impl Tables {
    /// Conditions of use, those of one point and test together, in point order.
    fn uses(&mut self, engine: &mut EngineTables) {
        let mut by_test: Vec<(u32, Test, Vec<usize>)> = Vec::new();
        for (at, (_, _, tested)) in self.alarms.iter().enumerate() {
            let Some((point, test)) = *tested else { continue };
            match by_test.iter_mut().find(|(known, by, _)| (*known, *by) == (point, test)) {
                Some((_, _, alarms)) => alarms.push(at),
                None => by_test.push((point, test, vec![at])),
            }
        }
        by_test.sort_by_key(|(point, ..)| *point);
        for (point, test, alarms) in by_test {
            let number = index(engine.uses.len());
            let span = Span { first: index(engine.use_alarms.len()), count: index(alarms.len()) };
            engine.uses.push(UseSpec { point, test, alarms: span });
            for alarm in alarms {
                self.alarms[alarm].1.only_while = Some(number);
                engine.use_alarms.push(index(alarm));
            }
            if let Some(spec) = engine.points.get_mut(point as usize) {
                if spec.uses.count == 0 {
                    spec.uses.first = number;
                }
                spec.uses.count += 1;
            }
        }
    }
}

/// Digest of what makes an alarm's condition: with another digest it is judged anew.
fn digest(
    point: &crate::plan::Point,
    spec: &AlarmSpec,
    window: Option<WindowSpec>,
    tested: Option<(&str, Test)>,
) -> u64 {
    let condition = match spec.condition {
        Condition::High { limit, deadband } => format!("high {limit} {deadband}"),
        Condition::Low { limit, deadband } => format!("low {limit} {deadband}"),
        Condition::Rise { per_min, deadband } => {
            format!("rise {per_min} {deadband} {}", window.map_or(0, |window| window.over_ms))
        }
        Condition::Fall { per_min, deadband } => {
            format!("fall {per_min} {deadband} {}", window.map_or(0, |window| window.over_ms))
        }
        Condition::State { states } => format!("state {states}"),
        Condition::BadMeasurement => "bad_measurement".into(),
        Condition::Beyond { limit, deadband } => format!("beyond {limit} {deadband}"),
        Condition::TimeToLimit { limit, rising, within_ms } => {
            format!("time_to_limit {limit} {rising} {within_ms} {}", window.map_or(0, |window| window.over_ms))
        }
        Condition::Frozen => "frozen".into(),
        Condition::NotIn { states } => format!("not_in {states}"),
    };
    let used = match tested {
        Some((path, Test::States(states))) => format!("\nwhile {path} {states}"),
        Some((path, Test::Above(limit))) => format!("\nwhile {path} > {limit}"),
        Some((path, Test::Below(limit))) => format!("\nwhile {path} < {limit}"),
        None => String::new(),
    };
    let text = format!(
        "{}\n{}\n{}\n{condition}\n{} {} {}{used}",
        point.path, point.unit, point.exponent, spec.on_delay_ms, spec.off_delay_ms, spec.latching
    );
    let hash = Sha256::digest(text.as_bytes());
    hash.iter().take(8).fold(0, |number, byte| number << 8 | u64::from(*byte))
}
