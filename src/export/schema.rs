//! The tables as a JSON Schema.

use super::{Column, Kind, SCHEMA_VERSION, TABLES};
use serde_json::{Map, Value, json};

/// The JSON Schema (2020-12) of a line of `export --format jsonl`.
#[must_use]
pub fn json_schema() -> Value {
    let tables: Vec<Value> = TABLES
        .iter()
        .map(|table| {
            let mut properties = Map::new();
            properties.insert("table".to_owned(), json!({ "const": table.name }));
            properties.insert("schema".to_owned(), json!({ "const": SCHEMA_VERSION }));
            for column in table.columns {
                properties.insert(column.name.to_owned(), property(column));
            }
            let required: Vec<&String> = properties.keys().collect();
            json!({
                "title": table.name,
                "description": table.meaning,
                "type": "object",
                "required": required,
                "properties": properties,
            })
        })
        .collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": format!("dropwise export, version {SCHEMA_VERSION}"),
        "oneOf": tables,
    })
}

fn property(column: &Column) -> Value {
    let mut property = match column.kind {
        Kind::Text => json!({ "type": ["string", "null"] }),
        Kind::Integer => json!({ "type": ["integer", "null"] }),
        Kind::Number => json!({ "type": ["number", "null"] }),
        Kind::Time => json!({ "type": ["string", "null"], "format": "date-time" }),
    };
    property["description"] = column.meaning.into();
    if !column.unit.is_empty() {
        property["x-unit"] = column.unit.into();
    }
    property
}
