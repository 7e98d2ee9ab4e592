//! `lapwing alarms --config PATH`: the list of all alarms with every setting as CSV; and a list that comes back, compared.
//!
//! The list is what site and operator agree on: a row an alarm, patterns laid out, the columns are the keys of
//! `[[alarm]]`. `--compare LIST.csv` tells what it has otherwise and refuses what it cannot mean; with `--out FILE` the
//! module file is written there with the list's settings, after it has been checked whole. In a module with a file of texts in
//! its language the list has those, and changed ones go to `--out-texts FILE`. Never panics.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{End, check};
use crate::config::keys::Kind;
use crate::config::{self, Loaded, Overrides, list};
use crate::field::budget::counted;

/// Options of `alarms`.
#[derive(Clone, Debug, Args)]
pub(super) struct AlarmsArgs {
    /// The module's configuration file
    #[arg(long, value_name = "PATH")]
    config: PathBuf,
    /// A list that came back: tell what it has otherwise
    #[arg(long, value_name = "LIST.csv")]
    compare: Option<PathBuf>,
    /// Write here: the list, or with --compare the module file with the list's settings
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// With --compare: write the file of texts in the module's language with the list's texts here
    #[arg(long, value_name = "FILE", requires = "compare")]
    out_texts: Option<PathBuf>,
}

/// Writes the list, or compares one.
pub(super) fn alarms(args: &AlarmsArgs) -> End {
    let loaded = match config::load(&args.config, config::environment(), &Overrides::default()) {
        Ok(loaded) => loaded,
        Err(mistakes) => return check::print_mistakes(&mistakes, false),
    };
    match run(args, &loaded) {
        Ok(end) => end,
        Err(why) => {
            eprintln!("{why}");
            End::NotTried
        }
    }
}

fn run(args: &AlarmsArgs, loaded: &Loaded) -> Result<End, String> {
    let text = std::fs::read_to_string(&args.config).map_err(|why| format!("{}: {why}", args.config.display()))?;
    let rows = list::rows(&text, &loaded.listed);
    let Some(file) = &args.compare else {
        let csv = csv_of(&rows)?;
        match &args.out {
            Some(out) => {
                write(out, &csv)?;
                eprintln!("{} alarms in {}.", rows.len(), out.display());
            }
            None => print!("{csv}"),
        }
        return Ok(End::Done);
    };
    let (header, lines) = read(file)?;
    let (changes, missing) = list::compare(&rows, &header, &lines).map_err(|refused| {
        let told: Vec<String> = refused.iter().map(|why| format!("{}: {why}", file.display())).collect();
        told.join("\n")
    })?;
    for change in &changes {
        let side = |text: &str| if text.is_empty() { "nothing".to_owned() } else { format!("`{text}`") };
        let (before, after) = (side(&change.before), side(&change.after));
        println!("{}:{}: {}: {} is {before}, in the list {after}", file.display(), change.line, change.id, change.key);
    }
    for id in &missing {
        println!("{}: `{id}` is not in the list; it stays as it is", file.display());
    }
    println!(
        "Other than configured: {} of {}; not in the list: {}.",
        counted(changes.len(), "setting"),
        counted(
            changes.iter().map(|change| change.id.as_str()).collect::<std::collections::BTreeSet<_>>().len(),
            "alarm"
        ),
        counted(missing.len(), "alarm")
    );
    let new = list::edited(&text, &rows, &changes);
    let texts = retold(loaded, &rows, &changes)?;
    judged(args, file, (&new, texts.as_ref()), &changes)?;
    if let (Some((path, _)), Some(_), None) = (&texts, &args.out, &args.out_texts) {
        return Err(format!("The list has texts of {} otherwise: say --out-texts FILE too.", path.display()));
    }
    if let Some(out) = &args.out {
        write(out, &new)?;
        println!("The module file with the list's settings is {}.", out.display());
    }
    if let Some(out) = &args.out_texts {
        let Some((_, new)) = &texts else {
            println!("No text in the module's language is otherwise; {} is not written.", out.display());
            return Ok(End::Done);
        };
        write(out, new)?;
        println!("The file of texts with those of the list is {}.", out.display());
    }
    Ok(End::Done)
}

/// The file of texts in the module's language with those of the list, and where it is; `None`: none of them is otherwise.
fn retold(loaded: &Loaded, rows: &[list::Row], changes: &[list::Change]) -> Result<Option<(PathBuf, String)>, String> {
    let Some(path) = &loaded.texts else { return Ok(None) };
    let text = std::fs::read_to_string(path).map_err(|why| format!("{}: {why}", path.display()))?;
    let new = list::retold(&text, rows, changes);
    Ok((new != text).then(|| (path.clone(), new)))
}

/// Checks the module file with the list's settings whole; a mistake is told at the list's line.
fn judged(
    args: &AlarmsArgs,
    file: &Path,
    (new, texts): (&str, Option<&(PathBuf, String)>),
    changes: &[list::Change],
) -> Result<(), String> {
    let files = |path: &Path| match texts {
        _ if path == args.config => Ok(new.as_bytes().to_vec()),
        Some((of_texts, new)) if path == of_texts => Ok(new.as_bytes().to_vec()),
        _ => std::fs::read(path),
    };
    let Err(mistakes) = config::load_from(&args.config, config::environment(), &Overrides::default(), &files) else {
        return Ok(());
    };
    let told = mistakes.list().iter().map(|mistake| {
        let of = changes.iter().filter(|change| mistake.key.starts_with(&format!("alarm[{}]", change.id)));
        let line = of
            .clone()
            .find(|change| mistake.key.ends_with(&format!(".{}", change.key)))
            .or_else(|| of.clone().next())
            .map_or_else(String::new, |change| format!("{}:", change.line));
        format!("{}:{line} {}: {}\n    mend: {}", file.display(), mistake.key, mistake.what, mistake.mend)
    });
    Err(format!("The list's settings cannot be used:\n{}", told.collect::<Vec<_>>().join("\n")))
}

fn csv_of(rows: &[list::Row]) -> Result<String, String> {
    let failed = |why: &dyn std::fmt::Display| format!("the list could not be written: {why}");
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(list::columns().iter().map(|key| key.name)).map_err(|why| failed(&why))?;
    for row in rows {
        writer.write_record(&row.settings).map_err(|why| failed(&why))?;
    }
    let bytes = writer.into_inner().map_err(|why| failed(&why))?;
    String::from_utf8(bytes).map_err(|why| failed(&why))
}

type Lines = (Vec<String>, Vec<(u64, Vec<String>)>);

fn read(file: &Path) -> Result<Lines, String> {
    let bytes = std::fs::read(file).map_err(|why| format!("{}: {why}", file.display()))?;
    parse(&bytes).map_err(|why| format!("{}: {why}; write the list as CSV in UTF-8", file.display()))
}

/// The first line's names, and the cells of the others with their line.
fn parse(bytes: &[u8]) -> Result<Lines, csv::Error> {
    let between = delimiter(bytes);
    let mut reader = csv::ReaderBuilder::new().delimiter(between).flexible(true).from_reader(bytes);
    let header: Vec<String> = reader.headers()?.iter().map(str::to_owned).collect();
    let columns = list::columns();
    let is_number = |name: &str| {
        let key = columns.iter().find(|key| key.name == name.trim().trim_start_matches('\u{feff}'));
        key.is_some_and(|key| matches!(key.kind, Kind::Number | Kind::Whole))
    };
    let numbers: Vec<bool> = header.iter().map(|name| between != b',' && is_number(name)).collect();
    let mut lines = Vec::new();
    for record in reader.records() {
        let record = record?;
        let start = record.position().and_then(|at| usize::try_from(at.byte()).ok()).unwrap_or(0);
        // Where a comma does not part cells it is what numbers are written with.
        let cell = |(at, cell): (usize, &str)| {
            if numbers.get(at) == Some(&true) { cell.replacen(',', ".", 1) } else { cell.to_owned() }
        };
        lines.push((line_at(bytes, start), record.iter().enumerate().map(cell).collect()));
    }
    Ok((header, lines))
}

/// What parts the cells: spreadsheets of many countries write semicolons, since the comma is in their numbers. No key has
/// any of them in its name, so the first line tells.
fn delimiter(bytes: &[u8]) -> u8 {
    let first = bytes.split(|byte| *byte == b'\n').next().unwrap_or_default();
    let count = |between: u8| first.iter().filter(|byte| **byte == between).count();
    let most =
        [b';', b'\t'].into_iter().max_by_key(|between| count(*between)).filter(|most| count(*most) > count(b','));
    most.unwrap_or(b',')
}

/// The line of a row, 1 first. Where lines end as spreadsheets write them the reader's own count is one too low: it takes the
/// line feed behind a carriage return for the beginning of the next row.
fn line_at(bytes: &[u8], start: usize) -> u64 {
    let ends = |byte: &&u8| **byte == b'\r' || **byte == b'\n';
    let start = start + bytes.iter().skip(start).take_while(ends).count();
    bytes.iter().take(start).filter(|byte| **byte == b'\n').count() as u64 + 1
}

fn write(out: &Path, text: &str) -> Result<(), String> {
    std::fs::write(out, text).map_err(|why| format!("{}: {why}", out.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The small configuration's text and rows.
    fn small() -> (String, Vec<list::Row>) {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/config/tests/small/module.toml");
        let text = std::fs::read_to_string(&path).expect("readable");
        let loaded = config::load(&path, std::iter::empty(), &Overrides::default()).expect("no mistake");
        let rows = list::rows(&text, &loaded.listed);
        (text, rows)
    }

    #[test]
    fn what_is_written_is_read_again() {
        let (_, rows) = small();
        let csv = csv_of(&rows).expect("written");
        let (header, lines) = parse(csv.as_bytes()).expect("read");
        assert_eq!(header.len(), list::columns().len());
        let cells: Vec<&Vec<String>> = lines.iter().map(|(_, cells)| cells).collect();
        assert_eq!(cells, rows.iter().map(|row| &row.settings).collect::<Vec<_>>());
        assert_eq!(lines[0].0, 2, "the first row is line 2");
        assert_eq!(list::compare(&rows, &header, &lines), Ok((Vec::new(), Vec::new())));
    }

    #[test]
    fn a_spreadsheets_semicolons_tabs_and_decimal_commas_are_read() {
        let (_, rows) = small();
        let of = |text: &str| {
            let (header, lines) = parse(text.as_bytes()).expect("read");
            list::compare(&rows, &header, &lines).map(|(changes, _)| changes)
        };
        for between in [";", "\t", ","] {
            let number = if between == "," { "21.5" } else { "21,5" };
            let text = ["\u{feff}id;high;text", "supply-water-warm;NUMBER;\"warm, too warm\"", ""].join("\r\n");
            let changes = of(&text.replace(';', between).replace("NUMBER", number)).expect("taken");
            let said: Vec<(&str, &str)> = changes.iter().map(|change| (change.key, change.after.as_str())).collect();
            assert_eq!(said, [("high", "21.5"), ("text", "warm, too warm")], "{between:?}");
        }
    }

    #[test]
    fn a_row_has_the_line_people_see_however_lines_end() {
        for ends in ["\n", "\r\n"] {
            let csv = ["id,text", "a,one", "b,\"two", "lines\"", "", "c,three", ""].join(ends);
            let (_, lines) = parse(csv.as_bytes()).expect("read");
            let said: Vec<(u64, &str)> = lines.iter().map(|(line, cells)| (*line, cells[0].as_str())).collect();
            assert_eq!(said, [(2, "a"), (3, "b"), (6, "c")], "{ends:?}");
        }
    }

    #[test]
    fn what_is_no_number_is_told_where_it_stands() {
        let (text, rows) = small();
        let alarm = rows.iter().find(|row| row.listed.id == "supply-water-warm").expect("an alarm with a limit");
        let bent = |key: &str, after: &str| {
            let change = list::Change {
                line: 2,
                id: alarm.listed.id.clone(),
                key: list::columns().iter().find(|column| column.name == key).expect("a column").name,
                before: String::new(),
                after: after.to_owned(),
            };
            list::edited(&text, &rows, &[change])
        };
        for after in ["warm", "31,5", "1\nlow = 2", "= 3"] {
            let new = bent("high", after);
            let table = toml::from_str::<toml::Table>(&new).unwrap_or_else(|error| panic!("{after}: {error}"));
            let high = table["alarm"]
                .as_array()
                .expect("alarms")
                .iter()
                .find(|one| one["id"].as_str() == Some(&alarm.listed.id));
            assert_eq!(high.expect("the alarm")["high"].as_str(), Some(after));
        }
        assert!(bent("latching", "TRUE").contains("latching = true"));
    }

    #[test]
    fn no_list_is_too_broken() {
        let (text, rows) = small();
        let csv = csv_of(&rows[..2]).expect("written").into_bytes();
        let judge = |bytes: &[u8]| {
            if let Ok((header, lines)) = parse(bytes)
                && let Ok((changes, _)) = list::compare(&rows, &header, &lines)
            {
                let _new = list::edited(&text, &rows, &changes);
            }
        };
        for end in 0..csv.len() {
            judge(&csv[..end]);
        }
        for at in 0..csv.len() {
            for bit in 0..8 {
                let mut bent = csv.clone();
                bent[at] ^= 1 << bit;
                judge(&bent);
            }
        }
    }
}
