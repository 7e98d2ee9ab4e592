//! Where a person finds what a point is about: label and place of a device, laid over its points.
//!
//! A point's own tag wins over its device's; the place of the device comes before that of the point, from the whole to the
//! part. What is computed from a tier's meter is where that meter is, and the agent's own points about a device where the
//! device is. Nothing is refused here. Never panics.

use crate::config::items::device::DeviceItem;
use crate::plan::Device;
use crate::plan::topology::Topology;

use super::Points;
use super::wiring::Carrier;

/// The place of a point on a device.
pub(crate) fn place(device: Option<&str>, point: Option<&str>) -> Option<String> {
    match (device, point) {
        (Some(device), Some(point)) => Some(format!("{device}, {point}")),
        (Some(one), None) | (None, Some(one)) => Some(one.to_owned()),
        (None, None) => None,
    }
}

/// Most places that are named one by one.
const FEW: usize = 3;

/// The place of several points together: what all places begin with, from the whole to the part, or else the places
/// themselves where they are few.
pub(crate) fn together<'a>(places: impl Iterator<Item = Option<&'a str>>) -> Option<String> {
    let mut places: Vec<&str> = places.collect::<Option<_>>()?;
    places.dedup();
    let parts = |place: &'a str| place.split(", ");
    let (first, others) = places.split_first()?;
    let shared = |at: usize, part: &str| others.iter().all(|other| parts(other).nth(at) == Some(part));
    let common: Vec<&str> =
        parts(first).enumerate().take_while(|(at, part)| shared(*at, part)).map(|(_, part)| part).collect();
    match (common.is_empty(), places.len() <= FEW) {
        (false, _) => Some(common.join(", ")),
        (true, true) => Some(places.join("; ")),
        (true, false) => None,
    }
}

/// Labels the agent's own points about devices.
pub(crate) fn own(items: &[(&DeviceItem, Carrier)], devices: &[Device], points: &mut Points) {
    for ((item, _), device) in items.iter().zip(devices) {
        for at in [Some(device.state_point), device.map_point, device.identity.point].into_iter().flatten() {
            label(points, at as usize, item);
        }
    }
}

/// Labels what is computed from the meters of tiers.
pub(crate) fn computed(topology: &Topology, items: &[(&DeviceItem, Carrier)], points: &mut Points) {
    let mut meters: Vec<&str> = topology.tiers.iter().filter_map(|tier| tier.meter.as_deref()).collect();
    // Of a path below several meters the nearest counts.
    meters.sort_by_key(|meter| (std::cmp::Reverse(meter.len()), *meter));
    for meter in meters {
        let device = points.find(&format!("{meter}/l1/current")).and_then(|at| points.drafts[at].point.device);
        let Some((item, _)) = device.and_then(|device| items.get(device as usize)) else { continue };
        for at in 0..points.drafts.len() {
            let point = &points.drafts[at].point;
            let below = point.path.strip_prefix(meter).is_some_and(|rest| rest.starts_with('/'));
            if below && point.device.is_none() {
                label(points, at, item);
            }
        }
    }
}

fn label(points: &mut Points, at: usize, item: &DeviceItem) {
    let Some(draft) = points.drafts.get_mut(at) else { return };
    let point = &mut draft.point;
    if point.tag.is_none() && point.location.is_none() {
        (point.tag, point.location) = (item.tag.clone(), item.location.clone());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_comes_before_the_part() {
        assert_eq!(place(Some("rack 04"), Some("front, top third")).as_deref(), Some("rack 04, front, top third"));
        assert_eq!(place(None, Some("coil bay")).as_deref(), Some("coil bay"));
        assert_eq!(place(Some("rack 04"), None).as_deref(), Some("rack 04"));
        assert_eq!(place(None, None), None);
    }

    #[test]
    fn several_points_are_where_all_of_them_are() {
        let of = |places: &[&str]| together(places.iter().map(|place| Some(*place)));
        assert_eq!(of(&["fan wall, top, 1", "fan wall, top, 2", "fan wall, top, 2"]).as_deref(), Some("fan wall, top"));
        assert_eq!(of(&["bay", "bay"]).as_deref(), Some("bay"));
        assert_eq!(of(&["busway a1", "busway a2"]).as_deref(), Some("busway a1; busway a2"));
        assert_eq!(of(&["a", "b", "c", "d"]), None);
        assert_eq!(of(&[]), None);
        assert_eq!(together([Some("a"), None].into_iter()), None, "one that is nowhere leaves it open");
    }
}
