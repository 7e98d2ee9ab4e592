//! Published rows, exactness against sums made anew each time, and the rules that say "no slope".

extern crate alloc;

use alloc::vec::Vec;

use proptest::prelude::*;

use super::*;

const TEN_SECONDS: WindowSpec = WindowSpec { over_ms: 10_000, spacing_ms: 1000 };

fn filled(spec: &WindowSpec, samples: &[(u64, i64)]) -> Window {
    let mut window = Window::default();
    for (at, value) in samples {
        window.push(spec, Millis(*at), *value);
    }
    window
}

/// Times in ms, values in 0.01 K: an irregular series whose slope and standard error were computed with a
/// statistics library's linear regression (check rows O091 and O092).
const PUBLISHED: [(u64, i64); 8] =
    [(0, 2500), (1000, 2542), (2500, 2595), (3100, 2631), (5000, 2698), (6200, 2749), (8000, 2825), (10_000, 2902)];

#[test]
fn published_slope_and_error() {
    let window = filled(&TEN_SECONDS, &PUBLISHED);
    let slope = window.slope(&TEN_SECONDS).expect("enough samples").per_second() / 100.0;
    assert!((slope / 0.402_693_382_484_1 - 1.0).abs() < 1e-12, "{slope}");
    let error = window.standard_error(&TEN_SECONDS).expect("enough samples") / 100.0;
    assert!((error / 0.004_302_407_447_779_3 - 1.0).abs() < 1e-9, "{error}");
}

#[test]
fn error_of_equal_spacing_follows_the_closed_form() {
    // var b = 12 s²/(N(N²−1)Δt²): with residuals of ±1 the same s² must come out of both (check row O095's formula).
    let samples: Vec<(u64, i64)> = (0..10).map(|i| (i * 1000, if i % 2 == 0 { 1 } else { -1 })).collect();
    let window = filled(&TEN_SECONDS, &samples);
    let slope = window.slope(&TEN_SECONDS).expect("enough").per_second();
    let mean_t = 4.5;
    let sse: f64 = samples
        .iter()
        .map(|(t, v)| {
            #[allow(clippy::cast_precision_loss)]
            let (t, v) = (*t as f64 / 1000.0, *v as f64);
            (v - slope * (t - mean_t)).powi(2)
        })
        .sum();
    let expected = (12.0 * (sse / 8.0) / (10.0 * 99.0)).sqrt();
    let error = window.standard_error(&TEN_SECONDS).expect("enough");
    assert!((error / expected - 1.0).abs() < 1e-9, "{error} {expected}");
}

#[test]
fn one_moment_has_no_slope() {
    // Check row O094: three values of one time stamp.
    let window = filled(&TEN_SECONDS, &[(5000, 1), (5000, 2), (5000, 3)]);
    assert_eq!(window.slope(&TEN_SECONDS), None);
    assert_eq!(window.len(), 1);
}

#[test]
fn a_slope_needs_three_samples_over_half_the_window() {
    let mut window = filled(&TEN_SECONDS, &[(0, 0), (1000, 5)]);
    assert_eq!(window.slope(&TEN_SECONDS), None);
    for second in 2..5 {
        window.push(&TEN_SECONDS, Millis(second * 1000), 0);
        assert_eq!(window.slope(&TEN_SECONDS), None, "{second} s");
    }
    window.push(&TEN_SECONDS, Millis(5000), 0);
    assert!(window.slope(&TEN_SECONDS).is_some());
}

#[test]
fn a_gap_of_more_than_three_distances_starts_anew() {
    let mut window = filled(&TEN_SECONDS, &PUBLISHED);
    window.push(&TEN_SECONDS, Millis(13_000), 2950);
    assert!(window.slope(&TEN_SECONDS).is_some(), "three distances are allowed");
    window.push(&TEN_SECONDS, Millis(16_001), 3000);
    assert_eq!((window.len(), window.slope(&TEN_SECONDS)), (1, None));
}

#[test]
fn without_a_known_distance_half_the_window_is_a_gap() {
    let spec = WindowSpec { over_ms: 10_000, spacing_ms: 0 };
    let mut window = filled(&spec, &PUBLISHED);
    window.push(&spec, Millis(15_000), 3000);
    assert!(window.len() > 1);
    window.push(&spec, Millis(20_001), 3000);
    assert_eq!(window.len(), 1);
}

#[test]
fn a_fast_signal_is_thinned_evenly() {
    let spec = WindowSpec { over_ms: 60_000, spacing_ms: 100 };
    let mut window = Window::default();
    for i in 0..6000_i64 {
        window.push(&spec, Millis(i.cast_unsigned() * 100), i * 3);
        assert!(window.len() <= CAPACITY);
    }
    assert!(window.len() >= 58, "{}", window.len());
    let times: Vec<u32> = window.samples().map(|sample| sample.t).collect();
    assert!(times.windows(2).all(|pair| pair[1] - pair[0] == 1000), "{times:?}");
    assert_eq!(window.slope(&spec).expect("full").cmp_per_min(3 * 600), Ordering::Equal);
}

#[test]
fn the_limit_is_compared_exactly() {
    // 1 step in 10 ms is 6000 a minute, to the last bit.
    let spec = WindowSpec { over_ms: 50, spacing_ms: 10 };
    let window = filled(&spec, &[(0, 0), (10, 1), (20, 2), (30, 3)]);
    let slope = window.slope(&spec).expect("enough");
    assert_eq!(slope.cmp_per_min(5999), Ordering::Greater);
    assert_eq!(slope.cmp_per_min(6000), Ordering::Equal);
    assert_eq!(slope.cmp_per_min(6001), Ordering::Less);
    assert_eq!(slope.reversed().cmp_per_min(-6000), Ordering::Equal);
    assert_eq!(slope.cmp_per_min(i64::MAX), Ordering::Less);
    assert_eq!(slope.cmp_per_min(i64::MIN), Ordering::Greater);
}

#[test]
fn values_far_apart_start_anew_and_the_ends_of_the_type_are_harmless() {
    let mut window = filled(&TEN_SECONDS, &PUBLISHED);
    window.push(&TEN_SECONDS, Millis(11_000), i64::MAX);
    assert_eq!(window.len(), 1);
    window.push(&TEN_SECONDS, Millis(12_000), i64::MIN);
    window.push(&TEN_SECONDS, Millis(13_000), i64::MIN);
    window.push(&TEN_SECONDS, Millis(u64::MAX - 1), 0);
    window.push(&TEN_SECONDS, Millis(0), 0);
    assert_eq!(window.len(), 1);
}

#[test]
fn a_slow_climb_of_years_never_starts_anew() {
    // Far beyond an i32 from where it began, and across many re-basings in time.
    let spec = WindowSpec { over_ms: 3_600_000_000, spacing_ms: 360_000_000 };
    let mut window = Window::default();
    for i in 0..10_000_i64 {
        window.push(&spec, Millis(i.cast_unsigned() * 360_000_000), i * 36_000_000);
        if i >= 5 {
            assert_eq!(window.slope(&spec).expect("never interrupted").cmp_per_min(6000), Ordering::Equal, "{i}");
        }
    }
}

/// The same fraction from sums made anew, with times counted from the newest sample.
fn brute(samples: &[(u64, i64)]) -> (i128, i128) {
    let (newest, base) = *samples.last().expect("not empty");
    let n = i128::try_from(samples.len()).expect("few");
    let (mut t, mut v, mut tt, mut tv) = (0_i128, 0_i128, 0_i128, 0_i128);
    for (at, value) in samples {
        let (x, y) = (i128::from(*at) - i128::from(newest), i128::from(*value) - i128::from(base));
        (t, v, tt, tv) = (t + x, v + y, tt + x * x, tv + x * y);
    }
    (n * tv - t * v, n * tt - t * t)
}

#[test]
fn a_long_run_with_glitches_does_not_drift() {
    let spec = WindowSpec { over_ms: 20_000, spacing_ms: 1000 };
    let mut window = Window::default();
    let mut kept: Vec<(u64, i64)> = Vec::new();
    let (mut at, mut noise) = (1_700_000_000_000_u64, 12_345_u64);
    for i in 0..400_000_i64 {
        noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        at += 700 + (noise >> 33) % 600;
        let glitch = if i % 997 == 0 { 2_000_000_000 } else { 0 };
        let value = 2500 + i / 50 + i64::try_from((noise >> 40) % 7).expect("small") + glitch;
        window.push(&spec, Millis(at), value);
        kept.push((at, value));
        kept.retain(|(t, _)| at - t <= 20_000);
        if i > 20 {
            assert_eq!(window.slope(&spec).expect("never interrupted").fraction(), brute(&kept), "{i}");
        }
    }
}

proptest! {
    #[test]
    fn equal_to_sums_made_anew(steps in prop::collection::vec((1_u64..2500, -2_000_000_000_i64..2_000_000_000), 3..200), start in 0_u64..1 << 50, base in -1_i64 << 60..1 << 60) {
        let spec = WindowSpec { over_ms: 30_000, spacing_ms: 1000 };
        let mut window = Window::default();
        let mut kept: Vec<(u64, i64)> = Vec::new();
        let mut at = start;
        for (step, value) in steps {
            let last = kept.last().map(|(t, _)| *t);
            at += step;
            let value = base + value / 2;
            window.push(&spec, Millis(at), value);
            if last.is_none_or(|t| at - t >= 477) {
                if last.is_some_and(|t| at - t > 3000) { kept.clear(); }
                kept.push((at, value));
                kept.retain(|(t, _)| at - t <= 30_000);
            }
            prop_assert_eq!(window.len(), kept.len());
            if let Some(slope) = window.slope(&spec) {
                prop_assert_eq!(slope.fraction(), brute(&kept));
            }
        }
    }

    #[test]
    fn anything_is_taken(pushes in prop::collection::vec((any::<u64>(), any::<i64>()), 0..100), over_ms: u32, spacing_ms: u32) {
        let spec = WindowSpec { over_ms, spacing_ms };
        let mut window = Window::default();
        for (at, value) in pushes {
            window.push(&spec, Millis(at), value);
            let _ = window.slope(&spec).map(|slope| (slope.per_second(), slope.cmp_per_min(value)));
            let _ = window.standard_error(&spec);
            prop_assert!(window.len() <= CAPACITY);
        }
    }
}
