//! The catalogue: what every point number of a frame means. Topics `catalogue/<hash>/<page>`, retained.
//!
//! The hash names the contents that frames depend on: the first 16 hexadecimal digits of SHA-256 over one line a point,
//! `id TAB path TAB unit TAB exponent LF`, in order of id. A tag or place may change without a new hash. Pages count from
//! 1 and each fits a packet; every page says how many there are. Never panics.

use alloc::collections::BTreeMap;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::decimal::Decimal;
use crate::encoding::{Encoding, EncodingError, FRAME_MAX, SCHEMA};
use crate::quantity::Quantity;
use crate::text::{shorten, shorten_some};
use crate::vocabulary::Word;

/// Most states a point may name; the catalogue drops others.
pub const STATES_MAX: usize = 128;
/// Longest name of a state, bytes; the catalogue cuts longer ones. With every byte escaped, all names are 48 KiB.
pub const STATE_NAME_MAX: usize = 64;
/// Longest that all texts of states of a point may be together, bytes; of one with more the catalogue has only the names.
pub const STATE_TEXTS_MAX: usize = 1536;

/// One point of a module.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CataloguePoint {
    /// Its number for ever: index in frames and key of the history.
    pub id: u32,
    /// Its path.
    pub path: String,
    /// What it measures.
    pub quantity: Word<Quantity>,
    /// UCUM code of its unit; values in frames are `integer × 10^exponent` of it.
    pub unit: String,
    /// The unit as people see it.
    pub unit_text: String,
    /// Power of ten of its integer.
    pub exponent: i8,
    /// How often it is read or computed, milliseconds.
    pub scan_period_ms: u32,
    /// Lowest and highest believable value, in its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid: Option<[Decimal; 2]>,
    /// The device it is read from; absent for derived points and the agent's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// Label as on plate and drawing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tag: Option<String>,
    /// Where it is, for a person who walks there.
    #[serde(default, rename = "where", skip_serializing_if = "Option::is_none")]
    pub location: Option<String>,
    /// Names of its states by value, if it has states.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub states: BTreeMap<String, String>,
    /// The same as people read them, in the module's language; absent where that is no difference.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub state_texts: BTreeMap<String, String>,
}

/// Payload of `catalogue/<hash>/<page>`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CataloguePage {
    /// Version of the contract: 1.
    pub schema: u32,
    /// Hash of the whole catalogue, 16 hexadecimal digits.
    pub hash: String,
    /// This page, from 1.
    pub page: u32,
    /// How many pages there are.
    pub pages: u32,
    /// Its points, in order of id over all pages.
    pub points: Vec<CataloguePoint>,
}

impl CataloguePoint {
    /// Names of states as the catalogue holds them.
    #[must_use]
    pub fn states_from(states: &[(i64, String)]) -> BTreeMap<String, String> {
        states.iter().map(|(value, name)| (format!("{value}"), name.clone())).collect()
    }

    /// The name of a state, if the value has one.
    #[must_use]
    pub fn state_name(&self, value: i64) -> Option<&str> {
        self.states.get(&format!("{value}")).map(String::as_str)
    }

    /// The real value of an integer from a frame.
    #[must_use]
    pub fn value(&self, integer: i64) -> Decimal {
        Decimal::new(integer, self.exponent)
    }

    /// Descriptive texts cut so that one point is never larger than a page.
    fn bounded(mut self) -> Self {
        const TEXT_MAX: usize = 300;
        shorten(&mut self.unit_text, TEXT_MAX);
        shorten_some(&mut self.device, TEXT_MAX);
        shorten_some(&mut self.tag, TEXT_MAX);
        shorten_some(&mut self.location, TEXT_MAX);
        while self.states.len() > STATES_MAX {
            self.states.pop_last();
        }
        for name in self.states.values_mut() {
            shorten(name, STATE_NAME_MAX);
        }
        if self.state_texts.iter().map(|(value, text)| value.len() + text.len()).sum::<usize>() > STATE_TEXTS_MAX {
            self.state_texts.clear();
        }
        self
    }
}

/// Hash of a catalogue; the order of the points given does not matter.
#[must_use]
pub fn hash(points: &[CataloguePoint]) -> String {
    let mut in_order: Vec<&CataloguePoint> = points.iter().collect();
    in_order.sort_by_key(|point| point.id);
    let mut digest = Sha256::new();
    for point in in_order {
        digest.update(format!("{}\t{}\t{}\t{}\n", point.id, point.path, point.unit, point.exponent));
    }
    let mut text = String::new();
    for byte in digest.finalize().iter().take(8) {
        text += &format!("{byte:02x}");
    }
    text
}

/// The catalogue in pages that each fit a packet in the encoding it is published in; one empty page when there are no
/// points.
///
/// # Errors
/// When a point cannot be written at all.
pub fn pages(points: Vec<CataloguePoint>, encoding: Encoding) -> Result<Vec<CataloguePage>, EncodingError> {
    /// Everything of a page but its points.
    const FIXED: usize = 160;
    let hash = hash(&points);
    let mut points: Vec<CataloguePoint> = points.into_iter().map(CataloguePoint::bounded).collect();
    points.sort_by_key(|point| point.id);
    let mut groups = Vec::new();
    let (mut group, mut size) = (Vec::new(), FIXED);
    for point in points {
        let cost = encoding.to_vec(&point)?.len() + 1;
        if size + cost > FRAME_MAX && !group.is_empty() {
            groups.push(core::mem::take(&mut group));
            size = FIXED;
        }
        size += cost;
        group.push(point);
    }
    if !group.is_empty() || groups.is_empty() {
        groups.push(group);
    }
    let count = u32::try_from(groups.len()).unwrap_or(u32::MAX);
    let page = |(page, points)| CataloguePage { schema: SCHEMA, hash: hash.clone(), page, pages: count, points };
    Ok((1..=count).zip(groups).map(page).collect())
}

#[cfg(test)]
mod tests;
