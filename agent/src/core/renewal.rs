//! Which transactions renew which point, through derived points of derived points too.
//!
//! Pure, over the plan; made once at the start. Never panics.

use crate::plan::Plan;

/// By point: the transactions that renew it, in order.
#[derive(Debug)]
pub(super) struct Renewal(Vec<Vec<u32>>);

impl Renewal {
    pub(super) fn of(plan: &Plan) -> Self {
        let mut renewal = Self(vec![Vec::new(); plan.points.len()]);
        for (number, transaction) in (0..).zip(&plan.transactions) {
            let span = transaction.points;
            for point in span.first..span.first.saturating_add(span.count) {
                if let Some(by) = renewal.0.get_mut(at(point)) {
                    by.push(number);
                }
            }
        }
        // The plan lists derived points behind those they are made of.
        for derived in &plan.derived {
            let by = renewal.of_any(derived.from.iter().map(|input| input.point));
            if let Some(known) = renewal.0.get_mut(at(derived.point)) {
                *known = by;
            }
        }
        renewal
    }

    /// The transactions that renew any of these points, in order.
    pub(super) fn of_any(&self, points: impl Iterator<Item = u32>) -> Vec<u32> {
        let mut by: Vec<u32> = points.filter_map(|point| self.0.get(at(point))).flatten().copied().collect();
        by.sort_unstable();
        by.dedup();
        by
    }
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}
