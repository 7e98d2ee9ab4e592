//! What the service manager hears: ready, the watchdog, reloads; and nothing any more when the core's loop hangs.

use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::process::Command;

use lapwing_tests::place::{lapwing, python, sources};
use lapwing_tests::process::Process;

use super::*;

/// A socket as a service manager's, and what was said on it.
fn notify_socket(home: &TempDir) -> (PathBuf, UnixDatagram) {
    let path = home.join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket can be made");
    socket.set_read_timeout(Some(SOON)).expect("a time-out can be set");
    (path, socket)
}

fn heard(socket: &UnixDatagram, wanted: &str) -> String {
    let mut buffer = [0; 1024];
    loop {
        let got = socket.recv(&mut buffer).unwrap_or_else(|error| panic!("{wanted} was never said: {error}"));
        let said = String::from_utf8_lossy(&buffer[..got]).into_owned();
        if said.contains(wanted) {
            return said;
        }
    }
}

#[test]
fn the_service_manager_hears_ready_the_watchdog_and_reloads() {
    let home = TempDir::new("notify");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let (path, socket) = notify_socket(&home);
    let agent = Agent::start(
        Command::new(lapwing()).args(["run", "--json", "--config"]).arg(&config).env("NOTIFY_SOCKET", &path),
    );
    heard(&socket, "READY=1");
    for _ in 0..3 {
        heard(&socket, "WATCHDOG=1");
    }
    for good in [true, false] {
        if !good {
            change(&config, "high = 21.0", "high = \"warm\"");
        }
        agent.signal(Signal::HUP);
        // Type=notify-reload asks for the moment on the monotonic clock (sd_notify(3)).
        let said = heard(&socket, "RELOADING=1");
        let moment = said.lines().find_map(|line| line.strip_prefix("MONOTONIC_USEC=")?.parse::<u64>().ok());
        assert!(moment.is_some_and(|moment| moment > 0), "{said}");
        heard(&socket, "READY=1");
        heard(&socket, "WATCHDOG=1");
    }
    assert!(agent.terminate().0.success());
}

#[test]
fn a_core_loop_that_hangs_feeds_the_watchdog_no_more() {
    let home = TempDir::new("hang");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    change(&config, "[http]\nenabled = false\n", "[http]\nlisten = \"127.0.0.1:0\"\n");
    let (path, socket) = notify_socket(&home);
    let agent = Agent::start(
        Command::new(lapwing()).args(["run", "--json", "--config"]).arg(&config).env("NOTIFY_SOCKET", &path),
    );
    for _ in 0..3 {
        heard(&socket, "WATCHDOG=1");
    }
    let script = sources().join("peers/hold_thread.py");
    let hold =
        Process::start("hold_thread", Command::new(python()).arg(script).args([&agent.id().to_string(), "core", "12"]));
    if hold.out.find(0, SOON, |line| (line.text == "held").then_some(())).is_none() {
        println!("not tried: a thread cannot be held here ({})", hold.err.tail());
        return;
    }
    // What was said before it was held, then nothing: systemd would restart it after WatchdogSec.
    socket.set_read_timeout(Some(Duration::from_millis(100))).expect("a time-out can be set");
    let mut buffer = [0; 1024];
    while socket.recv(&mut buffer).is_ok() {}
    socket.set_read_timeout(Some(Duration::from_secs(4))).expect("a time-out can be set");
    let silent = socket.recv(&mut buffer);
    assert!(silent.is_err(), "a loop that hangs feeds no watchdog: {:?}", silent.map(|got| buffer[..got].to_vec()));
    let health = page(&agent, "/health");
    assert!(health["state"] == "failing" && health["why"].to_string().contains("judging loop"), "{health}");
    // Let go, it goes on.
    socket.set_read_timeout(Some(SOON)).expect("a time-out can be set");
    hold.out.wait("released", 0, SOON, |line| (line.text == "released").then_some(()));
    heard(&socket, "WATCHDOG=1");
    assert_ne!(page(&agent, "/health")["state"], "failing");
    assert!(agent.terminate().0.success());
}
