//! What a point is to any module of this kind, apart from its path: door, smoke, utility, supply water, ….
//!
//! Given in the map by an engineer, never guessed from a name. The review of the alarm set asks by it what is missing.
//! Which roles a module has is common practice (no source). Decides nothing. Never panics.

/// A role.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs)] // `what` says what each is
pub enum Role {
    Door,
    Smoke,
    FirePanel,
    Leak,
    EmergencyOff,
    Utility,
    GeneratorMode,
    GeneratorStart,
    GeneratorFuel,
    StartBattery,
    UpsSource,
    UpsBattery,
    BreakerPosition,
    EarthLeakage,
    Pump,
    Chiller,
    WaterFlow,
    SupplyWater,
    StaticPressure,
    Fan,
    AirMovement,
    Inlet,
    Humidity,
    Condensate,
    Protection,
}

/// What a role is about.
#[derive(Clone, Copy, Debug)]
pub struct About {
    /// The word in a map.
    pub word: &'static str,
    /// What it tells, for people.
    pub what: &'static str,
    /// What goes unseen without it.
    pub without: &'static str,
    /// Each such point needs an alarm of its own; else one of them is enough.
    pub each: bool,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 25] = [
        Self::Door,
        Self::Smoke,
        Self::FirePanel,
        Self::Leak,
        Self::EmergencyOff,
        Self::Utility,
        Self::GeneratorMode,
        Self::GeneratorStart,
        Self::GeneratorFuel,
        Self::StartBattery,
        Self::UpsSource,
        Self::UpsBattery,
        Self::BreakerPosition,
        Self::EarthLeakage,
        Self::Pump,
        Self::Chiller,
        Self::WaterFlow,
        Self::SupplyWater,
        Self::StaticPressure,
        Self::Fan,
        Self::AirMovement,
        Self::Inlet,
        Self::Humidity,
        Self::Condensate,
        Self::Protection,
    ];

    /// The words of all roles, in their order.
    pub const WORDS: [&'static str; 25] = {
        let mut words = [""; 25];
        let mut at = 0;
        while at < words.len() {
            words[at] = Self::ALL[at].about().word;
            at += 1;
        }
        words
    };

    /// The role of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.about().word == word)
    }

    /// What it is about.
    #[must_use]
    pub const fn about(self) -> About {
        let (word, what, without, each) = match self {
            Self::Door => ("door", "a door", "hot and humid air comes in, and people, unseen", true),
            Self::Smoke => ("smoke", "the smoke panel's alarm", "a fire is told by its heat alone", true),
            Self::FirePanel => ("fire_panel", "the smoke panel's own fault", "smoke may go unreported", true),
            Self::Leak => ("leak", "water on the floor", "water reaches live parts unseen", true),
            Self::EmergencyOff => ("emergency_off", "emergency-off", "a pressed button looks like a lost supply", true),
            Self::Utility => ("utility", "the utility supply", "the batteries empty unannounced", true),
            Self::GeneratorMode => {
                ("generator_mode", "whether the generator is in automatic", "it does not start when it is needed", true)
            }
            Self::GeneratorStart => {
                ("generator_start", "a failed start of the generator", "only batteries are left, unseen", true)
            }
            Self::GeneratorFuel => ("generator_fuel", "the generator's fuel", "it stops after an hour", true),
            Self::StartBattery => {
                ("start_battery", "the generator's start battery", "it does not start when it is needed", true)
            }
            Self::UpsSource => (
                "ups_source",
                "what feeds a UPS's output",
                "battery, bypass and a dead output are not told apart",
                true,
            ),
            Self::UpsBattery => ("ups_battery", "a UPS's battery", "the end comes without a warning", true),
            Self::BreakerPosition => ("breaker_position", "a breaker's position", "a dead busway has no cause", true),
            Self::EarthLeakage => {
                ("earth_leakage", "earth leakage", "failing insulation shows when a breaker trips", true)
            }
            Self::Pump => ("pump", "a pump's state", "a lost pump shows when the other fails too", true),
            Self::Chiller => {
                ("chiller", "the chiller plant's state", "its loss shows in the water a minute later", true)
            }
            Self::WaterFlow => ("water_flow", "the water flow", "its loss shows when the inlets are hot", false),
            Self::SupplyWater => {
                ("supply_water", "the supply water's temperature", "the coil's reserve is not known", false)
            }
            Self::StaticPressure => {
                ("static_pressure", "the loop's static pressure", "a slow leak shows when the pumps draw air", false)
            }
            Self::Fan => ("fan", "a fan's fault or speed", "lost fans show when too few are left", false),
            Self::AirMovement => ("air_movement", "the air movement", "its loss shows when the inlets are hot", false),
            Self::Inlet => ("inlet", "the air at a rack's inlet", "what the servers breathe is not known", false),
            Self::Humidity => ("humidity", "the air's humidity", "condensation comes unannounced", false),
            Self::Condensate => ("condensate", "the condensate pan", "it runs over unseen", false),
            Self::Protection => (
                "protection",
                "whether an automatic protection is armed",
                "what is faster than a person ends unprotected",
                true,
            ),
        };
        About { word, what, without, each }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_role_has_a_word_of_its_own() {
        for role in Role::ALL {
            assert_eq!(Role::from_word(role.about().word), Some(role));
            assert!(!role.about().what.is_empty() && !role.about().without.is_empty());
        }
        assert_eq!(Role::from_word("window"), None);
        assert_eq!(Role::WORDS[0], "door");
    }
}
