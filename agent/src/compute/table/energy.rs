//! Functions of efficiency with memory, and of the present powers. Never panics.

use lapwing_engine::physics::efficiency::{self, EnergySums};
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, Given, NoNumber, Takes};
use super::{list, number, number_or, plain};

const IT: Argument = list("it_kw", "kW", "powers of the IT equipment; their sum counts");
const OTHER: Argument = list("other_kw", "kW", "powers of the zone's rest; their sum counts");
const METERED: Argument = Argument {
    name: "it_metered_at",
    takes: Takes::Word(&["ups_output", "pdu_output", "equipment_input"]),
    meaning: "where the IT energy is metered: categories 1 to 3 of ISO/IEC 30134-2",
};
const LONGEST_GAP: Argument = number_or("longest_gap_s", "s", 30.0, "gap that is bridged; a longer one is stated");

/// More of the time than this unread makes the ratio doubtful (assumed).
const DOUBTFUL_GAP: f64 = 0.02;

fn sum(list: &[f64]) -> f64 {
    list.iter().sum()
}

/// The sums with the present powers; nothing more in a single calculation than these.
fn sums(given: &mut Given<'_>) -> Result<EnergySums, NoNumber> {
    let (it, other, at_ms) = (sum(given.list("it_kw")), sum(given.list("other_kw")), given.at_ms());
    let gap_s = given.number("longest_gap_s");
    if !(gap_s > 0.0 && gap_s <= 86_400.0) {
        return Err(NoNumber { word: "domain_error", why: "longest_gap_s must be above 0 and at most a day".into() });
    }
    let kept = given.kept::<EnergySums>();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked to be at most a day
    kept.push(at_ms, it, other, (gap_s * 1000.0) as u64)?;
    Ok(*kept)
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
        name: "ppue_so_far",
        arguments: &[IT, OTHER, METERED, LONGEST_GAP],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            let sums = sums(given)?;
            let doubt = (sums.gap_share() > DOUBTFUL_GAP).then_some("more than 2 % of the time was not read");
            Ok(Computed { doubt, ..sums.ppue()?.into() })
        },
    },
    Function {
        name: "energy_gap",
        arguments: &[IT, OTHER, LONGEST_GAP],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| Ok((100.0 * sums(given)?.gap_share()).into()),
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
