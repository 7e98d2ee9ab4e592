//! Whether inputs that were read one after the other stand on one side of a step.
//!
//! Meters of one round are read within a scan period, and each shows what it last measured. When a side is lost in
//! between, some show the load before and some after it: their sum counts it twice, or not at all. It shows in how far
//! they moved since the round before. What share still counts as standing still is assumed: a twentieth of the sum, more
//! than any drift of a load from one round to the next, less than the loss of a side. Knows no quantity and no time.
//! Never panics.

/// Movement between two rounds that still counts as standing still, as a share of the sum.
const STILL: f64 = 0.05;

/// Whether the inputs moved by more, taken together, than a twentieth of their sum and than `floor`; they must stand in
/// one order. Rounds of different lengths cannot be compared: that is no step.
#[must_use]
pub fn is_step(before: &[f64], now: &[f64], floor: f64) -> bool {
    if before.len() != now.len() {
        return false;
    }
    let (mut moved, mut sum) = (0.0, 0.0);
    for (before, now) in before.iter().zip(now) {
        moved += libm::fabs(now - before);
        sum += libm::fabs(*now);
    }
    moved > floor.max(STILL * sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_that_moves_over_is_a_step_and_a_drift_is_none() {
        assert!(is_step(&[10.0, 10.0], &[20.0, 0.0], 1.0), "a side was lost");
        assert!(is_step(&[10.0, 10.0], &[20.0, 10.0], 1.0), "… and one meter has not shown it yet");
        assert!(!is_step(&[100.0, 100.0], &[102.0, 97.5], 1.0));
        assert!(!is_step(&[0.2, 0.0], &[0.0, 0.4], 1.0), "below the floor");
        assert!(!is_step(&[10.0], &[10.0, 10.0], 1.0) && !is_step(&[], &[], 1.0));
        assert!(!is_step(&[f64::NAN], &[1.0], 1.0), "what is no number is judged elsewhere");
    }
}
