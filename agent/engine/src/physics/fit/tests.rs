//! Fits of samples made with known parameters, and of samples that determine nothing.

extern crate alloc;

use alloc::vec::Vec;

use super::*;

const TRUE: [f64; 3] = [143.0, 7650.0, 25.5];

/// Samples every second of an interruption: no heat kept for 10 s, then 414 kW, stepped by hand in milliseconds.
fn recorded(n: usize, noise: impl Fn(usize) -> f64) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let (mut air, mut mass) = (24.0, 24.0);
    let (mut t_s, mut air_c, mut q_kw) = (Vec::new(), Vec::new(), Vec::new());
    for i in 0..n {
        let q = if i > 10 { 414.0 } else { 0.0 };
        if i > 0 {
            for _ in 0..1000 {
                let exchange = TRUE[2] * (air - mass);
                air += (q - exchange) / TRUE[0] * 1e-3;
                mass += exchange / TRUE[1] * 1e-3;
            }
        }
        t_s.push(i as f64);
        air_c.push(air + noise(i));
        q_kw.push(q);
    }
    (t_s, air_c, q_kw)
}

#[test]
fn known_parameters_come_back() {
    let (t, air, q) = recorded(130, |_| 0.0);
    for guess in [[120.0, 9000.0, 15.0], [1000.0, 900.0, 200.0]] {
        let got = fit_two_node(&t, &air, &q, guess, Condition::TestBay).expect("determined");
        for (value, expected) in [got.c_air, got.c_mass, got.ha_kw_k].into_iter().zip(TRUE) {
            // The samples were stepped with steps of a millisecond.
            assert!((value / expected - 1.0).abs() < 2e-3, "{got:?}");
        }
        assert!(got.rms_k < 1e-2 && got.condition.word() == "test_bay");
    }
}

#[test]
fn noise_is_within_the_uncertainty_that_is_stated() {
    // ±0.05 K, alternating and by a fixed pattern that repeats every seven samples.
    let (t, air, q) = recorded(130, |i| [0.05, -0.03, 0.01, -0.05, 0.04, 0.0, -0.02][i % 7]);
    let got = fit_two_node(&t, &air, &q, [120.0, 9000.0, 15.0], Condition::LoadBank).expect("determined");
    for (i, (value, expected)) in [got.c_air, got.c_mass, got.ha_kw_k].into_iter().zip(TRUE).enumerate() {
        // The samples have the model's own shape: only their noise counts here.
        let noise = (got.relative[i] * got.relative[i] - SHAPE[i] * SHAPE[i]).sqrt();
        assert!((value / expected - 1.0).abs() < noise + 2e-3, "{i}: {got:?}");
        assert!(noise > 1e-4 && noise < 0.2, "{i}: {got:?}");
    }
}

#[test]
fn what_determines_nothing_is_refused() {
    let (t, air, q) = recorded(130, |_| 0.0);
    let guess = [120.0, 9000.0, 15.0];
    // Before the interruption nothing moves.
    let still = fit_two_node(&t[..10], &air[..10], &q[..10], guess, Condition::Site);
    assert_eq!(still.map_err(NoNumber::word), Err("undefined"));
    let fit = |t: &[f64], air: &[f64], q: &[f64]| fit_two_node(t, air, q, guess, Condition::Site);
    assert_eq!(fit(&t[..9], &air[..9], &q[..9]).map_err(NoNumber::input), Err(Some("t_s")));
    assert_eq!(fit(&t, &air[1..], &q).map_err(NoNumber::input), Err(Some("air_c")));
    assert_eq!(fit(&t, &air, &q[1..]).map_err(NoNumber::input), Err(Some("q_kw")));
    let mut odd = t.clone();
    odd[5] = odd[4];
    assert_eq!(fit(&odd, &air, &q).map_err(NoNumber::input), Err(Some("t_s")));
    let mut odd = air.clone();
    odd[5] = f64::NAN;
    assert_eq!(fit(&t, &odd, &q).map_err(NoNumber::input), Err(Some("air_c")));
    let none = fit_two_node(&t, &air, &q, [0.0, 9000.0, 15.0], Condition::Site);
    assert_eq!(none.map_err(NoNumber::input), Err(Some("c_air")));
}
