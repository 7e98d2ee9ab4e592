//! The sheet: every line in both forms, texts from outside harmless in both.

use super::*;

fn sheet() -> Sheet {
    let finding = Finding {
        path: "coil/temperature".into(),
        reads: "holding 0, i16".into(),
        raw: "FFCE".into(),
        value: "-5.0 °C".into(),
        expected: "-5".into(),
        difference: Some(0.0),
        tolerance: Some(1.0),
        quality: "good".into(),
        latency_ms: Some(0.412),
        refresh_s: Some(2.0),
        verdict: Verdict::Agrees,
        initials: "AB".into(),
        t: "2031-01-01T00:00:00.000Z".into(),
        note: "=1+1 <script>".into(),
        suggestions: Vec::new(),
    };
    let differs = Finding { verdict: Verdict::Differs, note: "a, \"b\"".into(), ..finding.clone() };
    let line = |path: &str, finding| Line { path: path.into(), device: "coil".into(), finding, ..Line::default() };
    Sheet {
        site: "saltmarsh".into(),
        module: "m1".into(),
        lines: vec![line("a", Some(finding)), line("b", Some(differs)), line("c", None)],
        devices: vec![("coil".into(), "plant".into(), "<b>1.0</b>".into())],
        ..Sheet::default()
    }
}

#[test]
fn csv_has_a_whole_row_a_point() {
    let bytes = sheet().csv().expect("in memory");
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let head = reader.headers().expect("a first line").clone();
    let rows: Vec<csv::StringRecord> = reader.records().collect::<Result<_, _>>().expect("rows of one length");
    assert_eq!(rows.len(), 3);
    let cell = |row: usize, name: &str| rows[row][head.iter().position(|h| h == name).expect("a column")].to_owned();
    assert_eq!(cell(0, "value"), "-5.0 °C", "a negative value is no formula");
    assert_eq!(cell(0, "note"), "'=1+1 <script>", "a formula is none");
    assert_eq!((cell(0, "latency_ms"), cell(0, "refresh_s")), ("0.412".into(), "2".into()));
    assert_eq!(cell(1, "note"), "a, \"b\"");
    assert_eq!([0, 1, 2].map(|row| cell(row, "verdict")), ["agrees", "differs", "not decided"].map(String::from));
    assert_eq!(value("-1=cmd|'x'!A1"), "'-1=cmd|'x'!A1");
}

#[test]
fn html_holds_no_foreign_markup_and_room_to_sign() {
    let page = sheet().html();
    assert!(!page.contains("<script>") && !page.contains("<b>1.0"), "{page}");
    assert!(page.contains("&lt;script&gt;") && page.contains("signature"));
    assert!(page.contains("3 points: 1 agree, 1 differ, 1 not decided"));
    assert!(!page.contains("http"), "nothing is fetched from elsewhere");
}

#[test]
fn numbers_are_short() {
    assert_eq!([0.412, 12.0, 1234.6, 0.0].map(brief), ["0.41", "12", "1235", "0"].map(String::from));
}
