//! How the power goes: main, busway, tap-off, PDU, rack; who feeds whom, from which side, through which breaker.
//!
//! A flat table in which every tier stands behind the one that feeds it, so that there is no circle. Knows no readings.
//! Ratings A, powers kW, voltages V to neutral. Never panics.

/// The tiers, from the mains down to the racks; empty where none is configured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Topology {
    /// Every tier; each is fed by earlier ones.
    pub tiers: Vec<Tier>,
}

/// What a tier is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum TierKind {
    /// A main supply.
    Main,
    /// A busway.
    Busway,
    /// A tap-off of a busway.
    Tapoff,
    /// A power distribution unit in a rack.
    Pdu,
    /// A rack.
    Rack,
}

/// A or B.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// Side A.
    A,
    /// Side B.
    B,
}

/// One tier.
#[derive(Clone, Debug, PartialEq)]
pub struct Tier {
    /// What it is.
    pub kind: TierKind,
    /// Name, unique among all tiers.
    pub name: String,
    /// Its side; `None` for mains and racks.
    pub side: Option<Side>,
    /// Indexes of what feeds it: none for a main, one for a breaker, one for each cord of a rack.
    pub fed_by: Vec<usize>,
    /// Rating of its breaker; 0 for a rack.
    pub rating_a: f64,
    /// Part of the rating that may be carried for hours.
    pub limit: f64,
    /// Phases, 1 or 3.
    pub phases: u8,
    /// Path before `l1/current` of its meter.
    pub meter: Option<String>,
    /// Label as on plate and drawing; racks only.
    pub tag: Option<String>,
    /// What the source in front of it (UPS, transformer, generator) gives for hours.
    pub source_kw: Option<f64>,
    /// The point that tells what feeds the UPS in front of it: its upsOutputSource.
    pub source_state: Option<String>,
}

impl TierKind {
    /// Every kind, from the top.
    pub const ALL: [Self; 5] = [Self::Main, Self::Busway, Self::Tapoff, Self::Pdu, Self::Rack];

    /// As a person says it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Main => "main",
            Self::Busway => "busway",
            Self::Tapoff => "tap-off",
            Self::Pdu => "PDU",
            Self::Rack => "rack",
        }
    }

    /// Its table in the configuration.
    #[must_use]
    pub const fn section(self) -> &'static str {
        match self {
            Self::Main => "main",
            Self::Busway => "busway",
            Self::Tapoff => "tapoff",
            Self::Pdu => "pdu",
            Self::Rack => "rack",
        }
    }
}

impl Side {
    /// The letter on labels.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::A => 'A',
            Self::B => 'B',
        }
    }

    /// The other one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

impl Tier {
    /// As a person calls it: `busway a1`.
    #[must_use]
    pub fn called(&self) -> String {
        format!("{} {}", self.kind.words(), self.name)
    }

    /// What it may carry for hours, A.
    #[must_use]
    pub fn allowed_a(&self) -> f64 {
        self.rating_a * self.limit
    }
}

impl Topology {
    /// Indexes of tiers of a kind.
    pub fn of(&self, kind: TierKind) -> impl Iterator<Item = usize> + '_ {
        self.tiers.iter().enumerate().filter(move |(_, tier)| tier.kind == kind).map(|(at, _)| at)
    }

    /// What a tier feeds directly.
    pub fn feeds(&self, at: usize) -> impl Iterator<Item = usize> + '_ {
        self.tiers.iter().enumerate().filter(move |(_, tier)| tier.fed_by.contains(&at)).map(|(below, _)| below)
    }

    /// Everything above a tier on its first feeder's way, nearest first.
    pub fn above(&self, at: usize) -> impl Iterator<Item = usize> + '_ {
        std::iter::successors(self.tiers.get(at).and_then(|tier| tier.fed_by.first().copied()), |above| {
            self.tiers.get(*above).and_then(|tier| tier.fed_by.first().copied())
        })
    }

    /// The cords that hang on a tier, as indexes of rack and of what feeds that cord, in the table's order.
    #[must_use]
    pub fn cords(&self, at: usize) -> Vec<(usize, usize)> {
        let hangs = |feeder: usize| feeder == at || self.above(feeder).any(|above| above == at);
        self.of(TierKind::Rack)
            .flat_map(|rack| self.tiers[rack].fed_by.iter().map(move |feeder| (rack, *feeder)))
            .filter(|(_, feeder)| hangs(*feeder))
            .collect()
    }

    /// The racks that hang on a tier, each once, in the table's order; a rack itself hangs on none.
    #[must_use]
    pub fn racks(&self, at: usize) -> Vec<&Tier> {
        let mut racks: Vec<usize> = self.cords(at).into_iter().map(|(rack, _)| rack).collect();
        racks.dedup();
        racks.into_iter().filter_map(|rack| self.tiers.get(rack)).collect()
    }

    /// The tier whose meter's path a point's path begins with; of several the nearest.
    #[must_use]
    pub fn tier_of(&self, path: &str) -> Option<usize> {
        let length = |tier: &Tier| {
            let meter = tier.meter.as_deref()?;
            path.strip_prefix(meter)?.starts_with('/').then_some(meter.len())
        };
        let under = self.tiers.iter().enumerate().filter_map(|(at, tier)| Some((length(tier)?, at)));
        under.max_by_key(|(length, _)| *length).map(|(_, at)| at)
    }

    /// Whether a rack hangs on both sides.
    #[must_use]
    pub fn is_dual(&self, rack: usize) -> bool {
        let sides = || self.tiers.get(rack).into_iter().flat_map(|tier| &tier.fed_by).map(|feeder| self.side(*feeder));
        sides().any(|side| side == Some(Side::A)) && sides().any(|side| side == Some(Side::B))
    }

    /// The side of a tier.
    #[must_use]
    pub fn side(&self, at: usize) -> Option<Side> {
        self.tiers.get(at).and_then(|tier| tier.side)
    }

    /// The busway a tier hangs on, or is.
    #[must_use]
    pub fn busway_of(&self, at: usize) -> Option<usize> {
        std::iter::once(at)
            .chain(self.above(at))
            .find(|at| self.tiers.get(*at).is_some_and(|t| t.kind == TierKind::Busway))
    }

    /// Pairs of busways that feed the same dual-corded racks: A side, B side.
    #[must_use]
    pub fn pairs(&self) -> Vec<(usize, usize)> {
        let mut pairs = Vec::new();
        for rack in self.of(TierKind::Rack) {
            let busways = |side| {
                let of_side = self.tiers[rack].fed_by.iter().filter(move |feeder| self.side(**feeder) == Some(side));
                of_side.filter_map(|feeder| self.busway_of(*feeder))
            };
            for pair in busways(Side::A).flat_map(|a| busways(Side::B).map(move |b| (a, b))) {
                if !pairs.contains(&pair) {
                    pairs.push(pair);
                }
            }
        }
        pairs
    }
}
