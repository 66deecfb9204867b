//! Anybody's text inside HTML and XML.

/// Text in which nothing ends an element or an attribute.
///
/// Control characters, which XML 1.0 (section 2.2) does not have, and marks of direction (Unicode UAX #9), by which a name
/// could disguise what stands beside it, are shown as U+FFFD.
pub(crate) fn in_markup(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(c),
            '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => out.push('\u{fffd}'),
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_in_a_name_is_markup() {
        let hostile = "</title><script>alert(1)</script>\" onload='x' \u{202e}gpj.exe\u{0}&amp;";
        let shown = in_markup(hostile);
        assert!(!shown.contains(['<', '>', '"', '\'', '\u{202e}', '\u{0}']), "{shown}");
        assert!(shown.contains("&amp;amp;"));
    }
}
