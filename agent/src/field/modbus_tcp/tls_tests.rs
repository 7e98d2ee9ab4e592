//! Modbus inside TLS against a server with certificates of its own: both versions, mutual trust, every refusal in words.

use std::path::PathBuf;
use std::sync::Arc;

use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig, SupportedProtocolVersion};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

use super::tests::right;
use crate::field::FieldMessage;
use crate::field::testing::{Rig, Sketch, good, registers, states};
use crate::plan::{Table, Tls, Transport};
use crate::tls::testing::{Certificates, chain, key};

fn server(rig: &Rig, at: &Certificates, versions: &[&'static SupportedProtocolVersion], requests: usize) -> u16 {
    let mut clients = RootCertStore::empty();
    chain(&at.authority()).into_iter().for_each(|certificate| clients.add(certificate).expect("an authority"));
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(clients), Arc::clone(&provider)).build();
    let config = ServerConfig::builder_with_provider(provider)
        .with_protocol_versions(versions)
        .expect("versions the provider has")
        .with_client_cert_verifier(verifier.expect("an authority is there"))
        .with_single_cert(chain(&at.file("server.pem")), key(&at.file("server.key")))
        .expect("a certificate and its key");
    let acceptor = TlsAcceptor::from(Arc::new(config));
    let listener = rig.runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    rig.runtime.spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            let acceptor = acceptor.clone();
            tokio::spawn(async move {
                let Ok(mut stream) = acceptor.accept(stream).await else { return };
                let mut request = [0; 12];
                // After so many requests it hangs up without a word of TLS.
                for _ in 0..requests {
                    if stream.read_exact(&mut request).await.is_err() {
                        return;
                    }
                    let answered = stream.write_all(&right(&request)).await;
                    if answered.is_err() || stream.flush().await.is_err() {
                        return;
                    }
                }
            });
        }
    });
    port
}

fn plan(port: u16, tls: Tls) -> Sketch {
    let transport = Transport::ModbusTls { host: "127.0.0.1".into(), port, tls };
    Sketch::default().link(transport, 2000).device(1).reads(Table::Holding, 10, 3)
}

fn trusted(at: &Certificates) -> Tls {
    Tls { ca: at.authority(), server_name: None, client: Some((at.file("client.pem"), at.file("client.key"))) }
}

#[test]
fn values_arrive_in_both_versions() {
    let at = Certificates::new("versions");
    for version in [&rustls::version::TLS12, &rustls::version::TLS13] {
        let mut rig = Rig::new();
        let port = server(&rig, &at, &[version], usize::MAX);
        rig.start(plan(port, trusted(&at)).plan());
        rig.inbox.wait_good(0, 3);
        let all = rig.end();
        assert_eq!(registers(good(&all, 0)[0]), [10, 11, 12], "{version:?}");
        assert_eq!(states(&all), [("link", 0, true)]);
    }
}

#[test]
fn a_connection_that_ends_is_made_anew() {
    let at = Certificates::new("anew");
    let mut rig = Rig::new();
    let port = server(&rig, &at, &[&rustls::version::TLS13], 3);
    rig.start(plan(port, trusted(&at)).plan());
    rig.inbox.wait_good(0, 8);
    let connects = rig.stats().links[0].connects.load(std::sync::atomic::Ordering::Relaxed);
    assert!(connects >= 3, "{connects} connections");
    rig.end();
}

/// Why the link is down.
fn refusal(rig: Rig, plan: Sketch) -> String {
    let mut rig = rig;
    rig.start(plan.plan());
    rig.inbox.wait("link down", |all| states(all).contains(&("link", 0, false)));
    let all = rig.end();
    assert!(good(&all, 0).is_empty(), "nothing may be read");
    let why = all.into_iter().find_map(|message| match message {
        FieldMessage::LinkState { up: false, why, .. } => Some(why.to_string()),
        _ => None,
    });
    why.expect("it was told")
}

#[test]
fn strangers_are_refused_and_the_words_say_why() {
    let at = Certificates::new("refused");
    let other = Certificates::new("stranger");
    let both = [&rustls::version::TLS12, &rustls::version::TLS13];

    let rig = Rig::new();
    let port = server(&rig, &at, &both, usize::MAX);
    let why = refusal(rig, plan(port, Tls { ca: other.authority(), ..trusted(&at) }));
    assert!(why.contains("TLS with 127.0.0.1") && why.contains("check `ca`"), "{why}");

    // TLS 1.3 tells a client without certificate only after the handshake.
    for version in both {
        let rig = Rig::new();
        let port = server(&rig, &at, &[version], usize::MAX);
        let why = refusal(rig, plan(port, Tls { client: None, ..trusted(&at) }));
        let told = ["CertificateRequired", "HandshakeFailure", "without a word", "ended it"];
        assert!(told.iter().any(|word| why.contains(word)), "{version:?}: {why}");
    }

    let rig = Rig::new();
    let port = server(&rig, &at, &both, usize::MAX);
    let why = refusal(rig, plan(port, Tls { ca: PathBuf::from("/nowhere/ca.pem"), ..trusted(&at) }));
    assert!(why.contains("/nowhere/ca.pem"), "{why}");

    // The certificate is for 127.0.0.1, not for this name.
    let rig = Rig::new();
    let port = server(&rig, &at, &both, usize::MAX);
    let transport = Transport::ModbusTls { host: "localhost".into(), port, tls: trusted(&at) };
    let named = Sketch::default().link(transport, 2000).device(1).reads(Table::Holding, 10, 3);
    let why = refusal(rig, named);
    assert!(why.contains("not valid for name") || why.contains("NotValidForName"), "{why}");
}

/// A gateway reached by an address that its certificate does not carry.
#[test]
fn the_name_of_the_certificate_may_be_another_than_the_host() {
    let at = Certificates::new("named");
    let mut rig = Rig::new();
    let port = server(&rig, &at, &[&rustls::version::TLS13], usize::MAX);
    let tls = Tls { server_name: Some("127.0.0.1".into()), ..trusted(&at) };
    let transport = Transport::ModbusTls { host: "localhost".into(), port, tls };
    rig.start(Sketch::default().link(transport, 2000).device(1).reads(Table::Holding, 10, 3).plan());
    rig.inbox.wait_good(0, 2);
    assert_eq!(registers(good(&rig.end(), 0)[0]), [10, 11, 12]);

    let rig = Rig::new();
    let port = server(&rig, &at, &[&rustls::version::TLS13], usize::MAX);
    let tls = Tls { server_name: Some("gateway-1.plant.example".into()), ..trusted(&at) };
    let why = refusal(rig, plan(port, tls));
    assert!(why.contains("`server_name`"), "{why}");
}

#[test]
fn a_server_that_speaks_no_tls_is_a_state() {
    let at = Certificates::new("plain");
    let rig = Rig::new();
    let listener = rig.runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    rig.runtime.spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let _heard = stream.write_all(&[0, 1, 0, 0, 0, 3, 1, 0x83, 1]).await;
        }
    });
    let why = refusal(rig, plan(port, trusted(&at)));
    assert!(why.contains("TLS with"), "{why}");
}
