//! The one checked Plan: everything the agent will do, with nothing left to check.
//!
//! `config` makes it from files and environment, every other room only reads it. Tables are flat and in scan order:
//! the points of one transaction stand together, so that a transaction is a run; derived points follow, the agent's own
//! points come last. `points[i]` describes `engine.points[i]`, `alarms[i]` describes `engine.alarms[i]`. Durations are
//! `std::time::Duration`; nothing in it is a wall time.

pub mod alarms;
mod catalogue;
mod health;
mod language;
pub mod overview;
pub mod recipients;
pub mod role;
pub mod snmp;
pub mod topology;
mod wire;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use lapwing_engine::spec::{AlarmSpec, PointSpec, Span, Tables, UseSpec, WindowSpec};
use lapwing_protocol::topic::DEFAULT_BASE;
use lapwing_protocol::{Decimal, Mode};

pub use self::alarms::{Acknowledge, Alarm, Compared, Comparison, Groups, Review, Suppress};
pub use self::health::{Certificate, Health, Holds};
pub use self::language::Language;
pub use self::role::Role;
pub use self::wire::{Commands, Encoding};

/// Everything the agent will do.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// Where the agent is.
    pub module: Module,
    /// How it publishes.
    pub mqtt: Mqtt,
    /// Where it keeps what must not be lost.
    pub store: Store,
    /// Where the page listens.
    pub http: Http,
    /// What it logs.
    pub log: Log,
    /// What the review of the alarm set reckons with.
    pub review: Review,
    /// Where SNMP notifications come in.
    pub snmp: snmp::Snmp,
    /// What the page's drawing shows.
    pub overview: overview::Overview,
    /// Connections to the field.
    pub links: Vec<Link>,
    /// What answers on them.
    pub devices: Vec<Device>,
    /// What is asked, grouped by device, devices grouped by link.
    pub transactions: Vec<Transaction>,
    /// Points: field points in scan order, then derived, then the agent's own.
    pub points: Vec<Point>,
    /// How derived points are computed, in an order in which each needs only earlier ones.
    pub derived: Vec<Derived>,
    /// How the power goes.
    pub topology: topology::Topology,
    /// Differences and counts that alarms are made of, in the order of their points.
    pub compared: Vec<Compared>,
    /// Alarms, in the order of `engine.alarms`.
    pub alarms: Vec<Alarm>,
    /// Which alarms follow from which.
    pub groups: Groups,
    /// The agent's own points about what the alarm system asks of people; the first of them.
    pub load_points: Option<u32>,
    /// Rules that hide alarms.
    pub suppress: Vec<Suppress>,
    /// The server that takes mail.
    pub mail: recipients::Mail,
    /// Who is told directly.
    pub recipients: Vec<recipients::Recipient>,
    /// The engine's tables.
    pub engine: EngineTables,
    /// Points of the agent's own health.
    pub health: Option<Health>,
    /// SHA-256 of the configuration as read (files and environment).
    pub digest: [u8; 32],
    /// The configuration as read: names of files with their text, then variables with their value.
    pub source: Vec<(String, String)>,
}

impl Plan {
    /// Gives back the room its lists took while they grew: a plan lasts as long as the agent.
    pub(crate) fn fit(&mut self) {
        self.links.shrink_to_fit();
        self.devices.shrink_to_fit();
        self.transactions.shrink_to_fit();
        self.points.shrink_to_fit();
        self.derived.shrink_to_fit();
        self.compared.shrink_to_fit();
        self.alarms.shrink_to_fit();
        let EngineTables { points, alarms, windows, absent, uses, use_alarms } = &mut self.engine;
        points.shrink_to_fit();
        alarms.shrink_to_fit();
        windows.shrink_to_fit();
        absent.shrink_to_fit();
        uses.shrink_to_fit();
        use_alarms.shrink_to_fit();
    }
}

/// Owned form of the engine's tables.
#[derive(Clone, Debug, Default)]
pub struct EngineTables {
    /// Points.
    pub points: Vec<PointSpec>,
    /// Alarms.
    pub alarms: Vec<AlarmSpec>,
    /// Trend windows.
    pub windows: Vec<WindowSpec>,
    /// Absent patterns.
    pub absent: Vec<u64>,
    /// Conditions of use, in point order.
    pub uses: Vec<UseSpec>,
    /// Alarms that hang on them.
    pub use_alarms: Vec<u32>,
}

impl EngineTables {
    /// The tables as the engine borrows them.
    #[must_use]
    pub fn tables(&self) -> Tables<'_> {
        Tables {
            points: &self.points,
            alarms: &self.alarms,
            windows: &self.windows,
            absent: &self.absent,
            uses: &self.uses,
            use_alarms: &self.use_alarms,
        }
    }
}

/// `[module]`.
#[derive(Clone, Debug)]
pub struct Module {
    /// Site, a topic segment.
    pub site: String,
    /// Module, a topic segment.
    pub name: String,
    /// Height above sea level, m.
    pub altitude_m: f64,
    /// Whether what is said concerns a live module; `demo` sets simulated. Another mode that a person sets falls back
    /// to this one.
    pub mode: Mode,
    /// Modes in which alarms are announced to people.
    pub announce_in: Vec<Mode>,
    /// Longest time for which a person may set another mode.
    pub mode_at_most: Duration,
    /// Who acknowledges alarms.
    pub acknowledge: Acknowledge,
    /// The site's time zone, for the hours of recipients.
    pub time_zone: jiff::tz::TimeZone,
    /// In which language the agent speaks of alarms.
    pub language: Language,
}

impl Default for Module {
    fn default() -> Self {
        Self {
            site: String::new(),
            name: String::new(),
            altitude_m: 0.0,
            mode: Mode::Live,
            announce_in: vec![Mode::Live],
            mode_at_most: MODE_AT_MOST,
            acknowledge: Acknowledge::Here,
            time_zone: jiff::tz::TimeZone::UTC,
            language: Language::English,
        }
    }
}

/// A working day.
pub const MODE_AT_MOST: Duration = Duration::from_secs(8 * 3600);

/// `[mqtt]`.
#[derive(Clone, Debug)]
pub struct Mqtt {
    /// Broker host (name or address) and port.
    pub broker: (String, u16),
    /// First topic segment, `lapwing` unless configured.
    pub base: String,
    /// Client identifier; site-module unless configured.
    pub client_id: String,
    /// Frames as JSON or CBOR.
    pub frames: Encoding,
    /// How often a frame is published.
    pub frame_period: Duration,
    /// User name, if the broker asks.
    pub user: Option<String>,
    /// File that holds the password.
    pub password_file: Option<PathBuf>,
    /// TLS: certificate authority file; its presence turns TLS on.
    pub ca: Option<PathBuf>,
    /// TLS client certificate and key files.
    pub client_certificate: Option<(PathBuf, PathBuf)>,
    /// Point patterns published one by one on `point/<path>`; empty means none.
    pub points: Vec<String>,
    /// Keep-alive.
    pub keep_alive: Duration,
    /// How commands prove whose they are.
    pub commands: Commands,
}

impl Default for Mqtt {
    fn default() -> Self {
        Self {
            broker: ("127.0.0.1".into(), 1883),
            base: DEFAULT_BASE.into(),
            client_id: String::new(),
            frames: Encoding::Json,
            frame_period: Duration::from_secs(1),
            user: None,
            password_file: None,
            ca: None,
            client_certificate: None,
            points: Vec::new(),
            keep_alive: Duration::from_secs(10),
            commands: Commands::Off,
        }
    }
}

/// `[store]`.
#[derive(Clone, Debug, Default)]
pub struct Store {
    /// Data directory.
    pub dir: PathBuf,
    /// Largest size of the event store, MiB.
    pub max_mib: u32,
    /// Days an event stays in the event log.
    pub event_days: u32,
    /// How much history is kept; `None`: none is.
    pub history: Option<History>,
}

/// How much history is kept, and for how long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct History {
    /// Days of every reading.
    pub raw_days: u32,
    /// Days of one-minute roll-ups.
    pub minute_days: u32,
    /// Days of fifteen-minute roll-ups.
    pub quarter_days: u32,
    /// Days of readings about critical and high incidents.
    pub incident_days: u32,
    /// Largest size of it all, MiB.
    pub max_mib: u32,
    /// Space of the disk that history leaves to events and everything else, MiB.
    pub reserve_mib: u32,
}

impl Default for History {
    fn default() -> Self {
        Self { raw_days: 60, minute_days: 180, quarter_days: 400, incident_days: 400, max_mib: 8192, reserve_mib: 256 }
    }
}

/// `[http]`.
#[derive(Clone, Debug, Default)]
pub struct Http {
    /// Where the page listens; `None` turns it off.
    pub listen: Option<SocketAddr>,
    /// Files of the page's certificate and of its key; with them it is served by TLS only.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// Host names it is reached by, beside addresses and `localhost`; in lower case.
    pub names: Vec<String>,
}

/// `[log]`.
#[derive(Clone, Debug, Default)]
pub struct Log {
    /// Filter, as `info` or `lapwing=debug`.
    pub level: String,
}

/// One connection to the field.
#[derive(Clone, Debug)]
pub struct Link {
    /// Name, unique.
    pub name: String,
    /// What carries it.
    pub transport: Transport,
    /// How long an answer is waited for, unless a device says otherwise.
    pub timeout: Duration,
    /// Repetitions of a request that failed, within one scan.
    pub retries: u8,
    /// Its devices: a stretch of `Plan::devices`.
    pub devices: Span,
    /// The agent's own point that tells its state.
    pub state_point: u32,
    /// Only listen: another master asks, the agent decodes what it hears and never speaks.
    pub listen: bool,
    /// How long a line is listened to before the agent first speaks on it.
    pub listen_first: Duration,
    /// The agent's own point that tells whether another master speaks on it; lines only.
    pub masters_point: Option<u32>,
    /// The agent's own points that count its requests, answers, time-outs and garbled answers; the first of four.
    pub count_points: Option<u32>,
}

/// What carries a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Transport {
    /// Modbus TCP.
    ModbusTcp {
        /// Host name or address.
        host: String,
        /// TCP port.
        port: u16,
    },
    /// Modbus TCP inside TLS (Modbus/TCP Security).
    ModbusTls {
        /// Host name or address; the device's certificate must carry it.
        host: String,
        /// TCP port, by the standard 802.
        port: u16,
        /// Whom to trust, and who we are.
        tls: Tls,
    },
    /// Modbus RTU frames over TCP.
    ModbusRtuTcp {
        /// Host name or address.
        host: String,
        /// TCP port.
        port: u16,
        /// Baud rate of the line behind the gateway: its silences count.
        baud: u32,
    },
    /// Modbus RTU on a serial line.
    Serial {
        /// Device file.
        path: PathBuf,
        /// Bits a second.
        baud: u32,
        /// Parity.
        parity: Parity,
        /// Stop bits, 1 or 2.
        stop_bits: u8,
    },
    /// SNMP.
    Snmp {
        /// Host name or address.
        host: String,
        /// UDP port.
        port: u16,
        /// Version, and in whose name it is asked.
        access: snmp::Access,
    },
    /// A Redfish service over HTTPS.
    Redfish(Redfish),
}

/// Where a Redfish service is, and in whose name it is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Redfish {
    /// Host name or address; the service's certificate must carry it.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Whom to trust, and who we are.
    pub tls: Tls,
    /// User name.
    pub user: String,
    /// File that holds the password; read at each connect.
    pub password_file: PathBuf,
}

/// Files of a TLS client.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tls {
    /// Certificate authority.
    pub ca: PathBuf,
    /// The name the certificate must carry; `None`: the host's.
    pub server_name: Option<String>,
    /// Client certificate and its key.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// Parity of a serial line. Modbus over Serial Line V1.02 §2.5.1 asks for even by default.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs)] // the words are the documentation
pub enum Parity {
    None,
    #[default]
    Even,
    Odd,
}

/// One thing answering on a link.
#[derive(Clone, Debug)]
pub struct Device {
    /// Name, unique.
    pub name: String,
    /// Index of its link.
    pub link: u32,
    /// Modbus unit; 0 for SNMP.
    pub unit: u8,
    /// Its own time-out.
    pub timeout: Duration,
    /// Silence it needs between requests.
    pub pause: Duration,
    /// How late an answer may still come after a time-out.
    pub late_max: Duration,
    /// How long it thinks before it answers, as far as the plan counts with it.
    pub turnaround: Duration,
    /// What changes how often it is scanned.
    pub faster: Option<Faster>,
    /// Its transactions: a stretch of `Plan::transactions`.
    pub transactions: Span,
    /// By how much other reads of its points might take less line time, at most, in millionths; 0: proved the best.
    pub above_least_ppm: u32,
    /// The agent's own point that tells its state.
    pub state_point: u32,
    /// What shows that it is still the device that was set up.
    pub identity: Identity,
    /// The agent's own point that tells whether it gives all the points its map names.
    pub map_point: Option<u32>,
}

/// What shows that a device is still the one that was set up: read at connect, after silence and now and then.
#[derive(Clone, Debug, Default)]
pub struct Identity {
    /// The exchanges that read it; none if nothing is known of it.
    pub checks: Vec<Check>,
    /// How often it is read while nothing happens.
    pub period: Duration,
    /// The agent's own point that tells whether it fits; `None` without checks.
    pub point: Option<u32>,
    /// What an engineer wrote when it was confirmed that another device is right; a new text makes the agent forget what was
    /// remembered before it.
    pub confirmed: String,
}

/// One exchange that reads a part of a device's identity.
#[derive(Clone, Debug)]
pub struct Check {
    /// What is asked.
    pub ask: Ask,
    /// What it shows, in the order of `slices` or `oids`.
    pub features: Vec<Feature>,
}

/// One register (or variable) by which a device is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Feature {
    /// As the configuration writes it: `holding:204`.
    pub name: String,
    /// What it must show; `None`: whatever it showed first.
    pub expect: Option<Mark>,
    /// What it showed first in an earlier run; `None` if there is none, or what is there was confirmed since.
    pub remembered: Option<Mark>,
}

/// What a feature shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A whole number; registers count as unsigned, most significant first.
    Number(i128),
    /// Text, without the blanks and zero bytes at its end.
    Text(String),
}

impl std::fmt::Display for Mark {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Number(number) => write!(f, "{number}"),
            Self::Text(text) => write!(f, "\"{}\"", text.escape_default()),
        }
    }
}

/// A device is scanned faster while one of its own points is in certain states.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Faster {
    /// Index of the point.
    pub point: u32,
    /// The states, as a set of bits: state n is bit n.
    pub states: u64,
    /// How often meanwhile; transactions of a shorter period keep theirs.
    pub period: Duration,
}

/// Modbus tables (MODBUS Application Protocol V1.1b3 §4.3), with the function that reads each.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Function 01.
    Coil,
    /// Function 02.
    Discrete,
    /// Function 03.
    Holding,
    /// Function 04.
    Input,
}

/// One exchange with a device; everything it brings belongs to one moment.
#[derive(Clone, Debug)]
pub struct Transaction {
    /// Index of its device.
    pub device: u32,
    /// How often.
    pub period: Duration,
    /// Offset of its first scan inside the period, so that a link's load is spread.
    pub phase: Duration,
    /// What is asked.
    pub ask: Ask,
    /// Its points: a stretch of `Plan::points`, in the order of `slices` or `oids`.
    pub points: Span,
}

/// What a transaction asks.
#[derive(Clone, Debug)]
pub enum Ask {
    /// One read of adjacent registers or bits.
    Modbus {
        /// Table.
        table: Table,
        /// First wire address.
        start: u16,
        /// Registers (at most 125) or bits (at most 2000).
        count: u16,
        /// Where each point lies in the answer.
        slices: Vec<Slice>,
    },
    /// One GET of several variables.
    Snmp {
        /// Instance OIDs, one a point.
        oids: Vec<Vec<u32>>,
    },
    /// One GET of table cells, with what tells that they are the right ones.
    SnmpCells {
        /// Rows found by their label.
        rows: Vec<snmp::LabelledRow>,
        /// Cells, one a point.
        cells: Vec<snmp::Cell>,
    },
    /// A walk of one column of object identifiers: is each of those the points name among them?
    SnmpColumn {
        /// The column.
        column: Vec<u32>,
        /// What each point looks for; `None`: how many rows hold what no point of the device looks for.
        listed: Vec<Option<Vec<u32>>>,
    },
    /// One GET of a Redfish resource.
    Redfish {
        /// Its path, as `/redfish/v1/Chassis/1/Thermal`.
        resource: String,
        /// JSON pointers (RFC 6901) into it, one a point.
        pointers: Vec<String>,
    },
}

/// Where a point lies in a transaction's answer, counted in registers or bits from its start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slice {
    /// First register or bit.
    pub offset: u16,
    /// Registers; 0 for a single bit of a bit table.
    pub words: u8,
    /// Its scale-factor register, in the same answer.
    pub scale_factor: Option<u16>,
}

/// One named quantity.
#[derive(Clone, Debug, Default)]
pub struct Point {
    /// Path, unique.
    pub path: String,
    /// Quantity, by its name in the protocol.
    pub quantity: String,
    /// UCUM unit.
    pub unit: String,
    /// Power of ten of its integer.
    pub exponent: i8,
    /// How often it is read or computed.
    pub scan_period: Duration,
    /// Lowest and highest believable value.
    pub valid: Option<(Decimal, Decimal)>,
    /// Index of its device; `None` for derived and own points.
    pub device: Option<u32>,
    /// Label as on plate and drawing.
    pub tag: Option<String>,
    /// Where it is, for a person who walks there.
    pub location: Option<String>,
    /// The sensor's own lag (63 %).
    pub response: Option<Duration>,
    /// How often the device itself refreshes it.
    pub refresh: Option<Duration>,
    /// Names of its states, if it has states.
    pub states: Vec<(i64, String)>,
    /// The same as people of the module read them, in its language; empty where that is no difference.
    pub state_texts: Vec<(i64, String)>,
    /// How far it wavers while nothing changes, from peak to peak.
    pub noise: Option<Decimal>,
    /// What it is to a module.
    pub role: Option<Role>,
}

/// One derived point.
#[derive(Clone, Debug)]
pub struct Derived {
    /// Index of the point it fills.
    pub point: u32,
    /// Function, by its name in `calc`.
    pub compute: String,
    /// Inputs that are points, in the function's order; a list argument stands here once for each of its points.
    pub from: Vec<Input>,
    /// Constants: numbers or words.
    pub with: Vec<(String, Constant)>,
    /// It is computed at most so often; zero: as often as its fastest inputs come.
    pub every: Duration,
}

/// An input of a derived point that is another point.
#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    /// Argument name.
    pub argument: String,
    /// The argument is a list, of which this is one element.
    pub in_list: bool,
    /// Index of the point.
    pub point: u32,
    /// The argument, in the unit its function wants, is the point's value times this …
    pub factor: f64,
    /// … plus this.
    pub offset: f64,
}

/// A constant input of a derived point.
#[derive(Clone, Debug, PartialEq)]
pub enum Constant {
    /// A number.
    Number(f64),
    /// A word, such as `supply`.
    Word(String),
    /// Several numbers, such as the limits of several breakers.
    Numbers(Vec<f64>),
    /// Rows of two numbers, such as a battery's table of load and minutes.
    Pairs(Vec<(f64, f64)>),
}

/// A stretch of one of the plan's tables; empty where the table does not have it.
#[must_use]
pub fn stretch<T>(table: &[T], span: Span) -> &[T] {
    let first = usize::try_from(span.first).unwrap_or(usize::MAX);
    let count = usize::try_from(span.count).unwrap_or(usize::MAX);
    table.get(first..first.saturating_add(count)).unwrap_or(&[])
}
