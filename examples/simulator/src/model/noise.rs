//! Seeded noise: one stream of numbers for the whole plant, the same on every machine.
//!
//! ChaCha8 through `rand_chacha`. Knows no units. Never panics.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of noise.
#[derive(Clone, Debug)]
pub struct Noise {
    rng: ChaCha8Rng,
    /// Drawn together, because cards ask for thousands a second.
    drawn: [u64; DRAWN],
    next: usize,
}

const DRAWN: usize = 32;

impl Noise {
    /// A stream for a seed and a purpose, so that model and cards do not share one.
    #[must_use]
    pub fn new(seed: u64, purpose: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(purpose);
        Self { rng, drawn: [0; DRAWN], next: DRAWN }
    }

    fn draw(&mut self) -> u64 {
        if self.next == DRAWN {
            let mut bytes = [0; 8 * DRAWN];
            self.rng.fill_bytes(&mut bytes);
            let (words, _) = bytes.as_chunks::<8>();
            for (drawn, word) in self.drawn.iter_mut().zip(words) {
                *drawn = u64::from_le_bytes(*word);
            }
            self.next = 0;
        }
        self.next += 1;
        self.drawn[self.next - 1]
    }

    /// About normal, mean 0, standard deviation 1: the sum of four uniform 16-bit numbers (Irwin–Hall), never beyond
    /// ±3.5, so that noise alone can never pass a limit set further away.
    pub fn gauss(&mut self) -> f64 {
        let bits = self.draw();
        let sum = (bits & 0xFFFF) + ((bits >> 16) & 0xFFFF) + ((bits >> 32) & 0xFFFF) + (bits >> 48);
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
    fn the_stream_is_that_of_the_generator() {
        let mut noise = Noise::new(3, 1);
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        rng.set_stream(1);
        for _ in 0..5 * DRAWN {
            assert_eq!(noise.draw(), rng.next_u64());
        }
    }

    #[test]
    fn seeds_and_purposes_differ_and_repeat() {
        let first = |seed, purpose| Noise::new(seed, purpose).gauss().to_bits();
        assert_eq!(first(7, 0), first(7, 0));
        assert_ne!(first(7, 0), first(8, 0));
        assert_ne!(first(7, 0), first(7, 1));
    }
}
