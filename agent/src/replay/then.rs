//! The settings of then: each start's configuration, kept with the history, made into a plan again.
//!
//! A configuration that this version cannot read any more is said, with its first mistake; then settings cannot be
//! compared, all else can. Never panics.

use std::collections::BTreeMap;
use std::path::Path;

use lapwing_protocol::{Mode, Vocabulary as _};

use super::changes::Changes;
use crate::config::{self, Overrides};
use crate::plan::Plan;
use crate::store::history::{HistoryError, Reader, Start};

/// Starts with the settings they ran with.
#[derive(Debug)]
pub(super) struct Thens {
    starts: BTreeMap<u64, Start>,
    /// By digest of the configuration and word of the mode: the plan, or why there is none.
    plans: BTreeMap<(String, String), Result<Plan, String>>,
    texts: BTreeMap<String, Option<Vec<u8>>>,
    /// Numbers of the starts that were played, with the wall moment since when; in that order.
    played: Vec<(u64, i64)>,
}

impl Thens {
    pub(super) fn new(reader: &Reader) -> Result<Self, HistoryError> {
        let mut starts = BTreeMap::new();
        let mut texts = BTreeMap::new();
        for start in reader.starts()? {
            if !texts.contains_key(&start.config) {
                texts.insert(start.config.clone(), reader.text("config", &start.config)?);
            }
            starts.insert(start.number, start);
        }
        Ok(Self { starts, plans: BTreeMap::new(), texts, played: Vec::new() })
    }

    /// The start in force at an axis moment.
    pub(super) fn start_at(&self, at: i64) -> Option<u64> {
        self.starts.values().filter(|start| start.at <= at).map(|start| start.number).next_back()
    }

    /// Whether a start only put another configuration in force: the agent was the same before.
    pub(super) fn goes_on(&self, before: Option<u64>, number: u64) -> bool {
        let run = |number: u64| self.starts.get(&number).map(|start| (&start.log, start.boot));
        before.is_some_and(|before| before != number && run(before).is_some() && run(before) == run(number))
    }

    /// When a start began, axis moment.
    pub(super) fn begun(&self, start: u64) -> Option<i64> {
        self.starts.get(&start).map(|start| start.at)
    }

    /// The mode a start ran in.
    pub(super) fn mode(&self, start: u64) -> Option<Mode> {
        self.starts.get(&start).and_then(|start| Mode::from_word(&start.mode))
    }

    /// A start is played from a wall moment on; its settings.
    pub(super) fn played(&mut self, start: u64, t: i64) -> Option<&Plan> {
        if self.played.iter().all(|(known, _)| *known != start) {
            self.played.push((start, t));
        }
        self.plan(start)
    }

    /// The settings of a start.
    pub(super) fn plan(&mut self, start: u64) -> Option<&Plan> {
        let about = self.starts.get(&start)?;
        let key = (about.config.clone(), about.mode.clone());
        let text = self.texts.get(&about.config).and_then(Option::as_deref);
        self.plans.entry(key).or_insert_with(|| plan(text, Mode::from_word(&about.mode))).as_ref().ok()
    }

    /// How the settings differ from those of the starts that were played.
    pub(super) fn changes(&self, now: &Plan) -> Changes {
        Changes::of(&self.in_force(), now)
    }

    /// Different settings of then, each with when it was in force.
    pub(super) fn in_force(&self) -> Vec<InForce<'_>> {
        let mut all: Vec<InForce<'_>> = Vec::new();
        for (at, (number, since)) in self.played.iter().enumerate() {
            let Some(about) = self.starts.get(number) else { continue };
            let Some(plan) = self.plans.get(&(about.config.clone(), about.mode.clone())) else { continue };
            let until = self.played.get(at + 1).map(|(_, next)| *next);
            match all.iter_mut().find(|known| std::ptr::eq(known.plan, plan)) {
                Some(known) => known.until = until,
                None => all.push(InForce { plan, since: (at > 0).then_some(*since), until }),
            }
        }
        all
    }
}

/// Settings of then.
#[derive(Clone, Copy, Debug)]
pub(super) struct InForce<'a> {
    /// The plan made of them, or why there is none.
    pub(super) plan: &'a Result<Plan, String>,
    /// Wall moment since when; `None`: since before the range.
    pub(super) since: Option<i64>,
    /// Wall moment until when; `None`: to the end.
    pub(super) until: Option<i64>,
}

fn plan(text: Option<&[u8]>, mode: Option<Mode>) -> Result<Plan, String> {
    let text = text.ok_or_else(|| "it was not kept".to_owned())?;
    let files = serde_json::from_slice::<Vec<(String, String)>>(text).map_err(|error| error.to_string())?;
    let Some((module, _)) = files.first() else { return Err("it is empty".into()) };
    let overrides = Overrides { mode, ..Overrides::default() };
    let read = |path: &Path| {
        let found = files.iter().find(|(name, _)| Path::new(name) == path);
        found
            .map(|(_, text)| text.clone().into_bytes())
            .ok_or_else(|| std::io::Error::from(std::io::ErrorKind::NotFound))
    };
    // Variables stand behind the files; a file of such a name there is none.
    let variables = files.iter().skip(1).filter(|(name, _)| name.starts_with("LAPWING__")).cloned();
    match config::load_from(Path::new(module), variables, &overrides, &read) {
        Ok(loaded) => Ok(loaded.plan),
        Err(mistakes) => Err(mistakes.list.first().map_or_else(String::new, ToString::to_string)),
    }
}
