//! Scenario files of the simulator.

use lapwing_simulator::Scenario;

/// Reads one.
pub(super) fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match Scenario::from_toml("own.toml", text) {
        Ok(scenario) => {
            assert!(scenario.faults.windows(2).all(|pair| pair[0].at_s <= pair[1].at_s), "out of order");
            for fault in &scenario.faults {
                assert!(fault.at_s.is_finite() && fault.at_s >= 0.0);
                assert!(fault.until_s.is_none_or(|until| until.is_finite() && until > fault.at_s));
            }
        }
        Err(error) => {
            for line in error.to_string().lines().filter(|line| line.starts_with("own.toml:")) {
                let mut numbers = line.split(':').skip(1).map_while(|part| part.parse::<usize>().ok());
                if let (Some(row), Some(_)) = (numbers.next(), numbers.next()) {
                    assert!((1..=text.split('\n').count()).contains(&row), "{line}");
                }
            }
        }
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let whole = "summary = \"two\"\n[[fault]]\nat_s = 20.0\nname = \"smoke\"\n[[fault]]\nat_s = 5\nuntil_s = 9.5\nname = \"pump-trip\"\ntarget = \"pump-2\"\n";
    let mut seeds = vec![whole.as_bytes().to_vec()];
    for name in ["side-lost", "sensor-frozen", "device-silent", "tap-trip", "link-cut"] {
        seeds.push(format!("[[fault]]\nat_s = 1.0\nname = \"{name}\"\n").into_bytes());
        seeds.push(format!("[[fault]]\nat_s = -1\nname = \"{name}\"\ntarget = \"é\"\n").into_bytes());
    }
    seeds
}
