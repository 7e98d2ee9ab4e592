//! A changed configuration: from a running plan to the next, without a stop.
//!
//! First everything that may fail (what needs a restart, the engine, numbers of points, the catalogue), then the change:
//! links that do not go on end, the core takes the next plan up behind everything the plan before still said, the others
//! begin, the page follows. Numbers of events and frames, connection to the broker and history go on. Durations are
//! monotonic. Never panics.

use std::sync::mpsc::sync_channel;

use super::*;
use crate::core::run::takes;

/// The core answers within milliseconds; a disk that hangs may hold it up.
const IN_FORCE: Duration = Duration::from_secs(10);

/// Why a changed configuration is not taken up. The one before goes on.
#[derive(Debug, thiserror::Error)]
pub enum ReloadError {
    /// What cannot change while the agent runs.
    #[error("{0} has changed, which needs a restart of the agent: systemctl restart lapwing")]
    NeedsRestart(&'static str),
    /// The engine does not take it.
    #[error(transparent)]
    Core(#[from] CoreError),
    /// The store does not answer.
    #[error("points cannot be numbered: {0}; try again when the store is well")]
    Store(#[from] StoreError),
    /// Its catalogue or session cannot be published.
    #[error(transparent)]
    Start(#[from] StartError),
}

impl Service {
    /// Goes on under another plan. Returns when it is in force.
    ///
    /// # Errors
    /// When it cannot be applied; nothing has changed then.
    pub fn apply(&mut self, plan: Plan) -> Result<(), ReloadError> {
        if let Some(part) = needs_restart(&self.plan, &plan) {
            return Err(ReloadError::NeedsRestart(part));
        }
        takes(&plan)?;
        let mut plan = plan;
        let (wanted, topics) = (keys(&plan), retained_topics(&plan));
        let (ids, marks) = self.writer.call(move |store| {
            let ids = store.point_ids(&wanted)?;
            Ok::<_, StoreError>((ids, store.marks()?))
        })??;
        crate::core::marks::recall(&mut plan, &marks);
        let plan = Arc::new(plan);
        let (session, catalogue) = session(&plan, &self.opened, &ids)?;
        let account = self.recorder.as_ref().map(|_| keep::account(&plan, &ids, &catalogue, &session));
        // From here on nothing can fail but the disk, and a topic noted too early is cleared at the next start.
        let gone = self.writer.call(move |store| store.retained(&topics))??;
        let board = Arc::new(self.board.next(plan.points.len()));
        let going = self.field.compare(&plan);
        let (in_force, taken_up) = sync_channel(1);
        let shown_ids = ids.clone();
        let applied = Applied {
            plan: Arc::clone(&plan),
            ids,
            catalogue: catalogue.clone(),
            board: Arc::clone(&board),
            renew: renew(session, &self.publisher, self.opened.boot, &catalogue),
            account,
            links: going.moves.clone(),
            gone,
            in_force: Some(in_force),
        };
        let door = self.door.clone();
        self.field.follow(Arc::clone(&plan), going, move || door.hand_in_surely(Message::Apply(Box::new(applied))));
        if taken_up.recv_timeout(IN_FORCE).is_err() {
            tracing::warn!("the core has not taken the configuration up yet; it will");
        }
        if let Some((_, current)) = &self.page {
            current.follow(Arc::clone(&plan), shown_ids, catalogue.clone(), Arc::clone(&board), self.field.stats());
        }
        (self.plan, self.board, self.catalogue) = (plan, board, catalogue);
        Ok(())
    }

    /// Says that a changed configuration was refused.
    pub fn refuse(&self, hash: String, why: String) {
        self.door.hand_in_surely(Message::Refused { hash, why });
    }
}

/// What of a changed configuration a running agent cannot take up.
fn needs_restart(now: &Plan, next: &Plan) -> Option<&'static str> {
    let same = |a: &dyn std::fmt::Debug, b: &dyn std::fmt::Debug| format!("{a:?}") == format!("{b:?}");
    let place = |plan: &Plan| (plan.module.site.clone(), plan.module.name.clone());
    // Which points are published by themselves, and how often a frame is, are the core's alone.
    let connection = |plan: &Plan| {
        let mut mqtt = plan.mqtt.clone();
        (mqtt.points, mqtt.frame_period) = (Vec::new(), Duration::ZERO);
        mqtt
    };
    [
        ("`site` or `name` under [module]", place(now) == place(next)),
        ("[mqtt]", same(&connection(now), &connection(next))),
        ("[store]", same(&now.store, &next.store)),
        ("[http]", same(&now.http, &next.http)),
        ("[mail]", same(&now.mail, &next.mail)),
        ("[[recipient]]", same(&now.recipients, &next.recipients)),
        ("[log]", same(&now.log, &next.log)),
    ]
    .into_iter()
    .find_map(|(part, same)| (!same).then_some(part))
}
