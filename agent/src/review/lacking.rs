//! What any module of this kind has and this one lacks, or has and does not watch: by the roles its maps give to points.
//!
//! Nothing is guessed from names: a configuration without roles is told so, once. Which roles that are stands in
//! `plan::role`. Never panics.

use super::ground::Ground;
use super::{Finding, Kind, Severity, about};
use crate::plan::Role;

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    let points = &ground.plan.points;
    if ground.alarms.is_empty() || points.iter().all(|point| point.device.is_none()) {
        return; // nothing is configured yet
    }
    if points.iter().all(|point| point.role.is_none()) {
        let what =
            "no point has a role: whether doors, smoke, leaks, emergency-off, the generator and the rest are watched \
                    cannot be told"
                .to_owned();
        let mend = "give points of the maps their role, such as role = \"smoke\"";
        found.push(about("no_roles", Severity::Minor, Kind::Module, "module", what, mend));
        return;
    }
    for role in Role::ALL {
        let about_role = role.about();
        let with = || points.iter().enumerate().filter(|(_, point)| point.role == Some(role));
        if with().next().is_none() {
            // A protection is asked for where something needs it.
            if role == Role::Protection {
                continue;
            }
            let what = format!("nothing tells of {}: {}", about_role.what, about_role.without);
            let mend = format!(
                "read such a point and give it role = \"{}\", or accept that this module has none, with the reason",
                about_role.word
            );
            found.push(about("role_missing", Severity::Moderate, Kind::Module, about_role.word, what, mend));
        } else if !with().any(|(at, _)| ground.is_watched(at)) {
            let first = with().next().map_or("", |(_, point)| point.path.as_str());
            let what =
                format!("{} is read (`{first}`) and no alarm watches it: {}", about_role.what, about_role.without);
            found.push(about(
                "role_unwatched",
                Severity::Serious,
                Kind::Module,
                about_role.word,
                what,
                format!("add an [[alarm]] on `{first}`"),
            ));
        }
    }
}
