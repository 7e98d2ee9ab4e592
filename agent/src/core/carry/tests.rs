//! The small configuration and changed copies of it: what holds, and that a running delay ends when it would have.

use lapwing_engine::spec::Millis;
use lapwing_engine::{Cause, Effect, Engine};
use lapwing_protocol::{ShownState, Status};

use super::*;
use crate::config::tests::Copy;

const SUPPLY: &str = "coil/water/supply/temperature";

fn plan(copy: &Copy) -> Plan {
    copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan
}

fn point(plan: &Plan, path: &str) -> u32 {
    (0..).zip(&plan.points).find(|(_, point)| point.path == path).unwrap_or_else(|| panic!("no {path}")).0
}

fn alarm(plan: &Plan, id: &str) -> u32 {
    (0..).zip(&plan.alarms).find(|(_, alarm)| alarm.id == id).unwrap_or_else(|| panic!("no {id}")).0
}

fn annex() -> Copy {
    let link = "[[link]]\nname = \"annex\"\nmodbus_tcp = \"127.0.0.1:15021\"\n\n[[link]]\nname = \"plant\"";
    let device =
        "\n[[device]]\nname = \"annex\"\nlink = \"annex\"\nunit = 1\nmap = \"maps/coil.toml\"\nprefix = \"annex\"\n";
    Copy::new().with("module.toml", "[[link]]\nname = \"plant\"", link).and("module.toml", device)
}

/// What of the next plan's points, by path, is not what it was.
fn anew<'a>(common: &Common, next: &'a Plan) -> Vec<&'a str> {
    let all = common.points.iter().zip(&next.points);
    all.filter(|(old, _)| old.is_none()).map(|(_, point)| point.path.as_str()).collect()
}

fn alarms_anew<'a>(common: &Common, next: &'a Plan) -> Vec<&'a str> {
    let all = common.alarms.iter().zip(&next.alarms);
    all.filter(|(old, _)| old.is_none()).map(|(_, alarm)| alarm.id.as_str()).collect()
}

#[test]
fn the_same_configuration_is_the_same() {
    let (before, next) = (plan(&Copy::new()), plan(&Copy::new()));
    let common = Common::between(&before, &next);
    assert!(anew(&common, &next).is_empty() && alarms_anew(&common, &next).is_empty());
    assert!(common.derived.iter().all(Option::is_some) && common.devices.iter().all(Option::is_some));
    assert_eq!(common.points_changed(&before, &next), Changes::default());
    assert_eq!(common.alarms_changed(&before, &next), Changes::default());
}

#[test]
fn what_was_changed_begins_anew_with_what_is_made_of_it() {
    let before = plan(&Copy::new());
    let with = |file: &str, from: &str, to: &str| {
        let next = plan(&Copy::new().with(file, from, to));
        let common = Common::between(&before, &next);
        (common, next)
    };
    let (common, next) = with("module.toml", "high = 21.0", "high = 21.5");
    assert!(anew(&common, &next).is_empty());
    assert_eq!(alarms_anew(&common, &next), ["supply-water-warm"]);
    assert_eq!(common.alarms_changed(&before, &next), Changes { changed: 1, ..Changes::default() });

    let (common, next) = with("module.toml", "is above {limit}", "exceeds {limit}");
    assert!(alarms_anew(&common, &next).is_empty(), "a text is no condition");
    assert_eq!(common.alarms_changed(&before, &next), Changes { changed: 1, ..Changes::default() });

    let (common, next) = with("module.toml", "meter = \"supply\"", "meter = \"return\"");
    assert_eq!(anew(&common, &next), ["coil/water/heat"]);
    assert_eq!(common.points_changed(&before, &next), Changes { changed: 1, ..Changes::default() });

    let (common, next) = with("maps/coil.toml", "absent = [0x8000, -1]", "absent = [0x8000]");
    assert_eq!(anew(&common, &next), [SUPPLY, "coil/margin", "coil/water/heat"]);
    let anew_now = alarms_anew(&common, &next);
    assert!(anew_now.contains(&"supply-water-warm") && anew_now.contains(&"supply-water-rising"), "{anew_now:?}");
    assert!(!anew_now.iter().any(|id| id.starts_with("fan-")), "{anew_now:?}");

    // Read from elsewhere: what was read of this device does not count, of others it does.
    let (common, next) = with("maps/coil.toml", "register = \"input:10\"", "register = \"input:12\"");
    let anew_now = anew(&common, &next);
    assert!(anew_now.contains(&"coil/water/flow") && !anew_now.iter().any(|path| path.starts_with("fan/")));
}

#[test]
fn what_is_added_and_removed_is_counted_and_moves_the_rest() {
    let (before, next) = (plan(&Copy::new()), plan(&annex()));
    let common = Common::between(&before, &next);
    let own = before.points.len();
    let added = next.points.len() - own;
    assert!(anew(&common, &next).iter().all(|path| path.contains("annex")), "{:?}", anew(&common, &next));
    let added = u32::try_from(added).expect("small");
    assert_eq!(common.points_changed(&before, &next), Changes { added, ..Changes::default() });
    let back = Common::between(&next, &before);
    assert_eq!(back.points_changed(&next, &before), Changes { removed: added, ..Changes::default() });
    assert_eq!(links_changed(&before, &next, &[]), Changes { added: 1, removed: 0, changed: 3 });
}

#[test]
fn a_running_delay_ends_when_it_would_have_under_other_numbers() {
    let (before, next) = (plan(&Copy::new()), plan(&annex()));
    let (supply, warm) = (point(&before, SUPPLY), alarm(&before, "supply-water-warm"));
    let (supply_next, warm_next) = (point(&next, SUPPLY), alarm(&next, "supply-water-warm"));
    assert_ne!((supply, warm), (supply_next, warm_next), "they stand elsewhere");
    let mut states = States::new(&before);
    let t = Millis(1_000_000);
    let mut moved: Vec<Effect> = Vec::new();
    {
        let mut engine =
            Engine::new(before.engine.tables(), &mut states.points, &mut states.alarms, &mut states.windows)
                .expect("tables that fit");
        for n in 0..60 {
            engine.put(t.plus(n * 1000), supply, 205, Status::GOOD, t.plus(n * 1000), &mut |effect| moved.push(effect));
        }
        engine.put(t.plus(60_000), supply, 215, Status::GOOD, t.plus(60_000), &mut |effect| moved.push(effect));
        assert!(engine.slope(supply).is_some());
    }
    moved.retain(|effect| matches!(effect, Effect::Alarm(t) if t.alarm == warm));
    assert!(moved.is_empty(), "its delay of five seconds runs");
    let common = Common::between(&before, &next);
    let mut states = states.carried(&common, &before, &next);
    let mut engine = Engine::new(next.engine.tables(), &mut states.points, &mut states.alarms, &mut states.windows)
        .expect("tables that fit");
    assert_eq!(engine.reading(supply_next).value, 215);
    assert!(engine.slope(supply_next).is_some(), "its trend goes on");
    let mut raised = Vec::new();
    let mut take = |effect: Effect| {
        if let Effect::Alarm(t) = effect
            && t.alarm == warm_next
        {
            raised.push(t);
        }
    };
    engine.poll(t.plus(64_999), &mut take);
    engine.put(t.plus(64_999), supply_next, 215, Status::GOOD, t.plus(64_999), &mut take);
    engine.poll(t.plus(65_000), &mut take);
    assert_eq!(
        raised.iter().map(|t| (t.at, t.cause, t.to)).collect::<Vec<_>>(),
        [(t.plus(65_000), Cause::Raised, ShownState::Unacknowledged)]
    );
}
