//! Mistakes in a file of texts in another language, each with its place, whatever language the module speaks.

use super::{MODULE, one};
use crate::config::tests::Copy;
use crate::config::tests::translations::{GERMAN, small};

const DE: &str = "de.toml";

/// One change of a sound file of texts, and what it leads to.
#[track_caller]
fn bent(old: &str, new: &str, needle: &str, code: &str, what: &str, mend: &str) {
    assert!(GERMAN.contains(old), "`{old}` is not in the texts");
    for language in ["en", "de"] {
        let copy = small(language, &GERMAN.replacen(old, new, 1));
        one(&copy, DE, needle, code, what, mend);
    }
}

/// What is here only in the texts is told, and the agent runs.
#[test]
fn what_is_translated_is_there() {
    let told = |old: &str, new: &str, needle: &str, code: &str, what: &str, mend: &str| {
        assert!(GERMAN.contains(old), "`{old}` is not in the texts");
        let copy = small("en", &GERMAN.replacen(old, new, 1));
        let findings = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).findings;
        let one = findings.iter().find(|finding| finding.code == code).unwrap_or_else(|| panic!("{findings:#?}"));
        assert_eq!(one.position.map(|at| (at.line, at.column)), Some(copy.at(DE, needle)), "{one:#?}");
        assert!(one.what.contains(what) && one.mend.contains(mend), "{one:#?}");
    };
    told("fan-{n}-failed", "fan-{m}-failed", "\"fan-{m}-failed\"", "translates_no_alarm", "{m}", "`fan-{n}-failed`");
    told(
        "safety = \"Vorsicht.\"\n",
        "safety = \"Vorsicht.\"\ndocument = \"de.pdf\"\n",
        "\"de.pdf\"",
        "nothing_to_translate",
        "no `document`",
        "module file first",
    );
    told("plant-work =", "plant-werk =", "plant-werk", "translates_no_rule", "plant-werk", "`plant-work`");
}

#[test]
fn keys_and_types_are_the_known_ones() {
    bent("consequence =", "consequences =", "consequences", "unknown_key", "consequences", "`consequence`");
    bent("[where]", "[wo]", "wo]", "unknown_table", "wo", "");
    bent("language = \"de\"", "language = \"dee\"", "\"dee\"", "not_one_of", "dee", "`de`");
    bent("running = \"läuft\"", "running = 1", "1", "wrong_type", "integer 1", "quotes");
    bent("running = \"läuft\"", "running = \" \"", "\" \"", "empty_translation", "empty", "stands in");
    bent("[state.\"fan/{n}/mode\"]", "[state.\"fan//mode\"]", "\"fan//mode\"", "bad_pattern", "empty", "slashes");
    let nameless = small("de", &GERMAN.replacen("language = \"de\"", "", 1));
    let told = nameless.mistakes();
    assert_eq!((told.len(), told[0].code, told[0].file.as_str()), (1, "missing_key", DE), "{told:#?}");
}

#[test]
fn a_text_has_the_gaps_of_the_original() {
    bent(
        "Lüfter {n} ist {state}\"",
        "Der Lüfter ist {state}\"",
        "\"Der Lüfter ist",
        "other_placeholders",
        "lacks {n}",
        "exactly the {name} in braces",
    );
    bent("{limit} bei {tag}", "{limit} in {tag} {where}", "\"Vorlauf", "other_placeholders", "has {where}", "exactly");
    bent(
        "{limit} bei {tag}",
        "{grenze} bei {tag}",
        "\"Vorlauf",
        "other_placeholders",
        "lacks {limit} and has {grenze}",
        "",
    );
}

#[test]
fn each_language_has_one_file_that_can_be_read() {
    let twice = small("en", GERMAN)
        .with(MODULE, "[\"de.toml\"]", "[\"de.toml\", \"at.toml\"]")
        .file("at.toml", "language = \"de\"\n");
    one(&twice, "at.toml", "language", "two_of_language", "the first is de.toml", "one file");
    let gone = small("en", GERMAN).with(MODULE, "[\"de.toml\"]", "[\"dee.toml\"]");
    one(&gone, MODULE, "[\"dee.toml\"]", "unknown_translation", "dee.toml", "`de.toml`");
    let broken = small("de", &GERMAN.replacen("[where]", "[where", 1));
    assert_eq!(broken.mistakes()[0].code, "syntax");
    let newer = small("en", &format!("schema = 2\n{GERMAN}"));
    one(&newer, DE, "2", "unknown_schema", "schema 2", "schema = 1");
    let _used = Copy::new();
}
