//! What the alarm system asked of people in the range, then and now: the standard's figures over again.
//!
//! Counted by the same code as in the running agent (`core::figures`, `engine::alarm::load`), from what was told; what is
//! fleeting or chatters is taken from the lives. Figures stand at the end of the range: the last ten minutes, hour and day
//! are those before it. Times are wall milliseconds. Never panics.

use lapwing_engine::alarm::load::{CHATTER, CHATTER_MS, FLEETING_MS, Load};
use lapwing_engine::spec::Millis;
use lapwing_protocol::Priority;

use super::lives::{Compared, Life, Moved};
use super::log::Changed;
use crate::core::figures::{Asked, Figures};

/// How often a flood is looked at until it ends, ms.
const LOOK_MS: u64 = 1000;

/// Somebody was told.
struct Told<'a> {
    t: i64,
    alarm: &'a str,
    priority: Priority,
}

/// What was asked of people then.
pub(super) fn of_then(changes: &[Changed], alarms: &[Compared], range: (i64, i64)) -> Asked {
    let told = changes.iter().filter(|changed| changed.change.announced).map(|Changed { t, change }| Told {
        t: *t,
        alarm: &change.alarm,
        priority: change.priority.known().unwrap_or(Priority::Low),
    });
    asked(
        told,
        alarms.iter().map(|alarm| (alarm.id.as_str(), alarm.lives.iter().filter_map(|life| life.0.as_ref()))),
        range,
    )
}

/// What would be asked of them now.
pub(super) fn of_now(moved: &[Moved], alarms: &[Compared], range: (i64, i64)) -> Asked {
    let told = moved.iter().filter(|moved| moved.told).map(|moved| Told {
        t: moved.t,
        alarm: &moved.alarm,
        priority: moved.priority,
    });
    asked(
        told,
        alarms.iter().map(|alarm| (alarm.id.as_str(), alarm.lives.iter().filter_map(|life| life.1.as_ref()))),
        range,
    )
}

fn asked<'a, L: Iterator<Item = &'a Life>>(
    told: impl Iterator<Item = Told<'a>>,
    alarms: impl Iterator<Item = (&'a str, L)>,
    (from, to): (i64, i64),
) -> Asked {
    let (mut figures, mut load) = (Figures::default(), Load::default());
    let begin = millis(from);
    figures.asked(&load, begin, [0; 3]);
    let mut told: Vec<Told<'_>> = told.collect();
    told.sort_by_key(|told| told.t);
    let mut now = begin;
    for told in told {
        pass(&mut load, &mut now, millis(told.t));
        load.announced(now);
        figures.announced(told.alarm, told.priority);
    }
    pass(&mut load, &mut now, millis(to));
    let (mut standing, mut chattering) = (0, 0);
    for (id, lives) in alarms {
        let mut raises: Vec<i64> = Vec::new();
        for life in lives {
            standing += u32::from(life.cleared.is_none());
            let Some(raised) = life.raised else { continue };
            raises.push(raised);
            let stood = life.cleared.map(|cleared| cleared.saturating_sub(raised).unsigned_abs());
            if stood.is_some_and(|stood| stood < FLEETING_MS) {
                figures.fleeting(id);
            }
        }
        let close = |few: &[i64]| few[CHATTER - 1].saturating_sub(few[0]).unsigned_abs() < CHATTER_MS;
        chattering += u32::from(raises.windows(CHATTER).any(close));
    }
    figures.asked(&load, now, [standing, 0, chattering])
}

/// Time passes until a moment; a flood that ends meanwhile ends then.
fn pass(load: &mut Load, now: &mut Millis, until: Millis) {
    while load.is_flood() && now.plus(LOOK_MS) < until {
        *now = now.plus(LOOK_MS);
        load.look(*now);
    }
    *now = until.max(*now);
    load.look(*now);
}

fn millis(t: i64) -> Millis {
    Millis(u64::try_from(t).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn life(raised: i64, cleared: Option<i64>) -> Life {
        Life { occurrence: 1, raised: Some(raised), cleared, told: true, follows: None }
    }

    #[test]
    fn floods_shares_and_what_chatters_as_in_the_running_agent() {
        let begin = 1_795_564_800_000;
        let told = (0..20).map(|n| Told {
            t: begin + 1000 * n,
            alarm: if n < 15 { "inlet-hot" } else { "pump-tripped" },
            priority: if n < 15 { Priority::High } else { Priority::Critical },
        });
        let short =
            [life(begin, Some(begin + 1000)), life(begin + 10_000, Some(begin + 11_000)), life(begin + 59_000, None)];
        let once = [life(begin, Some(begin + 60_000))];
        let alarms = [("inlet-hot", short.iter()), ("pump-tripped", once.iter())];
        let asked = asked(told, alarms.into_iter(), (begin, begin + 1_200_000));
        assert_eq!((asked.announced, asked.most_in_10_min, asked.per_10_min, asked.per_hour), (20, 20, 0, 20));
        assert!((asked.share_high - 75.0).abs() < 1e-9 && (asked.share_critical - 25.0).abs() < 1e-9);
        assert_eq!((asked.fleeting, asked.chattering, asked.standing), (2, 1, 1));
        // From the eleventh announcement until fewer than five lie in the last ten minutes: 10 s to 616 s.
        assert!(!asked.flood && (asked.in_flood_share - 50.5).abs() < 0.3, "{asked:?}");
        assert_eq!(asked.top.first().map(|top| (top.alarm.as_str(), top.count)), Some(("inlet-hot", 15)));
    }

    #[test]
    fn nothing_told_is_nothing_asked() {
        let none: [(&str, std::slice::Iter<'_, Life>); 0] = [];
        let asked = asked(std::iter::empty(), none.into_iter(), (0, 1000));
        assert_eq!(asked, Asked::default());
    }
}
