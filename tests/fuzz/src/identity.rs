//! Read Device Identification (function 43/14): one answer by itself, over TCP and on a line.

use std::time::Duration;

use lapwing::field::fuzzing;
use lapwing::field::identify::{NoIdentity, decode};

use super::input::{Input, sealed};
use super::tape::{Stream, Wire, heard, joined, pieces, wait};

/// The first byte chooses the way; its highest bit puts right numbers (TCP) or CRCs (line) to the pieces.
pub(super) fn run(data: &[u8]) {
    let mut input = Input(data);
    let way = input.byte();
    let helps = way & 0x80 != 0;
    let said = match way % 3 {
        0 => return one(input.0),
        1 => {
            let (mut stream, sent) = Stream::new(pieces(input), helps);
            let said = wait(fuzzing::identity_over_tcp(&mut stream, 5, Duration::from_secs(1)));
            for frame in heard(&sent) {
                assert!(frame.len() == 11 && frame[2..10] == [0, 0, 0, 5, 5, 0x2B, 0x0E, 1], "{frame:02X?}");
            }
            said
        }
        _ => {
            let mut after = pieces(input);
            if helps {
                after = after.iter().map(|piece| sealed(piece)).collect();
            }
            let (mut wire, sent) = Wire::new(Vec::new(), after);
            let said = fuzzing::identity_on_line(&mut wire, 5);
            for frame in heard(&sent) {
                assert!(frame.len() == 7 && frame[..4] == [5, 0x2B, 0x0E, 1], "{frame:02X?}");
            }
            said
        }
    };
    if let Ok(identity) = said {
        assert!(identity.objects.len() <= 8 * 127, "an answer without end");
        for (_, text) in &identity.objects {
            assert!(!text.chars().any(char::is_control) && text.trim() == text);
        }
    }
}

fn one(pdu: &[u8]) {
    match decode(pdu) {
        Ok(page) => {
            // Written again as the standard lays it out, it has the answer's shape to the byte.
            let mut at = 7;
            for (id, _) in &page.objects {
                assert_eq!(pdu.get(at), Some(id));
                at += 2 + usize::from(pdu[at + 1]);
            }
            assert_eq!((at, page.objects.len()), (pdu.len(), usize::from(pdu[6])));
            assert_eq!(pdu[..3], [0x2B, 0x0E, 0x01]);
            assert_eq!(page.next, (pdu[4] == 0xFF).then(|| pdu[5]));
        }
        Err(NoIdentity::Refused(code)) => assert_eq!(pdu, [0xAB, code]),
        Err(NoIdentity::Damaged) => {}
        Err(other) => panic!("{other} from bytes"),
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let page = |more: u8, next: u8, objects: &[(u8, &str)]| {
        let mut pdu = vec![0x2B, 0x0E, 0x01, 0x81, more, next, u8::try_from(objects.len()).expect("few")];
        for (id, text) in objects {
            pdu.extend([*id, u8::try_from(text.len()).expect("short")]);
            pdu.extend(text.as_bytes());
        }
        pdu
    };
    let (first, second) = (page(0xFF, 1, &[(0, "Saltmarsh")]), page(0, 0, &[(1, "coil-plant"), (2, "1.0 é")]));
    let framed = |pdu: &[u8]| {
        let length = u8::try_from(pdu.len() + 1).expect("short");
        [&[0, 0, 0, 0, 0, length, 5][..], pdu].concat()
    };
    let on_line = |pdu: &[u8]| [&[5][..], pdu].concat();
    vec![
        [&[0][..], &second].concat(),
        vec![0, 0xAB, 1],
        [&[0x82][..], &joined(&[&framed(&first), &framed(&second)])].concat(), // 0x82 % 3 is 1
        [&[0x82][..], &joined(&[&framed(&[0xAB, 1])])].concat(),
        [&[0x80][..], &joined(&[&on_line(&first), &on_line(&second)])].concat(), // 0x80 % 3 is 2
    ]
}
