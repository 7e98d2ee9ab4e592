//! Which points tell how the agent itself is, and which files of certificates it watches.
//!
//! Numbers are indices into `Plan::points`. Filled by `config::assemble`; decides nothing. Never panics.

use std::path::PathBuf;

/// Indices of the points of the agent's own health; figures since the last look are of 10 s.
#[derive(Clone, Debug, Default)]
pub struct Health {
    /// Readings good of those due since the last look, 0.1 %.
    pub good: u32,
    /// Scans skipped since the start.
    pub skipped: u32,
    /// Longest time from a reading to its judging since the last look, ms.
    pub lateness: u32,
    /// Messages that wait for the core.
    pub waiting: u32,
    /// Messages dropped since the start.
    pub dropped: u32,
    /// Packets of events the broker has not confirmed.
    pub unsent: u32,
    /// Age of the oldest of them, s.
    pub oldest: u32,
    /// State of the store.
    pub store: u32,
    /// Time of the last commit, ms.
    pub commit: u32,
    /// Free share of the disk, 0.1 %.
    pub disk_free: u32,
    /// Free space of the disk, MiB.
    pub disk_free_mib: u32,
    /// Written to block devices since the start, KiB.
    pub written: u32,
    /// State of the wall clock.
    pub clock: u32,
    /// Processor time of the last look, 0.1 % of one core.
    pub cpu: u32,
    /// Resident memory, MiB.
    pub memory: u32,
    /// Starts on this store.
    pub starts: u32,
    /// By link: requests without a believed answer since the last look, 0.1 %.
    pub errors: Vec<u32>,
    /// Certificates that connections stand on, a file once.
    pub certificates: Vec<Certificate>,
}

/// A file of certificates, and the agent's own point that tells how many days it still holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Certificate {
    /// The point.
    pub point: u32,
    /// What it is called by: the first of its uses, as in the point's path.
    pub name: String,
    /// What it is used for, as people say it.
    pub used: Vec<String>,
    /// The file.
    pub path: PathBuf,
    /// What it holds.
    pub holds: Holds,
}

/// What a file of certificates holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// A certificate that is shown to others, and those that vouch for it.
    Chain,
    /// Authorities that are trusted.
    Authorities,
}

impl Health {
    /// All of them, in the order people see them.
    #[must_use]
    pub fn points(&self) -> Vec<u32> {
        let Self { good, skipped, lateness, waiting, dropped, unsent, oldest, store, commit, disk_free, .. } = self;
        let Self { written, clock, cpu, memory, starts, errors, certificates, .. } = self;
        let mut points = vec![
            *good, *skipped, *lateness, *waiting, *dropped, *unsent, *oldest, *store, *commit, *disk_free, *written,
            *clock, *cpu, *memory, *starts,
        ];
        points.extend(errors);
        points.extend(certificates.iter().map(|certificate| certificate.point));
        points
    }
}
