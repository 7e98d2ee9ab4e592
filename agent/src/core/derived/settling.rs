//! Waits out a step that may lie within the round in which the inputs of one derived point were read.
//!
//! Knows the inputs of this round and the one before; what to do while they move is the recipe's. Never panics.

use lapwing_engine::physics::settled::is_step;

/// Whether a round's inputs may stand on two sides of a step.
#[derive(Debug)]
pub(super) struct Settling {
    /// Movement that cannot matter.
    pub(super) smallest: f64,
    /// Inputs of the round before, empty if that had none to be compared with; and of this one.
    pub(super) before: Vec<f64>,
    pub(super) now: Vec<f64>,
    /// How many rounds in a row have moved.
    pub(super) rounds: u8,
    /// The last integer of a round that stood still.
    pub(super) last: Option<i64>,
}

impl Settling {
    /// Whether the inputs of this round moved against those of the round before.
    pub(super) fn moves(&mut self) -> bool {
        let moves = is_step(&self.before, &self.now, self.smallest);
        std::mem::swap(&mut self.before, &mut self.now);
        self.rounds = if moves { self.rounds.saturating_add(1) } else { 0 };
        moves
    }

    /// What comes next is compared with nothing: no value stands before it.
    pub(super) fn begin_anew(&mut self) {
        self.before.clear();
        (self.rounds, self.last) = (0, None);
    }
}
