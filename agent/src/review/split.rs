//! How the alarms are spread over the priorities.
//!
//! About 80 % low, 15 % medium, 5 % high and fewer than 1 % of a fourth, highest one (EEMUA 191; ISA-18.2's table of
//! configured priorities; from memory): where everything is urgent, nothing is. Below twenty alarms shares say nothing.
//! Never panics.

use lapwing_protocol::Priority;

use super::ground::Ground;
use super::{Finding, Kind, Severity, about};

/// Alarms from which on shares say something.
const ENOUGH: usize = 20;
/// Shares at which a person should look, %: twice what is asked of high and critical together, one and a half times of
/// medium. The guides give targets, no tolerance: the room is ours.
const MOST_HIGH: f64 = 12.0;
const MOST_MEDIUM: f64 = 25.0;

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    let all = ground.alarms.len();
    if all < ENOUGH {
        return;
    }
    let [critical, high, medium, low] = [Priority::Critical, Priority::High, Priority::Medium, Priority::Low]
        .map(|priority| ground.alarms.iter().filter(|subject| subject.alarm.priority == priority).count());
    #[allow(clippy::cast_precision_loss)] // counts of alarms
    let share = |count: usize| 100.0 * count as f64 / all as f64;
    if share(critical + high) <= MOST_HIGH && share(medium) <= MOST_MEDIUM {
        return;
    }
    let what = format!(
        "of {all} alarms {low} are low ({:.0} %), {medium} medium ({:.0} %), {high} high ({:.0} %) and {critical} critical \
         ({:.0} %); about 80, 15 and 5 % with fewer than 1 % critical are asked for: where much is urgent, nothing is",
        share(low),
        share(medium),
        share(high),
        share(critical)
    );
    let mend = "lower what can wait until the morning; let one alarm of a rack, fan or breaker speak for its others";
    found.push(about("priority_split", Severity::Minor, Kind::Module, "module", what, mend));
}
