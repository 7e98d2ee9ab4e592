//! Answers that come late never become another reading; without the quarantine they would.

use super::*;

/// Every fourth answer comes 0.5 to 3.5 time-outs late, without end and without order.
fn unpunctual(timeout_ms: u64) -> impl Fn(&[u8; 8]) -> Deed + Send + Sync + 'static {
    let asked = AtomicU64::new(0);
    move |request| {
        let n = asked.fetch_add(1, Ordering::Relaxed);
        let late_ms = timeout_ms / 2 + timeout_ms * (n * 37 % 31) / 10;
        if n % 4 == 3 {
            Deed::SayLate(right(request), Duration::from_millis(late_ms))
        } else {
            Deed::Say(right(request))
        }
    }
}

#[test]
fn values_of_all_tables_and_units_arrive_over_a_serial_line() {
    let pty = Pty::new(|request| match request[1] {
        1..=3 => Deed::Say(right(request)),
        _ => Deed::Say(sealed(vec![request[0], request[1] | 0x80, 2])),
    });
    let mut rig = Rig::new();
    let sketch = Sketch::default().link(pty.transport(), 200).device(1).reads(Table::Holding, 10, 125);
    let sketch = sketch.reads(Table::Coil, 0, 11).device(2).reads(Table::Holding, 0, 2).reads(Table::Input, 0, 1);
    rig.start(sketch.plan());
    (0..3).for_each(|transaction| rig.inbox.wait_good(transaction, 3));
    rig.inbox.wait("a refusal", |all| faults(all, 3).len() >= 2);
    let figures = rig.stats().link(0);
    let all = rig.end();
    assert_eq!(registers(good(&all, 0)[0])[124], 1134);
    let bits: Vec<bool> =
        good(&all, 1)[0].raws.iter().map(|raw| *raw == lapwing_engine::spec::Raw::Bit(true)).collect();
    assert_eq!(bits, [false, true, true, false, false, true, false, true, false, true, true]);
    assert_eq!(registers(good(&all, 2)[0]), [2000, 2001]);
    assert!(faults(&all, 3).iter().all(|s| *s == Status::BAD_NOT_FOUND));
    assert_eq!((figures.timeouts, figures.garbled), (0, 0), "{figures:?}");
}

#[test]
fn late_answers_on_a_serial_line_never_become_another_reading() {
    let pty = Pty::new(unpunctual(40));
    let mut rig = Rig::new();
    rig.start(alike(pty.transport(), 40).plan());
    rig.inbox.wait("many good scans", |all| good_and_wrong(all).0 >= 60);
    let stats = rig.stats();
    let (right, wrong) = good_and_wrong(&rig.end());
    assert!(stats.link(0).timeouts >= 6, "{:?}", stats.link(0));
    assert_eq!(wrong, 0, "of {right}");
}

#[test]
fn late_answers_behind_a_gateway_never_become_another_reading() {
    let mut rig = Rig::new();
    rig.start(alike(gateway(unpunctual(40)), 40).plan());
    rig.inbox.wait("many good scans", |all| good_and_wrong(all).0 >= 60);
    let (right, wrong) = good_and_wrong(&rig.end());
    assert_eq!(wrong, 0, "of {right}");
}

/// The control: the same line and the same late answers, believed as if they named their request.
#[test]
fn without_the_quarantine_the_same_line_gives_wrong_readings() {
    let Transport::ModbusRtuTcp { host, port, baud } = gateway(unpunctual(120)) else { panic!("a gateway") };
    let transport = Transport::ModbusRtuTcp { host: host.clone(), port, baud };
    let plan = alike(transport, 120).plan();
    let inbox = Inbox::default();
    let stop = watch::Sender::new(false);
    let poll = Poll::new(Arc::clone(&plan), 0, Arc::new(FieldStats::of(&plan)), inbox.deliver(), Trust::Named);
    let stopped = stop.subscribe();
    let open = move || Ok(Box::new(Gateway::open(&host, port, baud, Duration::from_secs(1))?) as Box<dyn Line>);
    let master = thread::spawn(move || run(poll, open, Duration::ZERO, &stopped));
    inbox.wait("a wrong reading", |all| good_and_wrong(all).1 > 0);
    stop.send_replace(true);
    master.join().expect("no panic");
}
