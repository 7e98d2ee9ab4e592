//! `lapwing calc NAME key=value …` and `lapwing calc --jsonl`: the engineering functions, one or many.
//!
//! A line `{"id": …, "function": …, "inputs": {…}}` in, a line `{"id": …, "value": …, "unit": …}` out; where there is no
//! number, `value` is `domain_error`, `undefined`, `none` or `not_available` and `why` says why; a doubtful one carries
//! `"quality": "uncertain"` and `why`. One by one, an input is `key=value` with the value as JSON or as a plain word. Exit
//! code 1 when a single function gave no number, 2 when it could not be tried. `--about NAME` shows what is written about a
//! function. Never panics.

use std::io::{BufRead, Write};

use serde_json::{Map, Value, json};

use super::{CalcArgs, End};
use crate::compute::{self, Answer, Calculation, Function, NotTried, pages};

/// Computes.
pub(super) fn calc(args: &CalcArgs) -> End {
    if args.jsonl {
        return lines();
    }
    let Some(name) = &args.name else {
        Function::all().iter().for_each(|function| println!("{}", of_function(function)));
        Calculation::all().iter().for_each(|calculation| println!("{}", of_calculation(calculation)));
        eprintln!("\n`lapwing calc --about NAME` tells formula, range, source, uncertainty and examples.");
        return End::Done;
    };
    if args.about {
        return about(name);
    }
    let inputs = match written(&args.inputs) {
        Ok(inputs) => inputs,
        Err(mistake) => {
            eprintln!("{mistake}");
            return End::NotTried;
        }
    };
    match compute::answer(name, &inputs) {
        Ok(Answer::Value { value, unit, doubt, .. }) => {
            let shown = match &value {
                Value::String(word) => word.clone(),
                other => other.to_string(),
            };
            println!("{}", format!("{shown} {unit}").trim_end());
            if let Some(doubt) = doubt {
                eprintln!("Uncertain: {doubt}.");
            }
            End::Done
        }
        Ok(Answer::NoNumber { word, why }) => {
            println!("{word}: {why}");
            End::No
        }
        Err(error) => {
            eprintln!("{error}");
            End::NotTried
        }
    }
}

/// Inputs as they are written, `key=value`.
fn written(inputs: &[String]) -> Result<Map<String, Value>, String> {
    let mut all = Map::new();
    for input in inputs {
        let (key, value) = input.split_once('=').ok_or_else(|| format!("'{input}' is no input: write key=value."))?;
        let value = serde_json::from_str(value).unwrap_or_else(|_| Value::String(value.to_owned()));
        if all.insert(key.to_owned(), value).is_some() {
            return Err(format!("{key} is given twice: write it once."));
        }
    }
    Ok(all)
}

/// What it takes and answers, in one line.
fn of_function(function: &Function) -> String {
    let inputs: Vec<String> =
        function.arguments.iter().map(|argument| format!("{} [{}]", argument.name, argument.form())).collect();
    format!("{} ({}): {}", function.name, inputs.join(", "), function.unit)
}

fn of_calculation(calculation: &Calculation) -> String {
    let unit = if calculation.unit.is_empty() { "no unit" } else { calculation.unit };
    format!("{} ({}): {unit}", calculation.name, calculation.takes)
}

/// What is written about a function, without the marks of the text.
fn about(name: &str) -> End {
    let function = Function::named(name).map(of_function);
    let calculation = || Calculation::all().iter().find(|one| one.name == name).map(of_calculation);
    let (Some(line), Some(section)) = (function.or_else(calculation), pages::about(name)) else {
        // Only a name that is none has no section; the mistake is said as for any other.
        match compute::answer(name, &Map::new()) {
            Ok(_) => eprintln!("Nothing is written about {name}."),
            Err(error) => eprintln!("{error}"),
        }
        return End::NotTried;
    };
    println!("{line}\n\n{}\n\n{}", plain(section.text), plain(section.family()));
    End::Done
}

fn plain(text: &str) -> String {
    let lines = text.lines().filter(|line| !line.starts_with("```"));
    lines.map(|line| line.replace("**", "").replace('`', "")).collect::<Vec<_>>().join("\n")
}

fn lines() -> End {
    let (input, mut out) = (std::io::stdin().lock(), std::io::stdout().lock());
    let mut end = End::Done;
    for line in input.lines() {
        let line = match line {
            Ok(line) => line,
            Err(error) => {
                eprintln!("Standard input could not be read: {error}");
                return End::NotTried;
            }
        };
        if line.trim().is_empty() {
            continue;
        }
        let reply = reply(&line).unwrap_or_else(|(id, error)| {
            end = End::NotTried;
            json!({ "id": id, "error": error.to_string() })
        });
        if writeln!(out, "{reply}").is_err() {
            return End::NotTried; // nobody reads any more
        }
    }
    end
}

fn reply(line: &str) -> Result<Value, (Value, NotTried)> {
    let request: Value =
        serde_json::from_str(line).map_err(|error| (Value::Null, NotTried::NotARequest { why: error.to_string() }))?;
    let id = request.get("id").cloned().unwrap_or(Value::Null);
    let wrong = |why: &str| (id.clone(), NotTried::NotARequest { why: why.to_owned() });
    let name = request.get("function").and_then(Value::as_str).ok_or_else(|| wrong("it has no \"function\""))?;
    let inputs =
        request.get("inputs").and_then(Value::as_object).ok_or_else(|| wrong("it has no object \"inputs\""))?;
    match compute::answer(name, inputs) {
        Ok(Answer::Value { value, unit, doubt: None, .. }) => Ok(json!({ "id": id, "value": value, "unit": unit })),
        Ok(Answer::Value { value, unit, doubt: Some(why), .. }) => {
            Ok(json!({ "id": id, "value": value, "unit": unit, "quality": "uncertain", "why": why }))
        }
        Ok(Answer::NoNumber { word, why }) => Ok(json!({ "id": id, "value": word, "why": why })),
        Err(error) => Err((id, error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inputs_as_they_are_written() {
        let of = |words: &[&str]| written(&words.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>());
        let good = of(&["t_c=24", "list=[1,2]", "class=A1"]).expect("sound");
        assert_eq!(Value::Object(good), json!({ "t_c": 24, "list": [1, 2], "class": "A1" }));
        assert_eq!(of(&["t_c"]), Err("'t_c' is no input: write key=value.".into()));
        assert_eq!(of(&["t_c=24", "t_c=25"]), Err("t_c is given twice: write it once.".into()));
    }

    /// A number that is none, with a unit or without, is refused with the unit that is taken.
    #[test]
    fn a_number_stands_alone() {
        for wrong in ["75 [degF]", "24degC", "nan", "inf", "-inf", ""] {
            let inputs = written(&[format!("t_c={wrong}"), "rh=0.5".into()]).expect("sound words");
            let error = compute::answer("dew_point", &inputs).expect_err("no number").to_string();
            assert_eq!(error, format!("t_c must be [Cel], not {wrong:?}: write the finite number alone, in that unit"));
        }
        let wrong = compute::answer("dew_point", json!({ "t_c": true, "rh": 0.5 }).as_object().expect("an object"));
        assert_eq!(wrong.expect_err("no number").to_string(), "t_c must be [Cel], not true");
    }
}
