//! Tests of the catalogue: keys, hash against another program's, pages that fit and lose nothing.

use alloc::string::ToString;
use alloc::vec;

use super::*;
use crate::encoding::decode;

fn point(id: u32) -> CataloguePoint {
    CataloguePoint {
        id,
        path: format!("rack/{id:02}/inlet/top/temperature"),
        quantity: Quantity::Temperature.into(),
        unit: "Cel".into(),
        unit_text: "°C".into(),
        exponent: -1,
        scan_period_ms: 1000,
        valid: Some([Decimal::new(-20, 0), Decimal::new(90, 0)]),
        device: Some("coil-plant".into()),
        tag: Some("TT-101".into()),
        location: Some("coil bay, left".into()),
        states: BTreeMap::new(),
        state_texts: BTreeMap::new(),
    }
}

#[test]
fn keys_as_in_the_contract() {
    let mut with_states = point(1);
    with_states.states = CataloguePoint::states_from(&[(0, "closed".to_string()), (1, "open".to_string())]);
    with_states.state_texts = CataloguePoint::states_from(&[(0, "zu".to_string()), (1, "offen".to_string())]);
    let page = pages(vec![with_states], Encoding::Json).expect("writes").remove(0);
    let value = serde_json::to_value(&page).expect("serialises");
    assert_eq!(value["schema"], 1);
    assert_eq!((value["page"].clone(), value["pages"].clone()), (1.into(), 1.into()));
    assert_eq!(value["hash"].as_str().map(str::len), Some(16));
    let point = &value["points"][0];
    for key in
        "id path quantity unit unit_text exponent scan_period_ms valid device tag where states state_texts".split(' ')
    {
        assert!(point.get(key).is_some(), "{key}");
    }
    assert_eq!(point["quantity"], "temperature");
    assert_eq!(point["valid"], serde_json::json!([-20, 90]));
    assert_eq!(point["states"]["1"], "open");
    assert_eq!(page.points[0].state_name(1), Some("open"));
    assert_eq!(page.points[0].value(214), Decimal::new(214, -1));
}

/// SHA-256 of the line by another program: `printf '1\track/01/inlet/top/temperature\tCel\t-1\n' | sha256sum`.
#[test]
fn hash_covers_what_frames_need_and_nothing_else() {
    let base = hash(&[point(1)]);
    assert_eq!(base, "2db9847f23a4dcde");
    for (changes, change) in [
        (true, (|p: &mut CataloguePoint| p.id = 2) as fn(&mut CataloguePoint)),
        (true, |p| p.path = "rack/x".into()),
        (true, |p| p.unit = "K".into()),
        (true, |p| p.exponent = -2),
        (false, |p| p.tag = None),
        (false, |p| p.scan_period_ms = 5),
        (false, |p| p.location = Some("elsewhere".into())),
    ] {
        let mut other = point(1);
        change(&mut other);
        assert_eq!(hash(&[other]) != base, changes);
    }
    assert_eq!(hash(&[point(1), point(2)]), hash(&[point(2), point(1)]));
}

#[test]
fn pages_fit_and_lose_nothing() {
    for encoding in [Encoding::Json, Encoding::Cbor] {
        let points: Vec<CataloguePoint> = (0..5000).rev().map(point).collect();
        let whole = hash(&points);
        let pages = pages(points, encoding).expect("writes");
        assert!(pages.len() > 5);
        let mut ids = Vec::new();
        for (at, page) in pages.iter().enumerate() {
            let bytes = encoding.to_vec(page).expect("writes");
            assert!(bytes.len() <= FRAME_MAX, "{}", bytes.len());
            assert!(at + 1 == pages.len() || bytes.len() > FRAME_MAX - 1024, "{}: page ended too early", bytes.len());
            assert_eq!(decode::<CataloguePage>(&bytes).expect("reads"), *page);
            assert_eq!((page.page as usize, page.pages as usize, &page.hash), (at + 1, pages.len(), &whole));
            ids.extend(page.points.iter().map(|point| point.id));
        }
        assert!(ids.iter().copied().eq(0..5000));
    }
}

#[test]
fn no_points_are_one_empty_page() {
    let pages = pages(Vec::new(), Encoding::Json).expect("writes");
    assert_eq!(pages.len(), 1);
    assert_eq!((pages[0].page, pages[0].pages, pages[0].points.len()), (1, 1, 0));
}

#[test]
fn huge_texts_do_not_break_a_page() {
    let mut huge = point(1);
    huge.location = Some("\u{1}".repeat(100_000));
    huge.tag = Some("°".repeat(100_000));
    huge.states = (0..1000).map(|value| (value.to_string(), "\u{1}".repeat(1000))).collect();
    for encoding in [Encoding::Json, Encoding::Cbor] {
        for page in pages(vec![huge.clone(), huge.clone()], encoding).expect("writes") {
            assert!(encoding.to_vec(&page).expect("writes").len() <= FRAME_MAX);
        }
    }
}

#[test]
fn unknown_quantity_survives() {
    let mut value = serde_json::to_value(point(1)).expect("serialises");
    value["quantity"] = "luminance".into();
    let read: CataloguePoint = serde_json::from_value(value).expect("reads");
    assert_eq!(read.quantity.as_str(), "luminance");
}

#[test]
fn texts_of_states_never_make_a_page_too_large() {
    let mut worst = point(1);
    let names = (0..200).map(|value| (value, "\u{1}".repeat(STATE_NAME_MAX))).collect::<Vec<_>>();
    worst.states = CataloguePoint::states_from(&names);
    worst.state_texts = CataloguePoint::states_from(&names);
    let page = pages(vec![worst], Encoding::Json).expect("fits").remove(0);
    assert_eq!(page.points[0].states.len(), STATES_MAX);
    assert!(page.points[0].state_texts.is_empty(), "names alone are left");
    let mut longest = point(1);
    longest.states = CataloguePoint::states_from(&names);
    longest.state_texts = CataloguePoint::states_from(&[(0, "\u{1}".repeat(STATE_TEXTS_MAX - 1))]);
    let page = pages(vec![longest], Encoding::Json).expect("fits").remove(0);
    assert_eq!(page.points[0].state_texts.len(), 1);
}
