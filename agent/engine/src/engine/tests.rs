//! The engine as a whole, one file a subject; here the small plan they play and how it is read, polled and operated.

extern crate alloc;

use alloc::vec;
use alloc::vec::Vec;

use lapwing_protocol::{Decimal, Priority, ShownState};

use super::*;
use crate::alarm::hide::Hidden;
use crate::alarm::life::SavedShelf;
use crate::alarm::process::Process;
use crate::effect::Transition;
use crate::signal::validity::PointState;
use crate::spec::{AlarmSpec, Condition, Decode, Layout, Test, UseSpec, WindowSpec};

mod conditions;
mod delays;
mod hidden;
mod misuse;
mod quality;
mod random;
mod restart;

/// A small plan with its state.
pub(super) struct Plant {
    points: Vec<PointSpec>,
    alarms: Vec<AlarmSpec>,
    windows: Vec<WindowSpec>,
    absent: Vec<u64>,
    uses: Vec<UseSpec>,
    use_alarms: Vec<u32>,
    point_states: Vec<PointState>,
    alarm_states: Vec<AlarmState>,
    window_states: Vec<Window>,
}

pub(super) const HIGH: AlarmSpec = AlarmSpec {
    point: 0,
    condition: Condition::High { limit: 300, deadband: 10 },
    on_delay_ms: 3000,
    off_delay_ms: 0,
    latching: false,
    priority: Priority::High,
    max_shelf_ms: 3_600_000,
    only_while: None,
};

impl Plant {
    /// Alarms sorted by point; every point takes i16 tenths between −1000 and 1000.
    pub(super) fn new(alarms: &[AlarmSpec]) -> Self {
        let count = alarms.iter().map(|alarm| alarm.point + 1).max().unwrap_or(1);
        let points = (0..count).map(|point| {
            let first = alarms.iter().position(|alarm| alarm.point >= point).unwrap_or(alarms.len());
            let own = alarms.iter().filter(|alarm| alarm.point == point).count();
            PointSpec {
                decode: Decode { layout: Layout::I16, scale: Decimal::new(1, -1), ..Decode::default() },
                exponent: -1,
                valid: Some((-1000, 1000)),
                max_age_ms: 10_000,
                alarms: Span { first: number(first), count: number(own) },
                ..PointSpec::default()
            }
        });
        let points: Vec<PointSpec> = points.collect();
        Self {
            point_states: vec![PointState::default(); points.len()],
            alarm_states: vec![AlarmState::default(); alarms.len()],
            window_states: Vec::new(),
            points,
            alarms: alarms.to_vec(),
            windows: Vec::new(),
            absent: vec![0x8000],
            uses: Vec::new(),
            use_alarms: Vec::new(),
        }
    }

    fn with_window(mut self, over_ms: u32) -> Self {
        self.points[0].window = Some(0);
        self.windows = vec![WindowSpec { over_ms, spacing_ms: 1000 }];
        self.window_states = vec![Window::default()];
        self
    }

    pub(super) fn tables(&self) -> Tables<'_> {
        Tables {
            points: &self.points,
            alarms: &self.alarms,
            windows: &self.windows,
            absent: &self.absent,
            uses: &self.uses,
            use_alarms: &self.use_alarms,
        }
    }

    pub(super) fn engine(&mut self) -> Engine<'_> {
        let tables = Tables {
            points: &self.points,
            alarms: &self.alarms,
            windows: &self.windows,
            absent: &self.absent,
            uses: &self.uses,
            use_alarms: &self.use_alarms,
        };
        Engine::new(tables, &mut self.point_states, &mut self.alarm_states, &mut self.window_states)
            .expect("the plant fits itself")
    }
}

/// Collects the transitions of a call.
pub(super) fn told(mut call: impl FnMut(&mut dyn FnMut(Effect))) -> Vec<Transition> {
    let mut transitions = Vec::new();
    call(&mut |effect| match effect {
        Effect::Alarm(transition) => transitions.push(transition),
        Effect::Quality { .. } => {}
    });
    transitions
}

fn word(value: i16) -> Raw {
    let mut words = [0; 8];
    words[0] = value.cast_unsigned();
    Raw::Words { words, len: 1, scale_factor: 0 }
}

/// Reads tenths of a unit at a second.
fn read(engine: &mut Engine<'_>, second: u64, tenths: i16) -> Vec<Transition> {
    let at = Millis(second * 1000);
    told(|mut out| engine.read(at, 0, &word(tenths), at, &mut out))
}

fn fault(engine: &mut Engine<'_>, second: u64, status: Status) -> Vec<Transition> {
    let at = Millis(second * 1000);
    told(|mut out| engine.read(at, 0, &Raw::Fault(status), at, &mut out))
}

fn poll(engine: &mut Engine<'_>, second: u64) -> Vec<Transition> {
    told(|mut out| engine.poll(Millis(second * 1000), &mut out))
}

fn operate(engine: &mut Engine<'_>, second: u64, operation: Operation) -> Result<Vec<Transition>, Refusal> {
    let mut answer = Ok(());
    let transitions = told(|mut out| answer = engine.operate(Millis(second * 1000), 0, operation, &mut out));
    answer.map(|()| transitions)
}

fn shown(engine: &Engine<'_>) -> ShownState {
    engine.alarm(0).expect("there is an alarm").shown()
}

fn raised_at(engine: &Engine<'_>) -> Option<Millis> {
    engine.alarm(0).expect("there is an alarm").raised_at()
}
