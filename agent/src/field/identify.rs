//! Read Device Identification: the question, the bytes of its answer, and what a device says of itself.
//!
//! Function 43 with MEI type 14 only reads. Pure: `identify/exchange.rs` moves the bytes. Texts come from outside and
//! are made printable; nothing is believed that does not have exactly the length it announces. Never panics. MODBUS
//! Application Protocol V1.1b3 §6.21.
//!
//! ```text
//! request  2B 0E code object
//! answer   2B 0E code conformity more next count (id length text…)…
//! refusal  AB exception
//! ```

use thiserror::Error;

pub(super) mod exchange;

pub use exchange::link;

const FUNCTION: u8 = 0x2B;
const MEI_TYPE: u8 = 0x0E;
/// Basic identification: vendor, product, revision.
const BASIC: u8 = 0x01;
/// An answer that goes on and on is cut here.
const MOST_PAGES: usize = 8;

/// What a device says of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identity {
    /// Object number and text, in the order told. SNMP's `sysDescr` stands as object 0.
    pub objects: Vec<(u8, String)>,
}

impl std::fmt::Display for Identity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let said: Vec<&str> = self.objects.iter().map(|(_, text)| text.as_str()).filter(|t| !t.is_empty()).collect();
        if said.is_empty() { f.write_str("(it says nothing)") } else { f.write_str(&said.join(", ")) }
    }
}

/// One answer: objects, and where to go on if there are more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// Object number and text.
    pub objects: Vec<(u8, String)>,
    /// The object to ask for next.
    pub next: Option<u8>,
}

/// Why there is no identification.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum NoIdentity {
    /// The device does not have the function, or refuses it.
    #[error("refused with exception {0:02X}: the device does not identify itself")]
    Refused(u8),
    /// The answer is no answer to this question, or is damaged.
    #[error("the answer is damaged")]
    Damaged,
    /// Nothing came.
    #[error("no answer within {timeout_ms} ms")]
    Silence {
        /// How long was waited, ms.
        timeout_ms: u64,
    },
    /// The device could not be asked.
    #[error("{0}")]
    NotAsked(String),
}

/// The question for everything from an object on.
#[must_use]
pub const fn request(object: u8) -> [u8; 4] {
    [FUNCTION, MEI_TYPE, BASIC, object]
}

/// Reads one answer, function code first.
///
/// # Errors
/// [`NoIdentity::Refused`] or [`NoIdentity::Damaged`].
pub fn decode(pdu: &[u8]) -> Result<Page, NoIdentity> {
    let head = match pdu {
        [function, code] if *function == FUNCTION | 0x80 => return Err(NoIdentity::Refused(*code)),
        [FUNCTION, MEI_TYPE, BASIC, _conformity, more, next, count, rest @ ..] => (*more, *next, *count, rest),
        _ => return Err(NoIdentity::Damaged),
    };
    let (more, next, count, mut rest) = head;
    let mut objects = Vec::with_capacity(usize::from(count));
    for _ in 0..count {
        let [id, length, after @ ..] = rest else { return Err(NoIdentity::Damaged) };
        let (text, after) = after.split_at_checked(usize::from(*length)).ok_or(NoIdentity::Damaged)?;
        objects.push((*id, printable(text)));
        rest = after;
    }
    if !rest.is_empty() {
        return Err(NoIdentity::Damaged);
    }
    match more {
        0x00 => Ok(Page { objects, next: None }),
        0xFF => Ok(Page { objects, next: Some(next) }),
        _ => Err(NoIdentity::Damaged),
    }
}

/// Adds a page; says which object to ask for next.
fn add(identity: &mut Identity, page: Page, pages: &mut usize) -> Option<u8> {
    identity.objects.extend(page.objects);
    *pages += 1;
    // A device that points back at what it told already would be asked for ever.
    page.next.filter(|next| *pages < MOST_PAGES && !identity.objects.iter().any(|(id, _)| id == next))
}

/// Text from outside without control characters, blanks at the ends cut off.
#[must_use]
pub fn printable(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    text.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer() -> Vec<u8> {
        let mut pdu = vec![0x2B, 0x0E, 0x01, 0x81, 0x00, 0x00, 3];
        for (id, text) in [(0u8, "Saltmarsh"), (1, "coil-plant"), (2, "1.0\0")] {
            pdu.extend([id, u8::try_from(text.len()).expect("short")]);
            pdu.extend(text.as_bytes());
        }
        pdu
    }

    #[test]
    fn objects_are_read_and_made_printable() {
        let page = decode(&answer()).expect("a right answer");
        assert_eq!(page.next, None);
        let identity = Identity { objects: page.objects };
        assert_eq!(identity.to_string(), "Saltmarsh, coil-plant, 1.0");
        assert_eq!(printable(&[b'a', 0x1B, 0xFF, b'\n']), "a \u{FFFD}");
        assert_eq!(decode(&[0xAB, 1]), Err(NoIdentity::Refused(1)));
    }

    #[test]
    fn every_truncation_is_refused() {
        let whole = answer();
        for len in 0..whole.len() {
            assert_eq!(decode(&whole[..len]), Err(NoIdentity::Damaged), "{len} bytes");
        }
        let mut long = whole;
        long.push(0);
        assert_eq!(decode(&long), Err(NoIdentity::Damaged));
    }

    #[test]
    fn no_flipped_bit_is_misread_as_another_structure() {
        let whole = answer();
        let right = decode(&whole).expect("a right answer");
        for bit in 0..whole.len() * 8 {
            let mut bent = whole.clone();
            bent[bit / 8] ^= 1 << (bit % 8);
            // What still decodes has the same shape: only a number or a letter differs.
            if let Ok(page) = decode(&bent) {
                assert_eq!(page.objects.len(), right.objects.len(), "bit {bit}");
            }
        }
    }

    #[test]
    fn a_device_that_never_ends_is_left() {
        let (mut identity, mut pages) = (Identity::default(), 0);
        let page = |id: u8, next| Page { objects: vec![(id, "x".into())], next: Some(next) };
        assert_eq!(add(&mut identity, page(0, 1), &mut pages), Some(1));
        assert_eq!(add(&mut identity, page(1, 0), &mut pages), None, "it points back");
        let mut asked = 0;
        while add(&mut identity, page(asked, asked + 1), &mut pages).is_some() {
            asked += 1;
        }
        assert!(pages <= MOST_PAGES);
    }
}
