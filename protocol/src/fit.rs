//! Makes a message fit its packet by shortening texts, so that writing it cannot fail for its length.
//!
//! The long explanations give way first, evenly; only if that is not enough the other texts, identifiers last of all:
//! checked identifiers are at most 120 bytes and never reach that step. Used for events and alarm records. Never panics.

use alloc::vec::Vec;

use serde::Serialize;

/// A message whose texts may be cut.
pub(crate) trait Shorten: Clone + Serialize {
    /// Cut the long explanations.
    fn shorten_texts(&mut self, longest: usize);
    /// Cut everything else, lists included.
    fn shorten_rest(&mut self, longest: usize);
}

/// The message as JSON of at most `limit` bytes, which is at least 3 KiB.
pub(crate) fn to_bytes<T: Shorten>(message: &T, limit: usize) -> Vec<u8> {
    let whole = write(message);
    if whole.len() <= limit {
        return whole;
    }
    let mut cut = message.clone();
    for longest in [960, 720, 480, 360, 240, 160, 80, 40, 0] {
        cut.shorten_texts(longest);
        let bytes = write(&cut);
        if bytes.len() <= limit {
            return bytes;
        }
    }
    let mut bytes = Vec::new();
    // A text of escapes grows sixfold; 12 bytes of each then still fit.
    for longest in [400, 200, 120, 60, 30, 12] {
        cut.shorten_rest(longest);
        bytes = write(&cut);
        if bytes.len() <= limit {
            break;
        }
    }
    bytes
}

fn write<T: Serialize>(message: &T) -> Vec<u8> {
    serde_json::to_vec(message).expect("invariant: the messages of this crate have text keys and finite numbers only")
}
