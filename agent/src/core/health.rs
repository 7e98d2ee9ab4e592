//! The agent's own health as figures: what its host gives it, how its queues stand, what it could not do.
//!
//! A thread of its own asks the host every few seconds (free disk, memory, processor time, bytes written, certificates), because a disk
//! that hangs must not hold the core up; the core reads the last answers. Knows no alarms: limits are in the plan. Figures
//! of Linux's `/proc` (proc(5)); where one cannot be read it stays at what it was. Never panics.

use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Weak};
use std::time::{Duration, Instant};

use super::certificates::Certificates;
use crate::plan::Certificate;
use crate::store::Store;

/// How often the host is asked and the points are set.
pub const EVERY: Duration = Duration::from_secs(10);

/// Stands for a disk that was not asked yet: 1 TiB.
const FREE_UNKNOWN_MIB: u64 = 1 << 20;

/// What the host last answered.
#[derive(Debug)]
pub struct Host {
    free_permille: AtomicU64,
    free_mib: AtomicU64,
    memory_kib: AtomicU64,
    cpu_permille: AtomicU64,
    written_kib: AtomicU64,
    store_answers: AtomicBool,
    certificates: Certificates,
}

impl Default for Host {
    fn default() -> Self {
        Self {
            // Unknown is not full.
            free_permille: AtomicU64::new(1000),
            free_mib: AtomicU64::new(FREE_UNKNOWN_MIB),
            memory_kib: AtomicU64::new(0),
            cpu_permille: AtomicU64::new(0),
            written_kib: AtomicU64::new(0),
            store_answers: AtomicBool::new(false),
            certificates: Certificates::default(),
        }
    }
}

impl Host {
    /// Watches the host for as long as the answer is kept by anybody; `missing` is the size limit of a store that could not
    /// be opened in `dir` and is to be looked for.
    ///
    /// # Errors
    /// When the host gives no thread.
    pub fn watch(dir: &Path, missing: Option<u32>) -> std::io::Result<Arc<Self>> {
        let host = Arc::new(Self::default());
        let (weak, dir) = (Arc::downgrade(&host), dir.to_path_buf());
        std::thread::Builder::new().name("health".into()).spawn(move || ask_on(&weak, &dir, missing))?;
        Ok(host)
    }

    /// Whether the store that could not be opened at the start can be now.
    #[must_use]
    pub fn store_answers(&self) -> bool {
        self.store_answers.load(Ordering::Relaxed)
    }

    /// From now on the ends of these certificates are looked for.
    pub fn watch_certificates(&self, certificates: &[Certificate]) {
        self.certificates.watch(certificates);
    }

    /// Days a file of certificates still holds at a moment of the wall clock, ms; an error if it cannot be read, nothing if
    /// it was not looked at yet.
    #[must_use]
    pub fn days_left(&self, path: &Path, now_ms: i64) -> Option<Result<i64, ()>> {
        self.certificates.days_left(path, now_ms)
    }

    /// Free share of the data directory's disk, in tenths of a percent.
    #[must_use]
    pub fn free_permille(&self) -> u64 {
        self.free_permille.load(Ordering::Relaxed)
    }

    /// Free space of the data directory's disk, MiB.
    #[must_use]
    pub fn free_mib(&self) -> u64 {
        self.free_mib.load(Ordering::Relaxed)
    }

    /// Resident memory, KiB.
    #[must_use]
    pub fn memory_kib(&self) -> u64 {
        self.memory_kib.load(Ordering::Relaxed)
    }

    /// Processor time of the last seconds, in tenths of a percent of one core.
    #[must_use]
    pub fn cpu_permille(&self) -> u64 {
        self.cpu_permille.load(Ordering::Relaxed)
    }

    /// Written to block devices since the start, KiB.
    #[must_use]
    pub fn written_kib(&self) -> u64 {
        self.written_kib.load(Ordering::Relaxed)
    }
}

fn ask_on(host: &Weak<Host>, dir: &Path, missing: Option<u32>) {
    let mut before: Option<(Instant, u64)> = None;
    let mut due = Instant::now();
    while let Some(host) = host.upgrade() {
        if Instant::now() >= due {
            due = Instant::now() + EVERY;
            ask(&host, dir, &mut before);
            if let Some(max_mib) = missing
                && !host.store_answers()
                && Store::answers(dir, max_mib).is_ok()
            {
                host.store_answers.store(true, Ordering::Relaxed);
            }
        }
        // Last: it may be another disk, and hang.
        host.certificates.look();
        drop(host);
        // Short, so that the thread ends soon after the agent.
        std::thread::sleep(Duration::from_millis(500));
    }
}

fn ask(host: &Host, dir: &Path, before: &mut Option<(Instant, u64)>) {
    if let Ok(disk) = rustix::fs::statvfs(dir)
        && disk.f_blocks > 0
    {
        host.free_permille.store(disk.f_bavail.saturating_mul(1000) / disk.f_blocks, Ordering::Relaxed);
        host.free_mib.store(disk.f_bavail.saturating_mul(disk.f_frsize) >> 20, Ordering::Relaxed);
    }
    let read = |name: &str| std::fs::read_to_string(format!("/proc/self/{name}")).unwrap_or_default();
    if let Some(kib) = after(&read("status"), "VmRSS:") {
        host.memory_kib.store(kib, Ordering::Relaxed);
    }
    if let Some(bytes) = after(&read("io"), "write_bytes:") {
        host.written_kib.store(bytes / 1024, Ordering::Relaxed);
    }
    if let Some(ticks) = ticks(&read("stat")) {
        let now = Instant::now();
        if let Some((at, earlier)) = before.replace((now, ticks)) {
            let ms = u64::try_from(now.duration_since(at).as_millis()).unwrap_or(u64::MAX).max(1);
            // USER_HZ is 100 towards programs on every Linux (from memory): a tick is 10 ms.
            let used_ms = ticks.saturating_sub(earlier).saturating_mul(10);
            host.cpu_permille.store(used_ms.saturating_mul(1000) / ms, Ordering::Relaxed);
        }
    }
}

/// The number after a key at the beginning of a line.
fn after(text: &str, key: &str) -> Option<u64> {
    text.lines().find_map(|line| line.strip_prefix(key))?.split_whitespace().next()?.parse().ok()
}

/// User and system time: fields 14 and 15; the name in brackets before them may hold anything.
fn ticks(stat: &str) -> Option<u64> {
    let mut fields = stat.rsplit_once(')')?.1.split_whitespace().skip(11);
    let user: u64 = fields.next()?.parse().ok()?;
    let system: u64 = fields.next()?.parse().ok()?;
    user.checked_add(system)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_of_proc_are_read_and_nonsense_is_not() {
        assert_eq!(after("VmPeak:\t 9 kB\nVmRSS:\t  1234 kB\n", "VmRSS:"), Some(1234));
        assert_eq!(after("VmRSS:\t", "VmRSS:"), None);
        let stat = "7 (a ) b) S 1 2 3 4 5 6 7 8 9 10 150 25 0 0";
        assert_eq!(ticks(stat), Some(175));
        for end in 0..stat.len() - 6 {
            assert!(ticks(&stat[..end]).is_none_or(|ticks| ticks <= 175), "cut at {end}");
        }
    }

    #[test]
    fn the_host_is_asked() {
        let host = Host::default();
        let mut before = None;
        ask(&host, &std::env::temp_dir(), &mut before);
        assert!(
            host.memory_kib() > 0
                && host.free_permille() <= 1000
                && host.free_mib() != FREE_UNKNOWN_MIB
                && before.is_some()
        );
    }
}
