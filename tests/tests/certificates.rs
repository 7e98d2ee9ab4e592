//! A certificate that ends soon is told while the agent runs, and no longer once the renewed one lies in its place.
//!
//! openssl makes the certificates; the page is served with them. Files are read once a minute. Which end counts, what
//! cannot be read and every broken byte is tested beside the code.

use std::process::{Command, Stdio};
use std::time::Duration;

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};

const SOON: Duration = Duration::from_secs(30);
/// A minute between two looks, and what a busy machine adds.
const RENEWED: Duration = Duration::from_secs(120);

/// A certificate for the page that ends after so many days, put in its place whole.
fn issue(home: &TempDir, days: u32) {
    let script = "set -e
        openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -keyout page.key -out next.pem \
            -days $1 -subj /CN=page -addext subjectAltName=IP:127.0.0.1
        mv next.pem page.pem";
    let mut made = Command::new("sh");
    made.args(["-c", script, "sh", &days.to_string()]).current_dir(home.path()).stderr(Stdio::null());
    assert!(made.status().expect("sh is there").success(), "openssl is installed (apt install openssl)");
}

#[test]
fn a_certificate_that_ends_soon_is_told_until_it_is_renewed() {
    let home = TempDir::new("certificates");
    issue(&home, 3);
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let text = std::fs::read_to_string(&config).expect("the configuration is there");
    let page = format!(
        "[http]\nlisten = \"127.0.0.1:0\"\ncertificate = \"{}\"\nkey = \"{}\"\n",
        home.join("page.pem").display(),
        home.join("page.key").display()
    );
    let served = text.replace("[http]\nenabled = false\n", &page);
    assert_ne!(text, served, "the page is turned on");
    std::fs::write(&config, served).expect("written");
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    for (id, priority) in [("fault/certificate/page", "low"), ("fault/certificate/page/ends", "medium")] {
        let told = subscriber.alarm(id, "unacknowledged", 0, SOON).payload;
        assert_eq!(told["priority"], priority, "{told}");
        let text = told["text"].as_str().expect("a sentence");
        assert!(text.contains("page.pem (page) holds for 2 d"), "{text}");
    }
    let mark = subscriber.mark();
    issue(&home, 400);
    for id in ["fault/certificate/page", "fault/certificate/page/ends"] {
        subscriber.alarm(id, "returned_unacknowledged", mark, RENEWED);
    }
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}
