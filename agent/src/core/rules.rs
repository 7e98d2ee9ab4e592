//! Decides when a declared rule of suppression starts and ends by itself.
//!
//! The engine hides each alarm of a rule and lets go at its time limit. A rule whose limit has passed while its condition
//! still holds does not start again before the condition was gone once. A bad reading changes nothing: neither starts a
//! rule nor ends it. Knows neither words nor clock: the loop in `run` and whoever plays readings again ask it the same.
//! Times are the core's monotonic milliseconds. Never panics.

use lapwing_engine::spec::Millis;

use super::judge::Judge;
use crate::plan::Plan;

/// One rule now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RuleState {
    /// In force until then at the latest.
    pub until: Option<Millis>,
    /// Its time limit has passed and its condition still holds.
    spent: bool,
}

/// What a rule does by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Its time limit has passed.
    Limit,
    /// It starts and holds until then at the latest.
    Start {
        /// The limit.
        until: Millis,
    },
    /// Its condition no longer holds.
    End,
}

impl RuleState {
    /// In force until then: put back after a restart, or started by a person.
    pub fn holds_until(&mut self, until: Millis) {
        self.until = Some(until);
    }

    /// Whether its limit has passed; noted.
    pub fn limit(&mut self, by_itself: bool, now: Millis) -> Option<Turn> {
        self.until.is_some_and(|until| until <= now).then(|| {
            *self = Self { until: None, spent: by_itself };
            Turn::Limit
        })
    }

    /// What rule number `at` does at the moment that was judged last; the caller starts or ends it.
    pub fn turn(&mut self, plan: &Plan, at: usize, judge: &Judge<'_>) -> Option<Turn> {
        let rule = plan.suppress.get(at)?;
        let (point, test) = rule.when?;
        let reading = judge.reading(point);
        if reading.status.is_bad() {
            return None;
        }
        match (test.holds(reading.value), self.until, self.spent) {
            (true, None, false) => {
                let ms = u64::try_from(rule.at_most.as_millis()).unwrap_or(u64::MAX);
                Some(Turn::Start { until: judge.judged_at().plus(ms) })
            }
            (false, Some(_), _) => Some(Turn::End),
            (false, None, true) => {
                self.spent = false;
                None
            }
            (true, None, true) | (true, Some(_), _) | (false, None, false) => None,
        }
    }
}
