//! Labelled rows and alarm columns against an agent that is a table in memory.

use super::*;
use crate::plan::snmp::{SENSOR_VALUE, SensorKind};

const NAME: [u32; 4] = [1, 3, 9, 1];
const VALUE: [u32; 4] = [1, 3, 9, 2];

/// Variables, and how often each kind of request was made.
#[derive(Default)]
struct Table {
    variables: BTreeMap<Vec<u32>, Value>,
    gets: usize,
    walks: usize,
    /// Applied after the next walk, as a table that changes between two requests.
    then: Option<BTreeMap<Vec<u32>, Value>>,
}

impl Table {
    fn outlets(rows: &[(u32, &str, i32)]) -> Self {
        let mut table = Self::default();
        for (instance, name, value) in rows {
            table.put(&NAME, *instance, Value::OctetString(name.as_bytes().to_vec().into()));
            table.put(&VALUE, *instance, Value::Integer(*value));
        }
        table
    }

    fn put(&mut self, column: &[u32], instance: u32, value: Value) {
        self.variables.insert([column, &[instance]].concat(), value);
    }
}

impl Agent for Table {
    async fn get(&mut self, oids: &[Oid]) -> Result<Vec<Value>, Failure> {
        self.gets += 1;
        let value = |oid: &Oid| self.variables.get(oid.arcs()).cloned().unwrap_or(Value::NoSuchInstance);
        Ok(oids.iter().map(value).collect())
    }

    async fn walk(&mut self, column: &Oid) -> Result<Vec<(Vec<u32>, Value)>, Failure> {
        self.walks += 1;
        let prefix = column.arcs();
        let below = self.variables.iter().filter(|(oid, _)| oid.starts_with(prefix));
        let rows = below.map(|(oid, value)| (oid[prefix.len()..].to_vec(), value.clone())).collect();
        if let Some(then) = self.then.take() {
            self.variables = then;
        }
        Ok(rows)
    }
}

fn row(label: &str) -> LabelledRow {
    LabelledRow { column: NAME.to_vec(), equals: label.into() }
}

fn cell(row: u32) -> Cell {
    Cell { row: Some(row), oid: VALUE.to_vec(), sensor: None }
}

fn now<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().build().expect("a runtime").block_on(future)
}

/// Reads the cells of two outlets.
fn read(table: &mut Table, labels: &mut Labels) -> (Vec<Raw>, Vec<String>) {
    let mut said = Vec::new();
    let rows = [row("Outlet 3"), row("Outlet 7")];
    let raws = now(cells(table, labels, &rows, &[cell(1), cell(0)], &mut |what| said.push(what.to_string())));
    (raws.expect("answers"), said)
}

#[test]
fn rows_are_found_once_and_asked_together() {
    let mut table = Table::outlets(&[(3, "Outlet 1", 1), (8, "Outlet 3\0", 30), (11, "Outlet 7", 70)]);
    let mut labels = Labels::default();
    for _ in 0..3 {
        assert_eq!(read(&mut table, &mut labels), (vec![Raw::Whole(70), Raw::Whole(30)], vec![]));
    }
    assert_eq!((table.walks, table.gets), (1, 3));
}

#[test]
fn a_row_that_moved_never_gives_its_neighbours_value() {
    let mut table = Table::outlets(&[(8, "Outlet 3", 30), (11, "Outlet 7", 70)]);
    let mut labels = Labels::default();
    read(&mut table, &mut labels);
    // Every rotation of the instances.
    for (a, b) in [(11, 8), (8, 12), (1, 2)] {
        table.variables = Table::outlets(&[(a, "Outlet 3", 31), (b, "Outlet 7", 71)]).variables;
        assert_eq!(read(&mut table, &mut labels).0, [Raw::Whole(71), Raw::Whole(31)]);
    }
}

#[test]
fn a_table_that_changes_between_walk_and_answer_gives_faults_not_numbers() {
    let table = Table::outlets(&[(8, "Outlet 3", 30), (11, "Outlet 7", 70)]);
    let swapped = Table::outlets(&[(8, "Outlet 7", 71), (11, "Outlet 3", 31)]).variables;
    let mut labels = Labels::default();
    let mut agent = Fickle(table, [swapped, Table::outlets(&[(8, "Outlet 3", 30), (11, "Outlet 7", 70)]).variables]);
    let rows = [row("Outlet 3"), row("Outlet 7")];
    let raws = now(cells(&mut agent, &mut labels, &rows, &[cell(0), cell(1)], &mut |_| {})).expect("answers");
    assert_eq!(raws, [UNREADABLE, UNREADABLE]);
}

/// A table that is another one after each walk.
struct Fickle(Table, [BTreeMap<Vec<u32>, Value>; 2]);

impl Agent for Fickle {
    async fn get(&mut self, oids: &[Oid]) -> Result<Vec<Value>, Failure> {
        self.0.get(oids).await
    }

    async fn walk(&mut self, column: &Oid) -> Result<Vec<(Vec<u32>, Value)>, Failure> {
        self.0.then = Some(self.1[0].clone());
        self.1.rotate_left(1);
        self.0.walk(column).await
    }
}

#[test]
fn a_missing_and_a_doubled_label_are_told_once_and_spoil_only_themselves() {
    let mut table = Table::outlets(&[(8, "Outlet 3", 30)]);
    let mut labels = Labels::default();
    let (raws, said) = read(&mut table, &mut labels);
    assert_eq!(raws, [UNREADABLE, Raw::Whole(30)]);
    assert!(said.len() == 1 && said[0].contains("no row is labelled \"Outlet 7\""), "{said:?}");
    assert!(read(&mut table, &mut labels).1.is_empty());
    assert_eq!(table.walks, 1, "not walked again at once");

    let mut table = Table::outlets(&[(8, "Outlet 3", 30), (9, "Outlet 7", 1), (10, "Outlet 7", 2)]);
    let (raws, said) = read(&mut table, &mut Labels::default());
    assert_eq!(raws, [UNREADABLE, Raw::Whole(30)]);
    assert!(said[0].contains("several rows are labelled"), "{said:?}");
}

#[test]
fn an_entity_sensor_is_read_with_what_it_says_of_itself() {
    let mut table = Table::default();
    table.put(&NAME, 5, Value::OctetString(b"Inlet".to_vec().into()));
    let beside = |column: u32| [&SENSOR_VALUE[..10], &[column]].concat();
    for (column, value) in [(1, 8), (2, 9), (3, 1), (4, 235), (5, 1)] {
        table.put(&beside(column), 5, Value::Integer(value));
    }
    let inlet = Cell { row: Some(0), oid: SENSOR_VALUE.to_vec(), sensor: Some(SensorKind::Celsius) };
    let ask = |table: &mut Table, cell: &Cell| {
        let cells = [cell.clone(), Cell { row: None, oid: [&NAME[..], &[6]].concat(), sensor: None }];
        now(super::cells(table, &mut Labels::default(), &[row("Inlet")], &cells, &mut |_| {})).expect("answers")
    };
    assert_eq!(ask(&mut table, &inlet), [Raw::Real(23.5), UNREADABLE]);
    table.put(&beside(5), 5, Value::Integer(3));
    assert_eq!(ask(&mut table, &inlet)[0], Raw::Fault(Status::BAD_SENSOR_FAILURE));
}

/// upsAlarmDescr and upsWellKnownAlarms (RFC 1628).
const DESCR: [u32; 11] = [1, 3, 6, 1, 2, 1, 33, 1, 6, 2, 1];
const KNOWN: [u32; 10] = [1, 3, 6, 1, 2, 1, 33, 1, 6, 3];

#[test]
fn alarm_rows_appear_and_vanish_and_strange_ones_are_never_dropped() {
    let (on_battery, low) = ([&KNOWN[..], &[2]].concat(), [&KNOWN[..], &[3]].concat());
    let listed = [Some(on_battery.clone()), Some(low.clone()), None];
    let mut table = Table::default();
    let mut strange = Strange::default();
    let mut ask = |table: &mut Table| {
        let mut said = Vec::new();
        let raws = now(column(table, &mut strange, &DESCR, &listed, &mut |what| said.push(what.to_string())))
            .expect("answers");
        let numbers: Vec<i64> = raws
            .iter()
            .map(|raw| match raw {
                Raw::Whole(number) => *number,
                other => panic!("{other:?}"),
            })
            .collect();
        (numbers, said)
    };
    let oid = |arcs: &[u32]| Value::ObjectIdentifier(Oid::from_slice(arcs));
    let private = [1, 3, 6, 1, 4, 1, 99_999, 1, 7];

    assert_eq!(ask(&mut table), (vec![0, 0, 0], vec![]));
    table.put(&DESCR, 4_000_000_000, oid(&on_battery));
    assert_eq!(ask(&mut table), (vec![1, 0, 0], vec![]));
    table.put(&DESCR, 7, oid(&private));
    table.put(&DESCR, 9, oid(&low));
    table.put(&DESCR, 10, oid(&private));
    let (numbers, said) = ask(&mut table);
    assert_eq!(numbers, [1, 1, 2], "two rows of one strange alarm");
    assert!(said.len() == 1 && said[0].contains("1.3.6.1.4.1.99999.1.7"), "{said:?}");
    assert_eq!(ask(&mut table), (vec![1, 1, 2], vec![]), "told once");
    table.variables.retain(|_, value| *value != oid(&private));
    let (numbers, said) = ask(&mut table);
    assert_eq!(numbers, [1, 1, 0]);
    assert!(said.len() == 1 && said[0].contains("no longer lists"), "{said:?}");
    table.variables.clear();
    assert_eq!(ask(&mut table).0, [0, 0, 0]);
    table.put(&DESCR, 1, Value::Integer(5));
    assert_eq!(ask(&mut table).0, [0, 0, 1], "what is no identifier counts as strange");
}
