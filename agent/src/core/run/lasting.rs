//! What of the core outlives a plan, and how it begins.
//!
//! Numbers, clocks, counts, the ways in and out: handed from one plan's loop to the next's as a whole, so that a field is
//! named here and nowhere else. Part of the loop in `run`. Never panics.

use super::follow::Following;
use super::*;
use crate::core::ledger::Head;

/// Everything that outlives a plan.
pub(super) struct Lasting {
    pub(super) ledger: Ledger,
    pub(super) frames: Frames,
    /// Announcements, and by alarm how it behaves.
    pub(super) load: Load,
    /// When the figures of it were last published.
    pub(super) load_said: Option<Millis>,
    pub(super) mode: Mode,
    /// When the mode falls back to the configured one.
    pub(super) mode_until: Option<Millis>,
    pub(super) clock: Clock,
    pub(super) ageing: ageing::Ageing,
    pub(super) figures: Figures,
    pub(super) fault_at: Option<Millis>,
    pub(super) restored_from: u64,
    pub(super) ways: Ways,
    pub(super) renew: Renew,
    pub(super) keeping: Option<Keeping>,
    pub(super) board: Arc<Board>,
    pub(super) next_frame: Instant,
    pub(super) next_look: Instant,
    /// The store is in memory only; the disk comes back with the next start.
    pub(super) memory_only: bool,
    /// That start has been asked for.
    pub(super) leaving: bool,
    pub(super) opened_with: OpenedWith,
    pub(super) broker_down: bool,
    /// Events that tell of a packet the broker refused, the latest first.
    pub(super) refusals: VecDeque<u64>,
    /// Events may leave: the broker's memory was judged.
    pub(super) released: bool,
    /// Commands that were taken.
    pub(super) seen: Seen,
    pub(super) saved: Vec<SavedAlarm>,
    /// By own point of a device's map: which points it does not give, as its alarm says it.
    pub(super) which: BTreeMap<u32, String>,
    pub(super) watched: health::Watched,
    /// What came before first contact with the broker.
    pub(super) early: VecDeque<Message>,
    /// What another plan has left, until it is taken up.
    pub(super) following: Option<Box<Following>>,
}

/// What the store was like when it was opened, to be told once the agent has started.
#[derive(Debug, Default)]
pub(super) struct OpenedWith {
    pub(super) logs: Vec<String>,
    pub(super) damage: Vec<crate::cause::Cause>,
    pub(super) aside: Option<(std::path::PathBuf, String)>,
    pub(super) memory_only: Option<crate::cause::Cause>,
    pub(super) no_history: Option<crate::cause::Cause>,
}

impl Lasting {
    /// At the start of the agent.
    pub(super) fn begin(inputs: Inputs) -> (Arc<Plan>, Vec<u32>, Self) {
        let Inputs { applied, opened, host, writer, ways, history, no_history } = inputs;
        let Applied { plan, ids, catalogue, board, renew, account: _, links: _, gone: _, in_force: _ } = applied;
        let head = Head {
            log: opened.log.clone(),
            boot: opened.boot,
            mode: plan.module.mode,
            site: plan.module.site.clone(),
            module: plan.module.name.clone(),
        };
        host.watch_certificates(certificates(&plan));
        let clock = Clock::start();
        let keeping = history.map(|(recorder, found)| Keeping::new(recorder, found, &clock));
        let frames = Frames::new(&head.log, head.boot, &catalogue);
        let mut ledger = Ledger::new(head, opened.last_seq, writer);
        if opened.memory_only.is_some() {
            ledger.never_durable();
        }
        let lasting = Self {
            frames,
            ledger,
            load: Load::default(),
            load_said: None,
            mode: plan.module.mode,
            mode_until: None,
            ageing: ageing::Ageing::begin(&clock, clock.now(), opened.last_t_ms),
            clock,
            figures: Figures::default(),
            fault_at: None,
            restored_from: opened.last_seq,
            ways,
            renew,
            keeping,
            board,
            next_frame: Instant::now() + plan.mqtt.frame_period,
            next_look: Instant::now() + LOOK,
            memory_only: opened.memory_only.is_some(),
            leaving: false,
            watched: health::Watched::new(host, opened.boot),
            opened_with: OpenedWith {
                logs: opened.logs,
                damage: opened.damage,
                aside: opened.aside,
                memory_only: opened.memory_only,
                no_history,
            },
            broker_down: false,
            refusals: VecDeque::new(),
            released: false,
            seen: Seen::new(opened.seen),
            saved: opened.alarms,
            which: BTreeMap::new(),
            early: VecDeque::new(),
            following: None,
        };
        (plan, ids, lasting)
    }
}

/// The files of certificates to be watched.
pub(super) fn certificates(plan: &Plan) -> &[crate::plan::Certificate] {
    plan.health.as_ref().map_or(&[], |health| &health.certificates)
}
