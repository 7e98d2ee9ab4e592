//! An agent that runs in the test's process: a directory for its configuration and store, its events, and its door.
//!
//! No broker is there: events are read as the agent tells them once they are on disk. What is waited for is waited for a
//! minute; panics when it does not come.

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use lapwing::config::{self, Overrides};
use lapwing::core::Message;
use lapwing::core::operator::{Action, Answer, Reply, Request, Role};
use lapwing::core::run::{Receiver, Told, telling};
use lapwing::service::Service;
use serde_json::Value;

const PATIENCE: Duration = Duration::from_secs(60);

/// A directory with `module.toml` and one map, `coil.toml`; it goes with its owner.
pub(crate) struct Site(PathBuf);

impl Site {
    /// `PLANT` and `BROKER` in the configuration become ports where nobody listens.
    pub(crate) fn new(name: &str, module: &str, coil: &str) -> Self {
        let dir = std::env::temp_dir().join(format!("lapwing-{name}-{}", std::process::id()));
        let _none = std::fs::remove_dir_all(&dir);
        std::fs::create_dir_all(&dir).expect("a directory");
        let closed = || TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("bound").port();
        let text = module.replace("PLANT", &closed().to_string()).replace("BROKER", &closed().to_string());
        std::fs::write(dir.join("module.toml"), text).expect("written");
        std::fs::write(dir.join("coil.toml"), coil).expect("written");
        Self(dir)
    }

    pub(crate) fn dir(&self) -> &Path {
        &self.0
    }
}

impl Drop for Site {
    fn drop(&mut self) {
        let _left = std::fs::remove_dir_all(&self.0);
    }
}

/// A running agent and what it has told so far.
pub(crate) struct Agent {
    pub(crate) service: Service,
    told: Receiver<Told>,
    seen: Vec<Value>,
}

impl Agent {
    pub(crate) fn start(site: &Site) -> Self {
        let overrides = Overrides { store_dir: Some(site.dir().join("store")), ..Overrides::default() };
        let loaded = config::load(&site.dir().join("module.toml"), std::iter::empty(), &overrides).expect("valid");
        let (tell, told) = telling(4096);
        Self { service: Service::start(loaded.plan, tell).expect("starts"), told, seen: Vec::new() }
    }

    /// The first event of a kind, also one that was told before it was asked for.
    pub(crate) fn event(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        if let Some(found) = self.seen.iter().find(|event| wanted(event)) {
            return found.clone();
        }
        let until = Instant::now() + PATIENCE;
        while let Some(event) = self.next(until) {
            if wanted(&event) {
                return event;
            }
        }
        panic!("no event: {what}; seen: {:#?}", self.seen.iter().map(|event| &event["text"]).collect::<Vec<_>>());
    }

    pub(crate) fn moved(&mut self, alarm: &str, to: &str) -> Value {
        self.event(&format!("{alarm} {to}"), |event| event["alarm"] == alarm && event["to"] == to)
    }

    /// Ends it; everything it has told of its life.
    pub(crate) fn stop(mut self) -> Vec<Value> {
        let until = Instant::now() + PATIENCE;
        let service = self.service;
        let _summary = service.stop();
        while let Some(event) = next(&self.told, until) {
            self.seen.push(event);
        }
        self.seen
    }

    /// What somebody asks at the door, and the answer.
    pub(crate) fn asks(&self, who: &str, role: Role, asked: Asked<'_>) -> Answer {
        let (reply, answer) = std::sync::mpsc::sync_channel(1);
        let reply = Reply::to(move |answer| reply.send(answer).expect("somebody waits"));
        self.service.door().hand_in_surely(request(who, role, asked, reply));
        answer.recv_timeout(PATIENCE).expect("an answer")
    }

    fn next(&mut self, until: Instant) -> Option<Value> {
        let event = next(&self.told, until)?;
        self.seen.push(event.clone());
        Some(event)
    }
}

/// The next event, if it is told in time.
fn next(told: &Receiver<Told>, until: Instant) -> Option<Value> {
    loop {
        if let Told::Event(payload) = told.recv_timeout(until.saturating_duration_since(Instant::now())).ok()? {
            return Some(serde_json::from_slice(&payload).expect("an event"));
        }
    }
}

/// What is asked.
pub(crate) struct Asked<'a> {
    pub(crate) action: Action,
    pub(crate) alarm: Option<&'a str>,
    /// The occurrence a person has seen.
    pub(crate) occurrence: Option<u32>,
    pub(crate) reason: Option<&'a str>,
}

/// A request as it comes through the door.
pub(crate) fn request(who: &str, role: Role, asked: Asked<'_>, reply: Reply) -> Message {
    let Asked { action, alarm, occurrence, reason } = asked;
    Message::Operator(Box::new(Request {
        who: who.into(),
        role,
        action,
        alarm: alarm.map(str::to_owned),
        occurrence,
        reason: reason.map(str::to_owned),
        once: None,
        reply,
    }))
}
