//! One value of a RON text changed, and nothing else: comments, order and spacing stay as a person wrote them.
//!
//! Only what layouts and shoot notes use is understood: structs and variants with named fields, and lists. What is replaced is found
//! by the names that lead to it, an item of a list by its number from 0; a variant's own name is no step of the way
//! (`arrangement: PhaseGrid(columns: 4)` is changed at `arrangement`, `columns`).

use std::ops::Range;

/// A field of a struct: its name, and where its value stands.
struct Field<'a> {
    name: &'a str,
    value: Range<usize>,
}

/// Where the next thing that is neither white nor a comment begins.
pub(super) fn skip(text: &str, mut at: usize) -> usize {
    loop {
        let rest = &text[at..];
        let white = rest.len() - rest.trim_start().len();
        let rest = &rest[white..];
        at += white;
        if rest.starts_with("//") {
            at += rest.find('\n').unwrap_or(rest.len());
        } else if rest.starts_with("/*") {
            at += end_of_comment(rest);
        } else {
            return at;
        }
    }
}

/// How long a comment is that may hold others.
fn end_of_comment(text: &str) -> usize {
    let (mut depth, mut at) = (0usize, 0);
    while at < text.len() {
        let rest = &text[at..];
        if rest.starts_with("/*") {
            (depth, at) = (depth + 1, at + 2);
        } else if rest.starts_with("*/") {
            (depth, at) = (depth - 1, at + 2);
            if depth == 0 {
                return at;
            }
        } else {
            at += rest.chars().next().map_or(1, char::len_utf8);
        }
    }
    text.len()
}

/// Where a text in quotes that begins here ends, if one does begin.
pub(super) fn end_of_string(text: &str, at: usize) -> Option<usize> {
    let rest = &text[at..];
    if let Some(raw) = rest.strip_prefix('r').filter(|r| r.starts_with(['#', '"'])) {
        let hashes = raw.len() - raw.trim_start_matches('#').len();
        let inside = raw[hashes..].strip_prefix('"')?;
        let close = format!("\"{}", "#".repeat(hashes));
        let end = inside.find(&close)?;
        return Some(at + 1 + hashes + 1 + end + close.len());
    }
    let inside = rest.strip_prefix('"')?;
    let mut escaped = false;
    for (i, c) in inside.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return Some(at + 1 + i + 1),
            _ => {}
        }
    }
    Some(text.len())
}

/// Where the value that begins here ends: before the comma or bracket after it, and before what is only white or comment.
fn end_of_value(text: &str, from: usize) -> usize {
    let (mut at, mut depth, mut end) = (from, 0usize, from);
    while at < text.len() {
        let next = skip(text, at);
        if next != at {
            at = next;
            continue;
        }
        if let Some(after) = end_of_string(text, at) {
            (at, end) = (after, after);
            continue;
        }
        let Some(c) = text[at..].chars().next() else { break };
        match c {
            '(' | '[' | '{' => depth += 1,
            ')' | ']' | '}' if depth == 0 => break,
            ')' | ']' | '}' => depth -= 1,
            ',' if depth == 0 => break,
            _ => {}
        }
        at += c.len_utf8();
        end = at;
    }
    end
}

/// The fields of a struct whose bracket opens here, and where it closes.
fn fields(text: &str, open: usize) -> Option<(Vec<Field<'_>>, usize)> {
    let mut out = Vec::new();
    let mut at = skip(text, open + 1);
    loop {
        if text[at..].starts_with(')') {
            return Some((out, at));
        }
        let word = text[at..].find(|c: char| !c.is_alphanumeric() && c != '_')?;
        let name = &text[at..at + word];
        let colon = skip(text, at + word);
        if word == 0 || !text[colon..].starts_with(':') {
            return None;
        }
        let from = skip(text, colon + 1);
        let until = end_of_value(text, from);
        out.push(Field { name, value: from..until });
        at = skip(text, until);
        if text[at..].starts_with(',') {
            at = skip(text, at + 1);
        }
    }
}

/// The items of a list whose bracket opens here, and where it closes.
fn items(text: &str, open: usize) -> Option<(Vec<Range<usize>>, usize)> {
    let mut at = skip(text, open + text[open..].strip_prefix('[').map(|_| 1)?);
    let mut out = Vec::new();
    loop {
        if text[at..].starts_with(']') {
            return Some((out, at));
        }
        let until = end_of_value(text, at);
        if until == at {
            return None;
        }
        out.push(at..until);
        at = skip(text, until);
        if text[at..].starts_with(',') {
            at = skip(text, at + 1);
        } else if !text[at..].starts_with(']') {
            return None;
        }
    }
}

/// The text with the value at a way of names replaced, or added where there was none; `None` where the way leads nowhere.
pub fn set_value(text: &str, way: &[&str], value: &str) -> Option<String> {
    let open = opening(text, 0..text.len())?;
    let edit = edit(text, open, way, value, 1)?;
    let mut out = text.to_owned();
    out.replace_range(edit.0, &edit.1);
    Some(out)
}

/// Whether there is a value at a way of names.
pub fn has_value(text: &str, way: &[&str]) -> bool {
    opening(text, 0..text.len())
        .and_then(|open| edit(text, open, way, "", 1))
        .is_some_and(|(_, missing)| missing.is_empty())
}

/// The text with an item more at the end of the list at a way of names, which is made where there was none; `None` where the way
/// leads nowhere, or to what is no list.
pub fn append_value(text: &str, way: &[&str], item: &str) -> Option<String> {
    let (list, missing) = edit(text, opening(text, 0..text.len())?, way, "", 1)?;
    if !missing.is_empty() || text[list.clone()].trim() == "None" {
        return set_value(text, way, &format!("[{item}]"));
    }
    let open = list_in(text, list);
    let (items, close) = items(text, open)?;
    let mut out = text.to_owned();
    let Some(last) = items.last() else {
        out.insert_str(close, item);
        return Some(out);
    };
    let has_comma = text[skip(text, last.end)..].starts_with(',');
    if text[open..items[0].start].contains('\n') {
        // On a line of its own, as the others have one each.
        let line = text[..last.start].rfind('\n').map_or(0, |n| n + 1);
        let indent =
            &text[line..last.start][..text[line..last.start].len() - text[line..last.start].trim_start().len()];
        let behind = behind_item(text, last.end);
        out.insert_str(behind, &format!("\n{indent}{item},"));
        if !has_comma {
            out.insert(last.end, ',');
        }
    } else {
        out.insert_str(close, &format!("{}{item}", if has_comma { " " } else { ", " }));
    }
    Some(out)
}

/// The text of the last item of the list at a way of names.
pub fn last_item(text: &str, way: &[&str]) -> Option<String> {
    let (list, missing) = edit(text, opening(text, 0..text.len())?, way, "", 1)?;
    let (items, _) = items(text, list_in(text, list)).filter(|_| missing.is_empty())?;
    Some(text[items.last()?.clone()].to_owned())
}

/// The text without an item of the list at a way of names: its comma goes with it, and what is said of it above it and on its line;
/// `None` where there is no such item.
pub fn remove_value(text: &str, way: &[&str], index: usize) -> Option<String> {
    let (list, missing) = edit(text, opening(text, 0..text.len())?, way, "", 1)?;
    if !missing.is_empty() {
        return None;
    }
    let open = list_in(text, list);
    let (items, _) = items(text, open)?;
    let item = items.get(index)?;
    let before = index.checked_sub(1).and_then(|i| items.get(i));
    let has_comma = text[skip(text, item.end)..].starts_with(',');
    let from = before.map_or_else(|| end_of_line(text, open + 1), |b| behind_item(text, b.end));
    let mut until = behind_item(text, item.end);
    let gone = match before {
        Some(before) if !has_comma && !text[before.end..item.start].contains('\n') => before.end..item.end,
        Some(_) => from..until,
        None => {
            if !text[from..].starts_with('\n') {
                until += text[until..].len() - text[until..].trim_start_matches(' ').len();
            }
            from..until
        }
    };
    let mut out = text.to_owned();
    out.replace_range(gone, "");
    Some(out)
}

/// Where the bracket of a list opens that may be wrapped in `Some`.
fn list_in(text: &str, value: Range<usize>) -> usize {
    text[value.clone()].strip_prefix("Some").map_or(value.start, |rest| {
        let open = skip(text, value.end - rest.len());
        if text[open..].starts_with('(') { skip(text, open + 1) } else { value.start }
    })
}

/// Behind an item: its comma, and what stands on its line about it.
fn behind_item(text: &str, end: usize) -> usize {
    let after = skip(text, end);
    end_of_line(text, if text[after..].starts_with(',') { after + 1 } else { end })
}

/// The end of the line where nothing but a comment is left of it; else where one stands.
fn end_of_line(text: &str, at: usize) -> usize {
    let line_end = text[at..].find('\n').map(|n| at + n);
    line_end
        .filter(|end| matches!(text[at..*end].trim(), rest if rest.is_empty() || rest.starts_with("//")))
        .unwrap_or(at)
}

/// The first bracket of a value that is a struct or a variant with fields.
fn opening(text: &str, within: Range<usize>) -> Option<usize> {
    let at = skip(text, within.start);
    let rest = text.get(at..within.end)?;
    let word = rest.find(|c: char| !c.is_alphanumeric() && c != '_')?;
    let open = skip(text, at + word);
    (open < within.end && text[open..].starts_with('(')).then_some(open)
}

/// A value within structs of the names that lead to it.
fn nested(way: &[&str], value: &str) -> String {
    way.iter().rev().fold(value.to_owned(), |inner, name| format!("({name}: {inner})"))
}

/// What is to stand where within a value.
fn within(text: &str, at: Range<usize>, way: &[&str], value: &str, depth: usize) -> Option<(Range<usize>, String)> {
    let Some((first, rest)) = way.split_first() else { return Some((at, value.to_owned())) };
    if text[at.clone()].trim() == "None" {
        return Some((at, nested(way, value)));
    }
    if let Ok(index) = first.parse::<usize>() {
        let item = items(text, list_in(text, at))?.0.into_iter().nth(index)?;
        return within(text, item, rest, value, depth + 1);
    }
    // `Some(Name(field: …))` and the like: the innermost bracket that has fields.
    let inner = opening(text, at.clone())?;
    edit(text, inner, way, value, depth + 1)
        .or_else(|| edit(text, opening(text, inner + 1..at.end)?, way, value, depth + 1))
}

fn edit(text: &str, open: usize, way: &[&str], value: &str, depth: usize) -> Option<(Range<usize>, String)> {
    let (first, rest) = way.split_first()?;
    let (fields, close) = fields(text, open)?;
    if let Some(field) = fields.iter().find(|f| f.name == *first) {
        return within(text, field.value.clone(), rest, value, depth);
    }
    let nested = nested(rest, value);
    let last = fields.last().map_or(open + 1, |f| f.value.end);
    let after = skip(text, last);
    // On the line of its neighbours, or on one of its own where they have one each.
    let own_line = text[open..close].contains('\n')
        && fields.last().is_none_or(|f| {
            let line = text[..f.value.start].rfind('\n').map_or(0, |n| n + 1);
            text[line..f.value.start].trim_start().starts_with(f.name)
        });
    let (at, comma) = match (fields.is_empty(), text[after..].starts_with(',')) {
        (true, _) => (open + 1, ""),
        (false, true) => (after + 1, ""),
        (false, false) => (last, ","),
    };
    // A comment behind a field stays with it.
    let line_end = text[at..].find('\n').map_or(text.len(), |n| at + n);
    if own_line && !fields.is_empty() && text[at..line_end].trim_start().starts_with("//") {
        let comma_at = at;
        let added = format!("{}\n{}{first}: {nested},", &text[comma_at..line_end], "    ".repeat(depth));
        return Some((comma_at..line_end, format!("{comma}{added}")));
    }
    let field = match (own_line, fields.is_empty()) {
        (true, _) => format!("{comma}\n{}{first}: {nested},", "    ".repeat(depth)),
        (false, true) => format!("{first}: {nested}"),
        (false, false) => format!("{comma} {first}: {nested}"),
    };
    Some((at..at, field))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "// A poster.
(
    version: 2,
    /* the sheet */ canvas: (page: \"A3\", margin: \"15mm\"), // as printed
    // Four by six, (north up).
    arrangement: PhaseGrid(columns: 4, rows: 6, up: North),
    title: \"a ) comma, and \\\" quotes\",
    selection: (at: [\"U1\", \"U2\"]),
)
";

    #[test]
    fn a_value_is_replaced_and_comments_stay() {
        let text = set_value(TEXT, &["arrangement", "columns"], "5").unwrap();
        assert_eq!(text, TEXT.replace("columns: 4", "columns: 5"));
        let text = set_value(TEXT, &["title"], "\"new\"").unwrap();
        assert!(text.contains("title: \"new\",\n    selection") && text.contains("// as printed"));
        let text = set_value(TEXT, &["canvas", "margin"], "\"2%\"").unwrap();
        assert_eq!(text, TEXT.replace("15mm", "2%"));
        assert_eq!(set_value(TEXT, &["selection", "at"], "[]").unwrap(), TEXT.replace("[\"U1\", \"U2\"]", "[]"));
        assert_eq!(set_value(TEXT, &["arrangement"], "ShadowMap()").unwrap().matches("PhaseGrid").count(), 0);
    }

    #[test]
    fn a_value_that_is_missing_is_added() {
        let text = set_value(TEXT, &["light", "shadow_lift"], "0.5").unwrap();
        assert!(text.ends_with("selection: (at: [\"U1\", \"U2\"]),\n    light: (shadow_lift: 0.5),\n)\n"), "{text}");
        let text = set_value(TEXT, &["arrangement", "spacing"], "\"1.2disc\"").unwrap();
        assert!(text.contains("up: North, spacing: \"1.2disc\"),"), "{text}");
        assert_eq!(set_value("(a: 1)", &["b"], "2").unwrap(), "(a: 1, b: 2)");
        assert_eq!(set_value("(a: One(Two(c: 1)))", &["a", "c"], "2").unwrap(), "(a: One(Two(c: 2)))");
        assert_eq!(set_value("(a: Grid())", &["a", "b"], "2").unwrap(), "(a: Grid(b: 2))");
        assert_eq!(set_value("(a: None)", &["a", "b"], "2").unwrap(), "(a: (b: 2))");
        // A comment stays behind the field that it speaks of, and one within another hides no field.
        let text = set_value("(\n    title: \"x\", // my night\n)", &["mount"], "Tracking").unwrap();
        assert_eq!(text, "(\n    title: \"x\", // my night\n    mount: Tracking,\n)");
        let text = set_value("(\n    title: \"x\" // my night\n)", &["mount"], "Tracking").unwrap();
        assert_eq!(text, "(\n    title: \"x\", // my night\n    mount: Tracking,\n)");
        let text = set_value("(/* a: /* 0 */ 1, */ a: 2)", &["a"], "3").unwrap();
        assert_eq!(text, "(/* a: /* 0 */ 1, */ a: 3)");
    }

    #[test]
    fn a_list_grows_at_its_end() {
        let grown = |text: &str| append_value(text, &["a", "b"], "(9)");
        assert_eq!(grown("(a: (b: [1, 2]))").unwrap(), "(a: (b: [1, 2, (9)]))");
        assert_eq!(grown("(a: (b: [1, 2,\n]))").unwrap(), "(a: (b: [1, 2,\n (9)]))");
        assert_eq!(grown("(a: (b: [(c: [1]) // one, two,\n]))").unwrap(), "(a: (b: [(c: [1]) // one, two,\n, (9)]))");
        assert_eq!(grown("(a: (b: [ ]))").unwrap(), "(a: (b: [ (9)]))");
        assert_eq!(grown("(a: ())").unwrap(), "(a: (b: [(9)]))");
        assert_eq!(grown("(c: 1)").unwrap(), "(c: 1, a: (b: [(9)]))");
        assert_eq!(grown("(a: (b: 3))"), None);
    }

    #[test]
    fn an_item_of_a_list_is_changed_or_taken_out() {
        let text = "(a: (b: [(c: 1, d: [5]), // one, two
    (c: 2)]))";
        assert_eq!(set_value(text, &["a", "b", "1", "c"], "3").unwrap(), text.replace("c: 2", "c: 3"));
        assert_eq!(set_value(text, &["a", "b", "0", "d", "0"], "6").unwrap(), text.replace('5', "6"));
        assert_eq!(set_value(text, &["a", "b", "1", "e"], "4").unwrap(), text.replace("c: 2", "c: 2, e: 4"));
        assert_eq!(set_value(text, &["a", "b", "2", "c"], "3"), None);
        let told = "(b: [ // all
    // One.
    (c: 1), // of them
    // Two.
    (c: 2), // more
    // Three.
    (c: 3)
])";
        let without = |index: usize| remove_value(told, &["b"], index).unwrap();
        assert_eq!(without(0), told.replace("    // One.\n    (c: 1), // of them\n", ""));
        assert_eq!(without(1), told.replace("    // Two.\n    (c: 2), // more\n", ""));
        assert_eq!(without(2), told.replace("\n    // Three.\n    (c: 3)", ""));
        assert_eq!(append_value(told, &["b"], "(c: 4)").unwrap(), told.replace("(c: 3)", "(c: 3),\n    (c: 4),"));
        assert_eq!(last_item(told, &["b"]).unwrap(), "(c: 3)");
        assert_eq!(append_value("(b: Some([1]))", &["b"], "2").unwrap(), "(b: Some([1, 2]))");
        assert_eq!(append_value("(b: None)", &["b"], "2").unwrap(), "(b: [2])");
        assert_eq!(remove_value("(b: Some([1, 2]))", &["b"], 0).unwrap(), "(b: Some([2]))");
        assert!(has_value(told, &["b", "1", "c"]) && !has_value(told, &["b", "1", "d"]) && !has_value(told, &["a"]));
        assert_eq!(remove_value("(b: [1, 2, 3])", &["b"], 0).unwrap(), "(b: [2, 3])");
        assert_eq!(remove_value("(b: [1, 2, 3])", &["b"], 1).unwrap(), "(b: [1, 3])");
        assert_eq!(remove_value("(b: [1, 2, 3])", &["b"], 2).unwrap(), "(b: [1, 2])");
        assert_eq!(remove_value("(b: [1,])", &["b"], 0).unwrap(), "(b: [])");
        assert_eq!(remove_value("(b: [1])", &["b"], 1), None);
        assert_eq!(remove_value("(c: 1)", &["b"], 0), None);
        assert_eq!(remove_value("(b: 1)", &["b"], 0), None);
    }

    #[test]
    fn a_torn_text_is_changed_or_left_alone() {
        // Any piece taken out of it, at every place.
        let places: Vec<usize> = TEXT.char_indices().map(|(i, _)| i).collect();
        for (k, from) in places.iter().enumerate() {
            for until in places[k..].iter().step_by(7).take(12) {
                let torn = format!("{}{}", &TEXT[..*from], &TEXT[*until..]);
                for way in [&["title"][..], &["arrangement", "columns"], &["light", "shadow_lift"]] {
                    if let Some(text) = set_value(&torn, way, "1") {
                        assert!(text.contains('1'), "{torn}");
                    }
                }
                // Items of torn lists: whatever comes, nothing breaks.
                set_value(&torn, &["selection", "at", "1"], "1");
                remove_value(&torn, &["selection", "at"], 1);
            }
        }
    }

    #[test]
    fn what_is_no_struct_is_left_alone() {
        for (text, way) in [("", "a"), ("(", "a"), ("[1]", "a"), ("(a)", "a"), ("(a: \"", "b"), ("(a: 1", "b")] {
            assert!(set_value(text, &[way], "1").is_none(), "{text}");
        }
        assert!(set_value("(a: 1)", &["a", "b"], "2").is_none());
        assert!(set_value("(a: r#\"x\" )\"#, b: 1)", &["b"], "2").unwrap().ends_with("b: 2)"));
    }
}
