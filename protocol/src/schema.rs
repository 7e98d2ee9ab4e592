//! JSON Schemas of what is published, made from the same types that write it (draft 2020-12).
//!
//! A schema says what this version publishes; it allows further keys, because later versions add some. Knows nothing of
//! topics' retention or order. Never panics.

use alloc::string::String;

use schemars::{JsonSchema, Schema, generate::SchemaSettings};

use crate::command::{Command, CommandReply};
use crate::{alarm::AlarmRecord, catalogue::CataloguePage, event::Event, event_last::EventLast};
use crate::{frame::Frame, notification::Notification, point_value::PointValue, presence::Presence};

/// The messages that have a schema.
#[must_use]
pub const fn names() -> &'static [&'static str] {
    &[
        "presence",
        "catalogue",
        "frame",
        "point",
        "alarm",
        "event",
        "event-last",
        "notification",
        "command",
        "command-reply",
    ]
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
        "notification" => of::<Notification>("A message to a recipient, as it is posted"),
        "command" => of::<Command>("What a person asks for: topic command, or the payload of a JWS there"),
        "command-reply" => of::<CommandReply>("The answer to a command: topic command/reply"),
        _ => return None,
    })
}

fn of<T: JsonSchema>(title: &str) -> Schema {
    let mut schema = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<T>();
    schema.insert("title".into(), String::from(title).into());
    schema
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use serde_json::Value;

    fn sample(name: &str) -> Value {
        match name {
            "presence" => serde_json::to_value(samples::presence()),
            "catalogue" => serde_json::to_value(samples::catalogue_page()),
            "frame" => serde_json::to_value(samples::frame()),
            "point" => serde_json::to_value(samples::point_value()),
            "alarm" => serde_json::to_value(samples::alarm_record()),
            "event" => serde_json::to_value(samples::alarm_event()),
            "command" => serde_json::to_value(samples::command()),
            "command-reply" => serde_json::to_value(samples::command_reply()),
            "notification" => serde_json::to_value(samples::notification()),
            _ => serde_json::to_value(samples::event_last()),
        }
        .expect("serialises")
    }

    /// Every property of a schema and of what it refers to at the same level, by name.
    fn properties<'a>(root: &'a Value, part: &'a Value, into: &mut alloc::collections::BTreeMap<&'a str, &'a Value>) {
        if let Some(own) = part["properties"].as_object() {
            into.extend(own.iter().map(|(name, value)| (name.as_str(), value)));
        }
        if let Some(reference) = part["$ref"].as_str() {
            properties(root, root.pointer(reference.trim_start_matches('#')).expect("a definition"), into);
        }
        for key in ["allOf", "oneOf", "anyOf"] {
            for branch in part[key].as_array().into_iter().flatten() {
                properties(root, branch, into);
            }
        }
    }

    #[test]
    fn each_name_has_a_schema_that_covers_its_sample() {
        for name in names() {
            let schema = schema(name).expect("a schema").to_value();
            assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema", "{name}");
            assert!(schema["title"].is_string() && schema["description"].is_string(), "{name}");
            let mut known = alloc::collections::BTreeMap::new();
            properties(&schema, &schema, &mut known);
            let sample = sample(name);
            let sample = sample.as_object().expect("an object");
            for key in sample.keys() {
                assert!(known.contains_key(key.as_str()), "{name}: {key} is in no schema");
            }
            for (key, property) in &known {
                let told = property["description"].is_string() || property["const"].is_string();
                assert!(told, "{name}: {key} has no description: {property}");
            }
            for key in schema["required"].as_array().expect("required keys") {
                assert!(
                    sample.contains_key(key.as_str().expect("a name")),
                    "{name}: {key} is required and not written"
                );
            }
        }
        assert!(schema("nothing").is_none());
    }

    #[test]
    fn what_may_be_absent_is_not_required() {
        let schema = schema("frame").expect("a schema").to_value();
        let required = schema["required"].as_array().expect("required keys");
        assert!(!required.contains(&"late".into()) && required.contains(&"bad".into()));
        let schema = super::schema("event").expect("a schema").to_value();
        assert!(!schema["required"].as_array().expect("required keys").contains(&"durable".into()));
    }
}
