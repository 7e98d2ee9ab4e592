//! A few points and alarms with an engine over them, and the letters by which tables name their states.
//!
//! The only place here that spells out the engine's tables. Times are milliseconds, values whole numbers.

use lapwing_engine::alarm::hide::Cover;
use lapwing_engine::spec::{AlarmSpec, Condition, Millis, PointSpec, Span, Tables};
use lapwing_engine::{AlarmState, Engine, PointState, Process};
use lapwing_protocol::Priority;

/// Tables and state.
pub(crate) struct Plant {
    points: Vec<PointSpec>,
    alarms: Vec<AlarmSpec>,
    point_states: Vec<PointState>,
    alarm_states: Vec<AlarmState>,
}

/// An alarm without delays that may be shelved for a long time.
pub(crate) const fn alarm(point: u32, condition: Condition) -> AlarmSpec {
    AlarmSpec {
        point,
        condition,
        on_delay_ms: 0,
        off_delay_ms: 0,
        latching: false,
        priority: Priority::High,
        max_shelf_ms: 1_000_000,
        only_while: None,
    }
}

impl Plant {
    /// Points with valid range and greatest age; alarms in the order of their points.
    pub(crate) fn new(points: &[(Option<(i64, i64)>, u32)], alarms: &[AlarmSpec]) -> Self {
        let mut first = 0;
        let mut specs = Vec::new();
        for (number, (valid, max_age_ms)) in (0..).zip(points) {
            let own = alarms.iter().filter(|alarm| alarm.point == number).count();
            let count = u32::try_from(own).expect("few");
            specs.push(PointSpec {
                valid: *valid,
                max_age_ms: *max_age_ms,
                alarms: Span { first, count },
                ..PointSpec::default()
            });
            first += count;
        }
        Self {
            point_states: vec![PointState::default(); specs.len()],
            alarm_states: vec![AlarmState::default(); alarms.len()],
            points: specs,
            alarms: alarms.to_vec(),
        }
    }

    /// The engine over it, going on where the last one stood.
    pub(crate) fn engine(&mut self) -> Engine<'_> {
        let tables = Tables {
            points: &self.points,
            alarms: &self.alarms,
            windows: &[],
            absent: &[],
            uses: &[],
            use_alarms: &[],
        };
        Engine::new(tables, &mut self.point_states, &mut self.alarm_states, &mut []).expect("the plant fits itself")
    }

    /// As after a restart at `now`: alarms as they were kept, points never read.
    pub(crate) fn restarted(&mut self, now: Millis) {
        let old = self.engine();
        let kept: Vec<_> = (0..).map_while(|alarm| old.save(alarm)).collect();
        self.point_states.fill(PointState::default());
        self.alarm_states.fill(AlarmState::default());
        let mut engine = self.engine();
        for (alarm, saved) in (0..).zip(&kept) {
            engine.restore(now, alarm, saved);
        }
    }
}

/// ISA-18.2's letter of a process state.
pub(crate) const fn letter(process: Process) -> &'static str {
    match process {
        Process::Normal => "A",
        Process::Unacknowledged => "B",
        Process::Acknowledged => "C",
        Process::ReturnedUnacknowledged => "D",
        Process::LatchedUnacknowledged => "E",
        Process::LatchedAcknowledged => "F",
    }
}

/// The process state alone, or with what hides it before a stroke: G shelved, O shelved once, H suppressed, I out of
/// service.
pub(crate) fn name(process: Process, cover: &Cover) -> String {
    let hidden = cover.hidden();
    let shelf = if cover.one_shot() { "O" } else { "G" };
    let flags = [(hidden.shelved, shelf), (hidden.suppressed, "H"), (hidden.out_of_service, "I")];
    let over: String = flags.into_iter().filter(|(held, _)| *held).map(|(_, flag)| flag).collect();
    if over.is_empty() { letter(process).to_owned() } else { format!("{over}/{}", letter(process)) }
}
