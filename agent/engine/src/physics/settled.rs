//! Whether inputs that were read one after the other may stand on two sides of a step.
//!
//! Meters of one round are read within a scan period, and each shows what it last measured. When a side is lost in
//! between, some show the load before and some after it: their sum counts it twice, or not at all. That shows in how far
//! the sum has moved since the round before; a load that has moved over and is shown so by all leaves the sum as it was,
//! and so does what many loads do each by itself. What share still counts as standing still is assumed: a twentieth of the
//! sum, more than any drift of a load from one round to the next, less than the loss of a side. A sum that really moves
//! looks the same at first: the caller waits, and takes it after a while. Knows no quantity and no time. Never panics.

/// Movement between two rounds that still counts as standing still, as a share of the sum.
const STILL: f64 = 0.05;

/// Whether the inputs moved by more, added up, than a twentieth of their sum and than `smallest`; they must stand in one
/// order. Rounds of different lengths cannot be compared: that is no step.
#[must_use]
pub fn is_step(before: &[f64], now: &[f64], smallest: f64) -> bool {
    if before.len() != now.len() {
        return false;
    }
    let (mut moved, mut sum) = (0.0, 0.0);
    for (before, now) in before.iter().zip(now) {
        moved += now - before;
        sum += libm::fabs(*now);
    }
    libm::fabs(moved) > smallest.max(STILL * sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_that_is_counted_twice_or_not_is_a_step() {
        assert!(is_step(&[10.0, 10.0], &[20.0, 10.0], 1.0), "a side was lost, and only one meter shows it");
        assert!(is_step(&[20.0, 10.0], &[20.0, 0.0], 1.0), "… now the other does");
        assert!(is_step(&[10.0, 10.0], &[10.0, 0.0], 1.0), "… or the other was first");
        assert!(!is_step(&[10.0, 10.0], &[20.0, 0.0], 1.0), "both show it: the sum is right");
    }

    #[test]
    fn a_drift_and_loads_each_by_itself_are_none() {
        assert!(!is_step(&[100.0, 100.0], &[102.0, 97.5], 1.0));
        assert!(!is_step(&[0.2, 0.0], &[0.0, 0.6], 1.0), "too small to matter");
        assert!(!is_step(&[10.0, 12.0, 9.0, 11.0], &[12.0, 10.0, 11.0, 9.0], 1.0), "restless, but the sum stands");
        assert!(!is_step(&[10.0], &[10.0, 10.0], 1.0) && !is_step(&[], &[], 1.0));
        assert!(!is_step(&[f64::NAN], &[1.0], 1.0), "what is no number is judged elsewhere");
    }
}
