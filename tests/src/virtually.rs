//! The demo module and the agent's judging in one process, in virtual time: no sockets, no threads, no clock.
//!
//! The simulator's plant is stepped; every transaction of the plan that is due reads its device's bank as a server would
//! show it, and goes through the same decoding, derivation and alarms as in the agent. Registers, cards' pace, sensors'
//! lag, noise and rounding are those of the simulator. What a link does is left out: answers come at once or, from a
//! device that does not answer well, not at all. A device that shows another identity than at the start makes its
//! readings uncertain, as the agent does. Times ms from the start.

use std::path::{Path, PathBuf};

use lapwing::config::{self, Overrides};
use lapwing::core::judge::Judge;
use lapwing::field::request::{self, Answer};
use lapwing::plan::{Ask, Plan, Table};
use lapwing_engine::spec::{Millis, Raw};
use lapwing_engine::{AlarmState, Engine, PointState, Transition, Window};
use lapwing_protocol::Status;
use lapwing_simulator::bank::{Bank, Manner, SharedBank, Variable};
use lapwing_simulator::plant::Plant;
use lapwing_simulator::scenario::Scenario;

/// Step of plant and schedule.
const STEP_MS: u64 = 50;

/// The plan of the demo as it ships.
///
/// # Panics
/// When it does not load.
#[must_use]
pub fn demo_plan() -> Plan {
    load(&demo().join("module.toml"))
}

/// The same with more in its module file.
///
/// # Panics
/// When it cannot be written to a temporary directory, or does not load.
#[must_use]
pub fn demo_plan_and(more: &str) -> Plan {
    let dir = std::env::temp_dir().join(format!("lapwing-virtually-{}-{:p}", std::process::id(), more));
    let _ = std::fs::remove_dir_all(&dir);
    for folder in ["maps", "translations"] {
        std::fs::create_dir_all(dir.join(folder)).expect("a temporary directory");
        for file in std::fs::read_dir(demo().join(folder)).expect("the demo has it").flatten() {
            std::fs::copy(file.path(), dir.join(folder).join(file.file_name())).expect("copied");
        }
    }
    let module = std::fs::read_to_string(demo().join("module.toml")).expect("the demo has a module file");
    std::fs::write(dir.join("module.toml"), module + more).expect("written");
    let plan = load(&dir.join("module.toml"));
    std::fs::remove_dir_all(&dir).expect("removed");
    plan
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh")
}

fn load(file: &Path) -> Plan {
    match config::load(file, std::iter::empty(), &Overrides::default()) {
        Ok(loaded) => loaded.plan,
        Err(mistakes) => panic!("the demo's configuration has mistakes: {mistakes:?}"),
    }
}

/// Where the module and the agent stand.
#[derive(Debug)]
pub struct Moment<'m, 'p> {
    /// Time since the start.
    pub at_ms: u64,
    /// The module.
    pub plant: &'m Plant,
    /// The agent's judging.
    pub judge: &'m Judge<'p>,
    /// Alarm transitions since the last moment.
    pub transitions: &'m [Transition],
}

/// Plays a scenario and looks every second.
///
/// # Panics
/// When the plan does not fit the engine or the simulator lacks one of its devices.
pub fn play(plan: &Plan, scenario: &Scenario, seed: u64, seconds: u64, look: &mut dyn FnMut(&Moment<'_, '_>)) {
    play_steered(plan, scenario, seed, seconds, &mut |_, _| {}, look);
}

/// The same; `steer` may change the module before each step, at so many ms.
///
/// # Panics
/// As [`play`].
pub fn play_steered(
    plan: &Plan,
    scenario: &Scenario,
    seed: u64,
    seconds: u64,
    steer: &mut dyn FnMut(u64, &mut Plant),
    look: &mut dyn FnMut(&Moment<'_, '_>),
) {
    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows).expect("the plan fits");
    let mut judge = Judge::new(plan, engine);
    let mut plant = Plant::new(scenario, seed);
    let devices = devices(plan, &plant);
    let mut due: Vec<u64> = plan.transactions.iter().map(|transaction| millis(transaction.phase)).collect();
    for step in 0..=seconds * 1000 / STEP_MS {
        let at_ms = step * STEP_MS;
        for (number, (transaction, due)) in (0..).zip(plan.transactions.iter().zip(&mut due)) {
            if *due > at_ms {
                continue;
            }
            *due += millis(transaction.period).max(STEP_MS);
            let device = &devices[transaction.device as usize];
            let bank = device.bank.lock();
            judge.doubt(transaction.device, device.identity != identity(&bank));
            let raws = if device.up.load(std::sync::atomic::Ordering::Relaxed) && bank.manner == Manner::Well {
                raws(&transaction.ask, &bank)
            } else {
                vec![Raw::Fault(Status::BAD_NO_COMMUNICATION); transaction.points.count as usize]
            };
            drop(bank);
            judge.batch(Millis(at_ms), Millis(at_ms), number, &raws);
        }
        judge.poll(Millis(at_ms));
        if at_ms.is_multiple_of(1000) {
            let transitions = judge.take_transitions();
            look(&Moment { at_ms, plant: &plant, judge: &judge, transitions: &transitions });
        }
        steer(at_ms, &mut plant);
        plant.step(STEP_MS as f64 / 1000.0, &mut |_| {});
    }
}

/// A device of the plan with the bank that stands for it.
struct Device {
    bank: SharedBank,
    up: std::sync::Arc<std::sync::atomic::AtomicBool>,
    identity: Vec<u16>,
}

fn devices(plan: &Plan, plant: &Plant) -> Vec<Device> {
    let links = plant.links();
    let found = |device: &lapwing::plan::Device| {
        links.iter().find_map(|link| {
            let simulated = link.devices.iter().find(|simulated| simulated.name == device.name)?;
            let identity = identity(&simulated.bank.lock());
            Some(Device { bank: simulated.bank.clone(), up: link.up.clone(), identity })
        })
    };
    plan.devices
        .iter()
        .map(|device| found(device).unwrap_or_else(|| panic!("the simulator has no device {}", device.name)))
        .collect()
}

/// Model, serial number, firmware and transformer ratio; nothing of a device without registers.
fn identity(bank: &Bank) -> Vec<u16> {
    bank.holding.get(lapwing_simulator::cards::show::IDENTITY..).map_or_else(Vec::new, <[u16]>::to_vec)
}

fn raws(ask: &Ask, bank: &Bank) -> Vec<Raw> {
    match ask {
        Ask::Modbus { table, start, count, slices } => {
            let (first, count) = (usize::from(*start), usize::from(*count));
            let registers = |all: &[u16]| {
                all.get(first..first + count).map(|part| request::raws(Answer::Registers(part), count, slices))
            };
            let bits = |all: &[bool]| {
                all.get(first..first + count).map(|part| request::raws(Answer::Bits(part), count, slices))
            };
            let got = match table {
                Table::Holding => registers(&bank.holding),
                Table::Input => registers(&bank.input),
                Table::Coil => bits(&bank.coils),
                Table::Discrete => bits(&bank.discrete),
            };
            let got = got.unwrap_or_else(|| panic!("the simulator has no {table:?} {first} to {}", first + count));
            got.expect("as long as asked")
        }
        Ask::Snmp { oids } => oids.iter().map(|oid| variable(bank.variables.get(oid))).collect(),
        Ask::SnmpColumn { column, listed } => {
            let rows = || bank.variables.iter().filter(|(oid, _)| oid.starts_with(column));
            let holds =
                |wanted: &Vec<u32>| rows().any(|(_, value)| matches!(value, Variable::Oid(oid) if oid == wanted));
            let known: Vec<&Vec<u32>> = listed.iter().flatten().collect();
            let others = || rows().filter(|(_, value)| !matches!(value, Variable::Oid(oid) if known.contains(&oid)));
            listed
                .iter()
                .map(|wanted| match wanted {
                    Some(wanted) => Raw::Whole(i64::from(holds(wanted))),
                    None => Raw::Whole(others().count() as i64),
                })
                .collect()
        }
        Ask::SnmpCells { cells, .. } => vec![Raw::Fault(Status::BAD_CONFIGURATION_ERROR); cells.len()],
        Ask::Redfish { pointers, .. } => vec![Raw::Fault(Status::BAD_CONFIGURATION_ERROR); pointers.len()],
    }
}

fn variable(value: Option<&Variable>) -> Raw {
    match value {
        Some(Variable::Integer(value)) => Raw::Whole(i64::from(*value)),
        Some(Variable::Gauge(value) | Variable::Counter(value) | Variable::TimeTicks(value)) => {
            Raw::Whole(i64::from(*value))
        }
        Some(Variable::Text(_) | Variable::Oid(_)) | None => Raw::Fault(Status::BAD_NO_COMMUNICATION),
    }
}

fn millis(duration: std::time::Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}
