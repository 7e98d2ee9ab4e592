//! What a UPS card answers: numbers with their units, names of states and alarms, by the UPS-MIB (RFC 1628).
//!
//! The tables are the engine's. Never panics.

use lapwing_engine::physics::ups;
use lapwing_protocol::Decimal;
use serde::Deserialize;

use super::super::NoNumber;
use super::{Calculation, Found, domain, typed};

pub(super) const CALCULATIONS: &[Calculation] = &[
    Calculation {
        name: "ups_decode",
        takes: "oid (with its instance), raw (integer)",
        unit: "",
        run: |inputs| typed(inputs, decode),
    },
    Calculation {
        name: "ups_enum",
        takes: "object (name), raw (integer)",
        unit: "",
        run: |inputs| {
            typed(inputs, |Enumerated { object, raw }| {
                if !ups::has_states(&object) {
                    return Err(domain(format!("object: '{object}' is no enumerated object of the UPS-MIB")));
                }
                let name =
                    ups::state_name(&object, raw).ok_or_else(|| domain(format!("{object} has no value {raw}")))?;
                Ok(name.into())
            })
        },
    },
    Calculation {
        name: "ups_alarm_name",
        takes: "oid of an alarm's description",
        unit: "",
        run: |inputs| {
            typed(inputs, |Alarm { oid }| {
                let known = ups::alarm_name(&arcs(&oid)?);
                Ok(known
                    .ok_or_else(|| NoNumber {
                        word: "none",
                        why: "not one of the well-known alarms: a maker's own".into(),
                    })?
                    .into())
            })
        },
    },
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    oid: String,
    raw: i64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Enumerated {
    object: String,
    raw: i64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Alarm {
    oid: String,
}

fn decode(Raw { oid, raw }: Raw) -> Result<Found, NoNumber> {
    let object = ups::object(&arcs(&oid)?)
        .ok_or_else(|| domain(format!("{oid} is no number of the UPS-MIB with a fitting instance")))?;
    if !(object.least..=object.most).contains(&raw) {
        return Err(domain(format!("{} is {} to {}, not {raw}", object.name, object.least, object.most)));
    }
    Ok(Found { unit: Some(object.unit), ..Decimal::new(raw, object.exponent).to_f64().into() })
}

fn arcs(oid: &str) -> Result<Vec<u32>, NoNumber> {
    let oid = oid.strip_prefix('.').unwrap_or(oid);
    oid.split('.')
        .map(str::parse)
        .collect::<Result<_, _>>()
        .map_err(|_| domain(format!("oid: '{oid}' is no object identifier")))
}
