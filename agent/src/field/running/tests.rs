//! Links that go on under the next plan keep their connection and are told in its numbers; the others end and begin.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Instant;

use super::*;
use crate::field::FieldMessage;
use crate::field::testing::{Inbox, Rig, Sketch, good, registers};
use crate::plan::Table;

/// Answers every read with registers of one value, and counts connections. Ends with the test's process.
fn device(value: u16) -> (u16, Arc<AtomicU32>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("bound").port();
    let connections: Arc<AtomicU32> = Arc::default();
    let counted = Arc::clone(&connections);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            counted.fetch_add(1, Ordering::SeqCst);
            std::thread::spawn(move || {
                let mut asked = [0; 12];
                while stream.read_exact(&mut asked).is_ok() {
                    let count = asked[11];
                    let mut answer = vec![asked[0], asked[1], 0, 0, 0, 3 + 2 * count, asked[6], asked[7], 2 * count];
                    (0..count).for_each(|_| answer.extend(value.to_be_bytes()));
                    if stream.write_all(&answer).is_err() {
                        return;
                    }
                }
            });
        }
    });
    (port, connections)
}

fn named(sketch: Sketch, names: &[&str]) -> Arc<Plan> {
    let mut plan = sketch.plan;
    for (link, name) in plan.links.iter_mut().zip(names) {
        link.name = (*name).to_owned();
    }
    for (n, point) in plan.points.iter_mut().enumerate() {
        point.path = format!("p/{n}");
    }
    for (device, name) in plan.devices.iter_mut().zip(names) {
        device.name = (*name).to_owned();
    }
    Arc::new(plan)
}

fn values(messages: &[FieldMessage], transaction: u32) -> Vec<u16> {
    good(messages, transaction).iter().flat_map(|batch| registers(batch)).collect()
}

#[test]
fn a_link_that_goes_on_keeps_its_connection_under_new_numbers() {
    let (rig, inbox) = (Rig::new(), Inbox::default());
    let ((a, of_a), (b, of_b), (c, of_c)) = (device(10), device(20), device(30));
    let read = |sketch: Sketch, port| sketch.tcp(port, 500).device(1).reads(Table::Holding, 0, 2);
    let first = named(read(read(Sketch::default(), a), b), &["a", "b"]);
    let mut running = Running::start(Arc::clone(&first), rig.runtime.handle(), inbox.deliver(), Arc::default());
    inbox.wait_good(0, 3);
    inbox.wait_good(1, 3);
    assert!(values(&inbox.all(), 0).iter().all(|value| *value == 10));

    // `a` is gone, `c` stands where it stood, `b` goes on.
    let second = named(read(read(Sketch::default(), c), b), &["c", "b"]);
    let going = running.compare(&second);
    assert_eq!(going.moves.iter().map(|place| (place.from, place.to)).collect::<Vec<_>>(), [(1, 1)]);
    let stats = running.stats();
    let mut between = Vec::new();
    running.follow(second, going, || {
        between = inbox.all();
        inbox.clear();
    });
    assert!(values(&between, 0).iter().all(|value| *value == 10), "the link that ended said nothing after");
    inbox.wait_good(0, 3);
    inbox.wait_good(1, 3);
    assert!(values(&inbox.all(), 0).iter().all(|value| *value == 30));
    assert_eq!([&of_a, &of_b, &of_c].map(|count| count.load(Ordering::SeqCst)), [1; 3]);
    assert!(running.stats().device(1).requests > stats.device(1).requests.saturating_sub(1), "its counts go on");

    // `b` alone, in the first place.
    let third = named(read(Sketch::default(), b), &["b"]);
    let going = running.compare(&third);
    let begun = Instant::now();
    running.follow(Arc::clone(&third), going, || inbox.clear());
    inbox.wait_good(0, 3);
    let all = inbox.all();
    assert!(values(&all, 0).iter().all(|value| *value == 20), "{:?}", begun.elapsed());
    assert!(!all.iter().any(|message| matches!(message, FieldMessage::LinkState { .. })), "its state is not told anew");
    assert_eq!(of_b.load(Ordering::SeqCst), 1, "its connection was not torn down");

    // The same plan again: nothing moves.
    let going = running.compare(&third);
    running.follow(third, going, || ());
    inbox.clear();
    inbox.wait_good(0, 2);
    assert_eq!(of_b.load(Ordering::SeqCst), 1);
    running.stop();
    let said = inbox.all().len();
    inbox.wait_alone();
    assert_eq!(inbox.all().len(), said, "nothing is said after the end");
}
