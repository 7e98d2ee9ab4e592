//! Seeded noise: one stream of numbers for the whole plant, the same on every machine.
//!
//! ChaCha8 through `rand_chacha`. Knows no units. Never panics.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of noise.
#[derive(Clone, Debug)]
pub struct Noise(ChaCha8Rng);

impl Noise {
    /// A stream for a seed and a purpose, so that model and cards do not share one.
    #[must_use]
    pub fn new(seed: u64, purpose: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(purpose);
        Self(rng)
    }

    /// About normal, mean 0, standard deviation 1: the sum of four uniform 16-bit numbers (Irwin–Hall), never beyond
    /// ±3.5, so that noise alone can never pass a limit set further away.
    pub fn gauss(&mut self) -> f64 {
        let bits = self.0.next_u64();
        let sum: u64 = (0..4).map(|k| (bits >> (16 * k)) & 0xFFFF).sum();
        // Four uniforms on 0..65535 have mean 131 070 and variance 4·(65536² − 1)/12.
        (sum as f64 - 131_070.0) / 37_837.2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_and_deviation_are_those_of_a_unit_normal() {
        let mut noise = Noise::new(1, 0);
        let n = 100_000;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..n {
            let g = noise.gauss();
            assert!(g.abs() < 3.5);
            sum += g;
            squares += g * g;
        }
        let n = f64::from(n);
        assert!((sum / n).abs() < 0.02);
        assert!((squares / n - 1.0).abs() < 0.02);
    }

    #[test]
    fn seeds_and_purposes_differ_and_repeat() {
        let first = |seed, purpose| Noise::new(seed, purpose).gauss().to_bits();
        assert_eq!(first(7, 0), first(7, 0));
        assert_ne!(first(7, 0), first(8, 0));
        assert_ne!(first(7, 0), first(7, 1));
    }
}
