//! Power cuts at block level: the writing process is stopped, the block image below the file system copied, and the copy
//! mounted as after a return of power. What the store reported durable must be in it.
//!
//! Real parts: ext4 on a loop device over a file. What the process wrote and did not sync is in the page cache above the
//! image and so not in the copy, as with a real cut. The block in which the next write would begin is also overwritten
//! with rubbish, as a drive may leave the sector it was writing. The same with `synchronous=NORMAL` must lose events, or the test looks at nothing.
//! Needs root for the mounts; without it nothing is tried, and the test says so. `LAPWING_TEST_CUTS` is the number of
//! cuts, 10 without it (`tests/run powercut`: 200).

use std::io::{Read as _, Seek as _, SeekFrom};

use rustix::process::{Pid, Signal, kill_process};

use super::*;

pub(super) const SYNCHRONOUS: &str = "LAPWING_TEST_STORE_SYNCHRONOUS";
const IMAGE_MIB: u64 = 48;
const BLOCK: u64 = 4096;

fn cuts() -> u64 {
    std::env::var("LAPWING_TEST_CUTS").ok().and_then(|text| text.parse().ok()).unwrap_or(10)
}

fn run(program: &str, arguments: &[&str]) -> Result<(), String> {
    let done = Command::new(program).args(arguments).output().map_err(|error| format!("{program}: {error}"))?;
    if done.status.success() {
        return Ok(());
    }
    Err(format!("{program} {arguments:?}: {}", String::from_utf8_lossy(&done.stderr)))
}

/// A file with a file system in it, mounted through a loop device.
struct Disk {
    image: PathBuf,
    at: PathBuf,
}

impl Disk {
    fn mount(image: PathBuf, at: PathBuf) -> Result<Self, String> {
        std::fs::create_dir_all(&at).map_err(|error| error.to_string())?;
        run("mount", &["-o", "loop", &image.to_string_lossy(), &at.to_string_lossy()])?;
        Ok(Self { image, at })
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // A process that was killed a moment ago may still hold it.
        for _ in 0..100 {
            if run("umount", &[&self.at.to_string_lossy()]).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let _last = run("umount", &["-l", &self.at.to_string_lossy()]);
    }
}

/// A small deterministic sequence: the same cuts in every run.
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: u64) -> u64 {
        // Knuth, MMIX.
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n
    }
}

/// What was promised and what a cut left of it.
struct Left {
    promised: u64,
    kept: Result<u64, String>,
}

/// One cut: run, stop, copy, perhaps spoil the block in flight, mount the copy, look.
fn cut(dir: &TestDir, disk: &Disk, synchronous: Option<&str>, heard_until: u64, garble: bool) -> Left {
    let exe = std::env::current_exe().expect("this test has a file");
    let mut command = Command::new(exe);
    command
        .args(["--exact", "store::tests::kill_child", "--nocapture", "--test-threads=1"])
        .env(KILL_DIR, &disk.at)
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    if let Some(weaker) = synchronous {
        command.env(SYNCHRONOUS, weaker);
    }
    let mut child = command.spawn().expect("the child starts");
    let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines();
    let durable = |line: &str| {
        let (_, rest) = line.split_once("durable ")?;
        rest.split_once(' ')?.1.parse::<u64>().ok()
    };
    let (mut promised, mut heard) = (0, 0);
    while heard < heard_until
        && let Some(Ok(line)) = lines.next()
    {
        if let Some(seq) = durable(&line) {
            promised = seq;
            heard += 1;
        }
    }
    assert_eq!(heard, heard_until, "the child ended by itself");
    let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw).expect("a child has an id");
    kill_process(pid, Signal::STOP).expect("it can be stopped");
    let copy = dir.path().join("copy.img");
    copy_at_one_moment(&disk.image, &copy);
    child.kill().expect("it can be killed");
    child.wait().expect("it ends");
    // What it had printed before it was stopped counts as well.
    promised = lines.map_while(Result::ok).filter_map(|line| durable(&line)).last().unwrap_or(promised).max(promised);

    let after = Disk::mount(copy.clone(), dir.path().join("after")).expect("the copy mounts");
    let log = after.at.join(format!("{FILE_NAME}-wal"));
    let before = if garble { std::fs::read(&log).unwrap_or_default() } else { Vec::new() };
    let spoilt = if garble { spoil_next_block(&log) } else { None };
    let kept = (|| {
        let (store, opened) = Store::open(&after.at, 64).map_err(|error| error.to_string())?;
        let events = store.events_after(0, u32::MAX).map_err(|error| error.to_string())?;
        let whole =
            events.iter().zip(1..).all(|(e, seq)| e.seq == seq && e.payload == format!("event {seq}").into_bytes());
        if !whole || opened.unsent != opened.last_seq || events.len() as u64 != opened.last_seq {
            return Err(format!("{} events, {} unsent, last {}", events.len(), opened.unsent, opened.last_seq));
        }
        Ok(opened.last_seq)
    })();
    drop(after);
    if let (Ok(kept), Ok(folder)) = (&kept, std::env::var("LAPWING_TEST_KEEP_LOSS"))
        && *kept < promised
    {
        println!("{promised} promised, {kept} kept, spoilt at {spoilt:?}, log of {} bytes", before.len());
        std::fs::write(Path::new(&folder).join(format!("loss-{promised}-{kept}.wal")), &before)
            .expect("it can be kept");
    }
    let _gone = std::fs::remove_file(copy);
    Left { promised, kept }
}

/// The kernel writes on behind a stopped process. A copy that equals the image when it is done is the image of one moment:
/// nothing changed between the two looks.
fn copy_at_one_moment(image: &Path, copy: &Path) {
    let (image, copy) = (image.to_string_lossy(), copy.to_string_lossy());
    for _ in 0..200 {
        run("cp", &["--sparse=always", &image, &copy]).expect("the image is copied");
        if run("cmp", &["-s", &image, &copy]).is_ok() {
            return;
        }
    }
    panic!("the image did not come to rest although the process was stopped");
}

/// Rubbish into the block of the write-ahead log in which the next write begins (SQLite, "WAL File Format": a header of 32
/// bytes, frames of 24 bytes and a page; bytes 8–16 of a frame repeat the salts of the header).
fn spoil_next_block(log: &Path) -> Option<u64> {
    let Ok(mut file) = std::fs::OpenOptions::new().read(true).write(true).open(log) else { return None };
    let mut header = [0_u8; 32];
    if file.read_exact(&mut header).is_err() {
        return None;
    }
    let frame_bytes = 24 + u64::from(PAGE);
    let mut next = 32;
    let mut frame = [0_u8; 24];
    while file.seek(SeekFrom::Start(next)).is_ok()
        && file.read_exact(&mut frame).is_ok()
        && frame[8..16] == header[16..24]
    {
        next += frame_bytes;
    }
    // A frame that repeats the last page fills the block up to where it was synced; its salts may lie behind that point and
    // be lost with the power, its first bytes do not: the next write begins behind them, never in the synced block.
    let block = (next + 23) / BLOCK * BLOCK;
    let bytes = file.metadata().map_or(0, |about| about.len());
    let rubbish: Vec<u8> = (0..BLOCK).map(|at| u8::try_from((at * 37 + next) % 251).unwrap_or(0)).collect();
    let within = usize::try_from(bytes.saturating_sub(block).min(BLOCK)).unwrap_or(0);
    file.seek(SeekFrom::Start(block)).expect("a place in the file");
    file.write_all(&rubbish[..within]).expect("it can be written");
    Some(block)
}

const PAGE: u32 = 4096;

/// Cuts with one setting; `None` where mounts are not permitted.
fn series(name: &str, cuts: u64, synchronous: Option<&str>, garble: impl Fn(u64) -> bool) -> Option<Vec<Left>> {
    let dir = TestDir::new(name);
    let image = dir.path().join("disk.img");
    let file = std::fs::File::create(&image).expect("a file can be made");
    file.set_len(IMAGE_MIB * 1024 * 1024).expect("a sparse file");
    let made = run("mkfs.ext4", &["-q", "-F", &image.to_string_lossy()]);
    let disk = match made.and_then(|()| Disk::mount(image, dir.path().join("disk"))) {
        Ok(disk) => disk,
        Err(why) => {
            println!("not tried, no file system can be mounted here: {why}");
            return None;
        }
    };
    let mut chance = Chance(cuts);
    Some((0..cuts).map(|round| cut(&dir, &disk, synchronous, 5 + chance.below(400), garble(round))).collect())
}

fn lost(left: &[Left]) -> usize {
    left.iter().filter(|cut| !matches!(&cut.kept, Ok(kept) if *kept >= cut.promised)).count()
}

#[test]
fn a_power_cut_loses_nothing_that_was_reported_durable() {
    let Some(left) = series("powercut", cuts(), None, |round| round % 2 == 1) else { return };
    for (round, cut) in left.iter().enumerate() {
        match &cut.kept {
            Ok(kept) => assert!(*kept >= cut.promised, "cut {round}: {} was promised, {kept} is there", cut.promised),
            Err(why) => panic!("cut {round}: {} was promised: {why}", cut.promised),
        }
    }
    println!("{} power cuts, every second with the block in flight spoilt: nothing lost", left.len());
}

#[test]
fn the_same_cuts_with_a_weaker_setting_lose_events() {
    let Some(left) = series("weaker", cuts().min(50), Some("NORMAL"), |_| false) else { return };
    let lost = lost(&left);
    println!(
        "positive control, synchronous=NORMAL: {lost} of {} power cuts lost events that were reported durable",
        left.len()
    );
    assert!(lost > 0, "the weaker setting lost nothing in {} cuts: the test does not cut", left.len());
}
