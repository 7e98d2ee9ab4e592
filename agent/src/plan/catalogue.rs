//! The plan's points as the catalogue tells of them.
//!
//! Made anew whenever they are asked for: who keeps them keeps every name a second time. Decides nothing; `lapwing-protocol`
//! has what a page of the catalogue is. Scan periods in milliseconds. Never panics: `config` knows every quantity it lets
//! through.

use lapwing_protocol::catalogue::CataloguePoint;
use lapwing_protocol::{Quantity, Unit, Word};

use super::{Plan, Point};

impl Plan {
    /// The catalogue's points in the plan's order, with the numbers they have for ever.
    #[must_use]
    pub fn catalogue(&self, ids: &[u32]) -> Vec<CataloguePoint> {
        self.points.iter().zip(ids).map(|(point, id)| catalogue_point(self, point, *id)).collect()
    }
}

fn catalogue_point(plan: &Plan, point: &Point, id: u32) -> CataloguePoint {
    let device = point.device.and_then(|d| usize::try_from(d).ok()).and_then(|d| plan.devices.get(d));
    CataloguePoint {
        id,
        path: point.path.clone(),
        quantity: Word::from(
            Quantity::parse(&point.quantity).expect("invariant: config knows every quantity it lets through"),
        ),
        unit: point.unit.clone(),
        unit_text: Unit::parse(&point.unit).map_or_else(|| point.unit.clone(), |unit| unit.text().to_owned()),
        exponent: point.exponent,
        scan_period_ms: u32::try_from(point.scan_period.as_millis()).unwrap_or(u32::MAX),
        valid: point.valid.map(|(low, high)| [low, high]),
        device: device.map(|device| device.name.clone()),
        tag: point.tag.clone(),
        location: point.location.clone(),
        states: CataloguePoint::states_from(&point.states),
        state_texts: CataloguePoint::states_from(&point.state_texts),
    }
}
