//! What the routes answer, as types: one definition makes the JSON and its schema.
//!
//! Shapes and units as in `API.md`. Plain data; decides nothing. Never panics.

use lapwing_protocol::catalogue::CataloguePoint;
use lapwing_protocol::{AlarmRecord, Decimal, Event};
use schemars::JsonSchema;
use serde::Serialize;

use crate::core::figures::Asked;

/// A value as the page takes it: number of the point, value in its unit, OPC UA status number, when it was read.
pub(super) type ValueRow = (u32, Option<Decimal>, u32, i64);

/// `GET /api/about`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct About {
    /// Site.
    pub site: String,
    /// Module.
    pub module: String,
    /// Version of the agent.
    pub version: String,
    /// `live`, `test`, `maintenance` or `simulated`.
    pub mode: String,
    /// When the mode ends by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mode_until: Option<i64>,
    /// Event log.
    pub log: String,
    /// Number of this start.
    pub boot: u64,
    /// When the agent started.
    pub started: i64,
    /// Whether its clock is synchronised.
    pub clock_synced: bool,
    /// Hash of the catalogue.
    pub catalogue: String,
    /// The event store.
    pub store: AboutStore,
    /// The history, where it is kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub history: Option<AboutHistory>,
    /// Who is signed in on this session.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signed_in: Option<Person>,
    /// The session's token for what changes something.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub csrf: Option<String>,
    /// Points of the drawing, by role.
    pub overview: serde_json::Value,
}

/// The event store in `GET /api/about`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct AboutStore {
    /// Events are on disk before they are told.
    pub durable: bool,
    /// Events the broker has not confirmed.
    pub unsent: u64,
    /// Commits that wait for the disk.
    pub waiting: usize,
}

/// The history in `GET /api/about`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct AboutHistory {
    /// Its size on disk.
    pub bytes: u64,
    /// Readings reach the disk.
    pub durable: bool,
    /// Readings dropped since the start because the disk did not keep up.
    pub dropped: u64,
}

/// A person.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Person {
    /// Name.
    pub name: String,
    /// `observer`, `operator` or `engineer`.
    pub role: String,
}

/// `GET /api/points`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Points {
    /// Hash of the catalogue.
    pub catalogue: String,
    /// Points in scan order.
    pub points: Vec<PointRow>,
}

/// A point in `GET /api/points`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct PointRow {
    /// As in the catalogue.
    #[serde(flatten)]
    pub point: CataloguePoint,
    /// Computed from others.
    pub derived: bool,
    /// Its alarms.
    pub alarms: Vec<String>,
}

/// `GET /api/now`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Now {
    /// The agent's clock.
    pub t: i64,
    /// Mode.
    pub mode: String,
    /// All points.
    pub values: Vec<ValueRow>,
}

/// `GET /api/alarms`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Alarms {
    /// Every alarm's present record.
    pub alarms: Vec<AlarmRecord>,
    /// The standard's figures.
    pub figures: Asked,
}

/// `GET /api/events`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Events {
    /// The log they are in.
    pub log: String,
    /// Oldest first.
    pub events: Vec<Event>,
}

/// `GET /api/links`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Links {
    /// In the configuration's order.
    pub links: Vec<LinkRow>,
}

/// A link.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct LinkRow {
    /// Name.
    pub name: String,
    /// What carries it, and where.
    pub transport: String,
    /// Whether it works.
    pub up: bool,
    /// Share of the line's time the plan needs; absent where a line is not shared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub utilisation: Option<f64>,
    /// Transactions a second the plan makes.
    pub transactions_per_s: f64,
    /// Counted since the start.
    pub figures: FieldFigures,
    /// Its devices.
    pub devices: Vec<DeviceRow>,
}

/// A device.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct DeviceRow {
    /// Name.
    pub name: String,
    /// Modbus unit.
    pub unit: u8,
    /// Whether it answers.
    pub up: bool,
    /// How it is known that it is the right one; absent where the configuration names nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identity: Option<IdentityRow>,
    /// Counted since the start.
    pub figures: FieldFigures,
    /// Paths of the points it does not give; absent if it gives all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lacking: Vec<String>,
    /// What is read together.
    pub transactions: Vec<TransactionRow>,
}

/// What is known of a device's identity.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct IdentityRow {
    /// The point that tells whether it is the expected device.
    pub point: String,
    /// A person can confirm what it shows: it is remembered, not written in the configuration.
    pub can_confirm: bool,
}

/// One transaction of the poll plan.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct TransactionRow {
    /// What is asked.
    pub what: String,
    /// How often, ms.
    pub period_ms: u64,
    /// How many points it brings.
    pub points: u32,
}

/// Counters of a link or device.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
pub(super) struct FieldFigures {
    /// Requests sent.
    pub requests: u64,
    /// Believed answers.
    pub answers: u64,
    /// Requests nobody answered in time.
    pub timeouts: u64,
    /// Answers not believed.
    pub garbled: u64,
    /// Refusals.
    pub exceptions: u64,
    /// Scans that fell due.
    pub scans_due: u64,
    /// Scans that brought values.
    pub scans_good: u64,
    /// Scans skipped for want of line time.
    pub scans_skipped: u64,
    /// Request to answer, the last one, ms.
    pub latency_ms: f64,
}

/// `GET /api/health`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Health {
    /// `well`, `degraded` or `failing`.
    pub state: String,
    /// Why it is not well.
    pub why: Vec<String>,
    /// What the agent says of itself.
    pub own: Vec<OwnRow>,
}

/// A point of the agent's own health in `GET /api/health`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct OwnRow {
    /// Path.
    pub path: String,
    /// Value in its unit; `null` while there is none.
    pub value: Option<Decimal>,
    /// Unit, UCUM.
    pub unit: String,
    /// OPC UA status number.
    pub status: u32,
}

/// What an action answers.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Done {
    /// Always true: what was not done is an error.
    pub done: bool,
    /// What was done, in a sentence.
    pub text: String,
}
