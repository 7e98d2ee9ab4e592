//! `lapwing calc --jsonl`: one request, `{"function": …, "inputs": {…}}`.

use lapwing::compute::{Answer, Calculation, Function, answer};
use serde_json::Value;

/// Computes it.
pub(super) fn run(data: &[u8]) {
    let Ok(request) = serde_json::from_slice::<Value>(data) else { return };
    let (Some(name), Some(inputs)) =
        (request.get("function").and_then(Value::as_str), request.get("inputs").and_then(Value::as_object))
    else {
        return;
    };
    match answer(name, inputs) {
        Ok(Answer::Value { value, number, .. }) => {
            assert!(is_said(&value), "{request} gives {value}");
            assert!(number.is_none_or(f64::is_finite), "{request} gives {number:?}");
        }
        Ok(Answer::NoNumber { word, why }) => {
            assert!(["domain_error", "undefined", "none", "not_available"].contains(&word) && !why.is_empty());
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// JSON has no NaN and no infinity: they become null.
fn is_said(value: &Value) -> bool {
    match value {
        Value::Null => false,
        Value::Bool(_) | Value::Number(_) | Value::String(_) => true,
        Value::Array(values) => values.iter().all(is_said),
        Value::Object(values) => values.values().all(|value| is_said(value) || value.is_null()),
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let argument = |takes: &str| match takes {
        form if form.starts_with("list of pairs") => "[[0,1],[60,2.5]]".to_owned(),
        form if form.starts_with("list") => "[21.5,22,23.25]".to_owned(),
        form if form.contains(" or ") => format!("\"{}\"", form.split(" or ").next().unwrap_or_default()),
        _ => "21.5".to_owned(),
    };
    let functions = Function::all().iter().map(|function| {
        let inputs: Vec<String> =
            function.arguments.iter().map(|a| format!("\"{}\":{}", a.name, argument(&a.form()))).collect();
        format!("{{\"function\":\"{}\",\"inputs\":{{{}}}}}", function.name, inputs.join(",")).into_bytes()
    });
    let calculations = Calculation::all()
        .iter()
        .map(|calculation| format!("{{\"function\":\"{}\",\"inputs\":{{}}}}", calculation.name).into_bytes());
    functions.chain(calculations).collect()
}
