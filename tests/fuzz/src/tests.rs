//! The targets' bodies over their seeds and some thousand bent ones, without a fuzzer: in every run of the tests.

use super::{Target, targets};

/// Bent inputs a target, fewer where one input costs milliseconds.
fn rounds(target: &Target) -> usize {
    if target.name == "config" { 1000 } else { 5000 }
}

/// A generator whose numbers are the same on every machine (xorshift, Marsaglia 2003).
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 >> 16).unwrap_or(0) % limit.max(1)
    }

    fn byte(&mut self) -> u8 {
        [0, 1, 0x7F, 0x80, 0xFF, b'"', b'\n', b'0'].get(self.below(16)).copied().unwrap_or(self.below(256) as u8)
    }

    /// One to four changes.
    fn bend(&mut self, seeds: &[Vec<u8>]) -> Vec<u8> {
        let mut bent = seeds[self.below(seeds.len())].clone();
        for _ in 0..=self.below(4) {
            let (at, other) = (self.below(bent.len()), self.below(bent.len() + 1));
            let (from, to) = (at.min(other), at.max(other));
            match self.below(7) {
                0 if !bent.is_empty() => bent[at] ^= 1 << self.below(8),
                1 if !bent.is_empty() => bent[at] = self.byte(),
                2 => bent.truncate(other),
                3 => drop(bent.drain(from..to.min(from + 8))),
                4 => bent.insert(other, self.byte()),
                5 => {
                    let twice = bent[from..to.min(from + 32)].to_vec();
                    bent.splice(to..to, twice);
                }
                _ => {
                    let donor = &seeds[self.below(seeds.len())];
                    bent.truncate(from);
                    bent.extend_from_slice(&donor[self.below(donor.len() + 1)..]);
                }
            }
        }
        bent
    }
}

fn holds(name: &str) {
    let target = targets().into_iter().find(|target| target.name == name).expect("a target");
    let seeds = (target.seeds)();
    for seed in &seeds {
        (target.run)(seed);
        for end in 0..seed.len().min(400) {
            (target.run)(&seed[..end]);
        }
    }
    let mut chance = Chance(0x4C61_7077_696E_6721);
    for _ in 0..rounds(&target) {
        (target.run)(&chance.bend(&seeds));
    }
}

macro_rules! each {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            holds(stringify!($name));
        })*

        #[test]
        fn every_target_is_run_here_and_has_its_entry() {
            let here = [$(stringify!($name)),*];
            let all: Vec<&str> = targets().iter().map(|target| target.name).collect();
            assert_eq!(here[..], all[..]);
            for name in all {
                let entry = format!("{}/fuzz/fuzz_targets/{name}.rs", env!("CARGO_MANIFEST_DIR"));
                assert!(std::path::Path::new(&entry).is_file(), "{entry}");
            }
        }
    };
}

each! {
    rtu_reply rtu_line rtu_overheard modbus_tcp identity snmp redfish config messages scenario checkout command calc registers
}
