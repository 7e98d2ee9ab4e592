//! A network of a test's own beside the machine's: a namespace with one cable to it, which can be cut without either end
//! being told.
//!
//! Addresses are of the block for private use (RFC 1918), a pair for each test's process. Cutting drops what is sent (a
//! black hole in the routes): nobody hears of it, as with a switch that loses its power. Needs root and the kernel's network
//! namespaces; where they are not permitted the maker gives `None` and says why, and the test has nothing to try. The
//! network goes when the handle is dropped. Panics when something that has worked before does not.

use std::ffi::OsStr;
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

/// A network beyond a cable.
#[derive(Debug)]
pub struct Network {
    name: String,
    ours: String,
    theirs: String,
}

impl Network {
    /// Lays one.
    #[must_use]
    pub fn lay() -> Option<Self> {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let (process, next) = (std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
        let name = format!("lwt{process}-{next}");
        let (near, far) = (format!("lwn{}-{next}", process % 100_000), format!("lwf{}-{next}", process % 100_000));
        // Four addresses for each: process and count spread them over 10.128.0.0/9.
        let block = (process.wrapping_mul(7) + next) % (1 << 21) * 4;
        let address = |host: u32| format!("10.{}.{}.{}", 128 + (block >> 16), block >> 8 & 255, (block & 255) + host);
        let network = Self { name, ours: address(1), theirs: address(2) };
        let laid = (|| {
            run(&["netns", "add", &network.name])?;
            run(&["link", "add", &near, "type", "veth", "peer", "name", &far, "netns", &network.name])?;
            run(&["addr", "add", &format!("{}/30", network.ours), "dev", &near])?;
            run(&["link", "set", &near, "up"])?;
            network.inside(&["addr", "add", &format!("{}/30", network.theirs), "dev", &far])?;
            network.inside(&["link", "set", &far, "up"])?;
            network.inside(&["link", "set", "lo", "up"])
        })();
        laid.inspect_err(|why| println!("not tried, no network namespace can be made here: {why}")).ok()?;
        Some(network)
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> String {
        self.name.clone()
    }

    /// Address of its end of the cable.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.theirs
    }

    /// Nothing comes back from there any more; what is sent there still arrives.
    ///
    /// # Panics
    /// When it cannot.
    pub fn deafen(&self) {
        self.inside(&["route", "add", "blackhole", &self.ours]).expect("a route can be set");
    }

    /// Nothing passes any more, in either direction.
    ///
    /// # Panics
    /// When it cannot.
    pub fn cut(&self) {
        self.deafen();
        run(&["route", "add", "blackhole", &self.theirs]).expect("a route can be set");
    }

    /// The cable is whole again.
    ///
    /// # Panics
    /// When it was not cut.
    pub fn mend(&self) {
        self.inside(&["route", "del", "blackhole", &self.ours]).expect("a route can be taken away");
        // There only if both directions were cut.
        let _ = run(&["route", "del", "blackhole", &self.theirs]);
    }

    fn inside(&self, arguments: &[&str]) -> Result<(), String> {
        run(&[&["-n", self.name.as_str()], arguments].concat())
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        let _ = run(&["route", "del", "blackhole", &self.theirs]);
        // The cable goes with it.
        let _ = run(&["netns", "del", &self.name]);
    }
}

/// A command, inside a network if one is named.
#[must_use]
pub fn command(network: Option<&str>, program: impl AsRef<OsStr>) -> Command {
    match network {
        Some(name) => {
            let mut command = Command::new("ip");
            command.args(["netns", "exec", name]).arg(program);
            command
        }
        None => Command::new(program),
    }
}

fn run(arguments: &[&str]) -> Result<(), String> {
    let done = Command::new("ip").args(arguments).output().map_err(|error| format!("ip: {error}"))?;
    let said = String::from_utf8_lossy(&done.stderr).trim().to_owned();
    if done.status.success() { Ok(()) } else { Err(format!("ip {}: {said}", arguments.join(" "))) }
}
