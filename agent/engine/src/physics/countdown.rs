//! Seconds a UPS still carries its load, by a countdown of our own.
//!
//! What a card reports (RFC 1628) is whole minutes that are never 0, which is useless alone for a battery of a few
//! minutes. Three independent bounds are kept and the least is given:
//!
//! - the maker's table of constant power and time, times charge, health and temperature, counted down while on battery;
//! - the reported minutes: the card means at most one minute more than it says (its rounding is unspecified), less the
//!   time since it last changed;
//! - the battery's own discharge: from a fall of the reported charge by 5 % on, the time the rest lasts at that rate. A
//!   weak battery shows only here; what a discharge of 8 % and more has shown is remembered as its health afterwards.
//!
//! So the answer errs to the short side. Below 25 °C capacity is taken to fall by 1 % a kelvin (lead acid, common
//! practice, no source), above it not to rise. A power below the table takes its first row's time, which is a lower
//! bound; above it the last row's, which is none: the answer is uncertain then. Time is passed in, in milliseconds;
//! powers kW, charge 0…1, table kW and minutes. Never panics.

use super::battery::runtime_const_power_min;
use super::{NoNumber, capacity, finite, not_negative, within};

/// A fall of charge from which its rate says something, and one from which it is remembered; cards report whole percents.
const SPEAKS: f64 = 0.05;
const TEACHES: f64 = 0.08;

/// What one UPS was seen to do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// When, ms on a clock that never goes back.
    pub at_ms: u64,
    /// Its battery feeds the load.
    pub on_battery: bool,
    /// Reported minutes left.
    pub reported_min: f64,
    /// Reported charge, 0…1.
    pub charge: f64,
    /// Power it gives, kW.
    pub kw: f64,
    /// Battery temperature, °C.
    pub t_c: f64,
    /// Part of the rated capacity by the last capacity test; 1 if none is known.
    pub health: f64,
}

/// What is left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Left {
    /// Seconds.
    pub seconds: f64,
    /// The power lies within the table or below it.
    pub within_table: bool,
}

/// The countdown of one UPS.
#[derive(Clone, Copy, Debug, Default)]
pub struct Countdown {
    discharge: Option<Discharge>,
    /// Minutes last reported, and since when.
    reported: Option<(f64, u64)>,
    /// Health that the last deep enough discharge has shown.
    shown: Option<f64>,
}

/// One time on battery.
#[derive(Clone, Copy, Debug)]
struct Discharge {
    began_ms: u64,
    last_ms: u64,
    charge_at_begin: f64,
    /// Health shown by earlier ones: what this one shows is counted by its rate.
    health: f64,
    /// Part of the table's time that is left by counting.
    left: f64,
    /// Sum of time at its power as parts of the table's time: what a sound battery would have given.
    drawn: f64,
}

impl Countdown {
    /// One that knows the health of its battery from an earlier discharge.
    ///
    /// # Errors
    /// `DomainError` for a health outside 0…1.
    pub fn with_health(shown: f64) -> Result<Self, NoNumber> {
        Ok(Self { shown: Some(within("health", shown, 0.0, 1.0)?), ..Self::default() })
    }

    /// The health that a deep enough discharge has shown.
    #[must_use]
    pub const fn shown_health(&self) -> Option<f64> {
        self.shown
    }

    /// Takes what was seen and gives what is left.
    ///
    /// # Errors
    /// `DomainError` for a table that is none, a charge or health outside 0…1, minutes, power or temperature that cannot
    /// be; what is remembered stays as it was.
    pub fn step(&mut self, table: &[(f64, f64)], seen: &Seen) -> Result<Left, NoNumber> {
        let charge = within("charge", seen.charge, 0.0, 1.0)?;
        let health = within("health", seen.health, 0.0, 1.0)?;
        let reported = not_negative("reported_min", seen.reported_min)?;
        let cold = (1.0 - 0.01 * (25.0 - within("t_c", seen.t_c, -40.0, 80.0)?)).min(1.0);
        let lightest = table.first().map_or(1.0, |(kw, _)| *kw);
        let kw = not_negative("kw", seen.kw)?.max(lightest);
        let whole = runtime_const_power_min(kw, table)?;
        let whole_s = whole.minutes * 60.0;
        // A report that stands stays as old as it is; a new one begins anew.
        if self.reported.is_none_or(|(known, _)| known.to_bits() != reported.to_bits()) {
            self.reported = Some((reported, seen.at_ms));
        }
        let shown = self.discharge.map_or(self.shown.unwrap_or(1.0), |discharge| discharge.health);
        let ready = charge * health.min(shown) * cold;
        let mut left_s = ready * whole_s;
        let mut reported_age_s = 0.0;
        if seen.on_battery {
            let now = seen.at_ms;
            let begun = Discharge {
                began_ms: now,
                last_ms: now,
                charge_at_begin: charge,
                health: shown,
                left: ready,
                drawn: 0.0,
            };
            let discharge = self.discharge.get_or_insert(begun);
            let gone = seconds(now.saturating_sub(discharge.last_ms)) / whole_s;
            discharge.last_ms = now;
            discharge.left = (discharge.left - gone).clamp(0.0, ready);
            discharge.drawn += gone;
            left_s = discharge.left * whole_s;
            // The minutes were perhaps reported long before, as what would be left: they count from the discharge on.
            reported_age_s =
                self.reported.map_or(0.0, |(_, since)| seconds(now.saturating_sub(since.max(discharge.began_ms))));
            let fallen = discharge.charge_at_begin - charge;
            if fallen >= SPEAKS {
                // What the discharge so far would have taken out of a sound battery, for each part of charge that fell.
                let a_whole_charge = discharge.drawn / fallen;
                left_s = left_s.min(charge * a_whole_charge * whole_s);
                if fallen >= TEACHES {
                    self.shown = Some((a_whole_charge / cold).clamp(0.0, 1.0));
                }
            }
        } else if self.discharge.take().is_some() {
            // What the discharge has shown counts from now on.
            left_s = charge * health.min(self.shown.unwrap_or(1.0)) * cold * whole_s;
        }
        let by_report = ((reported + 1.0) * 60.0 - reported_age_s).max(0.0);
        Ok(Left { seconds: left_s.min(by_report), within_table: whole.within_table })
    }
}

/// What is left of the least of them when the generator has taken the load, s; negative where it comes too late.
///
/// # Errors
/// `DomainError` for no UPS, a time left that is not finite, or other times that are negative or not finite.
pub fn ride_through_margin_s(left_s: &[f64], start_s: f64, transfer_s: f64, margin_s: f64) -> Result<f64, NoNumber> {
    let (_, least) = capacity::least(left_s).map_err(|none| none.renamed("kw", "left_s"))?;
    let needed = not_negative("start_s", start_s)?
        + not_negative("transfer_s", transfer_s)?
        + not_negative("margin_s", margin_s)?;
    finite("left_s", least - needed)
}

#[allow(clippy::cast_precision_loss)] // durations of years still have milliseconds
fn seconds(ms: u64) -> f64 {
    ms as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::super::checks::absolute;
    use super::*;

    /// 100 kW for five minutes, 200 kW for two.
    const TABLE: [(f64, f64); 2] = [(100.0, 5.0), (200.0, 2.0)];

    const READY: Seen =
        Seen { at_ms: 0, on_battery: false, reported_min: 5.0, charge: 1.0, kw: 100.0, t_c: 25.0, health: 1.0 };

    fn left(countdown: &mut Countdown, seen: Seen) -> f64 {
        countdown.step(&TABLE, &seen).expect("sound").seconds
    }

    #[test]
    fn before_a_discharge_it_is_the_table() {
        let ready = |seen| left(&mut Countdown::default(), seen);
        absolute("full", Ok(ready(READY)), 300.0, 1e-9);
        absolute("half", Ok(ready(Seen { charge: 0.5, ..READY })), 150.0, 1e-9);
        absolute("aged", Ok(ready(Seen { health: 0.8, ..READY })), 240.0, 1e-9);
        absolute("cold", Ok(ready(Seen { t_c: 15.0, ..READY })), 270.0, 1e-9);
        absolute("warm gives nothing", Ok(ready(Seen { t_c: 35.0, ..READY })), 300.0, 1e-9);
        absolute("light", Ok(ready(Seen { kw: 0.0, ..READY })), 300.0, 1e-9);
        // A report of two minutes is at most three.
        absolute("the card knows less", Ok(ready(Seen { reported_min: 2.0, ..READY })), 180.0, 1e-9);
        let heavy = Countdown::default().step(&TABLE, &Seen { kw: 250.0, ..READY }).expect("sound");
        assert_eq!((heavy.seconds, heavy.within_table), (120.0, false));
    }

    /// A battery that holds `true_s` at 100 kW, seen through a card of whole minutes and percents.
    fn seen(at_s: f64, true_s: f64) -> (f64, Seen) {
        let remaining = (true_s - at_s).max(0.0);
        let card = Seen {
            at_ms: (at_s * 1000.0) as u64 + 1_000_000,
            on_battery: true,
            reported_min: libm::ceil(remaining / 60.0).max(1.0),
            charge: libm::round(remaining / true_s * 100.0) / 100.0,
            ..READY
        };
        (remaining, card)
    }

    #[test]
    fn a_sound_battery_is_counted_down_to_the_second() {
        let mut countdown = Countdown::default();
        let _before = left(&mut countdown, Seen { at_ms: 990_000, ..READY });
        for step in 0..150 {
            let (truth, card) = seen(f64::from(step) * 2.0, 300.0);
            let got = left(&mut countdown, card);
            assert!(got <= truth + 2.0 && got >= truth * 0.85 - 4.0, "{truth}: {got}");
        }
    }

    #[test]
    fn a_weak_battery_shows_within_seconds_and_is_remembered() {
        let mut countdown = Countdown::default();
        let _before = left(&mut countdown, READY);
        let mut found = None;
        for step in 0..30 {
            let at = f64::from(step) * 2.0;
            let (truth, card) = seen(at, 90.0);
            let got = left(&mut countdown, card);
            if got <= truth * 1.2 && found.is_none() {
                found = Some(at);
            }
            assert!(found.is_none() || got <= truth * 1.2 + 2.0, "{at} s: {truth}, {got}");
        }
        assert!(found.is_some_and(|at| at <= 10.0), "{found:?}");
        // The supply is back, the battery is charged again, the card forgets: what the discharge showed stays.
        let again = left(&mut countdown, Seen { at_ms: 9_000_000, ..READY });
        assert!((70.0..110.0).contains(&again), "{again}");
    }

    #[test]
    fn the_last_reported_minute_runs_out() {
        let mut countdown = Countdown::default();
        let card = |at_ms| Seen { at_ms, on_battery: true, reported_min: 1.0, ..READY };
        assert_eq!(left(&mut countdown, card(0)), 120.0);
        assert_eq!(left(&mut countdown, card(90_000)), 30.0);
        assert_eq!(left(&mut countdown, card(200_000)), 0.0, "never below zero");
        assert_eq!(left(&mut countdown, Seen { on_battery: true, charge: 0.0, ..READY }), 0.0);
    }

    #[test]
    fn a_step_of_power_changes_what_is_left() {
        let mut countdown = Countdown::default();
        let on = |at_ms, kw| Seen { at_ms, on_battery: true, kw, ..READY };
        assert_eq!(left(&mut countdown, on(0, 100.0)), 300.0);
        // After half of it, twice the power: half of the two minutes.
        absolute("half", Ok(left(&mut countdown, on(150_000, 100.0))), 150.0, 1e-9);
        absolute("heavier", Ok(left(&mut countdown, on(150_000, 200.0))), 60.0, 1e-9);
    }

    #[test]
    fn unsound_inputs_leave_the_memory() {
        let mut countdown = Countdown::default();
        let _ready = left(&mut countdown, Seen { on_battery: true, ..READY });
        for wrong in [
            Seen { charge: 1.1, ..READY },
            Seen { charge: f64::NAN, ..READY },
            Seen { health: -0.1, ..READY },
            Seen { reported_min: -1.0, ..READY },
            Seen { kw: f64::INFINITY, ..READY },
            Seen { t_c: 200.0, ..READY },
        ] {
            assert_eq!(countdown.step(&TABLE, &wrong).map_err(NoNumber::word), Err("domain_error"));
        }
        assert!(countdown.step(&[], &READY).is_err());
        absolute("kept", Ok(left(&mut countdown, Seen { at_ms: 100_000, on_battery: true, ..READY })), 200.0, 1e-9);
    }

    #[test]
    fn the_margin_is_that_of_the_first_to_end() {
        absolute("by hand", ride_through_margin_s(&[240.0, 250.0], 10.0, 2.0, 30.0), 198.0, 1e-12);
        absolute("too late", ride_through_margin_s(&[20.0], 10.0, 2.0, 30.0), -22.0, 1e-12);
        for (left, start) in [(&[][..], 1.0), (&[f64::NAN], 1.0), (&[1.0], -1.0), (&[1.0], f64::INFINITY)] {
            assert_eq!(ride_through_margin_s(left, start, 0.0, 0.0).map_err(NoNumber::word), Err("domain_error"));
        }
        let none = ride_through_margin_s(&[], 1.0, 1.0, 1.0).expect_err("no UPS");
        assert_eq!(none.input(), Some("left_s"));
    }

    proptest::proptest! {
        #[test]
        fn on_battery_it_is_never_more_than_the_count(
            falls in proptest::collection::vec((0_u64..5000, 0.0_f64..0.05), 1..60),
        ) {
            let mut countdown = Countdown::default();
            let (mut at_ms, mut charge) = (0, 1.0_f64);
            let _begins = left(&mut countdown, Seen { on_battery: true, ..READY });
            for (later, less) in falls {
                at_ms += later;
                charge = (charge - less).max(0.0);
                let card = Seen { at_ms, on_battery: true, charge, ..READY };
                let got = left(&mut countdown, card);
                // The rate of charge may ease again; the count itself never does.
                proptest::prop_assert!(got >= 0.0 && got <= (300.0 - at_ms as f64 / 1000.0).max(0.0) + 1e-6);
            }
        }
    }
}
