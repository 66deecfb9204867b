//! Every field of a layout file, made by the program from its own types: it cannot go stale.

use super::notation::LayoutFile;
use serde_json::{Map, Value};
use std::fmt::Write as _;

/// The JSON Schema (draft 2020-12) of a layout file.
pub fn schema() -> Value {
    schemars::schema_for!(LayoutFile).to_value()
}

/// The same for people: each type with its fields, what they mean, what they take and what holds when they are left
/// out.
pub fn reference_text() -> String {
    let schema = schema();
    let mut out = String::from(
        "# Layout reference\n\nEvery field of a layout file (RON). A field with a default may be left out.\n",
    );
    section(&mut out, "A layout file", &schema);
    if let Some(definitions) = schema.get("$defs").and_then(Value::as_object) {
        for (name, definition) in definitions {
            section(&mut out, name, definition);
        }
    }
    out
}

fn words(value: &Value) -> String {
    let text = value.get("description").and_then(Value::as_str).unwrap_or("");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn section(out: &mut String, name: &str, definition: &Value) {
    let _ = writeln!(out, "\n## {name}\n\n{}\n", words(definition));
    if let Some(properties) = definition.get("properties").and_then(Value::as_object) {
        fields(out, properties, &required(definition), "");
    }
    for key in ["oneOf", "anyOf"] {
        for choice in definition.get(key).and_then(Value::as_array).into_iter().flatten() {
            variant(out, choice);
        }
    }
    for plain in definition.get("enum").and_then(Value::as_array).into_iter().flatten() {
        let _ = writeln!(out, "- `{}`", plain.as_str().unwrap_or(""));
    }
}

fn required(definition: &Value) -> Vec<&str> {
    definition.get("required").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect()
}

fn fields(out: &mut String, properties: &Map<String, Value>, required: &[&str], indent: &str) {
    for (name, property) in properties {
        let default = match property.get("default") {
            _ if required.contains(&name.as_str()) => ", must be given".to_owned(),
            Some(Value::Null) | None => String::new(),
            Some(value) => format!(", default {}", as_ron(value)),
        };
        let _ = writeln!(out, "{indent}- `{name}`: {}{default}. {}", kind(property), words(property));
    }
}

fn variant(out: &mut String, choice: &Value) {
    if let Some(name) = choice.get("const").and_then(Value::as_str) {
        let _ = writeln!(out, "- `{name}`: {}", words(choice));
        return;
    }
    let Some((name, inner)) = choice.get("properties").and_then(Value::as_object).and_then(|p| p.iter().next()) else {
        return;
    };
    match inner.get("properties").and_then(Value::as_object) {
        Some(properties) => {
            let _ = writeln!(out, "- `{name}(…)`: {}", words(choice));
            fields(out, properties, &required(inner), "  ");
        }
        None => {
            let _ = writeln!(out, "- `{name}({})`: {}", kind(inner), words(choice));
        }
    }
}

/// What a field takes, in words.
fn kind(property: &Value) -> String {
    if let Some(reference) = property.get("$ref").and_then(Value::as_str) {
        return reference.rsplit('/').next().unwrap_or(reference).to_owned();
    }
    for key in ["anyOf", "oneOf", "allOf"] {
        if let Some(choices) = property.get(key).and_then(Value::as_array) {
            let kinds: Vec<String> =
                choices.iter().filter(|c| c.get("type") != Some(&Value::from("null"))).map(kind).collect();
            return kinds.join(" or ");
        }
    }
    let one = |t: &str| match t {
        "array" => match (property.get("items"), property.get("prefixItems").and_then(Value::as_array)) {
            (_, Some(parts)) => format!("({})", parts.iter().map(kind).collect::<Vec<_>>().join(", ")),
            (Some(items), None) => format!("[{}, …]", kind(items)),
            _ => "list".into(),
        },
        "boolean" => "true or false".into(),
        "integer" => "whole number".into(),
        "string" => "text".into(),
        other => other.to_owned(),
    };
    match property.get("type") {
        Some(Value::String(t)) => one(t),
        Some(Value::Array(types)) => {
            types.iter().filter_map(Value::as_str).filter(|t| *t != "null").map(one).collect::<Vec<_>>().join(" or ")
        }
        _ => "value".into(),
    }
}

/// A default as a layout would spell it; a whole struct of defaults only as `(…)`.
fn as_ron(value: &Value) -> String {
    match value {
        Value::Object(map) if map.len() == 1 => map.iter().next().map_or(String::new(), |(k, v)| {
            format!("{k}{}", if v.is_object() { "(…)".into() } else { format!("({})", as_ron(v)) })
        }),
        Value::Object(_) => "(…)".into(),
        Value::String(s) if s.chars().next().is_some_and(char::is_uppercase) => s.clone(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_reference_knows_every_arrangement_and_its_fields() {
        let text = reference_text();
        for word in [
            "SkyTrack",
            "PhaseGrid",
            "ShadowMap",
            "Path",
            "Panels",
            "`columns`",
            "`shadow_lift`",
            "`within_minutes`",
            "DarkerThanSky",
        ] {
            assert!(text.contains(word), "{word} is missing");
        }
        assert!(schema().get("properties").and_then(|p| p.get("arrangement")).is_some());
    }
}
