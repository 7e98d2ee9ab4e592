//! Reaching the broker: credentials, TLS, and whatever something on that port may answer.

use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use super::rig::{Agent, Mosquitto, Subscriber, free_port, session, settings};
use crate::publish::{Connection, access, connection};
use crate::store::tests::{TestDir, wait_until};

/// CONNACK with every length up to its own and every bit flipped, wrong packets, wrong confirmations, noise.
fn wrong_answers() -> Vec<Vec<u8>> {
    let mut answers: Vec<Vec<u8>> = (0..4).map(|length| [0x20, 2, 0, 0][..length].to_vec()).collect();
    answers.extend((0..32).filter(|bit| *bit != 16).map(|bit| {
        let mut flipped = vec![0x20, 2, 0, 0];
        flipped[bit / 8] ^= 1 << (bit % 8);
        flipped
    }));
    let after_connack: [&[u8]; 9] = [
        &[0x40, 2, 0, 1],
        &[0x40, 2, 0xff, 0xff],
        &[0x50, 2, 0, 1],
        &[0x90, 3, 0, 1, 1, 0x30, 3, 0, 9, b'x'],
        &[0xf0, 0],
        &[0x30, 0],
        &[0x40, 0],
        &[0x90, 0],
        &[0x20, 0xff, 0xff, 0xff, 0xff, 0xff],
    ];
    answers.extend(after_connack.map(|rest| [&[0x20, 2, 0, 0], rest].concat()));
    answers.push((0..=255).collect());
    answers
}

#[test]
fn whatever_a_broker_answers_ends_only_that_connection() {
    let dir = TestDir::new("garbage");
    let nobody = std::net::SocketAddr::from(([127, 0, 0, 1], free_port()));
    let agent = Agent::start(&dir, settings(nobody));
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("it has an address");
    for answer in wrong_answers() {
        let options = access::options(&settings(address), &session("c1")).expect("no files are needed");
        let (tell, ended) = std::sync::mpsc::channel();
        let connection = agent.runtime.handle.spawn(connection::run(Arc::clone(&agent.publisher.shared), options));
        agent.runtime.handle.spawn(async move { tell.send(connection.await) });
        let (mut stream, _) = listener.accept().expect("the agent connects");
        let mut connect = [0_u8; 1024];
        assert!(stream.read(&mut connect).expect("CONNECT comes") > 0);
        stream.write_all(&answer).expect("the agent listens");
        // A connection that hears no more ends as well.
        stream.shutdown(std::net::Shutdown::Write).expect("still open");
        let outcome = ended.recv_timeout(Duration::from_secs(10));
        let outcome = outcome.unwrap_or_else(|_| panic!("{answer:02x?} left the connection hanging"));
        // A panic inside the library is its own; here it is caught as the end of a task.
        let fine = match &outcome {
            Ok(connection::Ended::Lost { why, .. }) => !why.to_string().is_empty(),
            Ok(connection::Ended::Stopped | connection::Ended::Renew) => false,
            Err(panic) => panic.is_panic(),
        };
        assert!(fine, "{answer:02x?} ended with {outcome:?}");
    }
    // None of it did harm.
    agent.events(3);
    let broker = Mosquitto::start_at(&dir, nobody, "");
    let listener = Subscriber::start(broker.address);
    agent.publisher.release();
    wait_until("all events", || listener.distinct() == 3);
    agent.stop();
}

#[test]
fn wrong_credentials_are_a_state_and_mended_ones_are_used() {
    let dir = TestDir::new("password");
    let users = dir.path().join("users");
    let made = Command::new("mosquitto_passwd").args(["-b", "-c"]).arg(&users).args(["agent", "right"]).status();
    assert!(made.expect("mosquitto_passwd is installed with mosquitto").success());
    readable(&users);
    let broker = Mosquitto::start(&dir, &format!("allow_anonymous false\npassword_file {}\n", users.display()));
    let password = dir.path().join("password");
    let mut with_user = settings(broker.address);
    with_user.user = Some("agent".into());
    with_user.password_file = Some(password.clone());
    let agent = Agent::start(&dir, with_user);
    let down = |wanted: &str| matches!(agent.publisher.state().connection, Connection::Down(_, why) if why.to_string().contains(wanted));
    wait_until("the missing file is named", || down("the password file") && down("cannot be read"));
    std::fs::write(&password, "wrong\n").expect("written");
    wait_until("the refusal is told", || down("refused the agent"));
    std::fs::write(&password, "right\n").expect("written");
    wait_until("connected", || matches!(agent.publisher.state().connection, Connection::Up(_)));
    agent.stop();
}

#[test]
fn tls_with_client_certificates() {
    let dir = TestDir::new("tls");
    let file = |name: &str| dir.path().join(name);
    certificates(&dir, "ca");
    certificates(&dir, "other-ca");
    let more = format!(
        "cafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
        file("ca.pem").display(),
        file("ca-server.pem").display(),
        file("ca-server.key").display()
    );
    let broker = Mosquitto::start(&dir, &more);
    let mut trusted = settings(broker.address);
    trusted.ca = Some(file("ca.pem"));
    trusted.client_certificate = Some((file("ca-client.pem"), file("ca-client.key")));
    let agent = Agent::start(&dir, trusted.clone());
    agent.release();
    agent.events(100);
    wait_until("all confirmed", || agent.publisher.state().events_confirmed == 100);
    agent.stop();

    let refused = |what: &str, settings: crate::plan::Mqtt, words: &[&str]| {
        let agent = Agent::start(&dir, settings);
        wait_until(what, || match agent.publisher.state().connection {
            Connection::Down(_, why) => words.iter().any(|word| why.to_string().contains(word)),
            Connection::Starting | Connection::Up(_) => false,
        });
        agent.stop();
    };
    let mut strange = trusted.clone();
    strange.ca = Some(file("other-ca.pem"));
    refused("a broker of another authority", strange, &["UnknownIssuer", "invalid peer certificate"]);
    let mut nameless = trusted.clone();
    nameless.client_certificate = None;
    refused(
        "no client certificate",
        nameless,
        &["CertificateRequired", "HandshakeFailure", "closed", "reset", "alert"],
    );
    let mut missing = trusted.clone();
    missing.ca = Some(file("nowhere.pem"));
    refused("a missing file", missing, &["the certificate authority file"]);
    let mut no_pem = trusted;
    no_pem.ca = Some(file("ca-client.key"));
    refused("a file without certificate", no_pem, &["holds no certificate"]);
}

/// An authority with a server's certificate for 127.0.0.1 and a client's.
fn certificates(dir: &TestDir, name: &str) {
    let script = format!(
        "set -e; umask 022; ec='-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes'; \
         openssl req -x509 $ec -keyout {name}.key -out {name}.pem -days 2 -subj /CN={name}; \
         for who in server client; do \
           openssl req $ec -keyout {name}-$who.key -out $who.csr -subj /CN=$who; \
           printf 'subjectAltName=IP:127.0.0.1\\nbasicConstraints=CA:FALSE\\n' > ext; \
           openssl x509 -req -in $who.csr -CA {name}.pem -CAkey {name}.key -CAcreateserial -out {name}-$who.pem -days 2 -extfile ext; \
         done; chmod 644 *.key"
    );
    let made = Command::new("sh").arg("-c").arg(script).current_dir(dir.path()).stderr(Stdio::null()).status();
    assert!(made.expect("sh is there").success(), "openssl is installed (apt install openssl)");
    readable(dir.path());
}

/// The broker drops root before it reads its files.
fn readable(path: &Path) {
    use std::os::unix::fs::PermissionsExt as _;
    let mode = if path.is_dir() { 0o755 } else { 0o644 };
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).expect("our own file");
}
