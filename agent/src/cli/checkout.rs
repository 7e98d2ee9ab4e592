//! `lapwing checkout --config PATH`: point-to-point checkout at the sensors, with a sign-off sheet.
//!
//! Polls the chosen points and nothing else, asks every device what it is, then goes from point to point with the person
//! (`dialogue`). Exit code 0 when every chosen point agrees, 1 when one differs or is not decided yet, 2 when it could not
//! be tried. Writes only into its own directory; what it publishes says mode `test`. Never panics.

mod dialogue;

use std::collections::BTreeMap;
use std::io::{BufRead as _, IsTerminal as _};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use tokio::sync::watch;

use super::run::could_not;
use super::stop::Signals;
use super::{CheckoutArgs, End, check, start_log};
use crate::config;
use crate::field::budget::counted;
use crate::field::identify::{Identity, NoIdentity};
use crate::field::{self, FieldHandle, FieldStats, identify};
use crate::plan::Plan;
use crate::service::RuntimeThread;
use crate::store::{FILE_NAME, Store};
use crate::witness::checkout::answers::Answers;
use crate::witness::checkout::board::Board;
use crate::witness::checkout::publish::Teller;
use crate::witness::checkout::record::Progress;
use crate::witness::checkout::select::{Choice, Target, reduced, select};
use dialogue::{Dialogue, Input, Source, Talk};

/// Checks points out.
pub(super) fn checkout(args: &CheckoutArgs) -> End {
    let loaded = match config::load(&args.config, std::env::vars(), &config::Overrides::default()) {
        Ok(loaded) => loaded,
        Err(mistakes) => return check::print_mistakes(&mistakes, args.json),
    };
    start_log("warn");
    match begin(args, loaded.plan) {
        Ok(end) => end,
        Err(why) => {
            eprintln!("{why}");
            End::NotTried
        }
    }
}

fn begin(args: &CheckoutArgs, plan: Plan) -> Result<End, String> {
    let choice = Choice { link: args.link.clone(), device: args.device.clone(), point: args.point.clone() };
    let targets = select(&plan, &choice).map_err(|error| error.to_string())?;
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from(format!("checkout-{}-{}", plan.module.site, plan.module.name)));
    let progress = Progress::open(&out, &plan.module.site, &plan.module.name).map_err(|error| error.to_string())?;
    let answers = args.answers.as_deref().map(|file| Answers::read(file, &plan)).transpose()?;
    let talk = Talk { json: args.json };
    let runtime = RuntimeThread::start().map_err(|error| format!("the host gave no event loop: {error}"))?;
    let inputs = inputs(answers.is_none()).map_err(|error| format!("the host gave no thread or signal: {error}"))?;
    let source = match answers {
        Some(answers) => Source::File(answers),
        None => Source::Typed { prompt: std::io::stdin().is_terminal() },
    };

    if agent_runs(&plan.store.dir) {
        talk.say("The agent is running on this host: serial lines are its own while it does, and its readings go on.");
    }
    let small = Arc::new(reduced(&plan, &targets));
    let (identities, heard_out) = identities(&small, &runtime, &talk);
    let polled = Arc::new(listened_to_already(&small, &heard_out));
    let teller = if args.silent {
        None
    } else {
        match Teller::start(&plan, &out, &runtime.handle) {
            Ok(teller) => Some(Arc::new(teller)),
            Err(error) => {
                talk.say(&format!("Nothing is published: {error}"));
                None
            }
        }
    };
    let board = Arc::new(Board::new(Plan::clone(&small)));
    let (stop, stopped) = watch::channel(false);
    let mut field = poll(&polled, &runtime, &board, teller.clone(), stopped);

    let mut dialogue = Dialogue::new(&plan, &targets, &board, progress, source, inputs, talk, identities);
    dialogue.wait_longest = Duration::from_secs(args.wait);
    dialogue.again = args.again;
    let ended = dialogue.run(Duration::from_secs(args.look));

    stop.send_replace(true);
    field.wait_ended();
    let sheet = dialogue.sheet(&plan);
    drop(field);
    if let Some(teller) = teller.and_then(Arc::into_inner) {
        if !teller.is_connected() {
            talk.say(&format!("The broker at {}:{} was not there.", plan.mqtt.broker.0, plan.mqtt.broker.1));
        }
        teller.stop();
    }
    runtime.stop();
    ended.map_err(|error| error.to_string())?;
    if let Err(error) = sheet.write(&out) {
        return Ok(could_not(&format!("write the sign-off sheet into {}", out.display()), &error));
    }
    let (agree, differ, open) = sheet.counts();
    talk.say(&format!(
        "{}: {agree} agree, {differ} differ, {open} not decided. Sign-off sheet: {} (and .csv beside it).",
        counted(targets.len(), "point"),
        out.join("sign-off.html").display()
    ));
    talk.object(&serde_json::json!({
        "summary": { "points": targets.len(), "agree": agree, "differ": differ, "not_decided": open },
    }));
    Ok(if agree == targets.len() { End::Done } else { End::No })
}

/// Lines that are typed, if anybody types, and the wish to stop.
fn inputs(typed: bool) -> std::io::Result<Receiver<Input>> {
    // A person types one line at a time; a pipe waits.
    let (sender, receiver) = sync_channel(1);
    let mut signals = Signals::catch()?;
    let stop: SyncSender<Input> = sender.clone();
    std::thread::Builder::new().name("signals".into()).spawn(move || {
        signals.wait(None);
        signals.insist();
        // The dialogue may be over.
        let _over = stop.send(Input::Stop);
    })?;
    if typed {
        std::thread::Builder::new().name("typed".into()).spawn(move || {
            for line in std::io::stdin().lock().lines() {
                let Ok(line) = line else { break };
                if sender.send(Input::Line(line)).is_err() {
                    return;
                }
            }
            let _over = sender.send(Input::Stop);
        })?;
    }
    Ok(receiver)
}

/// Starts the links of the small plan; what they say goes to the board and, if there is one, to the broker.
fn poll(
    small: &Arc<Plan>,
    runtime: &RuntimeThread,
    board: &Arc<Board>,
    teller: Option<Arc<Teller>>,
    stopped: watch::Receiver<bool>,
) -> FieldHandle {
    let stats: Arc<OnceLock<Arc<FieldStats>>> = Arc::default();
    let deliver: field::Deliver = {
        let (stats, board) = (Arc::clone(&stats), Arc::clone(board));
        Arc::new(move |message| {
            let latency = |device: usize| {
                let counters = stats.get().and_then(|stats| stats.devices.get(device));
                let us = counters.map_or(0, |c| c.latency_us.load(std::sync::atomic::Ordering::Relaxed));
                Duration::from_micros(us)
            };
            let readings = board.take(&message, latency);
            if let Some(teller) = &teller {
                teller.readings(&readings);
            }
        })
    };
    let field = field::start(Arc::clone(small), &runtime.handle, deliver, stopped);
    // Only this call fills it.
    let _filled = stats.set(field.stats());
    field
}

/// The plan with lines that were listened to just now, and spoken on, spared a second time of it.
fn listened_to_already(plan: &Plan, heard_out: &[bool]) -> Plan {
    let mut plan = plan.clone();
    for (link, _) in plan.links.iter_mut().zip(heard_out).filter(|(_, heard_out)| **heard_out) {
        link.listen_first = Duration::ZERO;
    }
    plan
}

/// Whether the devices of a link could be asked: its line is nobody else's.
fn was_spoken_on(outcomes: &[(u32, Result<Identity, NoIdentity>)]) -> bool {
    outcomes.iter().any(|(_, outcome)| !matches!(outcome, Err(NoIdentity::NotAsked(_))))
}

/// What every device says of itself, by its name, and which links were spoken on; all links are asked at once.
fn identities(small: &Arc<Plan>, runtime: &RuntimeThread, talk: &Talk) -> (BTreeMap<String, String>, Vec<bool>) {
    let (devices, links) = (counted(small.devices.len(), "device"), counted(small.links.len(), "link"));
    talk.say(&format!("Asking {devices} on {links} what they are …"));
    let asked: Vec<_> = (0u32..)
        .zip(&small.links)
        .map(|(index, _)| runtime.handle.spawn(identify::link(Arc::clone(small), index)))
        .collect();
    let (mut said, mut spoken_on) = (BTreeMap::new(), Vec::new());
    for link in asked {
        // A task ends in a panic only by a mistake of ours, which has then been reported.
        let outcomes = runtime.handle.block_on(link).unwrap_or_default();
        spoken_on.push(was_spoken_on(&outcomes));
        for (device, outcome) in outcomes {
            let Some(device) = small.devices.get(device as usize) else { continue };
            let text = outcome.map_or_else(|why| format!("({why})"), |identity| identity.to_string());
            said.insert(device.name.clone(), text);
        }
    }
    for device in &small.devices {
        talk.say(&format!("  {:<16} {}", device.name, said.get(&device.name).map_or("", String::as_str)));
    }
    (said, spoken_on)
}

/// Whether an agent has the store of this configuration open.
fn agent_runs(dir: &Path) -> bool {
    dir.join(FILE_NAME).exists() && matches!(Store::open(dir, 1), Err(crate::store::StoreError::InUse { .. }))
}

/// The target's point, device and link in the plan; all exist because the plan was selected from.
fn about<'p>(plan: &'p Plan, target: &Target) -> Option<(&'p crate::plan::Point, &'p str, &'p str)> {
    let point = plan.points.get(target.point)?;
    Some((point, &plan.devices.get(target.device)?.name, &plan.links.get(target.link)?.name))
}

#[cfg(test)]
mod tests {
    use super::*;
    use lapwing_engine::spec::Span;

    use crate::plan::{Link, Transport};

    fn link() -> Link {
        Link {
            name: "fans".into(),
            transport: Transport::ModbusTcp { host: "127.0.0.1".into(), port: 502 },
            timeout: Duration::from_secs(1),
            retries: 0,
            devices: Span::default(),
            state_point: 0,
            listen: false,
            listen_first: Duration::from_secs(10),
            masters_point: None,
            count_points: None,
        }
    }

    #[test]
    fn a_line_is_listened_to_once_unless_nobody_could_be_asked() {
        let asked = (0, Err(NoIdentity::Silence { timeout_ms: 100 }));
        let heard = (0, Err(NoIdentity::NotAsked("somebody else speaks on this line".into())));
        assert!(was_spoken_on(&[heard.clone(), asked]));
        assert!(was_spoken_on(&[(0, Err(NoIdentity::Refused(1)))]) && was_spoken_on(&[(0, Ok(Identity::default()))]));
        assert!(!was_spoken_on(&[heard]) && !was_spoken_on(&[]));

        let ten = Duration::from_secs(10);
        let plan = Plan { links: vec![link(), link(), link()], ..Plan::default() };
        let polled = listened_to_already(&plan, &[true, false]);
        assert_eq!(polled.links.iter().map(|link| link.listen_first).collect::<Vec<_>>(), [Duration::ZERO, ten, ten]);
    }
}
