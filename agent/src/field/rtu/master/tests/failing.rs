//! Spoilt answers, dead devices, a line that is unplugged: a fault with its reason, and the neighbours keep their scans.

use super::*;

/// Statuses of a line's faults when every answer is spoilt in this way.
fn spoilt(spoil: impl Fn(Vec<u8>) -> Vec<u8> + Send + Sync + 'static) -> Status {
    let pty = Pty::new(move |request| Deed::Say(spoil(right(request))));
    let mut rig = Rig::new();
    rig.start(Sketch::default().link(pty.transport(), 40).device(7).reads(Table::Holding, 0, 4).plan());
    rig.inbox.wait("faults", |all| faults(all, 0).len() >= 3);
    let all = rig.end();
    assert!(good(&all, 0).is_empty());
    faults(&all, 0)[0]
}

#[test]
fn a_spoilt_answer_is_a_fault_with_its_reason() {
    let garbled = Status::BAD_COMMUNICATION_ERROR;
    let noise = |n: u8| (0..40u8).map(|k| k.wrapping_mul(91) ^ n).collect::<Vec<u8>>();
    assert_eq!(spoilt(move |answer| [noise(3), answer].concat()), garbled, "noise before it");
    assert_eq!(spoilt(move |answer| [answer, noise(5)].concat()), garbled, "noise after it");
    let with = |at: usize, byte: u8| {
        move |mut answer: Vec<u8>| {
            answer[at] = byte;
            answer
        }
    };
    assert_eq!(spoilt(with(3, 0x55)), garbled, "damaged");
    assert_eq!(spoilt(|_| sealed(vec![8, 3, 8, 0, 1, 0, 2, 0, 3, 0, 4])), garbled, "another unit");
    assert_eq!(spoilt(|_| sealed(vec![7, 4, 8, 0, 1, 0, 2, 0, 3, 0, 4])), garbled, "another function");
    assert_eq!(spoilt(|_| sealed(vec![7, 3, 6, 0, 1, 0, 2, 0, 3])), garbled, "three registers for four");
    assert_eq!(spoilt(|answer| answer[..9].to_vec()), garbled, "cut short");
    assert_eq!(spoilt(|_| Vec::new()), Status::BAD_NO_COMMUNICATION, "silence");
}

#[test]
fn a_damaged_answer_now_and_then_costs_a_scan_and_no_alarm() {
    let asked = AtomicU64::new(0);
    let pty = Pty::new(move |request| {
        let mut answer = right(request);
        if asked.fetch_add(1, Ordering::Relaxed) % 40 == 20 {
            answer[4] ^= 0x10;
        }
        Deed::Say(answer)
    });
    let mut rig = Rig::new();
    rig.start(alike(pty.transport(), 40).plan());
    rig.inbox.wait("many scans", |all| good_and_wrong(all).0 >= 300);
    let all = rig.end();
    assert_eq!(good_and_wrong(&all).1, 0);
    assert!(states(&all).iter().all(|(_, _, up)| *up), "{:?}", states(&all));
}

#[test]
fn a_dead_device_leaves_its_neighbours_their_scans() {
    let dead = Arc::new(AtomicBool::new(false));
    let silent = Arc::clone(&dead);
    let pty = Pty::new(move |request| match request[0] {
        2 if silent.load(Ordering::Relaxed) => Deed::Ignore,
        _ => Deed::Say(right(request)),
    });
    let period = Duration::from_millis(250);
    let mut sketch = Sketch::default().link(pty.transport(), 100);
    for unit in 1..=3 {
        sketch =
            sketch.device(unit).reads_every(Table::Holding, 0, 4, period).reads_every(Table::Holding, 50, 10, period);
    }
    let mut rig = Rig::new();
    rig.start(sketch.plan());
    rig.inbox.wait_good(2, 2);
    let since = Instant::now();
    dead.store(true, Ordering::Relaxed);
    rig.inbox.wait("device down", |all| states(all).contains(&("device", 1, false)));
    assert!(since.elapsed() < Duration::from_secs(10), "told after {:?}", since.elapsed());
    dead.store(false, Ordering::Relaxed);
    rig.inbox.wait("its return", |all| states(all).last() == Some(&("device", 1, true)));
    let good_before = good(&rig.inbox.all(), 2).len();
    rig.inbox.wait_good(2, good_before + 2);
    let stats = rig.stats();
    let all = rig.end();
    assert!(faults(&all, 0).is_empty() && faults(&all, 5).is_empty(), "the neighbours' scans stay good");
    assert_eq!(stats.link(0).scans_skipped, 0);
    assert!(!states(&all).contains(&("link", 0, false)));
}

#[test]
fn a_device_of_single_registers_comes_back_too() {
    let dead = Arc::new(AtomicBool::new(true));
    let silent = Arc::clone(&dead);
    let pty =
        Pty::new(move |request| if silent.load(Ordering::Relaxed) { Deed::Ignore } else { Deed::Say(right(request)) });
    let mut rig = Rig::new();
    let sketch = Sketch::default().link(pty.transport(), 40).device(5);
    rig.start(sketch.reads(Table::Holding, 3, 1).reads(Table::Holding, 90, 1).plan());
    rig.inbox.wait("faults", |all| faults(all, 0).len() >= 2);
    dead.store(false, Ordering::Relaxed);
    rig.inbox.wait_good(0, 2);
    rig.inbox.wait_good(1, 2);
    rig.end();
}

#[test]
fn a_missing_line_is_a_state_until_it_is_plugged_in() {
    let pty = Pty::new(|request| Deed::Say(right(request)));
    let link = std::env::temp_dir().join(format!("lapwing-line-{}", std::process::id()));
    let transport = Transport::Serial { path: link.clone(), baud: 19_200, parity: Parity::Even, stop_bits: 1 };
    let mut rig = Rig::new();
    rig.start(Sketch::default().link(transport, 100).device(1).reads(Table::Holding, 0, 2).plan());
    rig.inbox.wait("link down", |all| states(all) == [("link", 0, false)]);
    std::os::unix::fs::symlink(&pty.path, &link).expect("a free name");
    rig.inbox.wait("link up", |all| states(all) == [("link", 0, false), ("link", 0, true)]);
    rig.inbox.wait_good(0, 1);
    std::fs::remove_file(&link).expect("made above");
    rig.end();
}
