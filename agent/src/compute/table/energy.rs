//! Functions of efficiency with memory, and of the present powers. Never panics.

use lapwing_engine::physics::efficiency;
use lapwing_engine::physics::energy_period::{DAY_MS, EnergyPeriod, LONGEST_DAYS, Sums};
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, Given, NoNumber, Takes};
use super::{domain, list, number, number_or, plain};

const IT: Argument = list("it_kw", "kW", "powers of the IT equipment; their sum counts");
const OTHER: Argument = list("other_kw", "kW", "powers of the zone's rest; their sum counts");
const METERED: Argument = Argument {
    name: "it_metered_at",
    takes: Takes::Word(&["ups_output", "pdu_output", "equipment_input"]),
    meaning: "where the IT energy is metered: categories 1 to 3 of ISO/IEC 30134-2",
};
const LONGEST_GAP: Argument = number_or("longest_gap_s", "s", 30.0, "gap that is bridged; a longer one is stated");
const PERIOD: Argument = number_or("period_days", "d", 365.0, "length of the moving period, whole days");

/// More of the time than this unread makes the ratio doubtful (assumed).
const DOUBTFUL_GAP: f64 = 0.02;

fn sum(list: &[f64]) -> f64 {
    list.iter().sum()
}

/// What of a whole is not IT, kW; a meter may show less than the IT's by what both are off.
fn rest_kw(total_kw: f64, it_kw: f64) -> Result<f64, NoNumber> {
    if total_kw < it_kw {
        return Err(domain("total_kw must be at least the IT power: the meters disagree"));
    }
    Ok(total_kw - it_kw)
}

/// The period's sums with the present powers; nothing more in a single calculation than these.
fn sums(given: &mut Given<'_>, other_kw: f64) -> Result<Sums, NoNumber> {
    let (it, at_ms) = (sum(given.list("it_kw")), given.at_ms());
    let (gap_s, days) = (given.number("longest_gap_s"), given.number("period_days"));
    if !(gap_s > 0.0 && gap_s <= 86_400.0) {
        return Err(domain("longest_gap_s must be above 0 and at most a day"));
    }
    if !((1.0..=f64::from(LONGEST_DAYS)).contains(&days) && days.fract() == 0.0) {
        return Err(domain("period_days must be a whole number of days from 1 to 366"));
    }
    let kept = given.kept::<EnergyPeriod>();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked to be at most a day, and a year
    let (gap_ms, days) = ((gap_s * 1000.0) as u64, days as u16);
    kept.push(at_ms, it, other_kw, gap_ms)?;
    Ok(kept.sums(days))
}

/// A ratio of the period's energies, doubtful where too much of it was not read.
fn ratio(sums: &Sums) -> Result<Computed, NoNumber> {
    let doubt = (sums.gap_share() > DOUBTFUL_GAP).then_some("more than 2 % of the time was not read");
    Ok(Computed { doubt, ..sums.ppue()?.into() })
}

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "power_ratio",
        arguments: &[number("total_kw", "kW", "power of the whole"), IT],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(efficiency::power_ratio(given.number("total_kw"), sum(given.list("it_kw")))),
    },
    Function {
        name: "cooling_load_factor",
        arguments: &[list("cooling_kw", "kW", "powers of the cooling; their sum counts"), IT],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(efficiency::cooling_load_factor(sum(given.list("cooling_kw")), sum(given.list("it_kw")))),
    },
    Function {
        name: "pue_period",
        arguments: &[number("total_kw", "kW", "power of the whole"), IT, METERED, PERIOD, LONGEST_GAP],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            let rest = rest_kw(given.number("total_kw"), sum(given.list("it_kw")))?;
            ratio(&sums(given, rest)?)
        },
    },
    Function {
        name: "ppue_period",
        arguments: &[IT, OTHER, METERED, PERIOD, LONGEST_GAP],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            let other = sum(given.list("other_kw"));
            ratio(&sums(given, other)?)
        },
    },
    Function {
        name: "energy_gap",
        arguments: &[IT, OTHER, PERIOD, LONGEST_GAP],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| {
            let other = sum(given.list("other_kw"));
            Ok((100.0 * sums(given, other)?.gap_share()).into())
        },
    },
    Function {
        name: "energy_span",
        arguments: &[IT, OTHER, PERIOD, LONGEST_GAP],
        quantity: Quantity::Time,
        unit: "d",
        run: |given| {
            let other = sum(given.list("other_kw"));
            #[allow(clippy::cast_precision_loss)] // a year in ms
            let days = sums(given, other)?.span_ms() as f64 / f64::from(DAY_MS);
            Ok(days.into())
        },
    },
    Function {
        name: "wue",
        arguments: &[
            list("water_l", "L", "water used, by part of the period"),
            list("e_it_kwh", "kW.h", "energy of the IT equipment, by part of the period"),
        ],
        quantity: Quantity::WaterByEnergy,
        unit: "L/(kW.h)",
        run: |given| plain(efficiency::wue(given.list("water_l"), given.list("e_it_kwh"))),
    },
];
