//! Decides whether the devices of a link, and the link itself, are up or down, and when a silent one is tried again.
//!
//! Pure: moments are passed in, in milliseconds since the link started. It knows no protocol and sends nothing. Never
//! panics on an index it was made for.
//!
//! - A device is **suspect** from its first failed request: its scans are held back and it is tried alone, after 0.25,
//!   0.5, 1, 2, 4 and then every 5 s, never before its late answers have run out; in the end never before 25 times as long
//!   as it kept the link waiting. So a dead device costs its neighbours less than 4 % of their time, and a lost frame costs
//!   one reading.
//! - A suspect device is told **down** after three failed requests over at least 1 s, or two over 3 s.
//! - A link is told **down** when its connection cannot be made for 1 s, or when all its devices (four in a row are
//!   enough) failed and none answered in between; at once when it must not be made. Its devices are then not told one by one: one alarm, not fourteen.
//!   A device is told alone only once another one of its link has answered since, or after waiting 3 s for that.
//! - A gateway's word for a device that does not answer it keeps the link up and marks that device alone.
//! - A link with a single device speaks for it: only the link's state is told.
//! - Any answer brings a device and its link **up** at once.

use lapwing_engine::spec::Millis;

use super::why::Why;

/// Waits before a suspect device is tried again; the last one repeats.
const WAITS_MS: [u64; 6] = [250, 500, 1000, 2000, 4000, 5000];
/// Waits before a lost connection is made again; the last one repeats.
const CONNECT_WAITS_MS: [u64; 4] = [250, 500, 1000, 2000];
/// A device that stays silent may take one part in so many of its link's time.
const SHARE_OF_THE_DEAD: u64 = 25;
const DOWN_FAILURES: u32 = 3;
const DOWN_AFTER_MS: u64 = 1000;
const DOWN_FAILURES_SLOW: u32 = 2;
const DOWN_AFTER_SLOW_MS: u64 = 3000;
/// So many devices failing in a row, with no answer from any, are the line and not they.
const LINK_DOWN_DEVICES: usize = 4;
/// How long a device's own report waits for proof that the link lives.
const PROOF_WAIT_MS: u64 = 3000;

/// A change worth telling.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// The link came up or went down.
    Link {
        /// Which it did.
        up: bool,
        /// Why.
        why: Why,
    },
    /// A device came up or went down.
    Device {
        /// Which device, counted on its link.
        device: usize,
        /// Which it did.
        up: bool,
        /// Why.
        why: Why,
    },
}

/// Health of one link and its devices.
#[derive(Debug)]
pub struct Health {
    devices: Vec<Device>,
    suspects: usize,
    /// What was last told about the link.
    told: Option<bool>,
    last_answer: Option<Millis>,
    /// First failed request since any device answered.
    quiet_since: Option<Millis>,
    connected: bool,
    lost_since: Option<Millis>,
    connect_failures: u32,
    connect_at: Millis,
    connect_why: Why,
    /// There is nothing to wait for before it is told.
    connect_refused: bool,
}

#[derive(Debug, Default)]
struct Device {
    /// How late an answer may still come: it is not tried before that has passed.
    late_max_ms: u64,
    told: Option<bool>,
    suspect: Option<Suspect>,
    /// It failed since any device of the link answered.
    quiet: bool,
}

#[derive(Debug)]
struct Suspect {
    failures: u32,
    first_failed: Millis,
    tries: usize,
    try_at: Millis,
    /// Until then late answers may come.
    late_until: Millis,
    why: Why,
}

impl Health {
    /// A link not yet connected whose devices have not been asked; for each how late its answers may come (0 where a
    /// late answer cannot be mistaken).
    #[must_use]
    pub fn new(late_max_ms: impl IntoIterator<Item = u64>) -> Self {
        Self {
            devices: late_max_ms.into_iter().map(|late_max_ms| Device { late_max_ms, ..Device::default() }).collect(),
            suspects: 0,
            told: None,
            last_answer: None,
            quiet_since: None,
            connected: false,
            lost_since: None,
            connect_failures: 0,
            connect_at: Millis(0),
            connect_why: Why::NotConnected,
            connect_refused: false,
        }
    }

    /// Whether a device may be asked by its scans.
    #[must_use]
    pub fn is_well(&self, device: usize) -> bool {
        self.devices[device].suspect.is_none()
    }

    /// Whether there is a connection.
    #[must_use]
    pub const fn is_connected(&self) -> bool {
        self.connected
    }

    /// When to connect, if there is no connection.
    #[must_use]
    pub fn connect_at(&self) -> Option<Millis> {
        (!self.connected).then_some(self.connect_at)
    }

    /// The suspect to be tried next, and when.
    #[must_use]
    pub fn next_try(&self) -> Option<(Millis, usize)> {
        if self.suspects == 0 {
            return None;
        }
        let tries = self.devices.iter().enumerate().filter_map(|(n, d)| Some((d.suspect.as_ref()?.try_at, n)));
        tries.min()
    }

    /// A gateway answered in the name of a device that does not answer it: the link lives, whatever its devices do. On a
    /// link with one device both are one.
    pub fn gateway_answered(&mut self, now: Millis, tell: &mut impl FnMut(Change)) {
        if self.devices.len() > 1 {
            self.alive(now, tell);
        }
    }

    /// A device answered believably. True if it was suspect until now.
    pub fn answered(&mut self, device: usize, now: Millis, tell: &mut impl FnMut(Change)) -> bool {
        let was_suspect = self.devices[device].suspect.take().is_some();
        self.suspects -= usize::from(was_suspect);
        self.alive(now, tell);
        if self.devices.len() > 1 && self.devices[device].told != Some(true) {
            self.devices[device].told = Some(true);
            tell(Change::Device { device, up: true, why: Why::Answers });
        }
        was_suspect
    }

    /// Somebody on the link answered.
    fn alive(&mut self, now: Millis, tell: &mut impl FnMut(Change)) {
        self.last_answer = Some(now);
        if self.quiet_since.take().is_some() {
            for device in &mut self.devices {
                device.quiet = false;
            }
        }
        if self.told != Some(true) {
            self.told = Some(true);
            tell(Change::Link { up: true, why: Why::Answers });
            // The others had no chance to answer: they get one now, and are counted from then.
            for suspect in self.devices.iter_mut().filter_map(|d| d.suspect.as_mut()) {
                (suspect.failures, suspect.first_failed, suspect.tries) = (0, now, 0);
                suspect.try_at = now.max(suspect.late_until);
            }
        }
    }

    /// A request sent at `sent` brought no believable answer.
    pub fn failed(&mut self, device: usize, sent: Millis, now: Millis, why: Why) {
        self.quiet_since.get_or_insert(sent);
        let alone = self.devices.len() == 1;
        let device = &mut self.devices[device];
        device.quiet = true;
        let late_max_ms = device.late_max_ms;
        let suspect = device.suspect.get_or_insert_with(|| {
            self.suspects += 1;
            Suspect { failures: 0, first_failed: sent, tries: 0, try_at: now, late_until: now, why: Why::NotConnected }
        });
        suspect.failures = suspect.failures.saturating_add(1);
        if suspect.failures == 1 {
            suspect.first_failed = sent;
        }
        suspect.put_off(late_max_ms, now);
        if !alone && suspect.tries >= WAITS_MS.len() {
            suspect.try_at = suspect.try_at.max(now.plus(now.since(sent) * SHARE_OF_THE_DEAD));
        }
        suspect.why = why;
    }

    /// A suspect answered, but nothing that proves that its answers belong to its requests: it stays suspect.
    pub fn undecided(&mut self, device: usize, now: Millis) {
        let device = &mut self.devices[device];
        if let Some(suspect) = &mut device.suspect {
            suspect.put_off(device.late_max_ms, now);
        }
    }

    /// The connection was dropped; making it again is due at once.
    pub fn lost(&mut self, now: Millis) {
        self.connected = false;
        self.connect_at = now;
    }

    /// The connection is made. True if there had been none for longer than it takes to make one.
    pub fn connected(&mut self, now: Millis) -> bool {
        let was_away = self.connect_failures > 0;
        self.connected = true;
        if self.connect_failures > 0 {
            // What failed before had no connection to answer over.
            for suspect in self.devices.iter_mut().filter_map(|d| d.suspect.as_mut()) {
                (suspect.tries, suspect.try_at) = (0, suspect.try_at.min(now.max(suspect.late_until)));
            }
        }
        self.connect_failures = 0;
        self.connect_refused = false;
        self.lost_since = None;
        was_away
    }

    /// An attempt to connect, begun at `begun`, failed.
    pub fn connect_failed(&mut self, begun: Millis, now: Millis, why: Why) {
        self.connected = false;
        self.lost_since.get_or_insert(begun);
        let wait = CONNECT_WAITS_MS[(self.connect_failures as usize).min(CONNECT_WAITS_MS.len() - 1)];
        self.connect_failures = self.connect_failures.saturating_add(1);
        self.connect_at = now.plus(wait);
        self.connect_why = why;
    }

    /// An attempt to connect showed that there must be no connection.
    pub fn connect_refused(&mut self, begun: Millis, now: Millis, why: Why) {
        self.connect_failed(begun, now, why);
        self.connect_refused = true;
    }

    /// Tells what has become certain by now. Call after every event and at least once a second.
    pub fn review(&mut self, now: Millis, tell: &mut impl FnMut(Change)) {
        if self.told != Some(false)
            && let Some(why) = self.link_down(now)
        {
            self.told = Some(false);
            tell(Change::Link { up: false, why });
        }
        if self.suspects == 0 || self.devices.len() < 2 || self.told == Some(false) || !self.connected {
            return;
        }
        for (n, device) in self.devices.iter_mut().enumerate() {
            let Some(suspect) = &device.suspect else { continue };
            let proved = self.last_answer.is_some_and(|at| at >= suspect.first_failed)
                || now.since(suspect.first_failed) >= DOWN_AFTER_SLOW_MS + PROOF_WAIT_MS;
            if device.told != Some(false) && suspect.is_down(now) && proved {
                device.told = Some(false);
                tell(Change::Device { device: n, up: false, why: suspect.why.clone() });
            }
        }
    }

    fn link_down(&self, now: Millis) -> Option<Why> {
        if self.connect_refused {
            return Some(self.connect_why.clone());
        }
        if let Some(since) = self.lost_since
            && self.connect_failures >= 2
            && now.since(since) >= DOWN_AFTER_MS
        {
            return Some(self.connect_why.clone());
        }
        if let [only] = &self.devices[..] {
            return only.suspect.as_ref().filter(|s| s.is_down(now)).map(|s| s.why.clone());
        }
        if self.quiet_since.is_none_or(|since| now.since(since) < DOWN_AFTER_MS) {
            return None;
        }
        let quiet = self.devices.iter().filter(|d| d.quiet).count();
        let failures: u32 = self.devices.iter().filter_map(|d| d.suspect.as_ref()).map(|s| s.failures).sum();
        if quiet == 0 || quiet < self.devices.len().min(LINK_DOWN_DEVICES) || failures < DOWN_FAILURES {
            return None;
        }
        Some(Why::NoneAnswers { devices: self.devices.len() })
    }
}

impl Suspect {
    fn put_off(&mut self, late_max_ms: u64, now: Millis) {
        self.late_until = now.plus(late_max_ms);
        self.try_at = now.plus(WAITS_MS[self.tries.min(WAITS_MS.len() - 1)]).max(self.late_until);
        self.tries = self.tries.saturating_add(1);
    }

    fn is_down(&self, now: Millis) -> bool {
        let silent_ms = now.since(self.first_failed);
        (self.failures >= DOWN_FAILURES && silent_ms >= DOWN_AFTER_MS)
            || (self.failures >= DOWN_FAILURES_SLOW && silent_ms >= DOWN_AFTER_SLOW_MS)
    }
}

#[cfg(test)]
#[path = "health/tests.rs"]
mod tests;
