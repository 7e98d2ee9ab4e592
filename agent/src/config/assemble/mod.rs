//! Puts the items of all files together into one Plan, in the order the agent reads, and judges what spans items.
//!
//! The steps: links and devices (`wiring`, `identity`), transactions and field points in scan order (`scan`), the power distribution (`topology`), derived points in an
//! order in which each needs only earlier ones (`derive`), the agent's own points and alarms (`own`), alarms by pattern
//! (`alarms`), groups and rules over them (`group`). Every step notes its mistakes and goes on; the Plan counts only if none was noted. Never panics.

mod alarms;
mod certificates;
mod compare;
mod derive;
mod group;
mod health;
mod identity;
mod label;
mod overview;
mod own;
mod pace;
mod recipients;
mod review;
mod scan;
mod topology;
pub(crate) mod translate;
mod used;
mod variables;
mod wiring;

use std::collections::BTreeMap;

use lapwing_engine::spec::{PointSpec, Span};
use lapwing_protocol::Unit;

use crate::plan::{self, Plan};

use super::items::accept::AcceptItem;
use super::items::alarm::AlarmItem;
use super::items::derived::DerivedItem;
use super::items::device::DeviceItem;
use super::items::group::{GroupItem, SuppressItem};
use super::items::link::LinkItem;
use super::items::point::PointItem;
use super::items::recipient::RecipientItem;
use super::items::tier::TierItem;
use super::items::translation::TranslationItem;
use super::mistake::Report;
use super::settings::Settings;
use super::source::Place;
use super::wrong::Wrong;

/// The items of all files.
#[derive(Debug, Default)]
pub(crate) struct Parts {
    pub(crate) settings: Settings,
    pub(crate) links: Vec<LinkItem>,
    pub(crate) devices: Vec<DeviceItem>,
    /// Points of each map, by the map's name as devices write it.
    pub(crate) maps: BTreeMap<String, Vec<PointItem>>,
    pub(crate) derived: Vec<DerivedItem>,
    /// Tiers of the power distribution.
    pub(crate) tiers: Vec<TierItem>,
    pub(crate) alarms: Vec<AlarmItem>,
    pub(crate) groups: Vec<GroupItem>,
    pub(crate) suppress: Vec<SuppressItem>,
    pub(crate) recipients: Vec<RecipientItem>,
    /// What of the review is right as it is.
    pub(crate) accepts: Vec<AcceptItem>,
    /// Its texts in other languages.
    pub(crate) translations: Vec<TranslationItem>,
    /// The alarm set is reviewed.
    pub(crate) review: bool,
    /// A map could not be read: points that are missing may be in it.
    pub(crate) incomplete: bool,
    /// Where the module file begins.
    pub(crate) file: Option<Place>,
    /// Addresses that replace those of links.
    pub(crate) link_addresses: BTreeMap<String, String>,
}

/// A point in the making.
#[derive(Clone, Debug)]
pub(crate) struct Draft {
    pub(crate) point: plan::Point,
    pub(crate) spec: PointSpec,
    /// Unit, exponent and states as far as they are known: what could not be read is not judged further.
    pub(crate) unit: Option<&'static Unit>,
    pub(crate) exponent: Option<i8>,
    pub(crate) has_states: bool,
    pub(crate) absent: Vec<u64>,
    /// What brought it, for messages: `map point …`, `derived point …`.
    pub(crate) origin: String,
}

/// Points so far, and where each path is.
#[derive(Debug, Default)]
pub(crate) struct Points {
    pub(crate) drafts: Vec<Draft>,
    index: BTreeMap<String, usize>,
}

impl Points {
    /// Adds a point; a path that is taken hands back who has it.
    pub(crate) fn add(&mut self, draft: Draft) -> Result<usize, String> {
        let at = self.drafts.len();
        if let Some(first) = self.index.get(&draft.point.path) {
            return Err(self.drafts[*first].origin.clone());
        }
        self.index.insert(draft.point.path.clone(), at);
        self.drafts.push(draft);
        Ok(at)
    }

    /// Index of a path.
    pub(crate) fn find(&self, path: &str) -> Option<usize> {
        self.index.get(path).copied()
    }

    /// The nearest path to one that does not exist.
    pub(crate) fn nearest(&self, path: &str) -> Option<String> {
        super::reader::nearest(path, self.index.keys().map(String::as_str))
    }
}

/// Makes the Plan.
pub(crate) fn plan(parts: &Parts, report: &mut Report) -> Plan {
    let mut wiring = wiring::wire(parts, report);
    let mut points = Points::default();
    let mut transactions = scan::scan(parts, &mut wiring, &mut points, report);
    let (topology, follows) = topology::build(parts, &points, report);
    let derived = derive::derive(parts.derived.iter().chain(&follows), parts.incomplete, &mut points, report);
    let mut links = wiring.links;
    let mut devices = wiring.devices;
    for (index, transaction) in (0..).zip(&transactions) {
        if let Some(device) = devices.get_mut(transaction.device as usize) {
            extend(&mut device.transactions, index);
        }
    }
    pace::spread(&links, &devices, &mut transactions);
    pace::faster(&wiring.items, &points, &mut devices, report);
    let comparisons = compare::points(parts, &mut points, report);
    own::points(&mut links, &mut devices, &mut points);
    label::own(&wiring.items, &devices, &mut points);
    label::computed(&topology, &wiring.items, &mut points);
    let load_points = own::load(&mut points);
    let mut recipients = recipients::recipients(parts, report);
    own::recipients(&mut recipients, &mut points);
    let mut health = health::points(&links, &mut points);
    health.certificates = certificates::points(&parts.settings, &links, &recipients, &mut points);
    published(&parts.settings, &points, report);
    let overview = overview::overview(parts, &points, report);
    let words = crate::words::Words::of(parts.settings.module.language);
    translate::judge(parts, &points, report);
    let lacking = if parts.review { translate::lacking(parts, &points) } else { Vec::new() };
    let translated = translate::Translated::of(parts);
    report.texts = translated.origin();
    translated.points(&mut points, words);
    let fed = alarms::Fed { topology: &topology, words: &words.feeds };
    let mut tables = alarms::tables(parts, &points, &comparisons, (&fed, &translated), report);
    let words = &words.own;
    own::alarms(&links, &devices, &points, words, &mut tables);
    own::recipient_alarms(&recipients, words, &mut tables);
    health::alarms(&health, &parts.settings.store, words, &mut tables);
    certificates::alarms(&health.certificates, words, &mut tables);
    let places = std::mem::take(&mut tables.places);
    let (alarms, engine) = tables.finish(&points.drafts);
    let groups = group::groups(parts, &alarms, &points, report);
    let suppress = group::suppress(parts, &alarms, &points, &translated, report);
    recipients::review(parts, &recipients, &alarms, report);
    let settings = &parts.settings;
    let mut plan = Plan {
        module: settings.module.clone(),
        mqtt: settings.mqtt.clone(),
        store: settings.store.clone(),
        http: settings.http.clone(),
        log: settings.log.clone(),
        snmp: settings.snmp.clone(),
        review: design(settings.review, parts),
        overview,
        links,
        devices,
        transactions,
        points: points.drafts.into_iter().map(|draft| draft.point).collect(),
        derived,
        topology,
        compared: comparisons.list,
        alarms,
        groups,
        load_points: Some(load_points),
        suppress,
        mail: settings.mail.clone(),
        recipients,
        engine,
        health: Some(health),
        digest: [0; 32],
        source: Vec::new(),
    };
    plan.fit();
    // Of a configuration with mistakes a part of the load is missing.
    if report.is_clean() {
        pace::remarks(&plan, parts, &places, report);
        review::review(&plan, parts, &places, lacking, report);
    }
    plan
}

/// The design load, where none is given: what the cooling takes out for hours.
fn design(review: plan::Review, parts: &Parts) -> plan::Review {
    let cooling: f64 = parts.tiers.iter().filter_map(|tier| tier.main.cooling_kw).sum();
    plan::Review { design_load_kw: review.design_load_kw.or((cooling > 0.0).then_some(cooling)), ..review }
}

/// Judges the patterns of points that are published one by one: the same patterns, laid over the same paths.
fn published(settings: &Settings, points: &Points, report: &mut Report) {
    let Some(place) = settings.points_place else { return };
    for (number, pattern) in settings.mqtt.points.iter().enumerate() {
        let key = format!("mqtt.points[{number}]");
        match globset::GlobBuilder::new(pattern).literal_separator(true).build() {
            Ok(glob) => {
                let matcher = glob.compile_matcher();
                if !points.drafts.iter().any(|draft| matcher.is_match(&draft.point.path)) {
                    let wrong = Wrong::NothingMatches { pattern: pattern.clone(), near: None, incomplete: false };
                    report.wrong(place, key, wrong);
                }
            }
            Err(why) => {
                let wrong = Wrong::BadPointPattern { pattern: pattern.clone(), why: why.kind().to_string() };
                report.wrong(place, key, wrong);
            }
        }
    }
}

/// An index into a flat table; tables never reach 2^32 elements, files are smaller than that.
pub(crate) fn index(at: usize) -> u32 {
    u32::try_from(at).unwrap_or(u32::MAX)
}

/// Grows a stretch by its next element.
fn extend(span: &mut Span, next: u32) {
    if span.count == 0 {
        span.first = next;
    }
    span.count += 1;
}
