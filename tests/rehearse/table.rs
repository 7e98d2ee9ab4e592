//! The outcome table: one row a fault, as it ships in `rehearsal.csv`, and the verdicts on its goals.
//!
//! Times are seconds. A goal is a tenth of the time the module leaves where harm comes within ten minutes, and the
//! alarm's own time to respond otherwise. Never panics.

use crate::run::Outcome;

/// One fault's runs.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub(crate) name: &'static str,
    pub(crate) outcomes: Vec<Outcome>,
    /// Time left in each run, if harm comes.
    pub(crate) left_s: Vec<Option<f64>>,
}

/// Heading of the table.
pub(crate) const HEADING: &str = "fault,runs,missed,detected_median_s,detected_95_s,detected_worst_s,told_worst_s,\
                           shortest_left_s,goal_s,within_goal,first_out_right,told_median,told_most,told_before";

impl Row {
    pub(crate) fn missed(&self) -> usize {
        self.outcomes.iter().filter(|outcome| outcome.told_s.is_none()).count()
    }

    /// Runs in which it was detected and told within the goal.
    pub(crate) fn within(&self) -> usize {
        let in_time = |(outcome, left): &(&Outcome, &Option<f64>)| {
            let goal = goal_s(outcome, **left);
            outcome.detected_s.is_some_and(|s| s <= goal) && outcome.told_s.is_some_and(|s| s <= goal)
        };
        self.outcomes.iter().zip(&self.left_s).filter(in_time).count()
    }

    pub(crate) fn first_out(&self) -> usize {
        self.outcomes.iter().filter(|outcome| outcome.first_out).count()
    }

    pub(crate) fn told_most(&self) -> usize {
        self.outcomes.iter().map(|outcome| outcome.told.len()).max().unwrap_or(0)
    }

    pub(crate) fn before(&self) -> usize {
        self.outcomes.iter().map(|outcome| outcome.before.len()).sum()
    }

    /// The row as it stands in the file.
    pub(crate) fn line(&self) -> String {
        let detected = sorted(self.outcomes.iter().filter_map(|outcome| outcome.detected_s));
        let told = sorted(self.outcomes.iter().filter_map(|outcome| outcome.told_s));
        let left = sorted(self.left_s.iter().copied().flatten());
        let goals = sorted(self.outcomes.iter().zip(&self.left_s).map(|(outcome, left)| goal_s(outcome, *left)));
        let counts = sorted(self.outcomes.iter().map(|outcome| outcome.told.len() as f64));
        let shown = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.1}"));
        [
            self.name.to_owned(),
            self.outcomes.len().to_string(),
            self.missed().to_string(),
            shown(share(&detected, 0.5)),
            shown(share(&detected, 0.95)),
            shown(detected.last().copied()),
            shown(told.last().copied()),
            shown(left.first().copied()),
            shown(goals.first().copied()),
            self.within().to_string(),
            self.first_out().to_string(),
            format!("{:.0}", share(&counts, 0.5).unwrap_or(0.0)),
            self.told_most().to_string(),
            self.before().to_string(),
        ]
        .join(",")
    }
}

fn goal_s(outcome: &Outcome, left_s: Option<f64>) -> f64 {
    left_s.map(|left| left / 10.0).or(outcome.respond_s).unwrap_or(f64::INFINITY)
}

fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values
}

/// The value below which a share of the sorted ones lies.
fn share(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    sorted.get((last as f64 * share).round() as usize).copied()
}
