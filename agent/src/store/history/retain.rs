//! Decides which files of the history go, and removes them.
//!
//! Size comes first: while the history is larger than it may be, or leaves the disk less than the reserve, the least
//! valuable file goes (raw readings beyond a week while roll-ups have them, roll-ups beyond their use, and so on), whatever
//! the clock says. Age comes second and only counts on synchronised time; for a day after the wall was set by more than an
//! hour nothing goes by age, for the clock may be set back again. Files go whole. A raw file that was not condensed yet
//! goes last. Ages in days, sizes in bytes. Never panics.

use std::collections::BTreeMap;
use std::path::Path;

use super::Limits;
use super::SLOT_MS;
use super::axis::Table;
use super::error::HistoryError;
use super::file::{self, Kind};
use super::reader::{self, Reader};
use super::rollup::{DAY_MS, interval_ms};

/// A step of the wall by more than this, ms, pauses removal by age …
const JUMP_MS: i64 = 3_600_000;
/// … for this long.
const PAUSE_MS: i64 = DAY_MS;

/// One file as the decision sees it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Candidate {
    pub(super) kind: Kind,
    pub(super) number: u32,
    pub(super) bytes: u64,
    /// Age of its newest reading on the wall, days; `None` while the wall cannot be trusted.
    pub(super) age_days: Option<u32>,
    /// Of a raw file: its roll-ups are there.
    pub(super) condensed: bool,
}

/// What goes, in order. `free` is what the disk has left, `candidates` are all files but the one that grows, oldest first.
pub(super) fn what_goes(candidates: &[Candidate], growing: u64, free: u64, limits: &Limits) -> Vec<Candidate> {
    let mut left = candidates.to_vec();
    let mut gone = Vec::new();
    let days = |kind| match kind {
        Kind::Raw => limits.raw_days,
        Kind::Minute => limits.minute_days,
        Kind::Quarter => limits.quarter_days,
        Kind::Kept => limits.incident_days,
    };
    left.retain(|file| {
        let old = file.age_days.is_some_and(|age| age > days(file.kind));
        if old {
            gone.push(*file);
        }
        !old
    });
    let freed: u64 = gone.iter().map(|file| file.bytes).sum();
    let mut bytes = growing + left.iter().map(|file| file.bytes).sum::<u64>();
    let mut free = free + freed;
    let (most, reserve) = (mib(limits.max_mib), mib(limits.reserve_mib));
    while bytes > most || free < reserve {
        let Some(place) = least_valuable(&left) else { break };
        let file = left.remove(place);
        bytes -= file.bytes;
        free += file.bytes;
        gone.push(file);
    }
    gone
}

/// The order in which files go when there is no room: kind, whether only condensed ones, and how many of the newest stay.
const STAGES: [(Kind, bool, usize); 9] = [
    (Kind::Raw, true, 7),
    (Kind::Minute, false, 60),
    (Kind::Raw, true, 2),
    (Kind::Quarter, false, 120),
    (Kind::Minute, false, 7),
    (Kind::Kept, false, 0),
    (Kind::Raw, false, 0),
    (Kind::Minute, false, 0),
    (Kind::Quarter, false, 0),
];

fn least_valuable(left: &[Candidate]) -> Option<usize> {
    STAGES.into_iter().find_map(|(kind, only_condensed, stay)| {
        let of_kind = left.iter().filter(|file| file.kind == kind).count();
        if of_kind <= stay {
            return None;
        }
        left.iter().position(|file| file.kind == kind && (file.condensed || !only_condensed))
    })
}

fn mib(mib: u32) -> u64 {
    u64::from(mib) << 20
}

/// Removes what has to go; the bytes that are left.
pub(super) fn tidy(dir: &Path, limits: &Limits, axis: &Table, current: u32, now: i64) -> Result<u64, HistoryError> {
    let wall = axis.wall()?;
    let trusted = axis.last().is_some_and(|noted| noted.synced)
        && wall.last_jump(JUMP_MS).is_none_or(|jump| now - jump > PAUSE_MS);
    let reader = Reader::new(dir.parent().unwrap_or(dir));
    let size = |path: &Path| std::fs::metadata(path).map_or(0, |file| file.len());
    let mut candidates = Vec::new();
    let mut growing = 0;
    let mut last_of: BTreeMap<u32, i64> = BTreeMap::new();
    for (number, kinds) in reader::list(dir)? {
        for kind in &kinds {
            let bytes = size(&file::path(dir, *kind, number));
            if *kind == Kind::Raw && number >= current {
                growing += bytes;
                continue;
            }
            // Unreadable files have no age; size takes them some day.
            let last = match last_of.get(&number) {
                Some(last) => Some(*last),
                None => reader
                    .open(*kind, number)
                    .ok()
                    .flatten()
                    .and_then(|open| reader.span(*kind, number, false, &open).ok().flatten())
                    .map(|(_, last)| {
                        last.saturating_add(1).saturating_mul(interval_ms(*kind).map_or(SLOT_MS, |_| DAY_MS))
                    }),
            };
            last_of.extend(last.map(|last| (number, last)));
            let age_days = last.filter(|_| trusted).and_then(|last| {
                let age = wall.t(now).saturating_sub(wall.t(last)).max(0) / DAY_MS;
                u32::try_from(age).ok()
            });
            let condensed = kinds.contains(&Kind::Minute) && kinds.contains(&Kind::Quarter);
            candidates.push(Candidate { kind: *kind, number, bytes, age_days, condensed });
        }
    }
    for file in what_goes(&candidates, growing, free_bytes(dir), limits) {
        let path = file::path(dir, file.kind, file.number);
        std::fs::remove_file(&path).map_err(|e| HistoryError::file(&path, e))?;
        tracing::info!("history: {} is removed", path.display());
        candidates.retain(|candidate| *candidate != file);
    }
    if let Some(oldest) = candidates.first().and_then(|file| last_of.get(&file.number)) {
        axis.forget(oldest.saturating_sub(2 * DAY_MS))?;
    }
    Ok(growing + candidates.iter().map(|file| file.bytes).sum::<u64>())
}

/// What the disk has left for us; plenty where it cannot be asked.
fn free_bytes(dir: &Path) -> u64 {
    rustix::fs::statvfs(dir).map_or(u64::MAX >> 1, |disk| disk.f_bavail.saturating_mul(disk.f_frsize))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(kind: Kind, number: u32, age_days: Option<u32>) -> Candidate {
        let bytes = match kind {
            Kind::Raw => 50 << 20,
            Kind::Minute => 5 << 20,
            Kind::Quarter => 1 << 20,
            Kind::Kept => 8 << 20,
        };
        Candidate { kind, number, bytes, age_days, condensed: true }
    }

    /// `days` days of everything, oldest first.
    fn history(days: u32, trusted: bool) -> Vec<Candidate> {
        (1..=days)
            .flat_map(|n| {
                [Kind::Raw, Kind::Minute, Kind::Quarter].map(|kind| file(kind, n, trusted.then_some(days - n)))
            })
            .collect()
    }

    fn left(all: &[Candidate], gone: &[Candidate], kind: Kind) -> Vec<u32> {
        all.iter().filter(|file| file.kind == kind && !gone.contains(file)).map(|file| file.number).collect()
    }

    #[test]
    fn age_takes_raw_first_and_keeps_roll_ups_longer() {
        let all = history(200, true);
        let roomy = Limits { max_mib: 1 << 20, ..Limits::default() };
        let gone = what_goes(&all, 0, 1 << 50, &roomy);
        assert_eq!(left(&all, &gone, Kind::Raw).first(), Some(&140));
        assert_eq!(left(&all, &gone, Kind::Minute).first(), Some(&20));
        assert_eq!(left(&all, &gone, Kind::Quarter).first(), Some(&1));
        assert_eq!(what_goes(&history(900, false), 0, 1 << 50, &roomy), [], "nothing by age on a clock nobody trusts");
    }

    #[test]
    fn size_thins_before_it_drops_whatever_the_clock_says() {
        let all = history(100, false);
        let limits = Limits { max_mib: 1500, ..Limits::default() };
        let gone = what_goes(&all, 40 << 20, 1 << 50, &limits);
        assert!(gone.iter().all(|file| file.kind == Kind::Raw), "roll-ups have what raw files had");
        assert_eq!(left(&all, &gone, Kind::Raw).last(), Some(&100), "the oldest went");
        let small = Limits { max_mib: 100, ..Limits::default() };
        let gone = what_goes(&all, 40 << 20, 1 << 50, &small);
        assert_eq!(left(&all, &gone, Kind::Quarter).len(), 60, "what is left is what covers most time");
        assert!(left(&all, &gone, Kind::Raw).is_empty());
    }

    #[test]
    fn the_reserve_of_the_disk_is_kept_free() {
        let all = history(10, true);
        let free = 100 << 20;
        let gone = what_goes(&all, 0, free, &Limits::default());
        let freed: u64 = gone.iter().map(|file| file.bytes).sum();
        assert!(free + freed >= mib(256) && free + freed < mib(256 + 51));
        let mut fresh = all.clone();
        for file in &mut fresh {
            file.condensed = file.number < 3;
        }
        let gone = what_goes(&fresh, 0, 0, &Limits { reserve_mib: 90, ..Limits::default() });
        assert!(gone.iter().filter(|file| file.kind == Kind::Raw).all(|file| file.condensed), "{gone:?}");
    }
}
