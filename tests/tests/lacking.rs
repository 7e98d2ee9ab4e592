//! A device that does not give many of the points its map names is one alarm with count and names, not an alarm a point:
//! an SNMP card with a few objects of the shipped map, a Modbus device that refuses registers one by one or all together.

use std::time::Duration;

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::{TempDir, repository};
use lapwing_tests::snmp::SnmpPeer;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::head;
use serde_json::Value;

/// Some transactions of the shipped map are asked every minute, with their phases spread.
const SOON: Duration = Duration::from_secs(90);

fn alarms(subscriber: &Subscriber) -> Vec<String> {
    let raised = |event: &Value| (event["kind"] == "alarm" && event["active"] == true).then(|| event["alarm"].clone());
    subscriber.events().iter().filter_map(raised).filter_map(|id| id.as_str().map(str::to_owned)).collect()
}

fn event(subscriber: &Subscriber, mark: usize, part: &str) -> Value {
    subscriber.wait(part, mark, SOON, |message| {
        let says = |text: &str| text.contains(part);
        (message.below() == "event" && message.payload["text"].as_str().is_some_and(says))
            .then(|| message.payload.clone())
    })
}

#[test]
fn many_missing_points_are_one_alarm_a_device() {
    let home = TempDir::new("lacking");
    let broker = Broker::start();
    let card = SnmpPeer::start(&[("2.4.0", "integer", "97"), ("2.7.0", "integer", "24"), ("4.1.0", "integer", "3")]);
    // Its tables end at 64.
    let mut meter = ModbusPeer::pymodbus_tcp(&[1, 2]);
    let mut map = String::new();
    for n in 0..40 {
        map.push_str(&format!(
            "[[point]]\npath = \"circuit/{n:02}/current\"\nquantity = \"current\"\nunit = \"A\"\nregister = \"input:{}\"\n\
             as = \"u16\"\nscan_period = \"1s\"\n\n",
            50 + n
        ));
    }
    home.write("meter.toml", &map);
    let few = "[[point]]\npath = \"speed\"\nquantity = \"speed\"\nunit = \"/min\"\nregister = \"input:0\"\n\
               as = \"u16\"\nscan_period = \"500ms\"\n\n[[point]]\npath = \"fault\"\nquantity = \"state\"\nunit = \"1\"\n\
               register = \"discrete:0\"\nas = \"bit\"\nscan_period = \"500ms\"\n";
    home.write("fan.toml", few);
    let config = home.write(
        "module.toml",
        &format!(
            "{}\n[[link]]\nname = \"card\"\nsnmp = \"{}\"\ntimeout_ms = 1000\n\n\
             [[device]]\nname = \"ups-a1\"\nlink = \"card\"\nmap = \"{}\"\nprefix = \"ups/a1\"\n\n\
             [[link]]\nname = \"field\"\nmodbus_tcp = \"{}\"\ntimeout_ms = 1000\n\n\
             [[device]]\nname = \"meter\"\nlink = \"field\"\nunit = 1\nmap = \"meter.toml\"\n\n\
             [[device]]\nname = \"fan\"\nlink = \"field\"\nunit = 2\nmap = \"fan.toml\"\nprefix = \"fan\"\n",
            head(&home, &broker.address(), "json"),
            card.address(),
            repository().join("examples/maps/ups-rfc1628.toml").display(),
            meter.address()
        ),
    );
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);

    let raised = subscriber.alarm("fault/device/meter/map", "unacknowledged", 0, SOON).payload;
    // 50 to 63 are there.
    let text = raised["text"].as_str().expect("a text");
    assert!(
        text.starts_with(
            "Device meter on link field does not give 26 of its 40 points: circuit/14/current (input:64), "
        ),
        "{text}"
    );
    assert!(text.ends_with(" and 22 more"), "{text}");
    assert_eq!((&raised["priority"], &raised["announced"]), (&"medium".into(), &true.into()));
    let told = event(&subscriber, 0, "The device meter on the link field does not give 26 of its 40 points");
    let whole = told["reason"].as_str().expect("the whole list");
    assert_eq!(whole.matches("circuit/").count(), 26, "{whole}");
    subscriber.topic("point/circuit/13/current", 0, SOON, |payload| payload["quality"] == 0);

    let raised = subscriber.alarm("fault/device/ups-a1/map", "unacknowledged", 0, SOON).payload;
    let text = raised["text"].as_str().expect("a text");
    assert!(text.contains("Device ups-a1 on link card does not give ") && text.contains(" more"), "{text}");
    subscriber.topic("point/ups/a1/battery/charge", 0, SOON, |payload| payload["quality"] == 0);

    // Refused as a whole, then given again.
    subscriber.topic("point/fan/speed", 0, SOON, |payload| payload["quality"] == 0);
    let mark = subscriber.mark();
    meter.manner(2, "exception 2");
    let raised = subscriber.alarm("fault/device/fan/map", "unacknowledged", mark, SOON).payload;
    let text =
        "Device fan on link field does not give any of its 2 points: fan/fault (discrete:0), fan/speed (input:0)";
    assert_eq!(raised["text"], text);
    meter.manner(2, "well");
    event(&subscriber, mark, "The device fan on the link field gives all its points again.");
    subscriber.alarm("fault/device/fan/map", "returned_unacknowledged", mark, SOON);

    let raised = alarms(&subscriber);
    assert!(raised.iter().all(|id| !id.starts_with("fault/point/")), "{raised:?}");
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}
