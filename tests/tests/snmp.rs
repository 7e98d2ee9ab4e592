//! The agent against net-snmp: version 3 over restarts and a swapped engine, traps and informs as hints.

use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::place::{TempDir, free_udp_port};
use lapwing_tests::snmp::{PASSWORDS, SnmpPeer, UPS, notify};
use lapwing_tests::subscriber::Subscriber;
use serde_json::Value;

const SOON: Duration = Duration::from_secs(20);

/// A module of one card, read at a period over a link with these keys, and more of the module file.
fn configure(
    home: &TempDir,
    broker: &Broker,
    card: &SnmpPeer,
    link: &str,
    period: &str,
    more: &str,
) -> std::path::PathBuf {
    home.write("auth", PASSWORDS[0]);
    home.write("priv", &format!("{}\n", PASSWORDS[1]));
    home.write(
        "map.toml",
        &format!(
            "[[point]]\npath = \"ups/charge\"\nquantity = \"charge_level\"\nunit = \"%\"\noid = \"{UPS}.2.4.0\"\n\
             scan_period = \"{period}\"\n"
        ),
    );
    home.write(
        "module.toml",
        &format!(
            "[module]\nsite = \"testbay\"\nname = \"t1\"\nmode = \"test\"\nannounce_in = [\"live\", \"test\"]\n\n[mqtt]\nbroker = \"{}\"\n\
             points = [\"**\"]\n\n[store]\ndir = \"{}\"\n\n[http]\nenabled = false\n\n{more}\n\
             [[link]]\nname = \"card\"\nsnmp = \"{}\"\ntimeout_ms = 300\n{link}\n\n\
             [[device]]\nname = \"card\"\nlink = \"card\"\nmap = \"map.toml\"\n",
            broker.address(),
            home.join("data").display(),
            card.address()
        ),
    )
}

/// The keys of a link in version 3.
fn user(home: &TempDir) -> String {
    format!(
        "version = \"3\"\nuser = \"lapwing\"\nauth_password_file = \"{}\"\npriv_password_file = \"{}\"\n",
        home.join("auth").display(),
        home.join("priv").display()
    )
}

/// Waits until the charge is published as this, good.
fn reads(subscriber: &Subscriber, mark: usize, charge: f64) {
    subscriber.topic("point/ups/charge", mark, SOON, |payload| {
        payload["quality"] == 0 && payload["value"].as_f64() == Some(charge)
    });
}

fn event(subscriber: &Subscriber, mark: usize, holds: impl Fn(&Value) -> bool) -> Value {
    subscriber.wait("an event", mark, SOON, |message| {
        (message.below() == "event" && holds(&message.payload)).then(|| message.payload.clone())
    })
}

fn says(event: &Value, part: &str) -> bool {
    event["text"].as_str().is_some_and(|text| text.contains(part))
}

#[test]
fn version_3_over_a_restart_and_a_swapped_engine() {
    let home = TempDir::new("snmp-v3");
    let broker = Broker::start();
    let mut card = SnmpPeer::start(&[("2.4.0", "integer", "97")]);
    let config = configure(&home, &broker, &card, &user(&home), "200ms", "");
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    reads(&subscriber, 0, 97.0);

    // It must have been up longer than it will be when it is read again.
    subscriber.topic("frame", 0, SOON, |payload| payload["seq"].as_u64() >= Some(5));

    // The same engine with one boot more: the clock of before is learnt anew, and the restart is told.
    let mark = subscriber.mark();
    card.restart(None);
    let told = event(&subscriber, mark, |event| says(event, "has restarted"));
    assert_eq!((&told["kind"], &told["device"]), (&"device".into(), &"card".into()));
    card.set("2.4.0", 96);
    reads(&subscriber, mark, 96.0);

    // Another engine in its place, its boots beginning anew.
    let mark = subscriber.mark();
    card.restart(Some("0x80001f8804736563"));
    let back = Instant::now();
    card.set("2.4.0", 95);
    reads(&subscriber, mark, 95.0);
    assert!(back.elapsed() < Duration::from_secs(8), "recovered only after {:?}", back.elapsed());
    agent.terminate();
}

#[test]
fn a_wrong_password_is_one_link_fault_that_says_so() {
    let home = TempDir::new("snmp-password");
    let broker = Broker::start();
    let card = SnmpPeer::start(&[("2.4.0", "integer", "97")]);
    let config = configure(&home, &broker, &card, &user(&home), "200ms", "");
    home.write("auth", "something-else");
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let told = event(&subscriber, 0, |event| event["kind"] == "link" && event["up"] == false);
    assert!(says(&told, "whether it knows the user"), "{told}");
    subscriber.alarm("fault/link/card", "unacknowledged", 0, SOON);
    agent.terminate();
}

#[test]
fn notifications_are_hints_to_poll_at_once() {
    for (version, link) in [("2c", String::new()), ("3", "3".into())] {
        let home = TempDir::new("snmp-traps");
        let broker = Broker::start();
        let card = SnmpPeer::start(&[("2.4.0", "integer", "97")]);
        let port = free_udp_port();
        let here = format!("127.0.0.1:{port}");
        let keys = if link.is_empty() { String::new() } else { user(&home) };
        // Polled once a minute: what is seen sooner was hinted at.
        let more = format!(
            "[snmp]\nnotifications = \"{here}\"\n\n[[alarm]]\nid = \"charge-low\"\npoint = \"ups/charge\"\nlow = 95\n\
             priority = \"high\"\ntext = \"Charge {{value}}\"\nconsequence = \"c\"\nresponse = \"r\"\n"
        );
        let config = configure(&home, &broker, &card, &keys, "60s", &more);
        let subscriber = Subscriber::start(broker.port());
        let agent = Agent::run(&config);
        reads(&subscriber, 0, 97.0);

        let community = ["-v", "2c", "-c", "public"];
        let secured = [
            "-v",
            "3",
            "-u",
            "lapwing",
            "-l",
            "authPriv",
            "-a",
            "SHA-256",
            "-A",
            PASSWORDS[0],
            "-x",
            "AES",
            "-X",
            PASSWORDS[1],
        ];
        let access = if version == "3" { &secured[..] } else { &community[..] };
        // A trap of version 3 is the sender's own engine's.
        let own_engine = [&["-e", "0x8000000001020304"], access].concat();
        let trap = if version == "3" { &own_engine[..] } else { access };

        let mark = subscriber.mark();
        card.set("2.4.0", 90);
        assert!(notify("snmptrap", &here, trap));
        subscriber.alarm("charge-low", "unacknowledged", mark, SOON);

        let mark = subscriber.mark();
        card.set("2.4.0", 97);
        assert!(notify("snmpinform", &here, access), "an inform of version {version} was not acknowledged");
        subscriber.alarm("charge-low", "returned_unacknowledged", mark, SOON);

        // Repeated ones change nothing but the moment of reading.
        let mark = subscriber.mark();
        for _ in 0..20 {
            assert!(notify("snmptrap", &here, trap));
        }
        card.set("2.4.0", 80);
        assert!(notify("snmptrap", &here, trap));
        let next = event(&subscriber, mark, |event| event["kind"].is_string());
        assert_eq!((&next["alarm"], &next["to"]), (&"charge-low".into(), &"unacknowledged".into()), "{next}");

        // What is not known here is no hint, and an inform of it is not acknowledged.
        assert!(!notify("snmpinform", &here, &["-v", "2c", "-c", "other"]));
        agent.terminate();
    }
}

#[test]
fn a_port_that_is_taken_is_told_and_polling_goes_on() {
    let home = TempDir::new("snmp-port");
    let broker = Broker::start();
    let card = SnmpPeer::start(&[("2.4.0", "integer", "97")]);
    let taken = std::net::UdpSocket::bind("127.0.0.1:0").expect("a port");
    let address = taken.local_addr().expect("bound");
    let more = format!("[snmp]\nnotifications = \"{address}\"\n");
    let config = configure(&home, &broker, &card, "", "200ms", &more);
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    event(&subscriber, 0, |event| event["kind"] == "agent" && says(event, "notifications cannot be received"));
    reads(&subscriber, 0, 97.0);
    agent.terminate();
}
