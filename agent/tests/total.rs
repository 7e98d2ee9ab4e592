//! Every function of the table is total: generated inputs of its declared forms give a finite number or a named refusal;
//! NaN and infinities, which JSON has no word for, are refused by the input's name.

use lapwing::compute::{Answer, Function, NotTried, Takes};
use proptest::prelude::*;
use serde_json::{Map, Value, json};

/// Any number there is, those of the field more often.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -50.0..150.0_f64,
        3 => 0.0..=1.0_f64,
        2 => 0.0..2.0e5_f64,
        1 => any::<u64>().prop_map(f64::from_bits),
        1 => prop::sample::select(vec![0.0, -0.0, f64::MAX, f64::MIN, f64::MIN_POSITIVE, 5e-324, -273.15, f64::NAN, f64::INFINITY]),
    ]
}

/// Inputs of a function's declared forms, from a heap of numbers.
fn inputs(function: &Function, numbers: &[f64], lengths: &[usize]) -> Map<String, Value> {
    let mut next = numbers.iter().cycle();
    let mut take = || next.next().copied().unwrap_or_default();
    let mut given = Map::new();
    for (argument, length) in function.arguments.iter().zip(lengths.iter().cycle()) {
        let value = match argument.takes {
            Takes::Number { .. } | Takes::NumberOr { .. } => json!(take()),
            Takes::List { .. } | Takes::Believed { .. } => (0..*length).map(|_| json!(take())).collect(),
            Takes::Pairs { .. } => (0..*length).map(|_| json!([take(), take()])).collect(),
            Takes::Word(words) => words[length % words.len()].into(),
        };
        given.insert(argument.name.to_owned(), value);
    }
    given
}

fn is_finite(value: &Value) -> bool {
    match value {
        Value::Null => false,
        Value::Array(list) => list.iter().all(is_finite),
        Value::Object(parts) => parts.values().all(is_finite),
        Value::Bool(_) | Value::Number(_) | Value::String(_) => true,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn a_number_or_a_refusal_by_name(
        numbers in prop::collection::vec(number(), 40), lengths in prop::collection::vec(prop_oneof![Just(3_usize), 0_usize..5], 8),
    ) {
        for function in Function::all() {
            let given = inputs(function, &numbers, &lengths);
            let strange: Vec<&String> = given.iter().filter(|(_, value)| !is_finite(value)).map(|(name, _)| name).collect();
            match function.answer(&given) {
                Ok(Answer::Value { value, unit, number, .. }) => {
                    prop_assert!(strange.is_empty(), "{} answers to {given:?}", function.name);
                    prop_assert!(is_finite(&value) && number.is_some_and(f64::is_finite), "{} {given:?}: {value}", function.name);
                    prop_assert_eq!(unit, function.unit);
                }
                Ok(Answer::NoNumber { word, why }) => {
                    prop_assert!(strange.is_empty() && !why.is_empty(), "{} {given:?}", function.name);
                    prop_assert!(["domain_error", "undefined", "none", "not_available"].contains(&word));
                }
                Err(NotTried::WrongForm { argument, .. }) => {
                    prop_assert!(strange.iter().any(|name| *name == argument), "{}: {argument} of {given:?}", function.name);
                }
                Err(other) => return Err(TestCaseError::fail(format!("{} {given:?}: {other}", function.name))),
            }
        }
    }
}
