//! Redfish: an HTTP answer as it arrives, and the points of a resource's JSON.

use lapwing::field::fuzzing;
use lapwing::plan::{Redfish, Tls};
use lapwing_engine::spec::Raw;

use super::input::Input;
use super::tape::{Stream, heard, joined, pieces, wait};

const POINTERS: [&str; 7] =
    ["/Temperatures/0/ReadingCelsius", "/Fans~1/0/Reading", "/PowerState", "/Oem/On", "/0/1", "/", ""];

/// An even first byte: the rest is a resource; an odd one: pieces of an HTTP answer.
pub(super) fn run(data: &[u8]) {
    let mut input = Input(data);
    let body = if input.byte() & 1 == 0 {
        input.0.to_vec()
    } else {
        let (stream, sent) = Stream::new(pieces(input), false);
        let tls = Tls { ca: "ca.pem".into(), server_name: None, client: None };
        let service =
            Redfish { host: "::1".into(), port: 443, tls, user: "lapwing".into(), password_file: "secret".into() };
        let body = wait(fuzzing::redfish_get(stream, &service, "/redfish/v1/Chassis/1/Thermal"));
        let sent = String::from_utf8(heard(&sent).concat()).expect("a request is text");
        assert!(sent.is_empty() || sent.starts_with("GET /redfish/v1/Chassis/1/Thermal HTTP/1.1\r\n"), "{sent}");
        assert!(sent.matches("HTTP/1.1\r\n").count() <= 1, "more than one request: {sent}");
        match body {
            Ok(body) => body,
            Err(_) => return,
        }
    };
    assert!(body.len() <= 1 << 20, "a body without end");
    let pointers = POINTERS.map(str::to_owned);
    let states = [(0, "Off".to_owned()), (7, "On".to_owned())];
    let Ok(raws) = fuzzing::redfish_values(&body, &pointers, &states) else { return };
    assert_eq!(raws.len(), pointers.len());
    let document: serde_json::Value = serde_json::from_slice(&body).expect("it was read once");
    for (pointer, raw) in pointers.iter().zip(raws) {
        match (raw, document.pointer(pointer)) {
            (Raw::Whole(number), Some(serde_json::Value::Number(said))) => assert_eq!(said.as_i64(), Some(number)),
            (Raw::Whole(number), Some(serde_json::Value::Bool(said))) => assert_eq!(number, i64::from(*said)),
            (Raw::Whole(number), Some(serde_json::Value::String(said))) => {
                assert!(states.iter().any(|(state, name)| *state == number && name.eq_ignore_ascii_case(said)));
            }
            (Raw::Real(number), Some(serde_json::Value::Number(said))) => {
                assert!(number.is_finite() && said.as_f64() == Some(number));
            }
            (Raw::Fault(status), _) => assert!(status.is_bad()),
            (raw, said) => panic!("{said:?} became {raw:?}"),
        }
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let resource = br#"{"Temperatures":[{"ReadingCelsius":24.5,"Status":{"State":"Enabled"}}],"Fans/":[{"Reading":-3}],"PowerState":"On","Oem":{"On":true,"Status":{"State":"Absent"}}}"#;
    let head =
        format!("HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n", resource.len());
    let chunked = format!("HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n{:x}\r\n", resource.len());
    vec![
        [&[0][..], resource].concat(),
        b"\0[[1,2.5e300],null]".to_vec(),
        [&[1][..], &joined(&[head.as_bytes(), resource])].concat(),
        [&[1][..], &joined(&[chunked.as_bytes(), resource, b"\r\n0\r\n\r\n"])].concat(),
        [&[1][..], &joined(&[b"HTTP/1.1 401 Unauthorized\r\nContent-Length: 0\r\n\r\n"])].concat(),
        [&[1][..], &joined(&[b"HTTP/1.1 302 Found\r\nLocation: http://a/\r\nContent-Length: 0\r\n\r\n"])].concat(),
    ]
}
