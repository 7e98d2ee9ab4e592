//! Where things are: temporary directories, free ports, the binaries under test and the peers' programs.
//!
//! The agent's binary is the one built into the same target directory as the test; `LAPWING_TEST_BINARY` names another.
//! Panics when something that the tests need is not installed, and says what to run.

use std::net::{TcpListener, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// A directory of its own, removed when dropped.
#[derive(Debug)]
pub struct TempDir(PathBuf);

impl TempDir {
    /// A fresh directory whose name starts with `name`.
    ///
    /// # Panics
    /// When it cannot be made.
    #[must_use]
    pub fn new(name: &str) -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("lapwing-test-{name}-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).expect("a temporary directory can be made");
        Self(path)
    }

    /// Its path.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// A path inside it.
    #[must_use]
    pub fn join(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    /// Writes a file inside it, with the directories on its way.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        let parent = path.parent().expect("invariant: a joined path has a parent");
        std::fs::create_dir_all(parent).expect("a directory can be made");
        std::fs::write(&path, text).expect("a file can be written");
        path
    }
}

impl Drop for TempDir {
    fn drop(&mut self) {
        if std::env::var_os("LAPWING_TEST_KEEP").is_none() {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }
}

/// A TCP port that was free a moment ago; whoever takes it reports a failure to bind by name.
///
/// # Panics
/// When loopback gives none.
#[must_use]
pub fn free_tcp_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free TCP port");
    listener.local_addr().expect("a bound socket has an address").port()
}

/// A UDP port that was free a moment ago.
///
/// # Panics
/// When loopback gives none.
#[must_use]
pub fn free_udp_port() -> u16 {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("loopback has a free UDP port");
    socket.local_addr().expect("a bound socket has an address").port()
}

/// The directory into which cargo put this test's own binary's siblings.
fn built() -> PathBuf {
    let own = std::env::current_exe().expect("the running test has a path");
    let folder = own.parent().expect("invariant: a binary lies in a directory");
    if folder.ends_with("deps") { folder.parent().unwrap_or(folder).to_path_buf() } else { folder.to_path_buf() }
}

/// The agent's binary.
///
/// # Panics
/// When it is not built.
#[must_use]
pub fn lapwing() -> PathBuf {
    let path = std::env::var_os("LAPWING_TEST_BINARY").map_or_else(|| built().join("lapwing"), PathBuf::from);
    assert!(path.is_file(), "{} is missing: build it first (cargo build --workspace)", path.display());
    path
}

/// The source directory of this crate, for peers and maps.
#[must_use]
pub fn sources() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The top of the repository.
#[must_use]
pub fn repository() -> PathBuf {
    sources().join("..")
}

/// Python with the peers' packages: the environment that `tests/run` made, else the machine's.
#[must_use]
pub fn python() -> PathBuf {
    if let Some(path) = std::env::var_os("LAPWING_TEST_PYTHON") {
        return PathBuf::from(path);
    }
    let own = built().parent().map(|target| target.join("peers/bin/python"));
    own.filter(|path| path.exists()).unwrap_or_else(|| PathBuf::from("python3"))
}

/// A program from the search path or the system's own directories.
///
/// # Panics
/// When it is not installed.
#[must_use]
pub fn program(name: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .chain(["/usr/sbin", "/sbin", "/usr/local/sbin"].map(PathBuf::from))
        .map(|folder| folder.join(name))
        .find(|file| file.is_file())
        .unwrap_or_else(|| panic!("{name} is not installed; tests/run installs what is missing"))
}
