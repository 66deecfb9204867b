//! RON files read with faults that point at their place, and written for people to edit.

use super::{Diagnostic, Span};
use ron::error::{Error, SpannedError};
use ron::extensions::Extensions;
use serde::de::DeserializeOwned;
use std::path::Path;

fn extensions() -> Extensions {
    Extensions::IMPLICIT_SOME | Extensions::UNWRAP_VARIANT_NEWTYPES
}

/// Reads a RON text.
///
/// # Errors
/// A [`Diagnostic`] with the file, line, column and what would be valid there; also for numbers that are not finite.
pub fn read_ron<T: DeserializeOwned>(path: &Path, text: &str) -> Result<T, Diagnostic> {
    // Some editors put a byte order mark before the text.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if let Some(place) = super::ron_numbers::first_impossible(text) {
        let (before, word) = (&text[..place.start], &text[place]);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        let span = Span::at(path, text, line, column, word.chars().count());
        return Err(Diagnostic::error("impossible-number", format!("`{word}` is a number that nothing here can have"))
            .with_span(span)
            .with_help("write a number that can be measured"));
    }
    fn read<T: DeserializeOwned>(text: &str) -> Result<T, SpannedError> {
        ron::Options::default().with_default_extension(extensions()).from_str(text)
    }
    read(text).map_err(|e| {
        let missing = super::ron_missing::missing(text, &e, &|text| read::<T>(text).map(drop));
        explain(path, text, &e, missing)
    })
}

/// Writes a value as RON, one field a line.
///
/// # Errors
/// A [`Diagnostic`] when the value cannot be written as RON (a map with keys that are no text).
pub fn write_ron<T: serde::Serialize>(value: &T) -> Result<String, Diagnostic> {
    let pretty = ron::ser::PrettyConfig::new().depth_limit(4).indentor("    ").extensions(extensions());
    ron::Options::default()
        .with_default_extension(extensions())
        .to_string_pretty(value, pretty)
        .map_err(|e| Diagnostic::error("ron-unwritable", e.to_string()))
}

fn list(names: &[&str]) -> String {
    names.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")
}

/// The nearest of the valid names, when one is near enough to be meant.
pub(crate) fn nearest<'a>(found: &str, names: &[&'a str]) -> Option<&'a str> {
    let (name, score) = names
        .iter()
        .map(|n| (*n, strsim::jaro_winkler(&found.to_lowercase(), &n.to_lowercase())))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    (score > 0.8).then_some(name)
}

fn suggestion(found: &str, names: &[&str]) -> String {
    match nearest(found, names) {
        Some(name) => format!("did you mean `{name}`? Valid here: {}", list(names)),
        None => format!("valid here: {}", list(names)),
    }
}

/// A fault in words; `missing` is what a value lacks, where that is the fault.
fn explain(path: &Path, text: &str, error: &SpannedError, missing: Option<String>) -> Diagnostic {
    let start = error.span.start;
    let (message, found, help) = match &error.code {
        Error::NoSuchStructField { expected, found, .. } => {
            (format!("unknown field `{found}`"), Some(found.clone()), Some(suggestion(found, expected)))
        }
        Error::NoSuchEnumVariant { expected, found, .. } => (
            format!("`{found}` is not one of the choices here"),
            Some(found.clone()),
            Some(suggestion(found, expected)),
        ),
        Error::MissingStructField { field, .. } => {
            let lacks = missing.unwrap_or_else(|| format!("{field}: …"));
            (format!("the field `{field}` is missing"), None, Some(format!("add `{lacks}` here")))
        }
        Error::DuplicateStructField { field, .. } => (
            format!("the field `{field}` is given twice"),
            Some((*field).to_owned()),
            Some("remove one of the two".into()),
        ),
        Error::ExpectedComma | Error::ExpectedStructLikeEnd => (
            error.code.to_string(),
            None,
            Some("a value ends here: a comma is missing, or the quotes of a text such as \"15mm\"".into()),
        ),
        Error::ExpectedStructLike | Error::ExpectedNamedStructLike(_) => (
            error.code.to_string(),
            None,
            Some(
                "this has values of its own: write them in brackets, `Name(field: …)`, or `(1, 2)` for two numbers"
                    .into(),
            ),
        ),
        Error::InvalidValueForType { expected, found } => (format!("expected {expected}, found {found}"), None, None),
        other => (other.to_string(), None, None),
    };
    // The reader stops just after the word at fault; point at the word itself.
    let found_span = found.and_then(|word| {
        let line = text.lines().nth(start.line.saturating_sub(1))?;
        let upto: String = line.chars().take(start.col + word.chars().count()).collect();
        let column = upto.rfind(&word).or_else(|| line.find(&word))?;
        let column = line[..column].chars().count() + 1;
        Some(Span::at(path, text, start.line, column, word.chars().count()))
    });
    let width = if error.span.end.line == start.line { error.span.end.col.saturating_sub(start.col) } else { 1 };
    let span = found_span.unwrap_or_else(|| Span::at(path, text, start.line, start.col, width.max(1)));
    let diagnostic = Diagnostic::error("ron-fault", message).with_span(span);
    match help {
        Some(help) => diagnostic.with_help(help),
        None => diagnostic,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Grid {
        #[allow(dead_code)]
        columns: u32,
    }

    #[test]
    fn a_misspelt_field_is_named_with_its_place_and_the_right_word() {
        let fault = read_ron::<Grid>(Path::new("a.ron"), "(\n    colums: 3,\n)").unwrap_err();
        let span = fault.span.unwrap();
        assert_eq!((span.line, span.column, span.width), (2, 5, 6));
        assert!(fault.help.unwrap().contains("did you mean `columns`"));
    }

    #[test]
    fn a_wrong_value_is_pointed_at() {
        let fault = read_ron::<Grid>(Path::new("a.ron"), "(\n    columns: \"three\",\n)").unwrap_err();
        assert_eq!(fault.span.unwrap().line, 2);
    }
}
