//! Numbers that a text file may say: finite, and of a size that something in the world has.
//!
//! RON reads `NaN` and `inf` wherever a number may stand. Here they are found before the text is read, with their place,
//! so that no reader has to think of them.

use std::ops::Range;

/// Numbers with a point or an exponent beyond this are slips of the keyboard. (Whole numbers may be seeds, and are bounded where
/// they are used.)
const LARGEST: f64 = 1e15;

/// The first number of a RON text that no file may say: its bytes.
pub(super) fn first_impossible(text: &str) -> Option<Range<usize>> {
    let bytes = text.as_bytes();
    let mut at = 0;
    while at < bytes.len() {
        at = match bytes[at] {
            b'"' => after_string(bytes, at),
            b'\'' => after_character(bytes, at),
            b'/' if bytes.get(at + 1) == Some(&b'/') => text[at..].find('\n').map_or(bytes.len(), |end| at + end),
            b'/' if bytes.get(at + 1) == Some(&b'*') => after_comment(bytes, at),
            b'r' if matches!(bytes.get(at + 1), Some(b'"' | b'#')) => after_raw_string(text, at),
            b if b.is_ascii_alphanumeric() || matches!(b, b'_' | b'+' | b'-' | b'.') || b >= 0x80 => {
                let end = at + bytes[at..].iter().take_while(|b| is_of_word(**b)).count();
                if is_impossible(&text[at..end]) {
                    return Some(at..end);
                }
                end
            }
            _ => at + 1,
        };
    }
    None
}

fn is_of_word(b: u8) -> bool {
    b.is_ascii_alphanumeric() || matches!(b, b'_' | b'+' | b'-' | b'.') || b >= 0x80
}

fn is_impossible(word: &str) -> bool {
    let plain = word.trim_start_matches(['+', '-']);
    if matches!(plain, "inf" | "NaN" | "inff32" | "inff64" | "NaNf32" | "NaNf64") {
        return true;
    }
    if !plain.starts_with(|c: char| c.is_ascii_digit() || c == '.') {
        return false;
    }
    // Digits may be parted by underscores, and a type may follow.
    let digits = plain.replace('_', "");
    let digits = digits.trim_end_matches("f32").trim_end_matches("f64");
    let measures = digits.contains(['.', 'e', 'E']);
    measures && digits.parse::<f64>().is_ok_and(|v| v > LARGEST)
}

fn after_string(bytes: &[u8], at: usize) -> usize {
    let mut at = at + 1;
    while at < bytes.len() {
        match bytes[at] {
            b'\\' => at += 2,
            b'"' => return at + 1,
            _ => at += 1,
        }
    }
    bytes.len()
}

/// A quoted character; a lone quote is one byte.
fn after_character(bytes: &[u8], at: usize) -> usize {
    let inner = if bytes.get(at + 1) == Some(&b'\\') { at + 3 } else { at + 2 };
    // The character may take up to four bytes.
    let end = (inner..=inner + 10).find(|e| bytes.get(*e) == Some(&b'\''));
    end.map_or(at + 1, |e| e + 1)
}

fn after_raw_string(text: &str, at: usize) -> usize {
    let hashes = text[at + 1..].bytes().take_while(|b| *b == b'#').count();
    let open = at + 1 + hashes;
    if text.as_bytes().get(open) != Some(&b'"') {
        return at + 1;
    }
    let close = format!("\"{}", "#".repeat(hashes));
    text[open + 1..].find(&close).map_or(text.len(), |end| open + 1 + end + close.len())
}

/// Comments of this kind may hold each other.
fn after_comment(bytes: &[u8], at: usize) -> usize {
    let (mut depth, mut at) = (0usize, at);
    while at + 1 < bytes.len() {
        match (bytes[at], bytes[at + 1]) {
            (b'/', b'*') => (depth, at) = (depth + 1, at + 2),
            (b'*', b'/') => {
                (depth, at) = (depth - 1, at + 2);
                if depth == 0 {
                    return at;
                }
            }
            _ => at += 1,
        }
    }
    bytes.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_numbers_are_found_where_numbers_stand_and_nowhere_else() {
        let found = |text: &str| first_impossible(text).map(|r| text[r].to_owned());
        assert_eq!(found("(a: NaN)").as_deref(), Some("NaN"));
        assert_eq!(found("(a: [1.0, -inf])").as_deref(), Some("-inf"));
        assert_eq!(found("(a: 1e300)").as_deref(), Some("1e300"));
        assert_eq!(found("(a: 9_999_999_999_999_999.0)").as_deref(), Some("9_999_999_999_999_999.0"));
        for fair in [
            "(title: \"inf NaN 1e300\", n: 12, infinite: 3.5, seed: 18446744073709551615)",
            "// NaN\n(a: 1)",
            "/* inf /* NaN */ 1e99 */ (a: 1)",
            "(a: r#\"NaN \" inf\"#, b: '\\'', c: 'x', d: 1.5e-3)",
            "(utc: \"2028-12-31T16:52:00Z\", é: 1, name: NaNny)",
        ] {
            assert_eq!(found(fair), None, "{fair}");
        }
        // Whatever is torn off is passed over to the end.
        for torn in ["\"abc", "r##\"abc\"#", "/* abc", "'", "'\\", "\"\\"] {
            assert_eq!(found(torn), None, "{torn}");
        }
    }
}
