//! What we tell people: one kind of message for every stage.
//!
//! A [`Diagnostic`] is data. Stages collect them; the command line prints them.

mod markup;
mod ron_edit;
mod ron_missing;
mod ron_numbers;
mod ron_text;

pub(crate) use markup::in_markup;
pub use ron_edit::{append_value, has_value, last_item, remove_value, set_value};
pub(crate) use ron_text::nearest;
pub use ron_text::{read_ron, write_ron};

use std::fmt;
use std::path::{Path, PathBuf};

/// How much a message matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Said for information.
    Note,
    /// Something was left out or assumed; the work goes on.
    Warning,
    /// The work could not be done.
    Error,
}

impl Severity {
    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Error => "error",
        }
    }
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Where in a text file a message points.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// The file.
    pub path: PathBuf,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// How many characters the caret line underlines (at least 1).
    pub width: usize,
    /// The text of that line.
    pub source_line: String,
}

impl Span {
    /// The place of a line and column (from 1) in a text.
    pub fn at(path: &Path, text: &str, line: usize, column: usize, width: usize) -> Self {
        let source_line = text.lines().nth(line.saturating_sub(1)).unwrap_or("").replace('\t', " ");
        Span { path: path.to_owned(), line, column, width, source_line }
    }

    /// The place of a field's name in a RON text, found by following `names` from the outside in;
    /// `None` when the text does not spell it out (a default was used).
    pub fn of_field(path: &Path, text: &str, names: &[&str]) -> Option<Box<Self>> {
        let mut from = 0;
        for name in names {
            from += find_name(&text[from..], name).or_else(|| text[from..].find(&format!("\"{name}\"")))?;
        }
        let before = &text[..from];
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        Some(Box::new(Span::at(path, text, line, column, names.last()?.chars().count())))
    }
}

/// Characters of a line that are shown around a fault.
const SHOWN: usize = 160;

impl Span {
    /// The part of its line around the fault, and how many characters of it stand before the caret.
    fn window(&self) -> (String, usize) {
        let before = self.column.saturating_sub(1);
        if self.source_line.chars().nth(SHOWN).is_none() {
            return (self.source_line.clone(), before);
        }
        let from = before.saturating_sub(SHOWN / 2);
        let part: String = self.source_line.chars().skip(from).take(SHOWN).collect();
        let cut = if from > 0 { "… " } else { "" };
        (format!("{cut}{part} …"), before - from + cut.chars().count())
    }
}

/// Byte offset of a whole word that does not stand in a `//` comment or a string.
fn find_name(text: &str, name: &str) -> Option<usize> {
    let is_word = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
    text.match_indices(name).map(|(at, _)| at).find(|&at| {
        let line_start = text[..at].rfind('\n').map_or(0, |n| n + 1);
        let lead = &text[line_start..at];
        !lead.contains("//")
            && lead.matches('"').count().is_multiple_of(2)
            && !is_word(text[..at].chars().next_back())
            && !is_word(text[at + name.len()..].chars().next())
    })
}

/// One message: what, where, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    /// How much it matters.
    pub severity: Severity,
    /// A stable code such as `frame-without-time`.
    pub code: &'static str,
    /// What happened, one sentence.
    pub message: String,
    /// Where in a text file, when there is such a place.
    pub span: Option<Box<Span>>,
    /// One line of help, when there is something to do.
    pub help: Option<String>,
}

impl Diagnostic {
    /// A message of any severity.
    pub fn new(severity: Severity, code: &'static str, message: impl Into<String>) -> Self {
        Diagnostic { severity, code, message: message.into(), span: None, help: None }
    }
    /// A warning.
    pub fn warning(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(Severity::Warning, code, message)
    }
    /// A note.
    pub fn note(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(Severity::Note, code, message)
    }
    /// An error.
    pub fn error(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(Severity::Error, code, message)
    }
    /// With a line of help.
    #[must_use]
    pub fn with_help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
    /// With a place in a text file.
    #[must_use]
    pub fn with_span(mut self, span: Span) -> Self {
        self.span = Some(Box::new(span));
        self
    }
}

impl std::error::Error for Diagnostic {}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}[{}]: {}", self.severity, self.code, self.message)?;
        if let Some(span) = &self.span {
            let number = span.line.to_string();
            let margin = " ".repeat(number.len());
            write!(f, "\n{margin} --> {}:{}:{}", span.path.display(), span.line, span.column)?;
            let (shown, before) = span.window();
            write!(f, "\n{margin} |\n{number} | {shown}")?;
            let lead = " ".repeat(before);
            write!(f, "\n{margin} | {lead}{}", "^".repeat(span.width.clamp(1, SHOWN)))?;
        }
        if let Some(help) = &self.help {
            write!(f, "\n  help: {help}")?;
        }
        Ok(())
    }
}

/// A value together with what has to be said about it.
#[derive(Clone, Debug)]
pub struct Warned<T> {
    /// The value.
    pub value: T,
    /// Messages, in the order in which they arose.
    pub diagnostics: Vec<Diagnostic>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_caret_stands_under_the_fault() {
        let shown = Diagnostic::error("layout-syntax", "unknown field `colums`")
            .with_span(Span {
                path: "grid.ron".into(),
                line: 12,
                column: 5,
                width: 6,
                source_line: "    colums: 5,".into(),
            })
            .with_help("did you mean `columns`?")
            .to_string();
        assert!(shown.contains("--> grid.ron:12:5"), "{shown}");
        assert!(shown.contains("12 |     colums: 5,\n   |     ^^^^^^\n"), "{shown}");
    }
}
