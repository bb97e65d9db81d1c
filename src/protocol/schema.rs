//! The JSON Schemas of `protocol.toml` and `site.toml`, for editors.
//!
//! In:  the tables of keys.
//! Out: JSON Schema, draft 2020-12. It knows what one key knows; what needs several keys is found by `read` alone.
//! TOML dates count as texts, since JSON has no dates.

use serde_json::{Map, Value, json};
use toml::de::DeValue;

use super::keys::{Key, Kind, LEVEL, LINE, LIST, Need, PROSE, Sign, TABLES, Table};
use super::protocol_keys::PROTOCOL;
use super::site_keys::SITE;

/// JSON Schema of `protocol.toml`.
#[must_use]
pub fn protocol_schema() -> Value {
    whole("Protocol of a study", &PROTOCOL)
}

/// JSON Schema of `site.toml`.
#[must_use]
pub fn site_schema() -> Value {
    whole("Site file of a study", &SITE)
}

fn whole(title: &str, table: &Table) -> Value {
    let mut schema = Map::new();
    schema.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("title".into(), json!(title));
    schema.extend(object(table));
    Value::Object(schema)
}

fn object(table: &Table) -> Map<String, Value> {
    let mut properties = Map::new();
    for key in table.keys {
        properties.insert(key.name.into(), property(key));
    }
    let required: Vec<&str> = table
        .keys
        .iter()
        .filter(|key| matches!(key.need, Need::Must(_)))
        .map(|key| key.name)
        .collect();
    let mut schema = Map::new();
    schema.insert("description".into(), json!(table.doc));
    schema.insert("type".into(), json!("object"));
    schema.insert("properties".into(), Value::Object(properties));
    schema.insert("required".into(), json!(required));
    schema.insert("additionalProperties".into(), json!(false));
    schema
}

fn property(key: &Key) -> Value {
    let mut schema = match kind(key) {
        Value::Object(schema) => schema,
        _ => Map::new(),
    };
    let doc = match key.need {
        Need::Must(why) => format!("{} Required: {why}.", key.doc),
        Need::May | Need::Or(_) => key.doc.to_owned(),
    };
    schema.insert("description".into(), json!(doc));
    if let Need::Or(default) = key.need {
        schema.insert("default".into(), plain(default));
    }
    if !key.example.is_empty() {
        schema.insert("examples".into(), json!([plain(key.example)]));
    }
    Value::Object(schema)
}

fn kind(key: &Key) -> Value {
    let line = json!({ "type": "string", "pattern": "\\S", "maxLength": LINE });
    let prose = json!({ "type": "string", "pattern": "\\S", "maxLength": PROSE });
    let level = json!({ "type": ["string", "number"], "pattern": "\\S", "maxLength": LEVEL });
    let date = json!({ "type": "string", "format": "date", "pattern": "^\\d{4}-\\d{2}-\\d{2}$" });
    match key.kind {
        Kind::Line => line,
        Kind::Prose => prose,
        Kind::Steps => json!({ "type": "array", "items": prose, "maxItems": LIST }),
        Kind::Names => json!({ "anyOf": [line, { "type": "array", "items": line, "uniqueItems": true }] }),
        Kind::Words(words) => json!({ "type": "string", "enum": words() }),
        Kind::Number(Sign::Any) => json!({ "type": "number" }),
        Kind::Number(Sign::Positive) => json!({ "type": "number", "exclusiveMinimum": 0 }),
        Kind::Number(Sign::NotNegative) => json!({ "type": "number", "minimum": 0 }),
        Kind::Between(low, high) => {
            json!({ "type": "number", "exclusiveMinimum": plain(low), "exclusiveMaximum": plain(high) })
        }
        Kind::NumberOrNone => json!({ "anyOf": [{ "type": "number", "exclusiveMinimum": 0 }, { "const": "none" }] }),
        Kind::Range => json!({ "type": "array", "items": { "type": "number" }, "minItems": 2, "maxItems": 2 }),
        // A version is checked by `read`, whose message can say more than a schema.
        Kind::Whole(low, high) => json!({ "type": "integer", "minimum": low, "maximum": high }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Level => level,
        Kind::Levels => {
            json!({ "type": "array", "items": level, "minItems": 2, "maxItems": LIST, "uniqueItems": true })
        }
        Kind::Rows => {
            let row = json!({ "type": "array", "items": level, "minItems": 1, "maxItems": LIST });
            json!({ "type": "array", "items": row, "maxItems": LIST })
        }
        Kind::Effects => {
            let effect = json!({ "type": "array", "items": line, "minItems": 1, "maxItems": 6, "uniqueItems": true });
            json!({ "type": "array", "items": { "anyOf": [line, effect] }, "uniqueItems": true })
        }
        Kind::Date => date,
        Kind::Dates => json!({ "type": "array", "items": date, "minItems": 2, "maxItems": 2 }),
        Kind::Table(table) => Value::Object(object(table)),
        Kind::Tables(table) => {
            let least = usize::from(matches!(key.need, Need::Must(_)));
            json!({ "type": "array", "items": object(table), "minItems": least, "maxItems": LIST })
        }
        Kind::Named(table) => {
            let least = usize::from(matches!(key.need, Need::Must(_)));
            json!({
                "type": "object",
                "propertyNames": { "pattern": "^[a-z][a-z0-9_]{0,39}$" },
                "additionalProperties": object(table),
                "minProperties": least,
                "maxProperties": TABLES,
            })
        }
        Kind::Lists => {
            let label = json!({ "type": ["string", "number"], "pattern": "\\S", "maxLength": LINE });
            json!({ "type": "object", "additionalProperties": { "type": "array", "items": label } })
        }
        Kind::Choices => {
            let choice = json!({ "type": "object", "additionalProperties": level, "minProperties": 1 });
            json!({ "type": "array", "items": choice, "maxItems": LIST })
        }
        Kind::Series => json!({ "type": "array", "items": { "type": "number" }, "maxItems": LIST }),
        Kind::Numbers(sign) => {
            let mut number = Map::new();
            number.insert("type".into(), json!("number"));
            match sign {
                Sign::Any => None,
                Sign::Positive => number.insert("exclusiveMinimum".into(), json!(0)),
                Sign::NotNegative => number.insert("minimum".into(), json!(0)),
            };
            json!({ "type": "object", "additionalProperties": number, "maxProperties": LIST })
        }
    }
}

/// A TOML value of our own tables as JSON; `null` where it is none, which a test would find.
fn plain(toml: &str) -> Value {
    DeValue::parse(toml).map_or(Value::Null, |value| json(value.get_ref()))
}

fn json(value: &DeValue<'_>) -> Value {
    match value {
        DeValue::String(text) => json!(text),
        DeValue::Integer(integer) => integer.as_str().parse().unwrap_or(Value::Null),
        DeValue::Float(float) => float.as_str().parse().unwrap_or(Value::Null),
        DeValue::Boolean(flag) => json!(flag),
        DeValue::Datetime(date) => json!(date.to_string()),
        DeValue::Array(list) => list.iter().map(|value| json(value.get_ref())).collect(),
        DeValue::Table(table) => Value::Object(
            table
                .iter()
                .map(|(key, value)| (key.get_ref().to_string(), json(value.get_ref())))
                .collect(),
        ),
    }
}
