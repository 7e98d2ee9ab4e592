//! Spreads independent runs over the processors, and says what they cost.
//!
//! Results stand in the order of the jobs, whatever was done first, so that an outcome is the same on every machine.
//! Panics when a job does.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use rustix::time::{ClockId, clock_gettime};

/// Does all jobs; their results in order.
pub(crate) fn spread<J: Sync, R: Send>(jobs: &[J], work: impl Fn(&J) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(jobs.len()));
    let one = || {
        while let Some((number, job)) = Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|n| Some((n, jobs.get(n)?)))
        {
            let result = work(job);
            done.lock().expect("no job has panicked").push((number, result));
        }
    };
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(jobs.len());
    std::thread::scope(|scope| (0..workers).for_each(|_| drop(scope.spawn(one))));
    let mut done = done.into_inner().expect("no job has panicked");
    done.sort_by_key(|(number, _)| *number);
    done.into_iter().map(|(_, result)| result).collect()
}

/// Seconds of processor this process has had, over all its threads.
pub(crate) fn processor_s() -> f64 {
    let had = clock_gettime(ClockId::ProcessCPUTime);
    had.tv_sec as f64 + had.tv_nsec as f64 / 1e9
}
