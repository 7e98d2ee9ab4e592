//! What the checkout says, and where: to people on standard output, or on standard error when that is kept for programs.
//!
//! Knows nothing of points. Never panics; a closed pipe is not an error.

use std::io::Write as _;

/// Says things: to standard output for people, to standard error when that is kept for programs.
#[derive(Clone, Copy, Debug)]
pub(in crate::cli::checkout) struct Talk {
    pub(in crate::cli::checkout) json: bool,
}

impl Talk {
    pub(in crate::cli::checkout) fn say(self, text: &str) {
        self.put(&format!("{text}\n"));
    }

    pub(super) fn put(self, text: &str) {
        // Nothing can be said when the terminal is gone.
        let _gone = if self.json {
            std::io::stderr().write_all(text.as_bytes())
        } else {
            let mut out = std::io::stdout();
            out.write_all(text.as_bytes()).and_then(|()| out.flush())
        };
    }

    pub(in crate::cli::checkout) fn object(self, object: &impl serde::Serialize) {
        if self.json
            && let Ok(line) = serde_json::to_string(object)
        {
            let _gone = writeln!(std::io::stdout(), "{line}");
        }
    }
}
