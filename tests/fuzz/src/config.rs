//! Configuration: a module file and the maps it names, in one text.
//!
//! A line `#= NAME` begins the next file. What is refused names a place that there is, and a mend; what is accepted is
//! within the protocols' limits, reads the same again, and can be reckoned with as `lapwing check` does.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use lapwing::config::{Overrides, load_from};
use lapwing::field::budget::{LinkBudget, costs, lateness};
use lapwing::field::request::Read;
use lapwing::plan::{Ask, Plan, stretch};

/// Loads it.
pub(super) fn run(data: &[u8]) {
    let (module, maps) = files(data);
    let bytes = |path: &Path| {
        if path == Path::new("module.toml") {
            return Ok(module.to_vec());
        }
        let named = path.to_str().and_then(|name| maps.get(name));
        named.map(|text| text.to_vec()).ok_or_else(|| io::Error::from(io::ErrorKind::NotFound))
    };
    let load = || load_from(Path::new("module.toml"), std::iter::empty(), &Overrides::default(), &bytes);
    match load() {
        Err(mistakes) => {
            assert!(!mistakes.list().is_empty());
            for mistake in mistakes.list() {
                assert!(!mistake.what.is_empty() && !mistake.mend.is_empty() && !mistake.code.is_empty());
                assert!(!mistake.to_string().is_empty());
                let Some(at) = mistake.position else { continue };
                let text = bytes(Path::new(&mistake.file)).expect("a file that was read");
                let text = String::from_utf8_lossy(&text);
                let line = text.split('\n').nth(at.line as usize - 1).expect("a line of the file");
                assert!(at.column as usize <= line.chars().count() + 1, "{mistake}");
            }
        }
        Ok(loaded) => {
            let again = load().expect("the same files");
            assert_eq!(loaded.plan.digest, again.plan.digest);
            assert_eq!(format!("{:?}", loaded.plan), format!("{:?}", again.plan));
            is_sound(&loaded.plan);
        }
    }
}

fn is_sound(plan: &Plan) {
    assert_eq!(plan.engine.points.len(), plan.points.len());
    assert_eq!(plan.engine.alarms.len(), plan.alarms.len());
    for transaction in &plan.transactions {
        let points = stretch(&plan.points, transaction.points).len();
        assert!(plan.devices.get(transaction.device as usize).is_some() && points > 0);
        match &transaction.ask {
            Ask::Modbus { table, start, count, slices } => {
                assert!(Read::new(*table, *start, *count).is_ok(), "{transaction:?}");
                assert_eq!(points, slices.len());
                for slice in slices {
                    let last = slice.offset + u16::from(slice.words.max(1)) - 1;
                    assert!(last < *count && slice.scale_factor.is_none_or(|at| at < *count), "{transaction:?}");
                }
            }
            Ask::Snmp { oids } => assert_eq!(points, oids.len()),
            Ask::SnmpCells { rows, cells } => {
                assert_eq!(points, cells.len());
                assert!(cells.iter().all(|cell| cell.row.is_none_or(|row| (row as usize) < rows.len())));
            }
            Ask::SnmpColumn { listed, .. } => assert_eq!(points, listed.len()),
            Ask::Redfish { pointers, .. } => assert_eq!(points, pointers.len()),
        }
    }
    for link in &plan.links {
        let budget = LinkBudget::of(plan, link);
        assert!(budget.utilisation >= 0.0 && !budget.utilisation.is_nan());
        let _words = (budget.is_feasible(), budget.mend(plan, link), costs(plan, link));
    }
    assert_eq!(lateness(plan).len(), plan.alarms.len());
}

fn files(data: &[u8]) -> (&[u8], BTreeMap<String, &[u8]>) {
    let mut parts = Vec::new();
    let mut begin = 0;
    for at in 0..data.len() {
        if data[at..].starts_with(b"\n#= ") {
            parts.push(&data[begin..=at]);
            begin = at + 1;
        }
    }
    parts.push(&data[begin..]);
    let named = |part: &'_ &[u8]| {
        let line = part.split(|byte| *byte == b'\n').next().unwrap_or_default();
        String::from_utf8_lossy(line.get(3..).unwrap_or_default()).into_owned()
    };
    (parts[0], parts[1..].iter().map(|part| (named(part), *part)).collect())
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    const TEXTS: &str = "#= de.toml\nlanguage = \"de\"\n[alarm.\"warm-{p}\"]\ntext = \"{value} über {limit}\"\n[where]\nroom = \"Raum\"\n[state]\non = \"ein\"\n[captured]\ntemperature = \"Temperatur\"\n";
    const HEAD: &str = "[module]\nsite = \"saltmarsh\"\nname = \"m1\"\naltitude_m = 9\n[mqtt]\nbroker = \"127.0.0.1:1883\"\n[store]\ndir = \"/var/lib/lapwing\"\n";
    const LINKS: [&str; 6] = [
        "modbus_tcp = \"127.0.0.1:502\"",
        "serial = \"/dev/ttyUSB0\"\nbaud = 19200\nparity = \"even\"",
        "modbus_rtu_tcp = \"192.0.2.1:4001\"\nbaud = 9600\ntimeout_ms = 500",
        "modbus_tls = \"192.0.2.1:802\"\nca = \"ca.pem\"",
        "snmp = \"192.0.2.9:161\"\nversion = \"2c\"\ncommunity = \"public\"",
        "redfish = \"192.0.2.9:443\"\nca = \"ca.pem\"\nuser = \"lapwing\"\npassword_file = \"secret\"",
    ];
    const POINTS: [&str; 6] = [
        "register = \"holding:0\"\nas = \"i16\"\nscale = 0.1\nvalid = [-20.0, 90.0]\nabsent = [0x8000]",
        "register = \"input:10\"\nas = \"f32\"\nword_order = \"little\"\nresolution = 0.1\nrate_max = 2.0",
        "register = \"holding:40\"\nas = \"i16\"\nscale_from = \"holding:45\"\nresolution = 0.01",
        "register = \"coil:3\"\nas = \"bit\"\ninvert = true",
        "oid = \"1.3.6.1.2.1.33.1.2.7.0\"\nresponse_s = 8.0",
        "redfish = \"/redfish/v1/Chassis/1/Thermal#/Temperatures/0/ReadingCelsius\"\nresolution = 0.1",
    ];
    const REST: &str = "[[derived]]\npath = \"air/dew_point\"\ncompute = \"dew_point\"\nfrom = { t_c = \"air/temperature\" }\nwith = { rh_pct = 40.0 }\nresolution = 0.1\n[[alarm]]\nid = \"warm-{p}\"\npoint = \"air/{p}\"\nhigh = 27.0\ndeadband = 0.5\non_delay = \"5s\"\npriority = \"high\"\ntext = \"{value} is above {limit}\"\nresponse = \"Look at the fans.\"\nrespond_within = \"3m\"\n";
    let mut seeds = Vec::new();
    for (n, link) in LINKS.iter().enumerate() {
        let unit = if n < 4 { "unit = 1\nmin_interval_ms = 500\nexpect = { \"holding:204\" = 250 }\n" } else { "" };
        let point = match n {
            4 => POINTS[4],
            5 => POINTS[5],
            n => POINTS[n],
        };
        seeds.push(format!(
            "{HEAD}[[link]]\nname = \"plant\"\n{link}\n[[device]]\nname = \"air\"\nlink = \"plant\"\n{unit}map = \"a.toml\"\n{REST}\n#= a.toml\n[[point]]\npath = \"air/temperature\"\nquantity = \"temperature\"\nunit = \"Cel\"\n{point}\nscan_period = \"1s\"\n"
        ).into_bytes());
    }
    // The same in German: the texts are a file of their own.
    let first = String::from_utf8_lossy(&seeds[0]).into_owned();
    let german = first.replacen("altitude_m = 9", "altitude_m = 9\nlanguage = \"de\"\ntranslations = [\"de.toml\"]", 1);
    seeds.push(format!("{german}{TEXTS}").into_bytes());
    seeds
}
