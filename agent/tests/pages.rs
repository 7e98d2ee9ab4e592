//! The pages about the functions: each function has a section, each section says all that it must, and every worked
//! example gives, through the command, exactly the line printed under it.

use std::collections::BTreeSet;
use std::process::Command;

use lapwing::compute::pages::{self, Section};
use lapwing::compute::{Calculation, Function};

/// In this order.
const SAYS: [&str; 5] = ["Formula", "Symbols", "Range", "Source", "Uncertainty"];

/// The examples of a section: what is typed and what it prints.
fn examples(section: &Section) -> Vec<(&'static str, &'static str)> {
    let mut lines = section.text.lines();
    let mut found = Vec::new();
    while let Some(line) = lines.next() {
        if let Some(typed) = line.strip_prefix("$ lapwing ") {
            found.push((typed, lines.next().unwrap_or_default()));
        }
    }
    found
}

/// Words as a shell would part them: blanks, and what stands in single quotes is one.
fn words(typed: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for letter in typed.chars() {
        match letter {
            '\'' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            other => words.last_mut().expect("invariant: never empty").push(other),
        }
    }
    words
}

#[test]
fn every_function_has_a_section_and_no_section_is_about_nothing() {
    let functions = Function::all().iter().map(|function| function.name);
    let functions: BTreeSet<&str> = functions.chain(Calculation::all().iter().map(|one| one.name)).collect();
    let sections: Vec<Section> = pages::sections().collect();
    let written: BTreeSet<&str> = sections.iter().flat_map(Section::functions).collect();
    assert_eq!(written.len(), sections.iter().flat_map(Section::functions).count(), "a name has two sections");
    let missing: Vec<&&str> = functions.difference(&written).collect();
    assert!(missing.is_empty(), "no page says anything about {missing:?}");
    let strange: Vec<&&str> = written.difference(&functions).collect();
    assert!(strange.is_empty(), "there are no such functions: {strange:?}");
}

#[test]
fn every_section_says_all() {
    for section in pages::sections() {
        let mut from = 0;
        for what in SAYS {
            let mark = format!("\n- {what}: ");
            let at = section.text[from..].find(&mark);
            from += at.unwrap_or_else(|| panic!("{}: no '{what}' where it belongs", section.names)) + mark.len();
        }
        assert!(section.family().contains("**Caution.**"), "{}: its page has no caution", section.names);
        for name in section.functions() {
            let asks = |(typed, _): &(&str, &str)| typed.split(' ').nth(1) == Some(name);
            assert!(examples(&section).iter().any(asks), "{name} has no example");
        }
    }
}

#[test]
fn every_example_gives_what_it_says() {
    let mut count = 0;
    for section in pages::sections() {
        for (typed, printed) in examples(&section) {
            let output = Command::new(env!("CARGO_BIN_EXE_lapwing")).args(words(typed)).output().expect("it starts");
            let got = String::from_utf8(output.stdout).expect("UTF-8");
            let said = String::from_utf8_lossy(&output.stderr);
            assert_eq!(got.trim_end(), printed, "lapwing {typed}: {said}");
            count += 1;
        }
    }
    assert!(count >= 70, "examples were lost: {count}");
}

#[test]
fn the_command_shows_it() {
    let run = |name: &str| {
        let command = Command::new(env!("CARGO_BIN_EXE_lapwing")).args(["calc", "--about", name]).output();
        let output = command.expect("it starts");
        let text = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).expect("UTF-8"));
        (output.status.code(), text)
    };
    let (code, [shown, _]) = run("unbalance_nema");
    assert_eq!(code, Some(0));
    for part in ["unbalance_nema (v [list of V]): %", "Formula: max", "NEMA MG 1", "licensed practice", "1.0869565217"]
    {
        assert!(shown.contains(part), "{part} is missing:\n{shown}");
    }
    let (code, [shown, said]) = run("unbalance_nena");
    assert!(code == Some(2) && shown.is_empty() && said.contains("did you mean 'unbalance_nema'"), "{said}");
}
