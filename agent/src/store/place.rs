//! Where the files of an open store lie, and whether its directory may be made anew.
//!
//! A file that is deleted, replaced, or whose directory is renamed or mounted over, goes on taking what is written through
//! an open handle, and nobody finds it there again: what it says and what its path says must be compared. Files are told
//! apart by device and inode (stat(2)). A directory that is missing is made only on the disk it was on: where a disk is not
//! mounted, its place belongs to another one. Reads no file, knows no database. No time, no panics.

use std::fs::Metadata;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use super::StoreError;

/// Device and inode.
type Identity = (u64, u64);

/// Where the files of an open store lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    file: Identity,
    /// Of the write-ahead log; nothing until it is there.
    log: Option<Identity>,
    disk: Disk,
}

/// The disk a directory is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Disk {
    device: u64,
    /// The directory is where it is mounted.
    mounted: bool,
}

impl Place {
    /// Of the store at `path`, which has just been opened.
    pub(super) fn of(path: &Path) -> std::io::Result<Self> {
        let file = identity(&std::fs::metadata(path)?);
        let log = std::fs::metadata(beside(path)).ok().map(|about| identity(&about));
        Ok(Self { file, log, disk: Disk::of(directory(path))? })
    }

    /// Whether the files at `path` are still the ones that were opened. What cannot be looked at is not gone: the disk
    /// says so itself when it is written.
    pub(super) fn holds(&mut self, path: &Path) -> Result<(), StoreError> {
        let moved = |what| Err(StoreError::Moved { path: path.to_path_buf(), what });
        match std::fs::metadata(path) {
            Ok(about) if identity(&about) == self.file => {}
            Ok(_) => return moved("another file is in its place"),
            Err(error) if is_gone(&error) => return moved("it is not there any more"),
            Err(_) => return Ok(()),
        }
        match (std::fs::metadata(beside(path)), self.log) {
            (Ok(about), None) => self.log = Some(identity(&about)),
            (Ok(about), Some(known)) if identity(&about) == known => {}
            (Ok(_), Some(_)) => return moved("another write-ahead log is in the place of its own"),
            (Err(error), Some(_)) if is_gone(&error) => return moved("its write-ahead log is not there any more"),
            (Err(_), _) => {}
        }
        Ok(())
    }

    /// Whether what lies at this path is the store's own file.
    pub(super) fn is_file(&self, path: &Path) -> bool {
        std::fs::metadata(path).is_ok_and(|about| identity(&about) == self.file)
    }

    /// Whether what lies at this path is the store's own write-ahead log.
    pub(super) fn is_log(&self, path: &Path) -> bool {
        std::fs::metadata(path).is_ok_and(|about| Some(identity(&about)) == self.log)
    }

    pub(super) const fn disk(&self) -> Disk {
        self.disk
    }
}

impl Disk {
    /// Of a directory that is there.
    pub(super) fn of(dir: &Path) -> std::io::Result<Self> {
        let about = std::fs::metadata(dir)?;
        Ok(Self { device: about.dev(), mounted: is_mounted(dir, &about) })
    }

    /// Makes the directory again if its disk is there, or another was mounted in its place.
    ///
    /// # Errors
    /// When the disk is not there: what was written now would be hidden as soon as it is back.
    pub(super) fn make(self, dir: &Path) -> std::io::Result<()> {
        let missing = || std::io::Error::new(std::io::ErrorKind::NotFound, "the disk it was on is not mounted");
        match std::fs::metadata(dir) {
            Ok(about) if about.dev() == self.device || !self.mounted || is_mounted(dir, &about) => Ok(()),
            Ok(_) => Err(missing()),
            Err(error) if is_gone(&error) => {
                let there = dir.ancestors().skip(1).find_map(|above| std::fs::metadata(above).ok());
                if there.is_none_or(|above| above.dev() != self.device) {
                    return Err(missing());
                }
                std::fs::create_dir_all(dir)
            }
            Err(error) => Err(error),
        }
    }
}

/// The store's directory.
pub(super) fn directory(path: &Path) -> &Path {
    path.parent().unwrap_or_else(|| Path::new("."))
}

/// The write-ahead log beside a store's file.
pub(super) fn beside(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

fn identity(about: &Metadata) -> Identity {
    (about.dev(), about.ino())
}

/// A path that leads nowhere, be it that a file now stands where a directory was.
fn is_gone(error: &std::io::Error) -> bool {
    matches!(error.kind(), std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory)
}

/// A mount point is on another device than the directory above it; one that cannot be asked counts as none.
fn is_mounted(dir: &Path, about: &Metadata) -> bool {
    std::fs::metadata(dir.join("..")).is_ok_and(|above| above.dev() != about.dev())
}

#[cfg(test)]
mod tests {
    use super::super::tests::TestDir;
    use super::*;

    #[test]
    fn what_was_moved_replaced_or_deleted_is_not_in_its_place() {
        let dir = TestDir::new("place");
        let path = dir.path().join("store");
        std::fs::write(&path, "a").expect("written");
        let mut place = Place::of(&path).expect("it is there");
        assert!(place.holds(&path).is_ok() && place.log.is_none());
        std::fs::write(beside(&path), "log").expect("written");
        assert!(place.holds(&path).is_ok() && place.log.is_some(), "it came later");
        let what = |place: &mut Place| match place.holds(&path) {
            Err(StoreError::Moved { what, .. }) => what,
            other => panic!("{other:?}"),
        };
        // The old one is kept elsewhere, so that its number is not used again.
        std::fs::rename(beside(&path), dir.path().join("kept-log")).expect("moved");
        assert!(what(&mut place).contains("write-ahead log is not there"));
        std::fs::write(beside(&path), "log").expect("written");
        assert!(what(&mut place).contains("another write-ahead log") && !place.is_log(&beside(&path)));
        std::fs::rename(&path, dir.path().join("kept")).expect("moved");
        assert!(what(&mut place).contains("not there any more"));
        std::fs::write(&path, "a").expect("written");
        assert!(what(&mut place).contains("another file") && !place.is_file(&path));
        std::fs::rename(dir.path().join("kept"), &path).expect("moved");
        std::fs::rename(dir.path().join("kept-log"), beside(&path)).expect("moved");
        assert!(place.holds(&path).is_ok() && place.is_file(&path) && place.is_log(&beside(&path)));
        std::fs::remove_dir_all(dir.path()).expect("removed");
        assert!(what(&mut place).contains("not there any more"));
        std::fs::write(dir.path(), "a file where the directory was").expect("written");
        assert!(what(&mut place).contains("not there any more"));
        std::fs::remove_file(dir.path()).expect("removed");
    }

    #[test]
    fn a_directory_is_made_only_on_its_disk() {
        let dir = TestDir::new("disk");
        let data = dir.path().join("deep/data");
        std::fs::create_dir_all(&data).expect("made");
        let disk = Disk::of(&data).expect("it is there");
        std::fs::remove_dir_all(dir.path().join("deep")).expect("removed");
        disk.make(&data).expect("its disk is there");
        assert!(data.is_dir());
        // As if the data directory had been a disk of its own that is not mounted now.
        let elsewhere = Disk { device: disk.device ^ 1, mounted: true };
        assert!(elsewhere.make(&data).is_err(), "only the mount point is there");
        std::fs::remove_dir_all(dir.path().join("deep")).expect("removed");
        assert!(elsewhere.make(&data).is_err() && !data.exists());
        // As if a disk above it had been exchanged.
        std::fs::create_dir_all(&data).expect("made");
        Disk { mounted: false, ..elsewhere }.make(&data).expect("it is there");
        // /proc is a mount point everywhere this runs.
        elsewhere.make(Path::new("/proc")).expect("another disk is mounted there");
    }
}
