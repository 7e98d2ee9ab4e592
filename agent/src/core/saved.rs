//! The saved form of an alarm's state: what must survive a restart, as JSON in the store.
//!
//! Moments are saved as wall times together with whether the clock was synchronised, because the monotonic axis begins
//! anew with the process. A shelf's remaining time is reduced only by time that both clocks vouch for: a shelf may end
//! late, never early. Unreadable bytes are `None`: the alarm is then judged anew. Never panics.

use lapwing_engine::alarm::process::Process;
use lapwing_engine::engine::SavedAlarm;
use lapwing_engine::spec::Millis;
use serde::{Deserialize, Serialize};

use super::clock::Clock;

/// What is kept of an alarm.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Saved {
    /// Process state, by ISA-18.2 letter: A to F.
    pub process: String,
    /// Number of the present or last occurrence.
    pub occurrence: u32,
    /// When it was last raised, wall ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raised_at: Option<i64>,
    /// Since when the condition held, wall ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub true_since: Option<i64>,
    /// When the shelf ends, wall ms; `None` when not shelved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shelf_until: Option<i64>,
    /// Left on the shelf when this was saved, ms.
    #[serde(default)]
    pub shelf_left_ms: u64,
    /// The shelf ends when the alarm returns to normal.
    #[serde(default)]
    pub one_shot: bool,
    /// Removed from service.
    #[serde(default)]
    pub out_of_service: bool,
    /// Event that last changed it.
    pub seq: u64,
    /// Incident of the occurrence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incident: Option<u64>,
    /// When this was saved, wall ms.
    pub saved_at: i64,
    /// Whether the wall was synchronised then.
    pub saved_synced: bool,
    /// The sentence that stood.
    #[serde(default)]
    pub text: String,
}
