//! Tests of the whole way from files to Plan or mistakes: `whole` for what is right, `each` for one mistake at a time,
//! `review` for what a sound configuration still leaves to ask, `together` for all of them in one run, `labels` for where
//! things are, `translations` for texts in other languages, `layers` for environment and overrides.

mod each;
mod labels;
mod layers;
mod list;
mod review;
mod together;
mod translations;
mod whole;

use std::path::{Path, PathBuf};

use super::{Loaded, Mistake, Mistakes, Overrides, load};

/// The configuration that the tests start from.
fn small() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src/config/tests/small")
}

/// A copy of the small configuration in a directory of its own, gone with its owner.
pub(crate) struct Copy(PathBuf);

impl Copy {
    pub(crate) fn new() -> Self {
        use std::sync::atomic::{AtomicU32, Ordering};
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let dir = std::env::temp_dir().join(format!(
            "lapwing-config-{}-{}",
            std::process::id(),
            NUMBER.fetch_add(1, Ordering::Relaxed)
        ));
        std::fs::create_dir_all(dir.join("maps")).expect("temporary directory");
        for file in ["module.toml", "maps/coil.toml", "maps/fan.toml", "maps/ups.toml"] {
            std::fs::copy(small().join(file), dir.join(file)).expect("copied");
        }
        Self(dir)
    }

    /// Replaces a text that must be in the file.
    pub(crate) fn with(self, file: &str, old: &str, new: &str) -> Self {
        let path = self.0.join(file);
        let text = std::fs::read_to_string(&path).expect("readable");
        assert!(text.contains(old), "`{old}` is not in {file}");
        std::fs::write(&path, text.replacen(old, new, 1)).expect("written");
        self
    }

    /// Adds a text at the end of a file.
    pub(crate) fn and(self, file: &str, text: &str) -> Self {
        let path = self.0.join(file);
        let before = std::fs::read_to_string(&path).expect("readable");
        std::fs::write(&path, before + text).expect("written");
        self
    }

    /// A file more, or instead.
    pub(crate) fn file(self, file: &str, text: &str) -> Self {
        std::fs::write(self.0.join(file), text).expect("written");
        self
    }

    pub(crate) fn load(&self) -> Result<Loaded, Mistakes> {
        load(&self.0.join("module.toml"), std::iter::empty(), &Overrides::default())
    }

    /// The mistakes, at least one, with file names relative to the copy.
    fn mistakes(&self) -> Vec<Mistake> {
        let mut list = self.load().expect_err("a mistake").list;
        for mistake in &mut list {
            mistake.file =
                mistake.file.strip_prefix(&format!("{}/", self.0.display())).unwrap_or(&mistake.file).to_string();
        }
        list
    }

    /// Line and column of a text in a file: where a mistake should point.
    fn at(&self, file: &str, text: &str) -> (u32, u32) {
        let content = std::fs::read_to_string(self.0.join(file)).expect("readable");
        let start = content.find(text).expect("the text is there");
        let line_start = content[..start].rfind('\n').map_or(0, |at| at + 1);
        let line = content[..start].matches('\n').count() + 1;
        let column = content[line_start..start].chars().count() + 1;
        (u32::try_from(line).expect("small"), u32::try_from(column).expect("small"))
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        let _gone_anyway = std::fs::remove_dir_all(&self.0);
    }
}
