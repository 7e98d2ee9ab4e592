//! Functions of the power distribution and its UPS units: failover, first breaker, meters, capacity, seconds left.
//!
//! Most of them are used by the points that come with a topology; all can be used in `[[derived]]`. Never panics.

use lapwing_engine::physics::countdown::{self, Countdown, Seen};
use lapwing_engine::physics::failover::{AcrossUps, UpsDifference};
use lapwing_engine::physics::{self, capacity, failover, three_phase};
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, NoNumber, Takes};
use super::{believed, list, number, number_or, plain};

const RATING: Argument = number("rating_a", "A", "rating of the breaker");
const LIMIT: Argument = number("limit_frac", "1", "part of the rating that may be carried for hours: 0.80 or 1.00");
const DRAWS: Argument =
    number_or("draws_per_kw", "1", 1.0, "what each kW that is added draws here: more than 1 above losses and cooling");
const LOADS: Argument = list("load_pct", "%", "load of each breaker in % of what it may carry for hours");
const HEADROOMS: Argument = list("kw", "kW", "what still fits, by each thing that limits it");

/// upsOutputSource "battery" (RFC 1628).
const ON_BATTERY: f64 = 5.0;

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "failover_current",
        arguments: &[
            number("own_a", "A", "current of one phase now"),
            list("moving_a", "A", "currents of the other side's cords that would move here, same phase"),
        ],
        quantity: Quantity::Current,
        unit: "A",
        run: |given| plain(failover::failover_current(given.number("own_a"), given.list("moving_a"))),
    },
    Function {
        name: "load_pct",
        arguments: &[list("i_a", "A", "currents of the phases"), RATING, LIMIT],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(failover::load_pct(given.list("i_a"), given.number("rating_a"), given.number("limit_frac"))),
    },
    Function {
        name: "first_breaker",
        arguments: &[LOADS],
        quantity: Quantity::State,
        unit: "1",
        run: |given| place(failover::first_breaker(given.list("load_pct"))),
    },
    Function {
        name: "first_breaker_margin_a",
        arguments: &[LOADS, list("allowed_a", "A", "what each breaker may carry for hours")],
        quantity: Quantity::Current,
        unit: "A",
        run: |given| plain(failover::first_breaker_margin_a(given.list("load_pct"), given.list("allowed_a"))),
    },
    Function {
        name: "meter_difference_pct",
        arguments: &[
            list("meter_a", "A", "phases of the tier's meter"),
            list("below_a", "A", "phases of every meter below it, meter by meter"),
            number("floor_a", "A", "the difference is relative to at least this"),
        ],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| {
            let (meter, below) = (given.list("meter_a"), given.list("below_a"));
            plain(failover::meter_difference_pct(meter, below, given.number("floor_a")))
        },
    },
    Function {
        name: "meter_difference_power_pct",
        arguments: &[
            number("meter_kw", "kW", "the tier's meter"),
            list("below_kw", "kW", "the meters below it"),
            number("efficiency", "1", "of what stands between them"),
            number("floor_kw", "kW", "the difference is relative to at least this"),
        ],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| {
            plain(failover::meter_difference_power_pct(
                given.number("meter_kw"),
                given.list("below_kw"),
                given.number("efficiency"),
                given.number("floor_kw"),
            ))
        },
    },
    Function {
        name: "meter_difference_ups_pct",
        arguments: &[
            number("meter_kw", "kW", "the tier's meter"),
            list("below_kw", "kW", "the meters below it"),
            believed("source", "1", "upsOutputSource of each UPS between (RFC 1628); 5 is battery"),
            number("efficiency", "1", "of what stands between them"),
            number("floor_kw", "kW", "the difference is relative to at least this"),
        ],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| {
            let now = AcrossUps {
                at_ms: given.at_ms(),
                meter_kw: given.number("meter_kw"),
                below_kw: given.list("below_kw"),
                source: given.list("source"),
                efficiency: given.number("efficiency"),
                floor_kw: given.number("floor_kw"),
            };
            let got = given.memory::<UpsDifference>().step(&now)?;
            let doubt =
                "the meter carries nearly nothing and no UPS says that it feeds from its battery: it has stopped";
            Ok(Computed { doubt: got.meter_is_dead.then_some(doubt), ..got.pct.into() })
        },
    },
    Function {
        name: "worst_difference_pct",
        arguments: &[list("difference_pct", "%", "differences of meters")],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(failover::worst_difference_pct(given.list("difference_pct"))),
    },
    Function {
        name: "headroom_kw",
        arguments: &[
            list("i_a", "A", "currents of the phases, after the loss of the other side"),
            RATING,
            LIMIT,
            number("v_ln", "V", "nominal voltage to neutral"),
            number("pf", "1", "power factor of what is added"),
            DRAWS,
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            let headroom = capacity::headroom_kw(
                given.list("i_a"),
                given.number("rating_a"),
                given.number("limit_frac"),
                given.number("v_ln"),
                given.number("pf"),
            )?;
            plain(capacity::added_kw(headroom, given.number("draws_per_kw")))
        },
    },
    Function {
        name: "left_kw",
        arguments: &[number("limit_kw", "kW", "the limit"), list("loads_kw", "kW", "loads under it"), DRAWS],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            let left = capacity::left_kw(given.number("limit_kw"), given.list("loads_kw"))?;
            plain(capacity::added_kw(left, given.number("draws_per_kw")))
        },
    },
    Function {
        name: "capacity_kw",
        arguments: &[HEADROOMS],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| plain(capacity::least(given.list("kw")).map(|(_, kw)| kw)),
    },
    Function {
        name: "capacity_bound_by",
        arguments: &[HEADROOMS],
        quantity: Quantity::State,
        unit: "1",
        run: |given| place(capacity::least(given.list("kw")).map(|(at, _)| at)),
    },
    Function {
        name: "capacity_together_kw",
        arguments: &[list("kw", "kW", "what still fits in each place")],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| plain(capacity::together_kw(given.list("kw"))),
    },
    Function {
        name: "unbalance_nema_ln",
        arguments: &[list("v_ln", "V", "three voltages to neutral")],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(three_phase::unbalance_nema_ln(given.list("v_ln"))),
    },
    Function {
        name: "unbalance_iec_u2_ln",
        arguments: &[list("v_ln", "V", "three voltages to neutral")],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(three_phase::unbalance_iec_u2_ln(given.list("v_ln"))),
    },
    Function {
        name: "current_unbalance_pct",
        arguments: &[
            list("i_a", "A", "three phase currents"),
            number("rating_a", "A", "rating: below a tenth of it on average unbalance says nothing, and is 0"),
        ],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(three_phase::current_unbalance_pct(given.list("i_a"), given.number("rating_a"))),
    },
    Function {
        name: "ups_seconds_left",
        arguments: &[
            number("source", "1", "upsOutputSource (RFC 1628); 5 is battery"),
            number("reported_min", "min", "upsEstimatedMinutesRemaining"),
            number("charge", "1", "upsEstimatedChargeRemaining"),
            list("kw", "kW", "output power, by line"),
            number("t_c", "Cel", "battery temperature"),
            Argument {
                name: "table_kw_min",
                takes: Takes::Pairs { units: "kW, min" },
                meaning: "the maker's table, power rising",
            },
            Argument {
                name: "health",
                takes: Takes::NumberOr { unit: "1", otherwise: 1.0 },
                meaning: "part of the rated capacity by the last capacity test",
            },
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: |given| {
            let seen = Seen {
                at_ms: given.at_ms(),
                on_battery: (given.number("source") - ON_BATTERY).abs() < 0.5,
                reported_min: given.number("reported_min"),
                charge: given.number("charge"),
                kw: given.list("kw").iter().sum(),
                t_c: given.number("t_c"),
                health: given.number("health"),
            };
            let table = given.pairs("table_kw_min");
            let left = given.kept::<Countdown>().step(table, &seen)?;
            let doubt = (!left.within_table).then_some("the power lies above the table: the last row's time");
            Ok(Computed { doubt, ..left.seconds.into() })
        },
    },
    Function {
        name: "ride_through_margin_s",
        arguments: &[
            Argument {
                name: "left_s",
                takes: Takes::Believed { unit: "s" },
                meaning: "seconds left of each UPS; of bad ones the others speak",
            },
            number("start_s", "s", "start of the generator until it can carry load"),
            number("transfer_s", "s", "transfer to it"),
            number("margin_s", "s", "what must be left beyond that"),
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: |given| {
            plain(countdown::ride_through_margin_s(
                given.list("left_s"),
                given.number("start_s"),
                given.number("transfer_s"),
                given.number("margin_s"),
            ))
        },
    },
];

/// A place in a list as the number of a state.
fn place(result: Result<usize, physics::NoNumber>) -> Result<Computed, NoNumber> {
    let at = u32::try_from(result?).unwrap_or(u32::MAX);
    Ok(f64::from(at).into())
}
