//! Two power sides: whether the other side can carry both loads if one is lost.
//!
//! Per phase and per tier, the currents of both sides are added and compared with the allowed part of the rating: sums,
//! not twice the larger, because power supplies seldom share evenly. What part is allowed is configuration: 0.80 for a
//! standard-rated breaker under continuous load (NEC 210.20(A), 215.3), 1.00 for a fully rated one or under
//! IEC 60364-4-43. Single-corded loads do not transfer; leave them out. Currents and rating in A. Never panics.

use super::{NoNumber, finite, not_negative, outside, positive};

/// A meter that carries less than this part of what its difference is taken relative to carries nearly nothing.
const NOTHING: f64 = 0.1;
/// upsOutputSource "battery" (RFC 1628 §4.4).
const BATTERY: f64 = 5.0;
/// By then a UPS has told that it feeds from its battery, ms (assumed: cards are read every few seconds).
const TOLD_MS: u64 = 30_000;

/// What one side would carry alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Failover {
    /// The worst phase's sum as a part of the rating.
    pub max_frac: f64,
    /// Whether it stays within the allowed part.
    pub pass: bool,
}

/// The worst phase after the loss of a side.
///
/// # Errors
/// `DomainError` for no phases, unequal numbers of them, negative or too large currents, or a rating or part that is not positive.
pub fn failover_utilisation(a: &[f64], b: &[f64], rating_a: f64, limit_frac: f64) -> Result<Failover, NoNumber> {
    let rating_a = positive("rating_a", rating_a)?;
    let limit_frac = positive("limit_frac", limit_frac)?;
    if a.is_empty() || a.len() != b.len() {
        return Err(outside("b", "as many phases as a, at least one"));
    }
    let mut max_frac = 0.0_f64;
    for (a, b) in a.iter().zip(b) {
        max_frac = max_frac.max((not_negative("a", *a)? + not_negative("b", *b)?) / rating_a);
    }
    let max_frac = finite("a", max_frac)?;
    Ok(Failover { max_frac, pass: max_frac <= limit_frac })
}

/// What a breaker would carry on one phase if the other side were lost now, A: what it carries, and what moves to it. That
/// is the present current of every cord on the other side whose load also hangs here; single-corded loads stay dark and
/// are left out by the caller. Power supplies of constant power draw more at less voltage: where the other side's is
/// lower, allow for it in the limit (3 %, common practice, no source).
///
/// # Errors
/// `DomainError` for a current that is negative, or too large a sum.
pub fn failover_current(own_a: f64, moving_a: &[f64]) -> Result<f64, NoNumber> {
    let mut sum = not_negative("own_a", own_a)?;
    for moving in moving_a {
        sum += not_negative("moving_a", *moving)?;
    }
    finite("moving_a", sum)
}

/// The heaviest phase of a breaker in % of what it may carry for hours: current over rating times allowed part.
///
/// # Errors
/// `DomainError` for no phase, negative currents, or a rating or part that is not positive.
pub fn load_pct(i_a: &[f64], rating_a: f64, limit_frac: f64) -> Result<f64, NoNumber> {
    let allowed = positive("rating_a", rating_a)? * positive("limit_frac", limit_frac)?;
    if i_a.is_empty() {
        return Err(outside("i_a", "at least one phase"));
    }
    let mut most = 0.0_f64;
    for i in i_a {
        most = most.max(not_negative("i_a", *i)?);
    }
    finite("i_a", most / positive("rating_a", allowed)? * 100.0)
}

/// Which breaker would go first: the one with the largest load in % of what it may carry, by its place in the list; of
/// equals the first.
///
/// # Errors
/// `DomainError` for no breaker or a load that is negative or not finite.
pub fn first_breaker(load_pct: &[f64]) -> Result<usize, NoNumber> {
    let mut first: Option<(usize, f64)> = None;
    for (at, load) in load_pct.iter().enumerate() {
        let load = not_negative("load_pct", *load)?;
        if first.is_none_or(|(_, most)| load > most) {
            first = Some((at, load));
        }
    }
    first.map(|(at, _)| at).ok_or(outside("load_pct", "at least one breaker"))
}

/// How far the breaker that would go first is from what it may carry, A; negative if it is beyond.
///
/// # Errors
/// As `first_breaker`, and `DomainError` where there is not one allowed current, above zero, for each breaker.
pub fn first_breaker_margin_a(load_pct: &[f64], allowed_a: &[f64]) -> Result<f64, NoNumber> {
    if load_pct.len() != allowed_a.len() {
        return Err(outside("allowed_a", "one for each breaker"));
    }
    let first = first_breaker(load_pct)?;
    let (Some(load), Some(allowed)) = (load_pct.get(first), allowed_a.get(first)) else {
        return Err(outside("allowed_a", "one for each breaker"));
    };
    let allowed = positive("allowed_a", *allowed)?;
    finite("load_pct", allowed * (1.0 - load / 100.0))
}

/// How far a tier's meter lies above the sum of the meters below it, %, on the phase where they differ most; negative
/// where it lies below. `below` holds every meter below in turn, each with the phases of `meter`. Relative to the larger of
/// both and at least to `floor`, so that small loads make no large differences. Up to 3 % and N times the resolution is
/// what meters are allowed (standards for their classes, from memory).
///
/// # Errors
/// `DomainError` for no phase, meters below that do not have the same phases, a floor that is not positive, or numbers
/// that are not finite.
pub fn meter_difference_pct(meter_a: &[f64], below_a: &[f64], floor_a: f64) -> Result<f64, NoNumber> {
    let floor = positive("floor_a", floor_a)?;
    let phases = meter_a.len();
    if phases == 0 {
        return Err(outside("meter_a", "at least one phase"));
    }
    if below_a.is_empty() || !below_a.len().is_multiple_of(phases) {
        return Err(outside("below_a", "every phase of each meter below, in turn"));
    }
    let mut worst = 0.0_f64;
    for (phase, own) in meter_a.iter().enumerate() {
        let own = finite("meter_a", *own)?;
        let sum: f64 = below_a.iter().skip(phase).step_by(phases).sum();
        let sum = finite("below_a", sum)?;
        let base = libm::fabs(own).max(libm::fabs(sum)).max(floor);
        let difference = finite("meter_a", (own - sum) / base * 100.0)?;
        if libm::fabs(difference) > libm::fabs(worst) {
            worst = difference;
        }
    }
    Ok(worst)
}

/// The same for powers, with the losses of what stands between (a UPS, a transformer): its efficiency divides the sum. What
/// stands between may have a battery: a meter that carries nearly nothing (a tenth of the floor) while more than that is
/// drawn below it says nothing.
///
/// # Errors
/// As `meter_difference_pct`, and `DomainError` for an efficiency of 0 or less, or above 1; `Undefined` for a meter that says
/// nothing.
pub fn meter_difference_power_pct(
    meter_kw: f64,
    below_kw: &[f64],
    efficiency: f64,
    floor_kw: f64,
) -> Result<f64, NoNumber> {
    if !(efficiency > 0.0 && efficiency <= 1.0) {
        return Err(outside("efficiency", "above 0, at most 1"));
    }
    if below_kw.is_empty() {
        return Err(outside("below_kw", "at least one meter"));
    }
    let below = below_kw.iter().sum::<f64>() / efficiency;
    let difference = meter_difference_pct(&[meter_kw], &[below], floor_kw).map_err(|none| {
        none.renamed("meter_a", "meter_kw").renamed("below_a", "below_kw").renamed("floor_a", "floor_kw")
    })?;
    if libm::fabs(meter_kw) < NOTHING * floor_kw && below >= NOTHING * floor_kw {
        return Err(NoNumber::Undefined(
            "the meter carries nearly nothing while what is below draws power: from a battery between them, or the meter has stopped",
        ));
    }
    Ok(difference)
}

/// A difference with UPS units between the meters, and whether it is doubtful.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// The difference, %.
    pub pct: f64,
    /// The meter has long carried nearly nothing though no UPS tells that it feeds from its battery: the meter has stopped.
    pub meter_is_dead: bool,
}

/// Powers above and below UPS units that tell what feeds their output (upsOutputSource, RFC 1628). It remembers since when the
/// meter has carried nearly nothing without a UPS on its battery: what feeds them is told later than a meter shows it.
#[derive(Clone, Copy, Debug, Default)]
pub struct UpsDifference {
    dead_since_ms: Option<u64>,
}

/// Powers above and below UPS units.
#[derive(Clone, Copy, Debug)]
pub struct AcrossUps<'a> {
    /// When the newest was read, ms on a clock that never goes back.
    pub at_ms: u64,
    /// The tier's meter.
    pub meter_kw: f64,
    /// The meters below it.
    pub below_kw: &'a [f64],
    /// upsOutputSource of each UPS between.
    pub source: &'a [f64],
    /// Of what stands between; of rectifier and bypass the same.
    pub efficiency: f64,
    /// The difference is relative to at least this.
    pub floor_kw: f64,
}

impl UpsDifference {
    /// The difference now.
    ///
    /// # Errors
    /// As `meter_difference_power_pct`, and `DomainError` for no source; `Undefined` while a UPS feeds from its battery, and for
    /// half a minute of a meter that carries nearly nothing.
    pub fn step(&mut self, now: &AcrossUps<'_>) -> Result<Difference, NoNumber> {
        if now.source.is_empty() {
            return Err(outside("source", "at least one UPS"));
        }
        for source in now.source {
            if libm::fabs(finite("source", *source)? - BATTERY) < 0.5 {
                self.dead_since_ms = None;
                return Err(NoNumber::Undefined("a UPS between the meters feeds from its battery"));
            }
        }
        match meter_difference_power_pct(now.meter_kw, now.below_kw, now.efficiency, now.floor_kw) {
            Ok(pct) => {
                self.dead_since_ms = None;
                Ok(Difference { pct, meter_is_dead: false })
            }
            Err(NoNumber::Undefined(why)) => {
                let since_ms = *self.dead_since_ms.get_or_insert(now.at_ms);
                if now.at_ms.saturating_sub(since_ms) < TOLD_MS {
                    return Err(NoNumber::Undefined(why));
                }
                let below = now.below_kw.iter().sum::<f64>() / now.efficiency;
                let pct = meter_difference_pct(&[now.meter_kw], &[below], now.floor_kw)?;
                Ok(Difference { pct, meter_is_dead: true })
            }
            Err(none) => Err(none),
        }
    }
}

/// The largest of several differences of meters, without its sign, %: what a number that rests on all of them is worth.
///
/// # Errors
/// `DomainError` for none, or one that is not finite.
pub fn worst_difference_pct(difference_pct: &[f64]) -> Result<f64, NoNumber> {
    if difference_pct.is_empty() {
        return Err(outside("difference_pct", "at least one"));
    }
    let mut worst = 0.0_f64;
    for difference in difference_pct {
        worst = worst.max(libm::fabs(finite("difference_pct", *difference)?));
    }
    Ok(worst)
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn what_moves_is_added_and_what_stays_dark_is_not() {
        // Two dual-corded racks of 32 A and 20 A on the lost side; a single-corded third one of 9 A there is not given.
        relative("by hand", failover_current(51.0, &[32.0, 20.0]), 103.0, 1e-12);
        relative("nothing moves", failover_current(51.0, &[]), 51.0, 1e-12);
        assert!(failover_current(-1.0, &[]).is_err() && failover_current(1.0, &[f64::NAN]).is_err());
        assert!(failover_current(f64::MAX, &[f64::MAX]).is_err());
    }

    #[test]
    fn load_is_that_of_the_heaviest_phase() {
        // 200 A on 250 A of which 0.8 may be carried.
        relative("at its limit", load_pct(&[180.0, 200.0, 190.0], 250.0, 0.8), 100.0, 1e-12);
        relative("one phase", load_pct(&[16.0], 32.0, 1.0), 50.0, 1e-12);
        for (i, rating, part) in [(&[][..], 1.0, 1.0), (&[-1.0], 1.0, 1.0), (&[1.0], 0.0, 1.0), (&[1.0], 1.0, f64::NAN)]
        {
            assert_eq!(load_pct(i, rating, part).map_err(NoNumber::word), Err("domain_error"));
        }
    }

    #[test]
    fn the_first_breaker_and_its_margin() {
        // A PDU of 63 A at 45.4 A goes before a busway of 250 A at 175 A, though it has less way to go in A.
        let loads = [70.0, 72.0, 40.0];
        assert_eq!(first_breaker(&loads), Ok(1));
        absolute("margin", first_breaker_margin_a(&loads, &[250.0, 63.0, 63.0]), 17.64, 1e-9);
        absolute("beyond", first_breaker_margin_a(&[110.0], &[200.0]), -20.0, 1e-9);
        assert_eq!(first_breaker(&[50.0, 50.0]), Ok(0), "of equals the first");
        assert!(first_breaker(&[]).is_err() && first_breaker(&[f64::NAN]).is_err());
        assert!(first_breaker_margin_a(&loads, &[250.0]).is_err());
    }

    #[test]
    fn meters_against_the_sum_below() {
        // Two tap-offs of three phases each below a busway.
        let below = [30.0, 31.0, 32.0, 20.0, 19.0, 18.0];
        absolute("equal", meter_difference_pct(&[50.0; 3], &below, 25.0), 0.0, 1e-12);
        // A transformer of 400 A where the meter believes 250 A: 1.6 times.
        absolute("ratio", meter_difference_pct(&[80.0, 80.0, 80.0], &below, 25.0), 37.5, 1e-9);
        absolute("a tap without meter", meter_difference_pct(&[20.0, 50.0, 50.0], &below, 25.0), -60.0, 1e-9);
        absolute("small loads", meter_difference_pct(&[1.0, 0.0, 0.0], &[0.0; 3], 25.0), 4.0, 1e-9);
        absolute("worst", worst_difference_pct(&[1.0, -37.5, 4.0]), 37.5, 0.0);
        assert!(worst_difference_pct(&[]).is_err() && worst_difference_pct(&[f64::NAN]).is_err());
        absolute("by power", meter_difference_power_pct(500.0, &[200.0, 200.0], 0.8, 50.0), 0.0, 1e-12);
        for (below, efficiency) in
            [(&[][..], 1.0), (&[1.0], 0.0), (&[1.0], 1.01), (&[1.0], f64::NAN), (&[f64::NAN], 1.0)]
        {
            let got = meter_difference_power_pct(1.0, below, efficiency, 1.0);
            assert_eq!(got.map_err(NoNumber::word), Err("domain_error"), "{below:?} {efficiency}");
        }
        // A mains of 86 kW floor: dead while the batteries feed, idle, and with a little left.
        let dead = meter_difference_power_pct(0.0, &[412.0, 14.0], 0.985, 86.0);
        assert_eq!(dead.map_err(NoNumber::word), Err("undefined"));
        assert_eq!(meter_difference_power_pct(8.5, &[50.0], 1.0, 86.0).map_err(NoNumber::word), Err("undefined"));
        absolute("dark", meter_difference_power_pct(0.0, &[0.0, 0.0], 0.985, 86.0), 0.0, 1e-12);
        absolute("idle", meter_difference_power_pct(2.0, &[1.5], 1.0, 86.0), 0.5 / 0.86, 1e-9);
        absolute("half is lost", meter_difference_power_pct(40.0, &[80.0], 1.0, 86.0), -40.0 / 0.86, 1e-9);
        // A meter of currents has nothing between that could feed: one that stands at zero is wrong, and that is said.
        absolute("stopped", meter_difference_pct(&[0.0; 3], &below, 25.0), -100.0, 1e-9);
        for (meter, below, floor) in
            [(&[][..], &[1.0][..], 1.0), (&[1.0, 2.0], &[1.0; 3], 1.0), (&[1.0], &[], 1.0), (&[1.0], &[1.0], 0.0)]
        {
            assert_eq!(meter_difference_pct(meter, below, floor).map_err(NoNumber::word), Err("domain_error"));
        }
    }

    #[test]
    fn a_ups_on_battery_says_more_than_the_meter() {
        let mut kept = UpsDifference::default();
        let mut difference = |at_ms, meter_kw, source: &[f64]| {
            let now = AcrossUps { at_ms, meter_kw, below_kw: &[400.0], source, efficiency: 0.8, floor_kw: 86.0 };
            kept.step(&now).map_err(NoNumber::word)
        };
        let fine = Difference { pct: 0.0, meter_is_dead: false };
        assert_eq!(difference(0, 500.0, &[3.0, 4.0]), Ok(fine), "normal and bypass");
        // One of six on its battery: a sixth is missing in the meter, and no meter is wrong.
        assert_eq!(difference(1000, 417.0, &[3.0, 5.0]), Err("undefined"));
        // The mains are lost: the meter shows it first, then the UPS units tell it, for minutes.
        for (at_ms, source) in [(2000, 3.0), (4000, 3.0), (6000, 5.0), (300_000, 5.0), (301_000, 3.0)] {
            assert_eq!(difference(at_ms, 0.0, &[3.0, source]), Err("undefined"), "at {at_ms} ms");
        }
        // None of them tells it: the meter has stopped.
        assert_eq!(difference(330_999, 0.0, &[3.0, 3.0]), Err("undefined"));
        let dead = Difference { pct: -100.0, meter_is_dead: true };
        assert_eq!(difference(331_000, 0.0, &[3.0, 3.0]), Ok(dead));
        assert_eq!(difference(332_000, 500.0, &[3.0, 3.0]), Ok(fine));
        assert_eq!(difference(333_000, 0.0, &[3.0, 3.0]), Err("undefined"), "begun anew");
        for source in [&[][..], &[f64::NAN]] {
            assert_eq!(difference(334_000, 500.0, source), Err("domain_error"));
        }
    }

    proptest::proptest! {
        #[test]
        fn never_less_than_now_and_sides_agree(
            a in proptest::collection::vec(0.0_f64..400.0, 1..20),
            shares in proptest::collection::vec(0.0_f64..1.0, 20),
        ) {
            // Loads shared unequally between two sides: whichever is lost, the other carries the whole.
            let own: f64 = a.iter().zip(&shares).map(|(i, share)| i * share).sum();
            let mut other = [0.0; 20];
            for ((other, i), share) in other.iter_mut().zip(&a).zip(&shares) {
                *other = i * (1.0 - share);
            }
            let whole: f64 = a.iter().sum();
            let got = failover_current(own, &other).expect("sound");
            proptest::prop_assert!(got >= own && (got - whole).abs() < 1e-9 * whole.max(1.0));
            let back = failover_current(other.iter().sum(), &[own]).expect("sound");
            proptest::prop_assert!((back - got).abs() < 1e-9 * whole.max(1.0));
        }

        #[test]
        fn every_input_is_answered(list in proptest::collection::vec(proptest::num::f64::ANY, 0..7), x in proptest::num::f64::ANY) {
            let fine = |got: Result<f64, NoNumber>| got.map_or(true, f64::is_finite);
            proptest::prop_assert!(fine(failover_current(x, &list)) && fine(load_pct(&list, x, 0.8)));
            proptest::prop_assert!(fine(first_breaker_margin_a(&list, &list)) && fine(meter_difference_pct(&list, &list, x)));
            proptest::prop_assert!(fine(meter_difference_power_pct(x, &list, 0.985, x)));
            let mut kept = UpsDifference { dead_since_ms: Some(0) };
            let now = AcrossUps {
                at_ms: 60_000, meter_kw: x, below_kw: &list, source: &list, efficiency: 0.985, floor_kw: 1.0,
            };
            proptest::prop_assert!(fine(kept.step(&now).map(|got| got.pct)));
        }
    }

    #[test]
    fn published_rows() {
        // O060 to O062, closed form per phase.
        let rows = [
            ("O060", [80.0, 85.0, 78.0], [82.0, 90.0, 80.0], 0.8, 0.7, true),
            ("O061", [95.0, 98.0, 90.0], [96.0, 105.0, 92.0], 0.8, 0.812, false),
            ("O062", [100.0; 3], [100.0; 3], 1.0, 0.8, true),
        ];
        for (row, a, b, limit_frac, max_frac, pass) in rows {
            let got = failover_utilisation(&a, &b, 250.0, limit_frac).expect("sound");
            relative(row, Ok(got.max_frac), max_frac, 1e-4);
            assert_eq!(got.pass, pass, "{row}");
        }
    }

    #[test]
    fn unsound_inputs() {
        let cases: [(&[f64], &[f64], f64, f64); 6] = [
            (&[], &[], 250.0, 0.8),
            (&[1.0], &[1.0, 2.0], 250.0, 0.8),
            (&[-1.0], &[1.0], 250.0, 0.8),
            (&[1.0], &[f64::NAN], 250.0, 0.8),
            (&[1.0], &[1.0], 0.0, 0.8),
            (&[1.0], &[1.0], 250.0, f64::NAN),
        ];
        for (a, b, rating, limit) in cases {
            assert_eq!(failover_utilisation(a, b, rating, limit).map_err(NoNumber::word), Err("domain_error"));
        }
    }
}
