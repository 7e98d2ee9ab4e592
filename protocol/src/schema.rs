//! JSON Schemas of what is published, made from the same types that write it (draft 2020-12).
//!
//! A schema says what this version publishes; it allows further keys, because later versions add some. Knows nothing of
//! topics' retention or order. Never panics.

use alloc::string::String;

use schemars::{JsonSchema, Schema, generate::SchemaSettings};

use crate::{alarm::AlarmRecord, catalogue::CataloguePage, event::Event, event_last::EventLast};
use crate::{frame::Frame, point_value::PointValue, presence::Presence};

/// The messages that have a schema.
#[must_use]
pub const fn names() -> &'static [&'static str] {
    &["presence", "catalogue", "frame", "point", "alarm", "event", "event-last"]
}

/// The schema of a message by its name.
#[must_use]
pub fn schema(name: &str) -> Option<Schema> {
    Some(match name {
        "presence" => of::<Presence>("Whether an agent is there: topic presence"),
        "catalogue" => of::<CataloguePage>("What the numbers of frames mean: topics catalogue/<hash>/<page>"),
        "frame" => of::<Frame>("Readings since the last frame: topic frame"),
        "point" => of::<PointValue>("Latest reading of one point: topics point/<path>"),
        "alarm" => of::<AlarmRecord>("Present state and settings of one alarm: topics alarm/<id>"),
        "event" => of::<Event>("One numbered event: topic event"),
        "event-last" => of::<EventLast>("Number of the last event: topic event/last"),
        _ => return None,
    })
}

fn of<T: JsonSchema>(title: &str) -> Schema {
    let mut schema = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<T>();
    schema.insert("title".into(), String::from(title).into());
    schema
}
