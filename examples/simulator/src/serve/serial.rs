//! A serial line as a pseudo-terminal: the master opens the slave side's path, the devices speak on the other.
//!
//! Decides nothing about frames: it carries bytes between the terminal and a [`Line`], at the line's pace, on a
//! thread of its own. Bytes are handed over up to three at once, as the receivers of common ports do, so that no
//! pause of 3.5 characters is added. What nobody reads is dropped, as on a wire; the slave side is not held open
//! here, so that a master's exclusive use ends with its last close, as on a port. Opening is the only thing that can
//! fail; a line whose terminal breaks later ends with a log entry. Never panics.

use std::io;
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

use super::line::Line;

/// Characters handed over at once; fewer than the 3.5 that end a frame.
const TOGETHER: usize = 3;
/// How often an idle line looks at its switches.
const IDLE: Duration = Duration::from_millis(100);
/// How often a line that no master has open looks for one; the terminal does not wake it for that.
const NOBODY: Duration = Duration::from_millis(10);

/// The switches of a serial line that others set while it runs.
#[derive(Clone, Debug)]
pub(crate) struct Switches {
    pub(crate) up: Arc<AtomicBool>,
    pub(crate) second_master: Arc<AtomicBool>,
    pub(crate) stop: Arc<AtomicBool>,
}

/// A running serial line.
#[derive(Debug)]
pub(crate) struct SerialLine {
    /// What a master opens.
    pub(crate) path: String,
    pub(crate) thread: JoinHandle<()>,
}

/// Opens a pseudo-terminal in raw mode and starts the line's thread, which ends within 100 ms of `switches.stop`.
pub(crate) fn start(name: &str, line: Line, switches: Switches) -> io::Result<SerialLine> {
    let terminal = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&terminal)?;
    unlockpt(&terminal)?;
    let path = ptsname(&terminal, Vec::new())?
        .into_string()
        .map_err(|_| io::Error::other("the terminal's name is not text"))?;
    let slave = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
    let mut settings = tcgetattr(&slave)?;
    settings.make_raw();
    tcsetattr(&slave, OptionalActions::Now, &settings)?;
    drop(slave);
    fcntl_setfl(&terminal, fcntl_getfl(&terminal)? | OFlags::NONBLOCK)?;

    let link = name.to_owned();
    let thread = std::thread::Builder::new().name(format!("line-{name}")).spawn(move || {
        if let Err(error) = carry(&terminal, line, &switches) {
            tracing::warn!(link, %error, "serial line ended");
        }
    })?;
    Ok(SerialLine { path, thread })
}

fn carry(terminal: &OwnedFd, mut line: Line, switches: &Switches) -> io::Result<()> {
    let start = Instant::now();
    let mut heard = Vec::with_capacity(512);
    let mut buffer = [0u8; 512];
    let (mut was_up, mut somebody) = (true, false);
    while !switches.stop.load(Ordering::Relaxed) {
        let up = switches.up.load(Ordering::Relaxed);
        if was_up && !up {
            line.cut();
        }
        was_up = up;
        heard.clear();
        let second_master = up && switches.second_master.load(Ordering::Relaxed);
        line.advance(start.elapsed(), second_master, &mut heard);
        if up && somebody && !heard.is_empty() {
            match rustix::io::write(terminal, &heard) {
                Ok(_) | Err(Errno::AGAIN | Errno::INTR | Errno::IO) => {}
                Err(error) => return Err(error.into()),
            }
        }
        let wait = match line.next_at(TOGETHER) {
            Some(at) => at.saturating_sub(start.elapsed()).min(IDLE),
            None => IDLE,
        };
        let wait_at_most = Timespec::try_from(wait).map_err(io::Error::other)?;
        let mut ready = [PollFd::new(terminal, PollFlags::IN)];
        match poll(&mut ready, Some(&wait_at_most)) {
            Ok(_) | Err(Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
        let ready = ready[0].revents();
        somebody = !ready.contains(PollFlags::HUP);
        if ready.contains(PollFlags::IN) {
            match rustix::io::read(terminal, &mut buffer) {
                Ok(count) if up => line.master_sends(start.elapsed(), &buffer[..count]),
                Ok(_) | Err(Errno::AGAIN | Errno::INTR | Errno::IO) => {}
                Err(error) => return Err(error.into()),
            }
        } else if !somebody {
            std::thread::sleep(wait.min(NOBODY));
        }
    }
    Ok(())
}
