//! Files and environment → one checked Plan, or every mistake in them, located and explained.
//!
//! `load` reads the module file and the maps its devices name, layers the plain tables (defaults ← file ← environment ←
//! the caller's overrides), reads each item of each list by itself, and puts all together. It stops at nothing: a person
//! sees every mistake of all files in one run, each with file, line, column, what is wrong and what would be right. It
//! opens no link and resolves no name. Never panics, whatever the files hold.
//!
//! All keys with types and defaults are in `keys`; `keys::table()` writes them as a table. What a pattern is stands in
//! `pattern`, how a point gets its exponent in `items::point`. The rules a reader of the files should know:
//!
//! - A variable `LAPWING__MQTT__BROKER` replaces `mqtt.broker`; variables reach plain tables only, never lists.
//! - Types are strict: `"yes"` is no boolean, 9.7 no integer, `"100"` no number; durations are texts with a unit.
//! - Numbers in a point's unit (limits, deadbands, valid ranges) must be whole steps of its resolution.
//! - `point = "rack/{r}/inlet/{p}/temperature"` makes one alarm a match; `{r}` and `{p}` may be used in `id` and in all
//!   texts. An alarm with the same id on a plain path replaces the one the pattern would make.

mod address;
mod assemble;
mod items;
pub mod keys;
pub mod list;
mod mistake;
mod names;
mod pattern;
mod plain;
mod reader;
mod settings;
mod source;
mod steps;
#[cfg(test)]
pub(crate) mod tests;
mod units;
mod wrong;

pub use mistake::{Accepted, At, Finding, Mistake, Mistakes, Remark};

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use lapwing_protocol::Mode;
use sha2::{Digest, Sha256};
use toml::Spanned;
use toml::de::DeTable;

use crate::plan::Plan;
use crate::plan::topology::TierKind;

use assemble::Parts;
use items::device::DeviceItem;
use items::point::PointItem;
use items::translation::TranslationItem;
use mistake::Report;
use plain::{Layer, PREFIX, Plain};
use source::{Origin, Place, Sources};
use wrong::{OfTranslations, Wrong};

/// What a caller sets over files and environment.
#[derive(Clone, Debug, Default)]
pub struct Overrides {
    /// Address by link name: `host:port`, or a device file for a serial line.
    pub link_addresses: BTreeMap<String, String>,
    /// Mode of the module.
    pub mode: Option<Mode>,
    /// Data directory.
    pub store_dir: Option<PathBuf>,
    /// Broker host and port.
    pub broker: Option<String>,
    /// Where the page listens.
    pub page: Option<std::net::SocketAddr>,
    /// The alarm set is reviewed too.
    pub review: bool,
}

/// A configuration without mistakes.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// What the agent will do.
    pub plan: Plan,
    /// Files it was read from, the module file first.
    pub files: Vec<PathBuf>,
    /// Where each configured alarm comes from.
    pub listed: Vec<list::Listed>,
    /// The file of texts in the module's language, if there is one.
    pub texts: Option<PathBuf>,
    /// What a person should look at.
    pub findings: Vec<Finding>,
    /// What the review of the alarm set found, if it was asked for.
    pub review: Vec<Finding>,
    /// What of it is right as it is, and why.
    pub accepted: Vec<Accepted>,
}

/// The variables of this process that may be meant for us. One that is no Unicode comes with its odd bytes replaced, so
/// that it is judged like any other wrong value (`std::env::vars` would panic).
pub fn environment() -> impl Iterator<Item = (String, String)> {
    let text = |os: std::ffi::OsString| os.to_string_lossy().into_owned();
    std::env::vars_os().map(move |(name, value)| (text(name), text(value))).filter(|(name, _)| name.starts_with(PREFIX))
}

/// The nearest of several names, if one is near enough to be meant: for answers to what a person has typed.
#[must_use]
pub fn nearest_name<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> Option<String> {
    reader::nearest(name, known)
}

/// Reads a module file, its maps and the environment into a Plan.
///
/// # Errors
/// Every mistake of all files, in the order of files and lines.
pub fn load(
    path: &Path,
    environment: impl Iterator<Item = (String, String)>,
    overrides: &Overrides,
) -> Result<Loaded, Mistakes> {
    load_from(path, environment, overrides, &|path| std::fs::read(path))
}

/// What brings the bytes of a file.
pub type ReadFile<'a> = &'a dyn Fn(&Path) -> std::io::Result<Vec<u8>>;

/// The same with files from wherever `files` has them.
///
/// # Errors
/// Every mistake of all files, in the order of files and lines.
pub fn load_from(
    path: &Path,
    environment: impl Iterator<Item = (String, String)>,
    overrides: &Overrides,
    files: ReadFile<'_>,
) -> Result<Loaded, Mistakes> {
    let environment: BTreeMap<String, String> = environment.filter(|(name, _)| name.starts_with(PREFIX)).collect();
    let mut sources = Sources::default();
    let mut report = Report::default();
    let mut digest = Sha256::new();
    let mut plan = Plan::default();
    if let Some(parts) = read_module(path, &environment, overrides, files, &mut sources, &mut digest, &mut report) {
        plan = assemble::plan(&parts, &mut report);
    }
    for (variable, value) in &environment {
        frame(&mut digest, variable.as_bytes());
        frame(&mut digest, value.as_bytes());
    }
    plan.digest = digest.finalize().into();
    plan.source = source(path, &sources, &environment);
    let clean = report.is_clean();
    let (accepted, listed) = (std::mem::take(&mut report.accepted), std::mem::take(&mut report.listed));
    let texts = report.texts.and_then(|origin| sources.path(origin));
    let mistake::Rendered { mistakes: list, findings, review } = report.render(&sources);
    if clean {
        let files = sources.files.into_iter().map(|file| file.path).collect();
        Ok(Loaded { plan, files, listed, texts, findings, review, accepted })
    } else {
        Err(Mistakes { list })
    }
}

/// What was read, so that it can be read again later: files by their name below the module file's directory.
fn source(path: &Path, sources: &Sources, environment: &BTreeMap<String, String>) -> Vec<(String, String)> {
    let dir = path.parent().unwrap_or(Path::new(""));
    let files = sources.files.iter().map(|file| {
        let name = file.path.strip_prefix(dir).unwrap_or(&file.path);
        (name.display().to_string(), file.text.clone())
    });
    files.chain(environment.iter().map(|(name, value)| (name.clone(), value.clone()))).collect()
}

/// Feeds a digest with bytes and their number, so that no two sequences of texts look alike.
fn frame(digest: &mut Sha256, bytes: &[u8]) {
    digest.update((bytes.len() as u64).to_le_bytes());
    digest.update(bytes);
}

fn read_module(
    path: &Path,
    environment: &BTreeMap<String, String>,
    overrides: &Overrides,
    files: ReadFile<'_>,
    sources: &mut Sources,
    digest: &mut Sha256,
    report: &mut Report,
) -> Option<Parts> {
    let text = match read_text(path, files, digest) {
        Ok(text) => text,
        Err(why) => {
            let origin = sources.add(path, String::new());
            let what = path.display().to_string();
            report.wrong(Place::whole(origin), "", Wrong::Unreadable { what, why });
            // The environment is judged all the same.
            let _judged = Layer::from_environment(environment, report);
            return None;
        }
    };
    let origin = sources.add(path, text.clone());
    let from_environment = Layer::from_environment(environment, report);
    let document = parse(&text, origin, report)?;
    let known = [&["schema"], keys::PLAIN, keys::LISTS].concat();
    items::only(&document, &known, origin, report);
    schema(&document, origin, report);
    let (from_file, tables) = Layer::from_file(&document, origin, report);
    let mut over = Layer::default();
    if let Some(dir) = &overrides.store_dir {
        over.text("store.dir", dir.display().to_string());
    }
    if let Some(broker) = &overrides.broker {
        over.text("mqtt.broker", broker.clone());
    }
    if let Some(page) = &overrides.page {
        over.text("http.listen", page.to_string());
    }
    let file = Place { origin, start: 0, end: 0 };
    let plain = Plain::merge(&[from_file, from_environment, over]);
    let mut settings = settings::settings(&plain, &tables, file, report);
    if let Some(mode) = overrides.mode {
        settings.module.mode = mode;
    }
    let list = |section, name_key, report: &mut Report| items::list(&document, section, name_key, origin, report);
    let links = list("link", "name", report).into_iter().filter_map(|item| items::link::read(item, report)).collect();
    let mut devices: Vec<DeviceItem> =
        list("device", "name", report).into_iter().filter_map(|item| items::device::read(item, report)).collect();
    let derived =
        list("derived", "path", report).into_iter().filter_map(|item| items::derived::read(item, report)).collect();
    let alarms = list("alarm", "id", report).into_iter().filter_map(|item| items::alarm::read(item, report)).collect();
    let groups =
        list("group", "name", report).into_iter().filter_map(|item| items::group::read(item, report)).collect();
    let suppress = list("suppress", "name", report)
        .into_iter()
        .filter_map(|item| items::group::read_suppress(item, report))
        .collect();
    let recipients =
        list("recipient", "name", report).into_iter().filter_map(|item| items::recipient::read(item, report)).collect();
    let accepts =
        list("accept", "finding", report).into_iter().filter_map(|item| items::accept::read(item, report)).collect();
    let mut tiers = Vec::new();
    for kind in TierKind::ALL {
        let items = list(kind.section(), "name", report);
        tiers.extend(items.into_iter().filter_map(|item| items::tier::read(kind, item, report)));
    }
    let dir = path.parent().unwrap_or(Path::new(""));
    let translations = read_translations(dir, &settings, files, sources, digest, report);
    let (maps, incomplete) = read_maps(dir, &devices, files, sources, digest, report);
    for device in &mut devices {
        let of_map = device.map.as_ref().and_then(|map| maps.get(&map.value)).and_then(|map| map.min_interval);
        device.min_interval = device.min_interval.or(of_map);
    }
    let maps = maps.into_iter().map(|(name, map)| (name, map.points)).collect();
    Some(Parts {
        settings,
        links,
        devices,
        maps,
        derived,
        tiers,
        alarms,
        groups,
        suppress,
        recipients,
        accepts,
        translations,
        review: overrides.review,
        incomplete,
        file: Some(file),
        link_addresses: overrides.link_addresses.clone(),
    })
}

/// A map as read.
#[derive(Default)]
struct MapFile {
    /// Of every device that uses it, unless the device says otherwise.
    min_interval: Option<Duration>,
    points: Vec<PointItem>,
}

/// Each map once, however many devices use it.
fn read_maps(
    dir: &Path,
    devices: &[DeviceItem],
    files: ReadFile<'_>,
    sources: &mut Sources,
    digest: &mut Sha256,
    report: &mut Report,
) -> (BTreeMap<String, MapFile>, bool) {
    let mut maps = BTreeMap::new();
    let mut incomplete = devices.iter().any(|device| device.map.is_none());
    for device in devices {
        let Some(name) = device.map.as_ref() else { continue };
        if maps.contains_key(&name.value) {
            continue;
        }
        let path = dir.join(&name.value);
        let map = match read_text(&path, files, digest) {
            Ok(text) => {
                let origin = sources.add(&path, text.clone());
                read_map(&text, origin, report)
            }
            Err(why) => {
                let wrong = Wrong::UnknownMap { map: name.value.clone(), why, near: near_file(dir, &name.value) };
                report.wrong(name.place, format!("{}.map", device.label), wrong);
                None
            }
        };
        incomplete |= map.is_none();
        maps.insert(name.value.clone(), map.unwrap_or_default());
    }
    (maps, incomplete)
}

/// Each file of texts in another language. One that cannot be read is told.
fn read_translations(
    dir: &Path,
    settings: &settings::Settings,
    files: ReadFile<'_>,
    sources: &mut Sources,
    digest: &mut Sha256,
    report: &mut Report,
) -> Vec<TranslationItem> {
    let mut translations = Vec::new();
    for (number, name) in settings.translations.iter().enumerate() {
        let path = dir.join(name);
        match read_text(&path, files, digest) {
            Ok(text) => {
                let origin = sources.add(&path, text.clone());
                let Some(document) = parse(&text, origin, report) else { continue };
                schema(&document, origin, report);
                translations.push(items::translation::read(&document, origin, report));
            }
            Err(why) => {
                let place = settings.translations_place.unwrap_or_else(|| Place::whole(Origin::Override));
                let near = near_file(dir, name);
                let wrong = OfTranslations::Unreadable { file: name.clone(), why, near };
                report.wrong(place, format!("module.translations[{number}]"), wrong);
            }
        }
    }
    translations
}

fn read_map(text: &str, origin: Origin, report: &mut Report) -> Option<MapFile> {
    let document = parse(text, origin, report)?;
    let known: Vec<&str> = ["schema", "point"].into_iter().chain(keys::of("map").map(|key| key.name)).collect();
    items::only(&document, &known, origin, report);
    schema(&document, origin, report);
    let min_interval = min_interval(&document, origin, report);
    if !document.contains_key("point") {
        report.wrong(Place { origin, start: 0, end: 0 }, "point", Wrong::MissingKey { key: "[[point]]", example: "…" });
    }
    let list = items::list(&document, "point", "path", origin, report);
    let points = list.into_iter().filter_map(|item| items::point::read(item, report)).collect();
    Some(MapFile { min_interval, points })
}

/// `min_interval_ms` of a map, for every device that uses it.
fn min_interval(document: &DeTable<'_>, origin: Origin, report: &mut Report) -> Option<Duration> {
    use reader::Read as _;
    const KEY: &str = "min_interval_ms";
    let value = document.get(KEY)?;
    let place = Place::new(origin, &value.span());
    match u32::read(value, origin) {
        Ok(value) => {
            let located = source::Located { value, place };
            let ms = items::link::within(Some(located), 0, 0, items::device::LONGEST_INTERVAL_MS, KEY, report);
            Some(Duration::from_millis(u64::from(ms)))
        }
        Err(wrong) => {
            report.wrong(place, KEY, wrong);
            None
        }
    }
}

/// A file's text; its bytes go into the digest.
fn read_text(path: &Path, files: ReadFile<'_>, digest: &mut Sha256) -> Result<String, String> {
    let bytes = files(path).map_err(|why| why.to_string())?;
    frame(digest, &bytes);
    String::from_utf8(bytes).map_err(|why| format!("it is no UTF-8 text (byte {})", why.utf8_error().valid_up_to()))
}

/// The table of a text. Keys written twice leave the rest readable; after any other mistake nothing can be relied on.
fn parse<'t>(text: &'t str, origin: Origin, report: &mut Report) -> Option<DeTable<'t>> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut readable = true;
    let mut told = None;
    for error in errors {
        let span = error.span().unwrap_or(0..0);
        readable &= error.message().contains("duplicate key");
        // One slip of the pen makes several errors of its line: the first is the one to mend.
        let line = text.get(..span.start).map(|before| before.matches('\n').count());
        if line.is_some() && told == line {
            continue;
        }
        told = line;
        report.wrong(Place::new(origin, &span), "", Wrong::Syntax { why: error.message().to_string() });
    }
    readable.then(|| Spanned::into_inner(document))
}

/// `schema = 1`, which may be left out.
fn schema(document: &DeTable<'_>, origin: Origin, report: &mut Report) {
    use reader::Read as _;
    let Some(value) = document.get("schema") else { return };
    let place = Place::new(origin, &value.span());
    match i64::read(value, origin) {
        Ok(1) => {}
        Ok(found) => report.wrong(place, "schema", Wrong::UnknownSchema { found }),
        Err(wrong) => report.wrong(place, "schema", wrong),
    }
}

/// The nearest name in the directory a map was looked for.
fn near_file(dir: &Path, map: &str) -> Option<String> {
    let wanted = Path::new(map);
    let folder = wanted.parent().unwrap_or(Path::new(""));
    let stem = |path: &Path| path.file_stem().and_then(|stem| stem.to_str()).map(str::to_string);
    let files = std::fs::read_dir(dir.join(folder)).ok()?.flatten().map(|entry| PathBuf::from(entry.file_name()));
    let stems: Vec<String> =
        files.filter(|file| file.extension().is_some_and(|end| end == "toml")).filter_map(|file| stem(&file)).collect();
    let wanted = stem(wanted)?;
    // The same name is no help: the file is there and cannot be read.
    let near = reader::nearest(&wanted, stems.iter().map(String::as_str)).filter(|near| *near != wanted)?;
    folder.join(near + ".toml").to_str().map(str::to_string)
}
