//! Gives memory back to the host that was taken for a while.
//!
//! glibc's allocator keeps what a thread has freed in that thread's own arena. A pass over a slot of history takes megabytes
//! once in a quarter of an hour, on threads that need little in between; without this each of them would keep its own, and
//! the agent what reading its configuration took. SQLite keeps the pages of a large write likewise. It decides nothing, and
//! changes nothing but how much memory the host counts. Elsewhere than on glibc the first does nothing. Never panics.
//! malloc_trim(3); SQLite's "PRAGMA shrink_memory".

/// Gives back what is free. Takes about a millisecond a few megabytes: after large pieces of work only.
#[allow(unsafe_code)] // no safe crate offers the call; it takes a number and touches no memory of ours
pub(crate) fn give_back() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    // SAFETY: malloc_trim may be called at any time by any thread (attributes MT-Safe); only free pages are released.
    unsafe {
        libc::malloc_trim(0);
    }
}

/// Lets a connection forget the pages it has cached of a large read or write; what is needed is read again.
pub(crate) fn forget_pages(connection: &rusqlite::Connection) {
    if let Err(error) = connection.execute_batch("PRAGMA shrink_memory") {
        tracing::debug!(%error, "cached pages are kept");
    }
}

#[cfg(all(test, target_os = "linux", target_env = "gnu"))]
mod tests {
    use super::*;

    fn resident_kib() -> u64 {
        let status = std::fs::read_to_string("/proc/self/status").expect("procfs");
        let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:")).expect("it names it");
        line.split_whitespace().next().and_then(|kib| kib.parse().ok()).expect("a number")
    }

    #[test]
    fn what_a_thread_has_freed_leaves_the_process() {
        // Small pieces, so that they come from the thread's arena, and the last is held: its end cannot just be cut off.
        let kept = std::thread::spawn(|| {
            let mut all: Vec<Vec<u8>> = (0..200_000).map(|n| vec![n as u8; 256]).collect();
            let last = all.pop();
            drop(all);
            let before = resident_kib();
            give_back();
            let after = resident_kib();
            // Others of this process's tests take and free meanwhile: 50 MB were there to be given back.
            (last, before, after)
        });
        let (last, before, after) = kept.join().expect("joined");
        assert!(last.is_some());
        assert!(before > after + 20_000, "{before} KiB, then {after} KiB");
    }
}
