//! Topics: their names under `<base>/<site>/<module>/`, made and read back.
//!
//! Base, site and module are one segment each, checked when a `Topics` is made, so that every topic is at most 227 bytes
//! (three segments of 32, the longest word `alarm/` or `catalogue/` and an id of 120) and has no wildcard in it. Knows no
//! payload. Never panics.

use alloc::format;
use alloc::string::String;

use crate::alarm_words::Priority;
use crate::path::{NameError, check_segment};
use crate::vocabulary::Vocabulary;

/// First topic segment unless configured otherwise.
pub const DEFAULT_BASE: &str = "lapwing";

/// The topics of one module.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Topics {
    base: String,
    site: String,
    module: String,
}

/// What a topic is, with the names in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Topic<'a> {
    /// `presence`.
    Presence,
    /// `catalogue/<hash>/<page>`, pages counted from 1.
    Catalogue {
        /// Hash of the catalogue.
        hash: &'a str,
        /// Page, from 1.
        page: u32,
    },
    /// `frame`.
    Frame,
    /// `point/<path>`.
    Point(&'a str),
    /// `alarm/<id>`.
    Alarm(&'a str),
    /// `event`.
    Event,
    /// `event/last`.
    EventLast,
    /// `announce/<priority>`.
    Announce(Priority),
    /// `command`.
    Command,
    /// `command/reply`.
    CommandReply,
}

impl Topics {
    /// Topics under checked names.
    ///
    /// # Errors
    /// What is wrong with the first name that is no segment.
    pub fn new(base: &str, site: &str, module: &str) -> Result<Self, NameError> {
        for name in [base, site, module] {
            check_segment(name)?;
        }
        Ok(Self { base: base.into(), site: site.into(), module: module.into() })
    }

    /// First segment.
    #[must_use]
    pub fn base(&self) -> &str {
        &self.base
    }

    /// Site.
    #[must_use]
    pub fn site(&self) -> &str {
        &self.site
    }

    /// Module.
    #[must_use]
    pub fn module(&self) -> &str {
        &self.module
    }

    /// The topic of anything.
    #[must_use]
    pub fn of(&self, topic: Topic<'_>) -> String {
        match topic {
            Topic::Presence => self.presence(),
            Topic::Catalogue { hash, page } => self.catalogue(hash, page),
            Topic::Frame => self.frame(),
            Topic::Point(path) => self.point(path),
            Topic::Alarm(id) => self.alarm(id),
            Topic::Event => self.event(),
            Topic::EventLast => self.event_last(),
            Topic::Announce(priority) => self.announce(priority),
            Topic::Command => self.command(),
            Topic::CommandReply => self.command_reply(),
        }
    }

    /// `presence`.
    #[must_use]
    pub fn presence(&self) -> String {
        self.under("presence")
    }

    /// `catalogue/<hash>/<page>`; pages count from 1.
    #[must_use]
    pub fn catalogue(&self, hash: &str, page: u32) -> String {
        self.under(&format!("catalogue/{hash}/{page}"))
    }

    /// `frame`.
    #[must_use]
    pub fn frame(&self) -> String {
        self.under("frame")
    }

    /// `point/<path>`.
    #[must_use]
    pub fn point(&self, path: &str) -> String {
        self.under(&format!("point/{path}"))
    }

    /// `alarm/<id>`.
    #[must_use]
    pub fn alarm(&self, id: &str) -> String {
        self.under(&format!("alarm/{id}"))
    }

    /// `event`.
    #[must_use]
    pub fn event(&self) -> String {
        self.under("event")
    }

    /// `event/last`.
    #[must_use]
    pub fn event_last(&self) -> String {
        self.under("event/last")
    }

    /// `announce/<priority>`.
    #[must_use]
    pub fn announce(&self, priority: Priority) -> String {
        self.under(&format!("announce/{}", priority.as_word()))
    }

    /// `command`.
    #[must_use]
    pub fn command(&self) -> String {
        self.under("command")
    }

    /// `command/reply`.
    #[must_use]
    pub fn command_reply(&self) -> String {
        self.under("command/reply")
    }

    /// What a topic of this module is; `None` for another module's and for topics of later versions.
    #[must_use]
    pub fn parse<'a>(&self, topic: &'a str) -> Option<Topic<'a>> {
        let rest = topic.strip_prefix(self.base.as_str())?.strip_prefix('/')?;
        let rest = rest.strip_prefix(self.site.as_str())?.strip_prefix('/')?;
        Topic::parse(rest.strip_prefix(self.module.as_str())?.strip_prefix('/')?)
    }

    /// Module and meaning of a topic of any module, for subscribers of many.
    #[must_use]
    pub fn split(topic: &str) -> Option<(Self, Topic<'_>)> {
        let mut parts = topic.splitn(4, '/');
        let topics = Self::new(parts.next()?, parts.next()?, parts.next()?).ok()?;
        Some((topics, Topic::parse(parts.next()?)?))
    }

    fn under(&self, rest: &str) -> String {
        format!("{}/{}/{}/{rest}", self.base, self.site, self.module)
    }
}

impl<'a> Topic<'a> {
    /// From what follows `<base>/<site>/<module>/`.
    fn parse(rest: &'a str) -> Option<Self> {
        let (word, name) = rest.split_once('/').map_or((rest, None), |(word, name)| (word, Some(name)));
        match (word, name) {
            ("presence", None) => Some(Self::Presence),
            ("catalogue", Some(name)) => {
                let (hash, page) = name.split_once('/')?;
                let page = page.parse().ok().filter(|page| *page > 0)?;
                Some(Self::Catalogue { hash, page })
            }
            ("frame", None) => Some(Self::Frame),
            ("point", Some(path)) if !path.is_empty() => Some(Self::Point(path)),
            ("alarm", Some(id)) if !id.is_empty() => Some(Self::Alarm(id)),
            ("event", None) => Some(Self::Event),
            ("event", Some("last")) => Some(Self::EventLast),
            ("announce", Some(priority)) => Some(Self::Announce(Priority::from_word(priority)?)),
            ("command", None) => Some(Self::Command),
            ("command", Some("reply")) => Some(Self::CommandReply),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::path::{ALARM_ID_MAX, SEGMENT_MAX};

    fn saltmarsh() -> Topics {
        Topics::new("lapwing", "saltmarsh", "m1").expect("three segments")
    }

    #[test]
    fn names_as_in_the_contract() {
        let topics = saltmarsh();
        for (topic, expected) in [
            (Topic::Presence, "lapwing/saltmarsh/m1/presence"),
            (
                Topic::Catalogue { hash: "0123456789abcdef", page: 2 },
                "lapwing/saltmarsh/m1/catalogue/0123456789abcdef/2",
            ),
            (Topic::Frame, "lapwing/saltmarsh/m1/frame"),
            (Topic::Point("coil/water/flow"), "lapwing/saltmarsh/m1/point/coil/water/flow"),
            (Topic::Alarm("fault/link/plant"), "lapwing/saltmarsh/m1/alarm/fault/link/plant"),
            (Topic::Event, "lapwing/saltmarsh/m1/event"),
            (Topic::EventLast, "lapwing/saltmarsh/m1/event/last"),
            (Topic::Announce(Priority::Critical), "lapwing/saltmarsh/m1/announce/critical"),
            (Topic::Command, "lapwing/saltmarsh/m1/command"),
            (Topic::CommandReply, "lapwing/saltmarsh/m1/command/reply"),
        ] {
            let name = topics.of(topic);
            assert_eq!(name, expected);
            assert_eq!(topics.parse(&name), Some(topic));
            assert_eq!(Topics::split(&name), Some((topics.clone(), topic)));
        }
    }

    #[test]
    fn foreign_topics_are_none() {
        let topics = saltmarsh();
        for name in [
            "",
            "lapwing",
            "lapwing/saltmarsh/m1",
            "lapwing/saltmarsh/m1/",
            "lapwing/saltmarsh/m10/event",
            "lapwing/saltmarsh/m1/event/next",
            "lapwing/saltmarsh/m1/point/",
            "lapwing/saltmarsh/m1/catalogue/abc",
            "lapwing/saltmarsh/m1/catalogue/abc/0",
            "lapwing/saltmarsh/m1/catalogue/abc/x",
            "lapwing/saltmarsh/m1/announce/urgent",
        ] {
            assert_eq!(topics.parse(name), None, "{name}");
        }
    }

    #[test]
    fn longest_topic_leaves_room_in_the_packet() {
        let segment = "s".repeat(SEGMENT_MAX);
        let topics = Topics::new(&segment, &segment, &segment).expect("longest segments");
        assert!(topics.alarm(&"a".repeat(ALARM_ID_MAX)).len() <= 227);
        assert!(topics.catalogue("0123456789abcdef", u32::MAX).len() <= 227);
        assert!(Topics::new("lapwing", "salt/marsh", "m1").is_err());
        assert!(Topics::new("lapwing", "saltmarsh", "+").is_err());
    }
}
