//! The interface described as OpenAPI 3.1 (whose schemas are JSON Schema 2020-12), made from the table of routes and the
//! types they answer with.
//!
//! Decides nothing. Never panics.

use axum::Json;
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};

use super::routes::{ROUTES, Route};
use super::trouble::ErrorBody;

/// `GET /api/openapi.json`.
pub(super) async fn description() -> Json<Value> {
    Json(describe())
}

/// The whole description.
pub(super) fn describe() -> Value {
    let settings = SchemaSettings::draft2020_12().with(|settings| {
        settings.definitions_path = "/components/schemas".into();
        settings.meta_schema = None;
    });
    let mut generator = settings.into_generator();
    let error = generator.subschema_for::<ErrorBody>();
    let mut paths: Map<String, Value> = Map::new();
    for route in ROUTES {
        let operation = operation(route, &mut generator, &error);
        let entry = paths.entry(route.path).or_insert_with(|| json!({}));
        entry[route.method] = operation;
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Lapwing, the page's interface",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "What stands now, what was, and what a signed-in person may do about it.",
        },
        "paths": paths,
        "components": {
            "schemas": generator.take_definitions(true),
            "securitySchemes": { "session": { "type": "apiKey", "in": "cookie", "name": "lapwing" } },
        },
    })
}

fn operation(route: &Route, generator: &mut schemars::SchemaGenerator, error: &schemars::Schema) -> Value {
    let (media, schema) = route.answer;
    let answer = schema(generator);
    let mut responses = Map::new();
    let mut content = json!({ media: { "schema": answer } });
    if let Some(also) = route.also {
        content[also] = json!({ "schema": { "type": "string" } });
    }
    responses.insert("200".into(), json!({ "description": "Done.", "content": content }));
    for status in route.refusals {
        let refusal =
            json!({ "description": meaning(*status), "content": { "application/json": { "schema": error } } });
        // The health routes answer in their own shape when failing.
        let refusal = if *status == 503 && route.path.ends_with("/health") {
            json!({ "description": meaning(*status), "content": { media: { "schema": answer } } })
        } else {
            refusal
        };
        responses.insert(status.to_string(), refusal);
    }
    let mut parameters: Vec<Value> = captured(route.path)
        .map(|name| json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string", "minLength": 1 } }))
        .collect();
    if let Some(query) = route.query {
        parameters.extend(query_parameters(query(generator), generator));
    }
    let mut operation = json!({ "summary": route.says, "responses": responses, "parameters": parameters });
    if let Some(body) = route.body {
        let schema = body(generator);
        operation["requestBody"] = json!({ "required": true, "content": { "application/json": { "schema": schema } } });
    }
    operation
}

fn captured(path: &str) -> impl Iterator<Item = &str> {
    path.split('{').skip(1).filter_map(|rest| rest.split_once('}').map(|(name, _)| name))
}

/// The properties of a query's schema, one parameter each.
fn query_parameters(schema: schemars::Schema, generator: &schemars::SchemaGenerator) -> Vec<Value> {
    let schema = schema.to_value();
    let resolved = schema["$ref"]
        .as_str()
        .and_then(|reference| reference.rsplit('/').next())
        .and_then(|name| generator.definitions().get(name))
        .unwrap_or(&schema);
    let required: Vec<&str> = resolved["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    let properties = resolved["properties"].as_object().into_iter().flatten();
    properties
        .map(|(name, property)| {
            let mut property = property.clone();
            // An absent parameter is absent: it is never the word null.
            if let Some(Value::Array(kinds)) = property.get_mut("type") {
                kinds.retain(|kind| kind != "null");
                if kinds.len() == 1 {
                    property["type"] = kinds[0].take();
                }
            }
            let says = property["description"].as_str().unwrap_or_default().to_owned();
            json!({ "name": name, "in": "query", "required": required.contains(&name.as_str()), "description": says, "schema": property })
        })
        .collect()
}

fn meaning(status: u16) -> &'static str {
    match status {
        400 => "The request makes no sense.",
        401 => "Nobody is signed in.",
        403 => "Not allowed.",
        404 => "No such thing.",
        409 => "The rules forbid it now.",
        429 => "Too much at once.",
        _ => "Not available now.",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_description_holds_every_route_and_no_dangling_reference() {
        let described = describe();
        for route in ROUTES {
            assert!(described["paths"][route.path][route.method]["summary"].is_string(), "{}", route.path);
        }
        let text = described.to_string();
        for reference in text.split("\"$ref\":\"#/components/schemas/").skip(1) {
            let name = reference.split('"').next().expect("split has a first part");
            assert!(described["components"]["schemas"][name].is_object(), "{name}");
        }
    }
}
