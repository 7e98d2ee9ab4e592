//! Texts in the module's language: what people read, what stays as it is, what the review finds missing, and the list that
//! goes out in that language and comes back.

use super::{Copy, Overrides, load};
use crate::config::list::{self, Row};
use crate::config::{Loaded, load_from};

const MODULE: &str = "module.toml";

/// Sound texts for the small configuration.
pub(super) const GERMAN: &str = r#"
language = "de"

[alarm.supply-water-warm]
text = "Vorlauf {value}, über {limit} bei {tag}"
consequence = "Der Kühler hält den Kaltgang nicht."
response = "Kälteanlage prüfen."
safety = "Vorsicht."

[alarm.supply-water-rising]
text = "Der Vorlauf steigt um {value}"
consequence = "In Minuten über der Grenze."
response = "Kälteanlage ansehen."

[alarm."fan-{n}-failed"]
text = "Lüfter {n} ist {state}"
consequence = "Ein Lüfter weniger."
response = "Lüfter {n} prüfen, Ort: {where}."

[alarm.fan-02-failed]
text = "Lüfter 02 ist {state}; er ist die Reserve"
consequence = "Keine Reserve."
response = "Ersetzen."

[alarm.humidity-sensor]
text = "Kein Feuchtewert"
consequence = "Der Abstand zur Betauung ist unbekannt."
response = "Fühler ersetzen."

[suppress]
plant-work = "Arbeiten an der Anlage"

[where]
"coil bay" = "Kühlerraum"
left = "links"
"fan wall" = "Lüfterwand"

[state]
failed = "ausgefallen"
running = "läuft"
automatic = "Automatik"
other = "andere"
none = "keine"
normal = "normal"
bypass = "Bypass"
battery = "Batterie"
booster = "Anhebung"
reducer = "Absenkung"
local = "Ort"

[state."fan/{n}/mode"]
local = "vor Ort"
"#;

/// The small configuration with these texts, in a language.
pub(super) fn small(language: &str, texts: &str) -> Copy {
    let keys = format!("altitude_m = 9\nlanguage = \"{language}\"\ntranslations = [\"de.toml\"]");
    Copy::new()
        .with(MODULE, "altitude_m = 9", &keys)
        .with(MODULE, "respond_within = \"3m\"", "respond_within = \"3m\"\nsafety = \"Care.\"")
        .and(
            MODULE,
            "\n[[suppress]]\nname = \"plant-work\"\ntext = \"People work on the plant\"\nalarms = [\"supply-*\"]\nat_most = \"1h\"\n",
        )
        .file("de.toml", texts)
}

fn loaded(copy: &Copy) -> Loaded {
    let overrides = Overrides { review: true, ..Overrides::default() };
    load(&copy.0.join(MODULE), std::iter::empty(), &overrides).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

fn text<'l>(loaded: &'l Loaded, id: &str) -> &'l crate::plan::Alarm {
    loaded.plan.alarms.iter().find(|alarm| alarm.id == id).expect("the alarm")
}

fn untranslated(loaded: &Loaded) -> Vec<(&str, &str)> {
    let found = loaded.review.iter().filter(|finding| finding.code == "not_translated");
    found.map(|finding| (finding.about.as_deref().unwrap_or_default(), finding.what.as_str())).collect()
}

#[test]
fn what_people_read_is_in_the_language_and_nothing_else() {
    let (english, german) = (loaded(&small("en", GERMAN)), loaded(&small("de", GERMAN)));
    assert_eq!(text(&german, "supply-water-warm").text, "Vorlauf {value}, über {limit} bei TT-101");
    assert_eq!(text(&german, "supply-water-warm").safety, "Vorsicht.");
    assert_eq!(text(&german, "fan-01-failed").text, "Lüfter 01 ist {state}");
    assert_eq!(text(&german, "fan-01-failed").response, "Lüfter 01 prüfen, Ort: Lüfterwand.");
    assert_eq!(text(&german, "fan-02-failed").text, "Lüfter 02 ist {state}; er ist die Reserve");
    assert_eq!(text(&english, "fan-01-failed").response, "Check fan 01 at fan wall.");
    assert_eq!(german.plan.suppress[0].text, "Arbeiten an der Anlage");
    let point = |path: &str| german.plan.points.iter().find(|point| point.path == path).expect("the point");
    assert_eq!(point("fan/01/state").state_texts, [(0, "ausgefallen".to_owned()), (1, "läuft".to_owned())]);
    assert_eq!(point("fan/01/mode").state_texts[1].1, "vor Ort");
    assert_eq!(point("fan/01/state").location.as_deref(), Some("Lüfterwand"));
    // The agent's own points have names in its own words.
    assert_eq!(point("agent/clock/state").state_texts[0].1, "synchronisiert");
    for (one, other) in english.plan.points.iter().zip(&german.plan.points) {
        assert_eq!((&one.path, &one.tag, &one.states), (&other.path, &other.tag, &other.states));
        assert!(one.state_texts.is_empty());
    }
    for (one, other) in english.plan.alarms.iter().zip(&german.plan.alarms) {
        assert_eq!((&one.id, one.digest, one.limit), (&other.id, other.digest, other.limit));
    }
    assert_eq!(format!("{:?}", english.plan.engine), format!("{:?}", german.plan.engine));
    assert_eq!(untranslated(&english), untranslated(&german));
    assert_eq!(untranslated(&german), []);
    let told: Vec<&str> = german.findings.iter().map(|finding| finding.code).collect();
    assert!(!told.contains(&"translation_not_used"), "{:#?}", german.findings);
}

#[test]
fn where_a_text_is_missing_the_original_stands_and_the_review_tells() {
    let less = GERMAN
        .replacen("response = \"Ersetzen.\"\n", "", 1)
        .replacen("\"fan wall\" = \"Lüfterwand\"\n", "", 1)
        .replacen("running = \"läuft\"\n", "", 1)
        .replacen("plant-work = \"Arbeiten an der Anlage\"\n", "", 1);
    let german = loaded(&small("de", &less));
    assert_eq!(text(&german, "fan-02-failed").response, "Replace it.");
    assert_eq!(german.plan.suppress[0].text, "People work on the plant");
    let mut told = untranslated(&german);
    told.sort_unstable();
    assert_eq!(
        told,
        [
            ("fan-02-failed", "has no response in `de`: the original stands in"),
            ("plant-work", "has no text in `de`: the original stands in"),
            ("state", "names of states without a text in `de`: `running`"),
            ("where", "places without a text in `de`: `fan wall`"),
        ]
    );
}

#[test]
fn what_stays_in_the_original_with_a_reason_is_accepted() {
    let less = GERMAN.replacen("response = \"Ersetzen.\"\n", "", 1);
    let accept =
        "\n[[accept]]\nfinding = \"not_translated\"\nabout = \"fan-02-*\"\nbecause = \"It is to be read so.\"\n";
    let loaded = loaded(&small("en", &less).and(MODULE, accept));
    assert_eq!((untranslated(&loaded), loaded.accepted.len()), (vec![], 1));
}

#[test]
fn texts_for_what_is_not_here_are_told() {
    let more = GERMAN.replacen("[where]\n", "[where]\n\"fan wal\" = \"Lüfterwand\"\n", 1)
        + "\n[captured]\nleft = \"links\"\n[state.\"fan/*/speed\"]\nfast = \"schnell\"\n";
    let findings = loaded(&small("de", &more)).findings;
    let unused: Vec<(&str, &str)> = findings
        .iter()
        .filter(|finding| finding.code == "translation_not_used")
        .map(|finding| (finding.key.as_str(), finding.mend.as_str()))
        .collect();
    assert_eq!(
        unused.iter().map(|(key, _)| *key).collect::<Vec<_>>(),
        ["where.fan wal", "captured.left", "state.fast"]
    );
    assert_eq!(unused[0].1, "did you mean `fan wall`?");
}

fn listed(copy: &Copy) -> (String, String, Vec<Row>) {
    let read = |file: &str| std::fs::read_to_string(copy.0.join(file)).expect("readable");
    let rows = list::rows(&read(MODULE), &loaded(copy).listed);
    (read(MODULE), read("de.toml"), rows)
}

fn at(key: &str) -> usize {
    list::columns().iter().position(|known| known.name == key).expect("a key")
}

fn lines(rows: &[Row]) -> Vec<(u64, Vec<String>)> {
    (2..).zip(rows.iter().map(|row| row.settings.clone())).collect()
}

fn set(lines: &mut [(u64, Vec<String>)], id: &str, key: &str, cell: &str) {
    let line = lines.iter_mut().find(|(_, cells)| cells[at("id")] == id).expect("the alarm");
    line.1[at(key)] = cell.to_owned();
}

fn header() -> Vec<String> {
    list::columns().iter().map(|key| key.name.to_owned()).collect()
}

#[test]
fn the_list_goes_out_in_the_language_and_changes_nothing() {
    let copy = small("de", GERMAN);
    let (module, german, rows) = listed(&copy);
    let said =
        |id: &str, key: &str| rows.iter().find(|row| row.listed.id == id).expect("the alarm").settings[at(key)].clone();
    assert_eq!(said("fan-01-failed", "text"), "Lüfter 01 ist {state}");
    assert_eq!(said("fan-01-failed", "response"), "Lüfter 01 prüfen, Ort: {where}.");
    assert_eq!(said("fan-01-failed", "state"), "[\"failed\"]", "settings are no texts");
    let (changes, missing) = list::compare(&rows, &header(), &lines(&rows)).expect("taken");
    assert!(changes.is_empty() && missing.is_empty());
    assert_eq!(list::edited(&module, &rows, &changes), module);
    assert_eq!(list::retold(&german, &rows, &changes), german);
}

#[test]
fn a_changed_text_goes_to_the_texts_and_a_setting_to_the_module_file() {
    let copy = small("de", GERMAN);
    let (module, german, rows) = listed(&copy);
    let mut back = lines(&rows);
    set(&mut back, "supply-water-warm", "response", "Die \"Kälteanlage\" ansehen.");
    set(&mut back, "supply-water-warm", "high", "22.5");
    set(&mut back, "supply-water-warm", "safety", "");
    set(&mut back, "fan-01-failed", "priority", "high");
    set(&mut back, "fan-01-failed", "consequence", "Der erste fehlt.");
    set(&mut back, "humidity-sensor", "first_check", "Kabel?");
    let (changes, _) = list::compare(&rows, &header(), &back).expect("taken");
    let (module, german) = (list::edited(&module, &rows, &changes), list::retold(&german, &rows, &changes));
    let load = |language: &str| {
        let environment = [("LAPWING__MODULE__LANGUAGE".to_owned(), language.to_owned())];
        let files = |path: &std::path::Path| match path.file_name().and_then(|name| name.to_str()) {
            Some(MODULE) => Ok(module.clone().into_bytes()),
            Some("de.toml") => Ok(german.clone().into_bytes()),
            _ => std::fs::read(path),
        };
        load_from(&copy.0.join(MODULE), environment.into_iter(), &Overrides::default(), &files)
            .unwrap_or_else(|mistakes| panic!("{mistakes}"))
    };
    let now = load("de");
    assert_eq!(text(&now, "supply-water-warm").response, "Die \"Kälteanlage\" ansehen.");
    assert_eq!(text(&now, "supply-water-warm").safety, "");
    assert_eq!(text(&now, "supply-water-warm").limit.expect("a limit").to_string(), "22.5");
    assert_eq!(text(&now, "fan-01-failed").consequence, "Der erste fehlt.");
    assert_eq!(text(&now, "fan-01-failed").text, "Lüfter 01 ist {state}", "the pattern's own text is taken over");
    assert_eq!(text(&now, "humidity-sensor").first_check, "Kabel?");
    // The originals are what they were, but for what is gone and what had none.
    let english = load("en");
    assert_eq!(
        text(&english, "supply-water-warm").response,
        text(&loaded(&small("en", GERMAN)), "supply-water-warm").response
    );
    assert_eq!(text(&english, "supply-water-warm").safety, "");
    assert_eq!(text(&english, "fan-01-failed").text, "Fan 01 is {state}");
    assert_eq!(text(&english, "fan-01-failed").consequence, "One fan less in the wall.");
    assert_eq!(text(&english, "humidity-sensor").first_check, "Kabel?");
    let again = list::rows(&module, &now.listed);
    let settings =
        |rows: &[Row], id: &str| rows.iter().find(|row| row.listed.id == id).expect("there").settings.clone();
    for (_, cells) in &back {
        let id = &cells[at("id")];
        assert_eq!(settings(&again, id), *cells, "what came back goes out again");
    }
}

#[test]
fn the_demo_in_german_is_whole() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let overrides = Overrides { review: true, ..Overrides::default() };
    let of = |language: &str| {
        let environment = [("LAPWING__MODULE__LANGUAGE".to_owned(), language.to_owned())];
        load(&path, environment.into_iter(), &overrides).unwrap_or_else(|mistakes| panic!("{mistakes}"))
    };
    let (english, german) = (of("en"), of("de"));
    assert_eq!(untranslated(&german), []);
    assert!(!german.findings.iter().any(|finding| finding.code == "translation_not_used"), "{:#?}", german.findings);
    for (one, other) in english.plan.alarms.iter().zip(&german.plan.alarms) {
        assert_eq!((&one.id, one.digest), (&other.id, other.digest));
        let texts = |alarm: &crate::plan::Alarm| {
            let document = alarm.document.clone().unwrap_or_default();
            [&alarm.text, &alarm.consequence, &alarm.response, &alarm.first_check, &alarm.safety, &document]
                .map(Clone::clone)
        };
        for (english, german) in texts(one).iter().zip(&texts(other)) {
            assert_eq!(english.is_empty(), german.is_empty(), "{}", one.id);
            assert!(english.is_empty() || english != german, "{}: {german}", one.id);
            let words: Vec<&str> = german.split([' ', '.', ',', ':', ';', '(', ')']).collect();
            for word in ["the", "The", "of", "is", "are", "and", "left", "right", "busway", "rack", "coil-bay"] {
                assert!(!words.contains(&word), "{}: {german}", one.id);
            }
        }
    }
    for (point, original) in german.plan.points.iter().zip(&english.plan.points) {
        for ((_, text), (_, name)) in point.state_texts.iter().zip(&original.states) {
            let same_in_both = ["normal", "bypass"].contains(&name.to_lowercase().as_str()) || name.starts_with("PDU");
            assert!(text != name || same_in_both, "{}: {name}", point.path);
        }
        assert!(point.states.is_empty() || !point.state_texts.is_empty(), "{}", point.path);
    }
}
