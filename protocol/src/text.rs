//! Shortening of texts so that a message fits its packet.
//!
//! Cuts at a character boundary and marks the cut with `…`. Decides no size; `event`, `alarm` and `catalogue` do. Never
//! panics.

use alloc::string::String;

/// Cut a text to at most `longest` bytes, the mark included; a limit under the mark's three bytes empties it.
pub fn shorten(text: &mut String, longest: usize) {
    const MARK: &str = "…";
    if text.len() <= longest {
        return;
    }
    let Some(mut keep) = longest.checked_sub(MARK.len()) else {
        text.clear();
        return;
    };
    while !text.is_char_boundary(keep) {
        keep -= 1; // 0 is a boundary
    }
    text.truncate(keep);
    text.truncate(text.trim_end().len());
    text.push_str(MARK);
}

/// The same for a text that may be missing.
pub(crate) fn shorten_some(text: &mut Option<String>, longest: usize) {
    if let Some(text) = text {
        shorten(text, longest);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cuts_at_characters() {
        for (text, longest, expected) in [
            ("abcdef", 6, "abcdef"),
            ("abcdef", 5, "ab…"),
            ("°°°°", 6, "°…"),
            ("abcdef", 3, "…"),
            ("abcdef", 2, ""),
            ("ab cdefg", 6, "ab…"),
        ] {
            let mut cut = String::from(text);
            shorten(&mut cut, longest);
            assert_eq!(cut, expected);
        }
    }

    proptest::proptest! {
        #[test]
        fn always_fits(text in ".{0,60}", longest in 0_usize..80) {
            let mut cut = text.clone();
            shorten(&mut cut, longest);
            proptest::prop_assert!(cut.len() <= longest);
            proptest::prop_assert!(text.len() > longest || cut == text);
        }
    }
}
