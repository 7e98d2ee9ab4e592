//! Least-squares slope over a moving window, exact in integers.
//!
//! A ring of 64 samples: value and time as offsets from a base, their sums kept as readings come and go. Integers lose
//! nothing, so the sums do not drift and one glitch is gone once it leaves the window. The slope stays a fraction and is
//! compared as one; floats appear only where a person reads. If more readings fall into the window than it holds, those
//! nearer than 1/63 of its length to the last one kept are left out, which thins them evenly.
//!
//! There is a slope from 3 samples on that cover at least half the window: a line through a few neighbours is mostly
//! noise (its variance goes with the third power of the length: standards, var b = 12 s²/(N(N²−1)Δt²)). A gap of more
//! than three expected distances starts the window anew, as does a value more than an i32 away from the others.
//! Values are integers at the point's exponent, times milliseconds. Does not judge quality: give it usable readings
//! only. Never panics.

use core::cmp::Ordering;

use crate::spec::{Millis, WindowSpec};

#[cfg(test)]
mod tests;

/// Samples a window holds.
pub const CAPACITY: usize = 64;

/// Offsets are re-based before they reach this.
const REBASE_MS: u64 = 1 << 31;

/// A slope as an exact fraction: value steps per millisecond.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slope {
    numerator: i128,
    /// Always positive, below 2^77.
    denominator: i128,
}

impl Slope {
    /// Compares with a limit in steps a minute.
    #[must_use]
    pub fn cmp_per_min(self, per_min: i64) -> Ordering {
        // |numerator| ≤ 2^78, denominator < 2^77, a minute is below 2^16: both sides fit. No slope is steeper than 2^32
        // steps in a millisecond, so beyond 2^48 a minute the limit's sign decides.
        if per_min.unsigned_abs() >= 1 << 49 {
            return 0.cmp(&per_min);
        }
        (self.numerator * 60_000).cmp(&(self.denominator * i128::from(per_min)))
    }

    /// The same steepness the other way.
    #[must_use]
    pub const fn reversed(self) -> Self {
        Self { numerator: -self.numerator, denominator: self.denominator }
    }

    /// No change.
    pub const FLAT: Self = Self { numerator: 0, denominator: 1 };

    /// Whether a rise at this slope covers a distance within so long.
    #[must_use]
    pub fn covers(self, distance: u64, within_ms: u64) -> bool {
        // distance ≤ 2^40 · denominator < 2^77 and numerator ≤ 2^78 · a time ≤ 2^40 fit; farther is not near.
        if self.numerator <= 0 || distance > 1 << 40 {
            return false;
        }
        i128::from(distance) * self.denominator <= self.numerator * i128::from(within_ms.min(1 << 40))
    }

    /// Steps a second, for people and further physics.
    #[must_use]
    #[allow(clippy::cast_precision_loss)] // the one place where exactness ends
    pub fn per_second(self) -> f64 {
        self.numerator as f64 / self.denominator as f64 * 1000.0
    }

    /// Numerator and positive denominator, steps per millisecond, not reduced.
    #[must_use]
    pub const fn fraction(self) -> (i128, i128) {
        (self.numerator, self.denominator)
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Sample {
    /// ms since `base_at`.
    t: u32,
    /// Steps from `base_value`.
    v: i32,
}

/// State of one window.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    ring: [Sample; CAPACITY],
    first: u8,
    count: u8,
    base_at: Millis,
    base_value: i64,
    sum_t: i64,
    sum_v: i64,
    sum_tt: i128,
    sum_tv: i128,
}

impl Default for Window {
    fn default() -> Self {
        Self {
            ring: [Sample::default(); CAPACITY],
            first: 0,
            count: 0,
            base_at: Millis(0),
            base_value: 0,
            sum_t: 0,
            sum_v: 0,
            sum_tt: 0,
            sum_tv: 0,
        }
    }
}

impl Window {
    /// Takes a usable reading. One not later than the last kept is left out.
    pub fn push(&mut self, spec: &WindowSpec, at: Millis, value: i64) {
        if let Some(newest) = self.newest_at() {
            if at <= newest {
                return;
            }
            let gap = at.since(newest);
            if gap > longest_gap(spec) {
                self.clear();
            } else if gap < thinning(spec) {
                return;
            }
        }
        let limit = u64::from(spec.over_ms);
        while self.count > 0 && at.since(self.base_at) - u64::from(self.oldest().t) > limit {
            self.drop_oldest();
        }
        // Only a window of more samples than expected gets here; thinning keeps 64 in every whole window.
        if usize::from(self.count) == CAPACITY {
            self.drop_oldest();
        }
        if self.count > 0 && at.since(self.base_at) >= REBASE_MS {
            self.rebase();
        }
        if self.count == 0 {
            self.start(at, value);
        }
        if offset(value, self.base_value).is_none() {
            self.rebase(); // the base may be a value of long ago
        }
        let sample = self.relative(at, value).unwrap_or_else(|| {
            self.start(at, value);
            Sample::default()
        });
        self.keep(sample);
    }

    /// The slope, if the window holds enough.
    #[must_use]
    pub fn slope(&self, spec: &WindowSpec) -> Option<Slope> {
        if self.count < 3 {
            return None;
        }
        let covered = self.newest().t - self.oldest().t;
        if u64::from(covered) * 2 < u64::from(spec.over_ms) {
            return None;
        }
        let n = i128::from(self.count);
        let (t, v) = (i128::from(self.sum_t), i128::from(self.sum_v));
        let denominator = n * self.sum_tt - t * t;
        (denominator > 0).then(|| Slope { numerator: n * self.sum_tv - t * v, denominator })
    }

    /// Standard error of the slope, steps a second: s² = SSE/(N − 2), var b = s²/Sxx. Walks the window.
    #[must_use]
    #[allow(clippy::cast_precision_loss)] // an error bar needs no exactness
    pub fn standard_error(&self, spec: &WindowSpec) -> Option<f64> {
        let slope = self.slope(spec)?;
        let n = i128::from(self.count);
        let (t, v) = (i128::from(self.sum_t), i128::from(self.sum_v));
        let sum_vv: i128 = self.samples().map(|sample| i128::from(sample.v) * i128::from(sample.v)).sum();
        let (stt, stv, svv) = (slope.denominator, n * self.sum_tv - t * v, n * sum_vv - v * v);
        // SSE · n = Svv − Stv²/Stt in the same n-fold sums; rounding must not make it negative.
        let sse = (svv as f64 - stv as f64 * (stv as f64 / stt as f64)).max(0.0) / n as f64;
        let variance = sse / (n as f64 - 2.0) / (stt as f64 / n as f64);
        Some(libm::sqrt(variance) * 1000.0)
    }

    /// How many samples it holds.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.count as usize
    }

    /// Whether it holds none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Forgets all samples.
    pub fn clear(&mut self) {
        self.count = 0;
        self.first = 0;
    }

    fn start(&mut self, at: Millis, value: i64) {
        self.clear();
        (self.base_at, self.base_value) = (at, value);
        (self.sum_t, self.sum_v, self.sum_tt, self.sum_tv) = (0, 0, 0, 0);
    }

    fn relative(&self, at: Millis, value: i64) -> Option<Sample> {
        Some(Sample { t: u32::try_from(at.since(self.base_at)).ok()?, v: offset(value, self.base_value)? })
    }

    fn keep(&mut self, sample: Sample) {
        self.ring[(usize::from(self.first) + usize::from(self.count)) % CAPACITY] = sample;
        self.count += 1;
        let (t, v) = (i64::from(sample.t), i64::from(sample.v));
        self.sum_t += t;
        self.sum_v += v;
        self.sum_tt += i128::from(t) * i128::from(t);
        self.sum_tv += i128::from(t) * i128::from(v);
    }

    fn drop_oldest(&mut self) {
        let sample = self.oldest();
        let (t, v) = (i64::from(sample.t), i64::from(sample.v));
        self.sum_t -= t;
        self.sum_v -= v;
        self.sum_tt -= i128::from(t) * i128::from(t);
        self.sum_tv -= i128::from(t) * i128::from(v);
        self.first = (self.first + 1) % 64; // CAPACITY
        self.count -= 1;
    }

    /// Makes the oldest sample the base again, so that offsets stay small however long the agent runs.
    fn rebase(&mut self) {
        let oldest = self.oldest();
        let kept = self.ring;
        let (first, count) = (usize::from(self.first), usize::from(self.count));
        let (at, value) = (self.base_at.plus(u64::from(oldest.t)), self.base_value.saturating_add(i64::from(oldest.v)));
        self.start(at, value);
        for sample in (0..count).map(|i| kept[(first + i) % CAPACITY]) {
            let Some(v) = offset(i64::from(sample.v), i64::from(oldest.v)) else {
                self.start(at, value);
                return;
            };
            self.keep(Sample { t: sample.t - oldest.t, v });
        }
    }

    fn samples(&self) -> impl Iterator<Item = Sample> + '_ {
        (0..usize::from(self.count)).map(|i| self.ring[(usize::from(self.first) + i) % CAPACITY])
    }

    fn oldest(&self) -> Sample {
        self.ring[usize::from(self.first) % CAPACITY]
    }

    fn newest(&self) -> Sample {
        self.ring[(usize::from(self.first) + usize::from(self.count) + CAPACITY - 1) % CAPACITY]
    }

    fn newest_at(&self) -> Option<Millis> {
        (self.count > 0).then(|| self.base_at.plus(u64::from(self.newest().t)))
    }
}

fn offset(value: i64, base: i64) -> Option<i32> {
    value.checked_sub(base).and_then(|v| i32::try_from(v).ok())
}

/// Nearest distance of two samples that keeps a whole window within the ring.
const fn thinning(spec: &WindowSpec) -> u64 {
    (spec.over_ms as u64).div_ceil(CAPACITY as u64 - 1)
}

const fn longest_gap(spec: &WindowSpec) -> u64 {
    if spec.spacing_ms == 0 {
        spec.over_ms as u64 / 2
    } else {
        let spacing = spec.spacing_ms as u64;
        // A thinned window keeps samples at up to this distance although readings come faster.
        3 * if thinning(spec) > spacing { thinning(spec) + spacing } else { spacing }
    }
}
