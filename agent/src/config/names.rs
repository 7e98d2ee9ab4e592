//! Judges names with the protocol's own rules and notes what is wrong with one. Never panics.

use lapwing_protocol::path::{check_alarm_id, check_path, check_segment};

use super::mistake::Report;
use super::source::Place;
use super::wrong::Wrong;

/// Whether a name can be one topic segment.
pub(crate) fn segment(name: &str, what: &'static str, place: Place, key: &str, report: &mut Report) -> bool {
    judge(name, what, check_segment(name).map_err(|why| why.to_string()), place, key, report)
}

/// Whether a name can be a point's path.
pub(crate) fn path(name: &str, place: Place, key: &str, report: &mut Report) -> bool {
    judge(name, "a path", check_path(name).map_err(|why| why.to_string()), place, key, report)
}

/// Whether a name can be an alarm's id.
pub(crate) fn alarm_id(name: &str, place: Place, key: &str, report: &mut Report) -> bool {
    judge(name, "an alarm id", check_alarm_id(name).map_err(|why| why.to_string()), place, key, report)
}

fn judge(
    name: &str,
    what: &'static str,
    verdict: Result<(), String>,
    place: Place,
    key: &str,
    report: &mut Report,
) -> bool {
    match verdict {
        Ok(()) => true,
        Err(why) => {
            report.wrong(place, key, Wrong::BadName { name: name.to_string(), what, why });
            false
        }
    }
}
