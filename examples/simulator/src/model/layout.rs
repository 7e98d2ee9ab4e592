//! What Saltmarsh M1 is made of: how many of each thing, how they are fed, and their invented ratings.
//!
//! Knows no state and no time. All numbers are invented; where one follows a published rule the rule stands beside it.
//! Units are in the names. Never panics.

/// Racks in the module.
pub const RACKS: usize = 18;
/// Fans in the wall; twelve are needed at full load.
pub const FANS: usize = 14;
/// Busways and UPS units: A1 A2 A3 B1 B2 B3, in this order everywhere.
pub const BUSWAYS: usize = 6;
/// Pairs of busways; each pair feeds six racks from both sides.
pub const PAIRS: usize = 3;
/// Racks on one pair of busways.
pub const RACKS_A_PAIR: usize = 6;
/// Pumps: duty and standby.
pub const PUMPS: usize = 2;
/// Doors: cold aisle, hot aisle, plant bay.
pub const DOORS: usize = 3;
/// Leak rope zones: coil bay, under the racks.
pub const LEAK_ZONES: usize = 2;
/// Temperature and humidity sensors in the aisles: three cold, two hot.
pub const AIR_SENSORS: usize = 5;

/// Names of the busways, also the tail of the names of their meters and UPS units.
pub const BUSWAY_NAMES: [&str; BUSWAYS] = ["a1", "a2", "a3", "b1", "b2", "b3"];

/// Electrical load of each rack at rest, kW: 23 on average, 30 at most. Invented.
pub const RACK_KW: [f64; RACKS] = [
    22.0, 24.5, 20.5, 23.0, 25.0, 21.0, // pair 1
    26.0, 22.5, 30.0, 19.0, 23.5, 18.0, // pair 2
    21.5, 24.0, 22.0, 25.5, 20.0, 26.0, // pair 3
];

/// Share of each rack's load that its A-side power supplies carry while both sides live. Supplies share unevenly
/// (common practice, no source). Invented.
pub const SHARE_A: [f64; RACKS] =
    [0.52, 0.48, 0.55, 0.50, 0.45, 0.51, 0.49, 0.56, 0.52, 0.47, 0.50, 0.53, 0.48, 0.50, 0.54, 0.46, 0.51, 0.50];

/// Side A or B of the power distribution.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Side A.
    A,
    /// Side B.
    B,
}

impl Side {
    /// Both sides.
    pub const BOTH: [Self; 2] = [Self::A, Self::B];

    /// 0 for A, 1 for B.
    #[must_use]
    pub const fn index(self) -> usize {
        match self {
            Self::A => 0,
            Self::B => 1,
        }
    }

    /// The letter as on labels and in paths.
    #[must_use]
    pub const fn letter(self) -> &'static str {
        match self {
            Self::A => "a",
            Self::B => "b",
        }
    }
}

/// The busway that feeds a rack from a side.
#[must_use]
pub const fn busway_of(rack: usize, side: Side) -> usize {
    side.index() * PAIRS + rack / RACKS_A_PAIR
}

/// The racks on a busway, in the order of its tap-offs.
pub fn racks_of(busway: usize) -> std::ops::Range<usize> {
    let first = (busway % PAIRS) * RACKS_A_PAIR;
    first..first + RACKS_A_PAIR
}

/// The side a busway belongs to.
#[must_use]
pub const fn side_of(busway: usize) -> Side {
    if busway < PAIRS { Side::A } else { Side::B }
}
