//! What else is missing where one field is: a reader stops at the first, and whoever mends a file wants to mend it once.
//!
//! The text is read again with something in the place of the missing field, and so on until the value that lacks it is whole. What
//! fits is found by trying; what only the program's own checks know (ranges, names) is not asked here.

use super::ron_edit::{end_of_string, skip};
use ron::error::{Error, SpannedError};

/// What may stand in a field's place: a number, a text, a list, a struct without fields, a pair, a truth.
const FITTING: [&str; 6] = ["1", "\"\"", "[]", "()", "(1, 1)", "true"];
/// Before what stands in a field's place only to be tried: a comment to whoever reads RON.
const TRIED: &str = "/*?*/";
/// More fields than any value here has.
const MOST: usize = 24;

/// The missing field and those that the same value lacks besides, as they are to be written, with an ellipsis for each value:
/// ``site: (latitude_deg: …, longitude_deg: …), eclipse: …``. `error` is what reading `text` with `read` came to.
pub(super) fn missing(
    text: &str,
    error: &SpannedError,
    read: &dyn Fn(&str) -> Result<(), SpannedError>,
) -> Option<String> {
    let Error::MissingStructField { field, .. } = &error.code else { return None };
    let start = offset(text, error)?;
    let mut added = String::new();
    let (mut field, mut at) = ((*field).to_owned(), 0);
    for _ in 0..MOST {
        let Some(Filled { with, next }) = fill(text, start, (&added, at), &field, read) else {
            // Nothing fits, such as one of several words: it is named at least.
            added.insert_str(at, &format!("{}{field}: …", separator(&added[..at])));
            break;
        };
        added = with;
        match next {
            Some((missing, place)) => (field, at) = (missing, place),
            None => break,
        }
    }
    Some(shown(&added))
}

/// What was added, as a person reads it: an ellipsis for each value but for a word that wants more.
fn shown(added: &str) -> String {
    let mut pieces = added.split(TRIED);
    let mut out = pieces.next().unwrap_or_default().to_owned();
    for piece in pieces {
        let word = piece.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(piece.len());
        let value = FITTING.into_iter().find(|f| piece.starts_with(f)).map_or(word, str::len);
        let rest = &piece[value..];
        match rest.strip_prefix("()").unwrap_or(rest) {
            // Of several words the first that fits is no answer, but for what it wants besides.
            wants if wants.starts_with('(') => out.push_str(piece),
            rest => out.extend(["\u{2026}", rest]),
        }
    }
    out
}

/// A field more.
struct Filled {
    /// What was added, with it.
    with: String,
    /// The field that is missing next, and its place in what was added.
    next: Option<(String, usize)>,
}

/// Adds a field to what was added, with whatever fits it.
fn fill(
    text: &str,
    start: usize,
    (added, at): (&str, usize),
    field: &str,
    read: &dyn Fn(&str) -> Result<(), SpannedError>,
) -> Option<Filled> {
    let words = FITTING.iter().map(|f| (*f).to_owned());
    let mut tried: Vec<String> = words.collect();
    let mut i = 0;
    while let Some(value) = tried.get(i).cloned() {
        i += 1;
        // A struct's own fields are shown.
        let mark = if value == "()" { "" } else { TRIED };
        let with = format!("{}{}{field}: {mark}{value}{}", &added[..at], separator(&added[..at]), &added[at..]);
        let comma = if needs_comma(&text[..start]) { ", " } else { "" };
        let whole = format!("{}{comma}{with}{}", &text[..start], &text[start..]);
        let from = start + comma.len();
        let Err(e) = read(&whole) else { return Some(Filled { with, next: None }) };
        let place = offset(&whole, &e)?;
        let within = place.checked_sub(from).filter(|p| *p <= with.len());
        match (&e.code, within) {
            // What lacks the next one is the same value, or one that was just added.
            (Error::MissingStructField { field: next, .. }, Some(within)) => {
                return Some(Filled { with, next: Some(((*next).to_owned(), within)) });
            }
            // One of several words: the first of them, with and without something in it.
            (Error::NoSuchEnumVariant { expected, .. }, Some(_)) if tried.len() == FITTING.len() => {
                tried.extend(expected.iter().flat_map(|w| [format!("{w}()"), (*w).to_owned()]));
            }
            (_, Some(_)) => {}
            // It fits; the next fault lies elsewhere.
            (_, None) => return Some(Filled { with, next: None }),
        }
    }
    None
}

/// Between what stands there and a field that is added.
fn separator(before: &str) -> &'static str {
    if before.is_empty() || before.ends_with('(') { "" } else { ", " }
}

/// Whether a field that is added to a text needs a comma first; comments are not what stands before it.
fn needs_comma(before: &str) -> bool {
    let (mut at, mut last) = (skip(before, 0), None);
    while let Some(c) = before[at..].chars().next() {
        let after = end_of_string(before, at).unwrap_or(at + c.len_utf8());
        last = Some(c);
        at = skip(before, after);
    }
    !matches!(last, Some(',' | '(') | None)
}

/// Where an error stands, bytes from the start.
fn offset(text: &str, error: &SpannedError) -> Option<usize> {
    let (line, column) = (error.span.start.line.checked_sub(1)?, error.span.start.col.checked_sub(1)?);
    let before: usize = text.split_inclusive('\n').take(line).map(str::len).sum();
    let inside = text.get(before..)?.char_indices().nth(column).map_or(text.len() - before, |(i, _)| i);
    Some(before + inside)
}

#[cfg(test)]
mod tests {
    use crate::diag::read_ron;
    use serde::Deserialize;
    use std::path::Path;

    #[derive(Debug, Deserialize)]
    #[allow(dead_code)]
    #[serde(deny_unknown_fields)]
    struct Night {
        version: u32,
        title: String,
        site: Site,
        held: Held,
        #[serde(default)]
        seed: u64,
        rigs: Vec<Site>,
    }

    #[derive(Debug, Deserialize)]
    #[allow(dead_code)]
    struct Site {
        north: f64,
        east: f64,
    }

    #[derive(Debug, Deserialize)]
    #[allow(dead_code)]
    enum Held {
        Tripod { azimuth: f64 },
        Hand,
    }

    fn help(text: &str) -> String {
        read_ron::<Night>(Path::new("a.ron"), text).unwrap_err().help.unwrap()
    }

    #[test]
    fn all_that_a_value_lacks_is_named_at_once() {
        let all = help("(version: 1, // a, b\n)");
        for field in ["title: …", "site: (north: …, east: …)", "held: ", "rigs: …"] {
            assert!(all.contains(field), "{field} in {all}");
        }
        assert!(!all.contains("seed") && !all.contains("version"), "{all}");
        let strings = help("(version: 1, title: \"a//b\",)");
        assert!(strings.contains("site: ") && strings.contains("rigs: …"), "{strings}");
        let words = help("(version: 1, title: \"\", site: (north: 1, east: 2), rigs: [])");
        assert_eq!(words, "add `held: Tripod(azimuth: …)` here");
        assert_eq!(help("(version: 1, title: \"\", site: (north: 1), rigs: [])"), "add `east: …` here");
        assert_eq!(help("(version: 1, title: \"(\", held: Hand, site: (north: 1, east: 2),\n)"), "add `rigs: …` here");
    }
}
