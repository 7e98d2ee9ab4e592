//! Other masters on the line: not spoken over, told, heard out; and only heard where that is what the link is for.

use super::*;
use crate::field::FieldMessage;

/// A pseudo-terminal whose far end the test itself holds: what other people say on the line.
struct Wire {
    far: TTYPort,
    _near: TTYPort,
    path: PathBuf,
}

impl Wire {
    fn new() -> Self {
        let (mut far, near) = TTYPort::pair().expect("a pseudo-terminal");
        far.set_timeout(Duration::from_millis(5)).expect("a time-out");
        let path = PathBuf::from(near.name().expect("has a name"));
        Self { far, _near: near, path }
    }

    fn transport(&self) -> Transport {
        Transport::Serial { path: self.path.clone(), baud: 115_200, parity: Parity::None, stop_bits: 1 }
    }

    fn say(&mut self, bytes: &[u8]) {
        self.far.write_all(bytes).expect("somebody may hear it");
    }

    /// What the agent has said since the last call.
    fn hear(&mut self) -> Vec<u8> {
        let mut bytes = [0; 512];
        match self.far.read(&mut bytes) {
            Ok(got) => bytes[..got].to_vec(),
            Err(_) => Vec::new(),
        }
    }
}

fn masters(messages: &[FieldMessage]) -> Vec<bool> {
    let told = |message: &FieldMessage| match message {
        FieldMessage::Masters { another, .. } => Some(*another),
        _ => None,
    };
    messages.iter().filter_map(told).collect()
}

fn listening(wire: &Wire, listen: bool, first_ms: u64) -> Sketch {
    let mut sketch = Sketch::default().link(wire.transport(), 60);
    let link = sketch.plan.links.last_mut().expect("made above");
    (link.listen, link.listen_first) = (listen, Duration::from_millis(first_ms));
    link.masters_point = (!listen).then_some(0);
    sketch
}

#[test]
fn the_agent_does_not_speak_where_it_hears_another_master_and_does_when_that_has_gone() {
    let mut wire = Wire::new();
    let mut rig = Rig::new();
    rig.start(listening(&wire, false, 300).device(7).reads(Table::Holding, 0, 4).plan());
    let (mut said, begun) = (Vec::new(), Instant::now());
    while begun.elapsed() < Duration::from_secs(2) {
        wire.say(&request(3, four()));
        wire.say(&right(&request(3, four())));
        said.extend(wire.hear());
    }
    assert!(said.is_empty(), "not a byte, but {said:?}");
    let why = rig.inbox.all().iter().find_map(|message| match message {
        FieldMessage::LinkState { up: false, why, .. } => Some(why.to_string()),
        _ => None,
    });
    assert!(why.is_some_and(|why| why.contains("another master") && why.contains("listen = true")));
    assert_eq!(masters(&rig.inbox.all()), [true]);
    let mut asked = Vec::new();
    let waited = Instant::now();
    while asked.len() < REQUEST_LEN && waited.elapsed() < Duration::from_secs(10) {
        asked.extend(wire.hear());
    }
    assert_eq!(asked[..REQUEST_LEN], request(7, four()));
    rig.end();
}

#[test]
fn noise_and_late_answers_are_no_master() {
    let mut wire = Wire::new();
    let mut rig = Rig::new();
    rig.start(listening(&wire, false, 300).device(7).reads(Table::Holding, 0, 4).plan());
    wire.say(&right(&request(3, four())));
    wire.say(&[0x00, 0xFF, 0x7E, 3, 3, 8]);
    let mut asked = Vec::new();
    let waited = Instant::now();
    while asked.len() < REQUEST_LEN && waited.elapsed() < Duration::from_secs(10) {
        asked.extend(wire.hear());
    }
    assert_eq!(asked[..REQUEST_LEN], request(7, four()));
    assert_eq!(masters(&rig.end()), [false]);
}

/// The other master asks the same unit for as many registers as we do, elsewhere: its reply looks like ours.
#[test]
fn the_reply_to_another_masters_request_is_waited_for_and_not_taken_for_ours() {
    let pace = Pace::of(115_200, Parity::None, 1, false, LUMP);
    let theirs = request(7, Read::new(Table::Holding, 100, 4).expect("allowed"));
    // Their request lies in the line when we want to speak; nothing answers it.
    let (mut master, sent_at) = paper(pace, vec![right(&request(7, four()))], &theirs);
    let begun = Instant::now();
    let timeout = Duration::from_millis(80);
    assert_eq!(master.ask(7, four(), timeout, Duration::ZERO), Ok(Values::Registers(vec![7000, 7001, 7002, 7003])));
    assert_eq!(std::mem::take(&mut master.foreign), (1, 7));
    let waited = sent_at.lock().expect("no panic")[0] - begun;
    assert!(waited >= timeout, "spoke after {waited:?}, where their reply could still come");
    // With its reply behind it there is nothing to wait for.
    let (mut master, sent_at) = paper(pace, vec![right(&request(7, four()))], &[&theirs[..], &right(&theirs)].concat());
    let begun = Instant::now();
    master.ask(7, four(), timeout, Duration::ZERO).expect("answered");
    assert!(sent_at.lock().expect("no panic")[0] - begun < timeout);
    assert_eq!(master.foreign, (1, 7));
}

#[test]
fn a_second_master_is_told_while_the_agent_speaks_and_nothing_of_it_is_believed() {
    let (mut far, near) = TTYPort::pair().expect("a pseudo-terminal");
    let path = PathBuf::from(near.name().expect("has a name"));
    far.set_timeout(Duration::from_millis(5)).expect("a time-out");
    let over = Arc::new(AtomicBool::new(false));
    let ended = Arc::clone(&over);
    let line = thread::spawn(move || {
        let (mut bytes, mut n) = (Vec::new(), 0u16);
        while !ended.load(Ordering::Relaxed) {
            let mut lump = [0; 64];
            if let Ok(got) = far.read(&mut lump) {
                bytes.extend_from_slice(&lump[..got]);
            }
            while bytes.len() >= REQUEST_LEN {
                let asked: [u8; REQUEST_LEN] =
                    bytes.drain(..REQUEST_LEN).collect::<Vec<_>>().try_into().expect("eight");
                n += 1;
                let _ = far.write_all(&right(&asked));
                if n % 5 == 0 {
                    // The other one asks the same unit for four registers, 500 further on, and is answered late.
                    let theirs = request(1, Read::new(Table::Holding, 500, 4).expect("allowed"));
                    thread::sleep(Duration::from_millis(4));
                    let _ = far.write_all(&theirs);
                    thread::sleep(Duration::from_millis(u64::from(n % 25)));
                    let _ = far.write_all(&right(&theirs));
                }
            }
        }
    });
    let transport = Transport::Serial { path, baud: 115_200, parity: Parity::None, stop_bits: 1 };
    let mut rig = Rig::new();
    let mut sketch = alike(transport, 60);
    sketch.plan.links[0].masters_point = Some(0);
    rig.start(sketch.plan());
    rig.inbox.wait("many good scans", |all| good_and_wrong(all).0 >= 150);
    let all = rig.end();
    over.store(true, Ordering::Relaxed);
    line.join().expect("no panic");
    assert_eq!(good_and_wrong(&all).1, 0);
    assert_eq!(masters(&all), [false, true], "told, and once");
    drop(near);
}

#[test]
fn a_listening_link_reads_what_another_master_asks_and_never_speaks() {
    let mut wire = Wire::new();
    let mut rig = Rig::new();
    let sketch = listening(&wire, true, 0).device(3).reads(Table::Holding, 12, 2).reads(Table::Coil, 0, 3);
    rig.start(sketch.device(4).reads(Table::Holding, 0, 1).plan());
    let (block, bits) = (
        request(3, Read::new(Table::Holding, 10, 8).expect("allowed")),
        request(3, Read::new(Table::Coil, 0, 8).expect("allowed")),
    );
    let other = request(4, Read::new(Table::Holding, 0, 3).expect("allowed"));
    let (mut said, begun) = (Vec::new(), Instant::now());
    loop {
        for ask in [&block, &bits, &other] {
            wire.say(ask);
            wire.say(&right(ask));
        }
        // A reply whose question nobody heard, and a part of one.
        wire.say(&right(&request(3, Read::new(Table::Holding, 700, 8).expect("allowed"))));
        wire.say(&block);
        wire.say(&right(&block)[..9]);
        said.extend(wire.hear());
        let all = rig.inbox.all();
        if (0..3).all(|transaction| good(&all, transaction).len() >= 5) {
            break;
        }
        assert!(begun.elapsed() < Duration::from_secs(10), "heard nothing");
    }
    let all = rig.end();
    assert!(said.is_empty(), "not a byte, but {said:?}");
    assert!(good(&all, 0).iter().all(|batch| registers(batch) == [3012, 3013]), "cut out of the larger answer");
    assert!(good(&all, 2).iter().all(|batch| registers(batch) == [4000]));
    let told = states(&all);
    assert!(
        told.contains(&("link", 0, true)) && told.contains(&("device", 0, true)) && told.contains(&("device", 1, true))
    );
}

#[test]
fn two_devices_of_one_address_are_named_and_noise_on_the_whole_line_is_not_taken_for_them() {
    let named = |garbles: fn(u8) -> bool| {
        let pty = Pty::new(move |request| {
            let mut answer = right(request);
            if garbles(request[0]) {
                // Two answers over each other: a bit that either pulls down is down.
                let second: Vec<u8> = answer.iter().map(|byte| byte.rotate_left(1)).collect();
                answer.iter_mut().zip(second).for_each(|(byte, other)| *byte &= other);
            }
            Deed::Say(answer)
        });
        let mut rig = Rig::new();
        rig.start(alike(pty.transport(), 40).plan());
        rig.inbox.wait("something down", |all| states(all).iter().any(|(_, _, up)| !up));
        let all = rig.end();
        let why = all.iter().find_map(|message| match message {
            FieldMessage::DeviceState { up: false, device, why, .. } => Some((*device, why.to_string())),
            FieldMessage::LinkState { up: false, why, .. } => Some((99, why.to_string())),
            _ => None,
        });
        why.expect("waited for")
    };
    let (device, why) = named(|unit| unit == 2);
    assert!(device == 1 && why.contains("two devices answer as unit 2"), "{device}: {why}");
    let (_, why) = named(|_| true);
    assert!(!why.contains("two devices answer as"), "{why}");
}

/// The faster of two may be heard well now and then: that makes neither of them right.
#[test]
fn a_device_named_for_its_address_stays_named_over_good_answers() {
    let turn = std::sync::atomic::AtomicU32::new(0);
    let pty = Pty::new(move |request| {
        let mut answer = right(request);
        // Of three answers one gets through.
        if request[0] == 2 && !turn.fetch_add(1, Ordering::Relaxed).is_multiple_of(3) {
            answer[3] ^= 0x10;
        }
        Deed::Say(answer)
    });
    let mut rig = Rig::new();
    rig.start(alike(pty.transport(), 40).plan());
    let is_naming = |message: &FieldMessage| match message {
        FieldMessage::Notice { device: Some(1), what, .. } => what.to_string().contains("two devices answer as unit 2"),
        _ => false,
    };
    rig.inbox.wait("it is named", |all| all.iter().any(is_naming));
    let before = rig.inbox.all().len();
    rig.inbox.wait("good answers", |all| all.len() > before + 400);
    let all = rig.end();
    assert_eq!(all.iter().filter(|message| is_naming(message)).count(), 1, "said once, not at each garbled answer");
}

#[test]
fn a_line_that_is_in_use_is_not_opened_and_says_so() {
    let pty = Pty::new(|request| Deed::Say(right(request)));
    let open = || crate::field::rtu::line::Serial::open(&pty.path, 115_200, Parity::None, 2);
    let first = open().expect("nobody has it");
    let why = open().expect_err("it is taken").to_string();
    assert!(why.contains("exclusive lock") && why.contains("no other program has it"), "{why}");
    drop(first);
    open().expect("free again");
}

#[test]
fn an_adapter_that_is_unplugged_and_plugged_in_again_comes_back() {
    let link = std::env::temp_dir().join(format!("lapwing-adapter-{}", std::process::id()));
    let plugged = |wire: &Wire| std::os::unix::fs::symlink(&wire.path, &link).expect("a free name");
    let answer = |wire: &mut Wire, rig: &Rig, at_least: usize| {
        let begun = Instant::now();
        while good(&rig.inbox.all(), 0).len() < at_least {
            assert!(begun.elapsed() < Duration::from_secs(15), "no readings");
            if let Ok(asked) = <[u8; REQUEST_LEN]>::try_from(wire.hear()) {
                wire.say(&right(&asked));
            }
        }
    };
    let mut wire = Wire::new();
    plugged(&wire);
    let transport = Transport::Serial { path: link.clone(), baud: 115_200, parity: Parity::None, stop_bits: 1 };
    let mut rig = Rig::new();
    rig.start(Sketch::default().link(transport, 60).device(7).reads(Table::Holding, 0, 4).plan());
    answer(&mut wire, &rig, 2);
    std::fs::remove_file(&link).expect("made above");
    drop(wire);
    rig.inbox.wait("link down", |all| states(all).last() == Some(&("link", 0, false)));
    let mut wire = Wire::new();
    plugged(&wire);
    let before = good(&rig.inbox.all(), 0).len();
    answer(&mut wire, &rig, before + 2);
    std::fs::remove_file(&link).expect("made above");
    assert_eq!(states(&rig.end()), [("link", 0, true), ("link", 0, false), ("link", 0, true)]);
}

/// Whatever one answer looks like, it is right or it is refused, and the next one is heard.
#[test]
fn every_disturbance_costs_at_most_its_own_transaction() {
    let pace = Pace::of(115_200, Parity::None, 1, false, LUMP);
    let ours = right(&request(7, four()));
    let noise: Vec<u8> = (0..23u8).map(|n| n.wrapping_mul(91) ^ 0x5A).collect();
    let other = right(&request(8, four()));
    let theirs = request(7, Read::new(Table::Holding, 100, 4).expect("allowed"));
    let other_function = sealed(vec![7, 4, 8, 0, 1, 0, 2, 0, 3, 0, 4]);
    let other_length = sealed(vec![7, 3, 4, 0, 1, 0, 2]);
    let mut damaged = ours.clone();
    damaged[5] ^= 0x20;
    let inside = [&ours[..6], &noise[..3], &ours[6..]].concat();
    let cases: Vec<(&str, Vec<u8>, bool)> = vec![
        ("nothing", Vec::new(), false),
        ("noise before", [&noise[..], &ours].concat(), false),
        ("noise inside", inside, false),
        ("noise after", [&ours[..], &noise].concat(), false),
        ("damaged", damaged, false),
        ("short", ours[..7].to_vec(), false),
        ("long", [&ours[..], &[0]].concat(), false),
        ("another function", other_function.clone(), false),
        ("another length", other_length.clone(), false),
        ("another unit", other.clone(), false),
        ("another unit's answer before ours", [&other[..], &ours].concat(), true),
        ("another unit's answer after ours", [&ours[..], &other].concat(), false),
        ("another master's request and its answer before ours", [&theirs[..], &right(&theirs), &ours].concat(), false),
        ("another master's answer of another length before ours", [&other_length[..], &ours].concat(), false),
        ("another master's answer of another function before ours", [&other_function[..], &ours].concat(), false),
        ("our answer twice", [&ours[..], &ours].concat(), false),
    ];
    for (name, answer, believed) in cases {
        let (mut master, _) = paper(pace, vec![answer.clone(), ours.clone()], &[]);
        let timeout = Duration::from_millis(30);
        let values = Ok(Values::Registers(vec![7000, 7001, 7002, 7003]));
        let first = master.ask(7, four(), timeout, Duration::ZERO);
        assert!(if believed { first == values } else { first.is_err() }, "{name}: {first:?}");
        assert!(believed || answer.is_empty() || matches!(first, Err(Failure::Garbled(_))), "{name}: {first:?}");
        assert_eq!(master.ask(7, four(), timeout, Duration::ZERO), values, "after {name}");
    }
}
