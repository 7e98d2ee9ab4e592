//! `lapwing schema NAME`: the JSON Schema (draft 2020-12) of what is published, from the types that publish it.

use super::End;

/// Prints the schema, or the names when none is given.
pub(super) fn schema(name: Option<&str>) -> End {
    let Some(name) = name else {
        for name in lapwing_protocol::schema::names() {
            println!("{name}");
        }
        return End::Done;
    };
    let Some(schema) = lapwing_protocol::schema::schema(name) else {
        eprintln!("There is no message '{name}'. Messages: {}.", lapwing_protocol::schema::names().join(", "));
        return End::NotTried;
    };
    match serde_json::to_string_pretty(&schema) {
        Ok(text) => {
            println!("{text}");
            End::Done
        }
        Err(error) => {
            eprintln!("The schema could not be written: {error}");
            End::NotTried
        }
    }
}
