//! Recorded readings through the agent's own judging with other alarm settings: what would have been raised.
//!
//! ```text
//! history ─steps─> player (core::judge, incidents, rules, urgency) ─> what moves now ┐
//! event log ─────> log: what moved then, what people did then ───────────────────────┤─> lives, report
//! configuration of then (kept with the history) and the given one ─> changes ────────┘
//! ```
//!
//! History holds exactly what entered the engine, in order, and where between the readings time alone moved something:
//! with unchanged settings the log's alarm events come again, same ids, occurrences and milliseconds. What people did then
//! (acknowledge, shelve, suppress, …) is done again. What stood before the range is taken from the event log; readings are
//! played from a while before it, so that delays and rates are known when it begins. Derived points come from the history
//! unless they are computed otherwise now.
//!
//! Reads the files of a data directory, beside a running agent too; writes nothing there. Times are wall milliseconds, or
//! axis milliseconds of the history as named. Never panics.

mod asked;
mod changes;
mod lives;
mod log;
mod player;
mod report;
mod then;
mod vary;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use crate::core::figures::Asked;
use crate::plan::Plan;
use crate::store::StoreError;
use crate::store::history::{HistoryError, Loss, Reader, SLOT_MS, SlotPlace};

pub use self::changes::{Change, Changes};
pub use self::lives::{Compared, Life, Sum};
pub use self::report::{in_json, in_words};

use self::log::Log;
use self::player::{Film, Played};
use self::then::Thens;

/// Readings are played from so long before the range at least.
const WARM_UP: Duration = Duration::from_secs(900);
/// … and no longer than so long before it, whatever delays there are.
const WARM_UP_MOST: Duration = Duration::from_secs(86_400);

/// Why nothing was replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The history cannot be read.
    #[error(transparent)]
    History(#[from] HistoryError),
    /// The event log cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is none.
    #[error(
        "{dir} holds no history; --data names the directory that `dir` under [store] names, and history must be kept \
         (`history = true` there)"
    )]
    NoHistory {
        /// Where it was looked for.
        dir: PathBuf,
    },
    /// The range is empty.
    #[error("--to must be later than --from")]
    Empty,
    /// Nothing lies in the range.
    #[error("the history holds no readings between --from and --to: it goes from {from} to {to}")]
    Outside {
        /// Its first moment, RFC 3339.
        from: String,
        /// Its last.
        to: String,
    },
    /// None of the points is known.
    #[error(
        "the history has none of the points of {config}; it belongs to another module ({known} is one of its points)"
    )]
    OtherModule {
        /// The configuration.
        config: PathBuf,
        /// A path of the history.
        known: String,
    },
    /// Plan and engine do not fit.
    #[error("the plan does not fit the engine: {0}; please report this")]
    Setup(#[from] lapwing_engine::SetupError),
}

/// What is to be replayed.
#[derive(Clone, Debug)]
pub struct Wanted<'a> {
    /// Data directory.
    pub data: PathBuf,
    /// The settings to judge by.
    pub plan: &'a Plan,
    /// Where they were read from, for words.
    pub config: PathBuf,
    /// First wall moment.
    pub from: Option<i64>,
    /// First wall moment that is not wanted any more.
    pub to: Option<i64>,
    /// Readings are played from so long before `from`; if not given, as long as the settings look back.
    pub lead: Option<Duration>,
}

/// What came of it.
#[derive(Debug)]
pub struct Replayed {
    /// First and last moment that was judged and compared, wall ms.
    pub from: i64,
    /// The last one.
    pub to: i64,
    /// Whether the range begins where the history does: nothing stood before that is not known.
    pub from_begin: bool,
    /// Readings are played from here on, wall ms.
    pub warm_from: i64,
    /// Longest time that the settings remember and that lies before `warm_from`, if any.
    pub not_known: Option<Duration>,
    /// Readings that entered.
    pub readings: u64,
    /// Points they belong to.
    pub points: usize,
    /// Starts of the agent in the range.
    pub starts: usize,
    /// Holes in the history.
    pub holes: usize,
    /// Readings the disk did not take then.
    pub dropped: u64,
    /// Time that was replayed.
    pub span: Duration,
    /// Time it took, reading the files included.
    pub took: Duration,
    /// How the settings differ from those of then.
    pub changes: Changes,
    /// Paths of points that the settings judge and the history does not have.
    pub missing: Vec<String>,
    /// Things people did then that these settings refuse.
    pub refused: u64,
    /// Alarm events of then, of now, and how many of them are the same.
    pub events: (usize, usize, usize),
    /// What was asked of people then, and what would be now.
    pub asked: (Asked, Asked),
    /// By alarm, in the order of ids: those that were raised then or are now.
    pub alarms: Vec<Compared>,
    /// What was damaged and left out.
    pub losses: Vec<Loss>,
}

/// Replays.
///
/// # Errors
/// When there is nothing to replay, or it cannot be read.
pub fn replay(wanted: &Wanted<'_>, tell: &mut dyn FnMut(usize, usize)) -> Result<Replayed, ReplayError> {
    let begun = Instant::now();
    if wanted.from.zip(wanted.to).is_some_and(|(from, to)| from >= to) {
        return Err(ReplayError::Empty);
    }
    let plan = wanted.plan;
    let reader = Reader::new(&wanted.data);
    let all = reader.slots()?;
    let Some((first, last)) = all.first().zip(all.last()) else {
        return Err(ReplayError::NoHistory { dir: wanted.data.clone() });
    };
    let wall = reader.wall()?;
    let range = (wanted.from.unwrap_or(i64::MIN), wanted.to.unwrap_or(i64::MAX));
    let slots = chosen(&all, &wall.ranges(range.0, range.1.saturating_sub(1)));
    let Some(begin) = slots.first() else {
        let end = |slot: i64| crate::core::clock::rfc3339(wall.t(slot * SLOT_MS));
        return Err(ReplayError::Outside { from: end(first.slot), to: end(last.slot + 1) });
    };
    let remembered = remembered(plan);
    let lead = wanted.lead.unwrap_or_else(|| WARM_UP.max(remembered).min(WARM_UP_MOST));
    let lead_ms = i64::try_from(lead.as_millis()).unwrap_or(i64::MAX);
    let (first_slot, last_slot) = (begin.slot - lead_ms / SLOT_MS - 1, slots[slots.len() - 1].slot);
    let slots: Vec<SlotPlace> =
        all.iter().filter(|place| (first_slot..=last_slot).contains(&place.slot)).copied().collect();
    let known = reader.points()?;
    let read = plan.points.iter().filter(|point| point.device.is_some());
    if !read.clone().any(|point| known.iter().any(|known| known.path == point.path)) && read.count() > 0 {
        let known = known.into_iter().map(|point| point.path).find(|path| !path.starts_with("agent/"));
        return Err(ReplayError::OtherModule {
            config: wanted.config.clone(),
            known: known.unwrap_or_else(|| "it has none that is read".into()),
        });
    }
    let log = Log::of(&wanted.data)?;
    let mut thens = Thens::new(&reader)?;
    let begin = range.0.saturating_sub(lead_ms);
    let film = Film { reader: &reader, slots: &slots, log: &log, begin, range };
    let played = player::play(plan, &film, &mut thens, tell)?;
    let then = log.changes_within(&played.stretches, range);
    let (from, to) = played.judged.unwrap_or((range.0, range.0));
    let now = played.within(range);
    let changes = thens.changes(plan);
    let mut alarms = lives::compare(&then, &now, (from, to));
    let same = lives::same(&then, &now);
    let asked = (asked::of_then(&then, &alarms, (from, to)), asked::of_now(&now, &alarms, (from, to)));
    vary::attribute(&mut alarms, plan, &film, &mut thens, (from, to), tell)?;
    for compared in &mut alarms {
        compared.changed = changes.all_of(&compared.id);
    }
    Ok(Replayed {
        from,
        to,
        from_begin: played.from_begin,
        warm_from: played.warm_from,
        not_known: (remembered > lead && !played.from_begin).then_some(remembered),
        readings: played.readings,
        points: played.points,
        starts: played.starts,
        holes: played.holes,
        dropped: played.dropped,
        span: Duration::from_millis(played.span_ms),
        took: begun.elapsed(),
        missing: missing(plan, &played),
        refused: played.refused,
        events: (then.len(), now.len(), same),
        asked,
        alarms,
        changes,
        losses: reader.take_losses(),
    })
}

/// Slots that overlap one of the ranges of axis moments, both ends included.
fn chosen(all: &[SlotPlace], ranges: &[(i64, i64)]) -> Vec<SlotPlace> {
    let overlaps = |place: &&SlotPlace| {
        let (first, last) = (place.slot * SLOT_MS, place.slot * SLOT_MS + SLOT_MS - 1);
        ranges.iter().any(|(from, to)| first <= *to && last >= *from)
    };
    all.iter().filter(overlaps).copied().collect()
}

/// The longest time that settings look back: delays and windows of rates.
fn remembered(plan: &Plan) -> Duration {
    let delays = plan.engine.alarms.iter().map(|alarm| alarm.on_delay_ms.max(alarm.off_delay_ms));
    let windows = plan.engine.windows.iter().map(|window| window.over_ms);
    let longest = delays.chain(windows).max().unwrap_or(0);
    let periods = plan.points.iter().map(|point| point.scan_period).max().unwrap_or_default();
    Duration::from_millis(u64::from(longest)) + periods
}

/// Points with alarms of which nothing came.
fn missing(plan: &Plan, played: &Played) -> Vec<String> {
    let judged = plan.alarms.iter().filter(|alarm| !alarm.own).map(|alarm| alarm.point);
    let mut missing: Vec<String> = judged
        .filter_map(|point| usize::try_from(point).ok())
        .filter(|index| !played.seen.get(*index).copied().unwrap_or(false))
        .filter_map(|index| plan.points.get(index).map(|point| point.path.clone()))
        .collect();
    missing.sort_unstable();
    missing.dedup();
    missing
}
