//! Functions of ride-through's three clocks and of the heat balance. Never panics.

use lapwing_engine::physics::balance::{self, Evidence, PutIn};
use lapwing_engine::physics::ride_through::{self, Lost, Store};
use lapwing_engine::physics::water::{water_cp, water_density};
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, Given, NoNumber, Takes};
use super::{believed, largest, list, number, number_or, plain};

const WATER: Argument = number("water_kw", "kW", "heat in the water");
const IT: Argument = list("it_kw", "kW", "powers of the IT equipment; their sum counts");
const FANS: Argument = list("fans_kw", "kW", "powers of the fans that blow through the coil; their sum counts");
const LOSSES: Argument = number_or("losses_kw", "kW", 0.0, "losses of UPS units and distribution into this air");
const ENVELOPE: Argument = number_or("envelope_kw", "kW", 0.0, "heat through the walls; negative when it goes out");

/// Names of the suspects, by their numbers.
pub(in super::super) const SUSPECTS: &[(i64, &str)] = &[
    (0, "none"),
    (1, "supply water temperature"),
    (2, "return water temperature"),
    (3, "water flow"),
    (4, "electrical meters"),
    (5, "unclear"),
];

fn put_in(given: &Given<'_>) -> PutIn {
    PutIn {
        it_kw: given.list("it_kw").iter().sum(),
        fans_kw: given.list("fans_kw").iter().sum(),
        losses_kw: given.number("losses_kw"),
        envelope_kw: given.number("envelope_kw"),
    }
}

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "ride_through_s",
        arguments: &[
            Argument {
                name: "lost",
                takes: Takes::Word(&["air_movement", "water_flow", "chiller"]),
                meaning: "what is lost: fans; water flow with fans running; chiller with water flow",
            },
            list("q_kw", "kW", "heat put in; its sum counts"),
            number("c_air", "kJ/K", "heat capacity of the free air"),
            number("c_mass", "kJ/K", "heat capacity of the equipment"),
            number_or("ha_kw_k", "kW/K", 0.0, "heat transfer between them as fitted; 0: not fitted, the safe side"),
            number_or("c_coil", "kJ/K", 0.0, "heat capacity of the coil with its water"),
            number_or("c_loop", "kJ/K", 0.0, "heat capacity of the loop's water"),
            believed("t_now_c", "Cel", "inlet temperatures; the warmest counts"),
            number("limit_c", "Cel", "highest inlet temperature"),
            number_or("at_most_s", "s", 3600.0, "answer when it takes longer"),
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: ride_through_s,
    },
    Function {
        name: "ride_through_margin",
        arguments: &[
            number("seconds", "s", "time to the limit"),
            Argument {
                name: "on_ups",
                takes: Takes::Word(&["yes", "no"]),
                meaning: "whether what is lost hangs on a UPS: then it does not stop with the supply",
            },
            number("generator_start_s", "s", "until the generator carries"),
            number("transfer_s", "s", "until the switch is over"),
            number("restart_s", "s", "until controllers, fans, pumps and chiller work again"),
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: |given| {
            let (start, transfer) = (given.number("generator_start_s"), given.number("transfer_s"));
            let is_on = given.word("on_ups") == "yes";
            let restart = given.number("restart_s");
            plain(ride_through::ride_through_margin(given.number("seconds"), is_on, start, transfer, restart))
        },
    },
    Function {
        name: "heat_balance",
        arguments: &[
            WATER,
            IT,
            FANS,
            LOSSES,
            ENVELOPE,
            number_or("steady", "1", 1.0, "1 in steady state; else the answer is doubtful"),
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            let open = balance::heat_balance(given.number("water_kw"), &put_in(given))?;
            let doubt = super::is_steady(given).is_err().then_some("not in steady state: the module stores heat");
            Ok(Computed { doubt, ..open.into() })
        },
    },
    Function {
        name: "heat_balance_suspect",
        arguments: &[
            WATER,
            number("u_water_kw", "kW", "its uncertainty"),
            IT,
            FANS,
            LOSSES,
            ENVELOPE,
            number("u_put_in_rel", "1", "relative uncertainty of what is put in"),
            number("flow_m3h", "m3/h", "water flow"),
            number("t_supply_c", "Cel", "supply water temperature"),
            number("t_return_c", "Cel", "return water temperature"),
            number("p_pa", "Pa", "water pressure, absolute"),
            number("t_leaving_c", "Cel", "water leaving the chiller plant"),
            number("u_supply_k", "K", "uncertainty of the two temperatures' difference"),
            number("flow_pump_m3h", "m3/h", "water flow by the pump's curve"),
            number("u_flow_m3h", "m3/h", "uncertainty of the two flows' difference"),
            number("air_kw", "kW", "heat by air flow and air temperatures"),
            number("u_air_rel", "1", "relative uncertainty of that"),
            number("steady", "1", "1 in steady state"),
        ],
        quantity: Quantity::State,
        unit: "1",
        run: suspect,
    },
];

fn ride_through_s(given: &mut Given<'_>) -> Result<Computed, NoNumber> {
    let lost = match given.word("lost") {
        "air_movement" => Lost::AirMovement,
        "water_flow" => Lost::WaterFlow,
        _ => Lost::Chiller, // the words are those three
    };
    let (c_mass, fitted) = (given.number("c_mass"), given.number("ha_kw_k"));
    let store = Store {
        c_air: given.number("c_air"),
        c_mass,
        ha_kw_k: if fitted == 0.0 { ride_through::conservative_ha(c_mass)? } else { fitted },
        c_coil: given.number("c_coil"),
        c_loop: given.number("c_loop"),
    };
    let most = given.number("at_most_s");
    if !(most > 0.0 && most.is_finite()) {
        return Err(super::domain("at_most_s must be positive"));
    }
    let (q, now) = (given.list("q_kw").iter().sum(), largest(given.list("t_now_c")));
    match ride_through::seconds_to_limit(lost, q, &store, now, given.number("limit_c")) {
        Ok(seconds) => Ok(seconds.min(most).into()),
        // Without heat the limit is never reached: that is longer than asked for.
        Err(lapwing_engine::physics::NoNumber::None(_)) => Ok(most.into()),
        Err(other) => Err(other.into()),
    }
}

fn suspect(given: &mut Given<'_>) -> Result<Computed, NoNumber> {
    super::is_steady(given)?;
    let put_in = put_in(given);
    let (sum, water) = (put_in.sum_kw()?, given.number("water_kw"));
    let (flow, supply, back) = (given.number("flow_m3h"), given.number("t_supply_c"), given.number("t_return_c"));
    let p_pa = given.number("p_pa");
    // kJ/(m³ K) by 3600 s: kW/K for a m³/h.
    let capacity = water_density(supply, p_pa)? * water_cp((supply + back) / 2.0, p_pa)? / 3600.0;
    let u_put_in = given.number("u_put_in_rel") * sum;
    let air = given.number("air_kw");
    let evidence = Evidence {
        balance: (balance::heat_balance(water, &put_in)?, given.number("u_water_kw").hypot(u_put_in)),
        supply: (supply - given.number("t_leaving_c"), given.number("u_supply_k")),
        flow: (flow - given.number("flow_pump_m3h"), given.number("u_flow_m3h")),
        air: (air - sum, (given.number("u_air_rel") * air).hypot(u_put_in)),
        put_in_kw: sum,
        c_water: capacity * flow,
        kw_per_m3h: capacity * (back - supply),
    };
    Ok(f64::from(balance::most_likely_wrong(&evidence)? as u8).into())
}
