//! File systems of a test's own: a small one in memory that fills up, and one on a loop device that freezes or fails.
//!
//! Mounting needs root; where it is not permitted the maker gives `None` and says why, and the test has nothing to try.
//! Everything is unmounted when the handle is dropped. Panics when something that has worked before does not.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::place::TempDir;

/// A mounted file system.
#[derive(Debug)]
pub struct Mount {
    _home: TempDir,
    image: Option<PathBuf>,
    at: PathBuf,
    frozen: bool,
}

impl Mount {
    /// In memory, of a size in KiB.
    #[must_use]
    pub fn in_memory(kib: u64) -> Option<Self> {
        let home = TempDir::new("tmpfs");
        let at = home.join("disk");
        std::fs::create_dir_all(&at).expect("a directory can be made");
        tried(run("mount", &["-t", "tmpfs", "-o", &format!("size={kib}k"), "tmpfs", &at.to_string_lossy()]))?;
        Some(Self { _home: home, image: None, at, frozen: false })
    }

    /// ext4 on a loop device over a file of a size in MiB.
    #[must_use]
    pub fn on_loop(mib: u64) -> Option<Self> {
        let home = TempDir::new("loop");
        let (image, at) = (home.join("disk.img"), home.join("disk"));
        std::fs::create_dir_all(&at).expect("a directory can be made");
        let file = std::fs::File::create(&image).expect("a file can be made");
        file.set_len(mib * 1024 * 1024).expect("a sparse file");
        tried(run("mkfs.ext4", &["-q", "-F", &image.to_string_lossy()]))?;
        tried(run("mount", &["-o", "loop", &image.to_string_lossy(), &at.to_string_lossy()]))?;
        Some(Self { _home: home, image: Some(image), at, frozen: false })
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.at
    }

    /// Bytes written so far to the block device beneath it.
    ///
    /// # Panics
    /// When it lies on none, or the kernel does not say.
    #[must_use]
    pub fn written(&self) -> u64 {
        let table = std::fs::read_to_string("/proc/self/mounts").expect("Linux lists its mounts");
        let here = format!(" {} ", self.at.display());
        let device = table.lines().find(|line| line.contains(&here)).and_then(|line| line.split(' ').next());
        let name = device.and_then(|device| device.strip_prefix("/dev/")).expect("it is on a block device");
        let said =
            std::fs::read_to_string(format!("/sys/class/block/{name}/stat")).expect("a block device has figures");
        // Sectors written is the seventh figure, a sector 512 bytes whatever the device (kernel documentation, block/stat).
        let sectors: u64 = said.split_whitespace().nth(6).and_then(|text| text.parse().ok()).expect("a number");
        sectors * 512
    }

    /// Fills it to the last byte with a file; gives that file, to be removed.
    ///
    /// # Panics
    /// When the file cannot be made.
    #[must_use]
    pub fn fill(&self) -> PathBuf {
        use std::io::Write as _;
        let path = self.at.join("filler");
        let mut file = std::fs::File::create(&path).expect("a file can be made");
        for size in [1 << 16, 1 << 12, 1 << 6, 1] {
            let block = vec![0xA5; size];
            while file.write_all(&block).is_ok() {}
        }
        path
    }

    /// Stops every write and sync until [`Mount::thaw`].
    ///
    /// # Panics
    /// When it cannot.
    pub fn freeze(&mut self) {
        run("fsfreeze", &["-f", &self.at.to_string_lossy()]).expect("it can be frozen");
        self.frozen = true;
    }

    /// Lets writes go on.
    ///
    /// # Panics
    /// When it cannot.
    pub fn thaw(&mut self) {
        run("fsfreeze", &["-u", &self.at.to_string_lossy()]).expect("it can be thawed");
        self.frozen = false;
    }

    /// Makes the file system give up as after an I/O error: every write fails from now on.
    ///
    /// # Panics
    /// When it cannot.
    pub fn give_up(&self) {
        run("mount", &["-o", "remount,abort", &self.at.to_string_lossy()]).expect("it can be told to give up");
    }

    /// Takes it away and mounts it anew, as a person does who has replaced the cable.
    ///
    /// # Panics
    /// When it cannot.
    pub fn mount_again(&self) {
        let image = self.image.as_ref().expect("a file system on a loop device");
        run("umount", &["-l", &self.at.to_string_lossy()]).expect("it can be taken away");
        run("mount", &["-o", "loop", &image.to_string_lossy(), &self.at.to_string_lossy()]).expect("it mounts again");
    }

    /// Takes it away and mounts a new, empty file system in its place, as a person does who has replaced the disk.
    ///
    /// # Panics
    /// When it cannot.
    pub fn exchange(&mut self) {
        let old = self.image.as_ref().expect("a file system on a loop device");
        let bytes = std::fs::metadata(old).expect("the image is there").len();
        run("umount", &["-l", &self.at.to_string_lossy()]).expect("it can be taken away");
        let image = old.with_extension("other");
        std::fs::File::create(&image).and_then(|file| file.set_len(bytes)).expect("a sparse file");
        run("mkfs.ext4", &["-q", "-F", &image.to_string_lossy()]).expect("a file system can be made");
        run("mount", &["-o", "loop", &image.to_string_lossy(), &self.at.to_string_lossy()]).expect("it mounts");
        self.image = Some(image);
    }

    /// Mounts it a second time, over a directory with something in it, until the handle is dropped.
    ///
    /// # Panics
    /// When it cannot.
    #[must_use]
    pub fn over(&self, at: &Path) -> Over {
        run("mount", &["--bind", &self.at.to_string_lossy(), &at.to_string_lossy()]).expect("it can be mounted twice");
        Over { at: at.to_path_buf() }
    }

    /// Lets it take no writes, or takes that back.
    ///
    /// # Panics
    /// When it cannot.
    pub fn read_only(&self, read_only: bool) {
        let how = if read_only { "remount,ro" } else { "remount,rw" };
        run("mount", &["-o", how, &self.at.to_string_lossy()]).expect("it can be mounted otherwise");
    }
}

/// A file system mounted over a directory.
#[derive(Debug)]
pub struct Over {
    at: PathBuf,
}

impl Drop for Over {
    fn drop(&mut self) {
        unmount(&self.at);
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        if self.frozen {
            let _ = run("fsfreeze", &["-u", &self.at.to_string_lossy()]);
        }
        unmount(&self.at);
    }
}

fn unmount(at: &Path) {
    for _ in 0..60 {
        if run("umount", &[&at.to_string_lossy()]).is_ok() {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let _ = run("umount", &["-l", &at.to_string_lossy()]);
}

fn run(program: &str, arguments: &[&str]) -> Result<(), String> {
    let done = Command::new(program).args(arguments).output().map_err(|error| format!("{program}: {error}"))?;
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    if done.status.success() { Ok(()) } else { Err(format!("{program} {arguments:?}: {said}")) }
}

fn tried(outcome: Result<(), String>) -> Option<()> {
    outcome.inspect_err(|why| println!("not tried, no file system can be mounted here: {why}")).ok()
}
