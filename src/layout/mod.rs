//! A layout file and a registration become a [`Composition`]: every disc explicit, only pixels and radians.
//!
//! * `notation`: the layout file as a person writes it; `sheet`: its lengths in pixels;
//! * `check`: ranges and contradictions, in our own words, with the place in the file; `beforehand`: what a night's records
//!   alone deny of it;
//! * `select`: which frames are shown, `wanted` at which moments, `moments` which of them are one;
//! * `arrange`: where each disc goes, one file an arrangement, with its words and marks;
//! * `remarks`: what should be said of the whole: discs off the sheet, over each other, larger than they bear;
//! * `by_hand`: what can be taken hold of on the picture, and what the text is to say then;
//! * `stock`: the layouts that the program brings along;
//! * `reference`: every field of the notation, by the program's own types.

mod arrange;
mod beforehand;
mod by_hand;
mod check;
mod chosen;
mod colour;
mod moments;
mod notation;
#[cfg(feature = "schema")]
mod reference;
mod remarks;
mod select;
mod sheet;
mod stock;
mod wanted;

pub use beforehand::{beside, forecheck};
pub use by_hand::{Edit, Handle, Touched, edited, handles, set_aside, touched, with_value};
pub use notation::*;
#[cfg(feature = "schema")]
pub use reference::{reference_text, schema};
pub use select::may_be_shown;
pub use stock::{first_words, stock};

use crate::composition::Composition;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::registration::Registration;
use std::path::Path as FilePath;

/// A layout file with its text, so that later faults can point into it.
#[derive(Clone, Debug)]
pub struct Layout {
    /// As written, with defaults filled in.
    pub file: LayoutFile,
    /// Where it was read from.
    pub path: std::path::PathBuf,
    /// Its text.
    pub text: String,
}

impl Layout {
    /// Reads and checks a layout file's text.
    ///
    /// # Errors
    /// The first [`Diagnostic`], with file, line, column, caret and what would be valid.
    pub fn parse(path: &FilePath, text: &str) -> Result<Self, Diagnostic> {
        let (layout, mut faults) = Self::examine(path, text);
        match layout {
            Some(layout) if faults.is_empty() => Ok(layout),
            _ => Err(faults.swap_remove(0)),
        }
    }

    /// Reads a layout file's text and names everything that is wrong with it; the layout is there unless its
    /// notation itself cannot be read.
    pub fn examine(path: &FilePath, text: &str) -> (Option<Self>, Vec<Diagnostic>) {
        match crate::diag::read_ron::<LayoutFile>(path, text) {
            Err(fault) => (None, vec![fault]),
            Ok(file) => {
                let layout = Layout { file, path: path.to_owned(), text: text.to_owned() };
                let faults = check::check(&layout);
                (Some(layout), faults)
            }
        }
    }

    /// A fault of a frame's name that nobody has, in a field of this file; a name like it is proposed.
    pub(crate) fn no_frame(&self, field: &[&str], name: &str, night: &Night) -> Diagnostic {
        let names: Vec<&str> = night.frames.iter().map(|f| f.name.as_str()).collect();
        let help = match crate::diag::nearest(name, &names) {
            Some(known) => format!("did you mean `{known}`? (names are those of the files, without a folder)"),
            None => "give file names as they are, without a folder".to_owned(),
        };
        let field: Vec<&str> = field.iter().copied().chain([name]).collect();
        self.fault(&field, format!("`{name}` is not among the frames"), &help)
    }

    /// Its sheet in pixels.
    fn sheet(&self) -> Result<sheet::Sheet, Diagnostic> {
        sheet::Sheet::of(&self.file.canvas)
            .map_err(|(field, message)| self.fault(&["canvas", field], message, "give px, mm, in or pt"))
    }

    /// A fault of a field of this file.
    pub(crate) fn fault(&self, field: &[&str], message: impl Into<String>, help: &str) -> Diagnostic {
        let mut d = Diagnostic::error("layout-value", message).with_help(help);
        d.span = crate::diag::Span::of_field(&self.path, &self.text, field);
        d
    }
}

/// Resolves a layout for a night. Labels stand under their discs still; `labels::lay_out` finds them room.
///
/// # Errors
/// A [`Diagnostic`] when the layout asks for what the night does not have.
pub fn resolve(layout: &Layout, night: &Night, registration: &Registration) -> Result<Warned<Composition>, Diagnostic> {
    let chosen = match &layout.file.arrangement {
        // Each panel chooses for itself.
        Arrangement::Panels(_) => Warned { value: Vec::new(), diagnostics: Vec::new() },
        arrangement => select::select(layout, (arrangement, &layout.file.selection), night, registration)?,
    };
    let mut laid = laid(layout, night, registration, &chosen.value)?;
    laid.diagnostics.splice(..0, chosen.diagnostics);
    Ok(laid)
}

/// Whether a layout is a grid of one cell: it shows one disc at a time.
pub(crate) fn has_one_cell(layout: &Layout) -> bool {
    matches!(&layout.file.arrangement, Arrangement::PhaseGrid(grid) if grid.columns == 1 && grid.rows == 1)
}

/// Resolves a layout of one cell once for each disc that it selects, in the order of their times: the pictures of a film.
///
/// # Errors
/// As [`resolve`]; a [`Diagnostic`] of a layout that has not one cell.
pub fn resolve_each(
    layout: &Layout,
    night: &Night,
    registration: &Registration,
) -> Result<Warned<Vec<Composition>>, Diagnostic> {
    let arrangement = &layout.file.arrangement;
    if !has_one_cell(layout) {
        let help = "one disc at a time is shown by `arrangement: PhaseGrid(columns: 1, rows: 1, up: North)`";
        return Err(layout.fault(&["arrangement"], "this arrangement has not one cell", help));
    }
    let chosen = select::select(layout, (arrangement, &layout.file.selection), night, registration)?;
    let mut out = Warned { value: Vec::with_capacity(chosen.value.len()), diagnostics: chosen.diagnostics };
    for disc in chosen.value {
        let laid = laid(layout, night, registration, &[chosen::Chosen { slot: 0, ..disc }])?;
        out.value.push(laid.value);
        // What is said of one disc alone in its cell holds for all: once is enough.
        let is_new = |d: &Diagnostic| out.diagnostics.iter().all(|e| e.code != d.code);
        let news: Vec<Diagnostic> = laid.diagnostics.into_iter().filter(is_new).collect();
        out.diagnostics.extend(news);
    }
    Ok(out)
}

/// Lays discs that were chosen.
fn laid(
    layout: &Layout,
    night: &Night,
    registration: &Registration,
    chosen: &[chosen::Chosen<'_>],
) -> Result<Warned<Composition>, Diagnostic> {
    let file = &layout.file;
    let sheet = layout.sheet()?;
    let eclipse = wanted::eclipse_of(night);
    let words = |text: &Option<String>| text.as_ref().and_then(|t| arrange::heading(t, night, eclipse.as_ref()));
    let [title, subtitle, caption, credit] = [&file.title, &file.subtitle, &file.caption, &file.credit].map(words);
    let context = arrange::Context {
        layout,
        night,
        registration,
        eclipse: eclipse.as_ref(),
        sheet,
        area: arrange::Area::of(&sheet),
        is_short: file.selection.is_short(chosen.len()),
        name: arrange::name_of(&file.arrangement),
        labels: file.labels.as_ref(),
        marks: file.marks,
        title: title.as_deref(),
        subtitle: subtitle.as_deref(),
        caption: caption.as_deref(),
        credit: credit.as_deref(),
    };
    let mut composition = arrange::blank(layout, night, &sheet, title.as_deref());
    let mut diagnostics = arrange::arrange(&context, &file.arrangement, chosen, &mut composition)?;
    let photographed = composition.placements.iter().filter(|p| !p.simulated);
    check::exposures(layout, night, photographed.map(|p| p.frame.as_str()))?;
    check::size(layout, composition.width, composition.height)?;
    check::drawable(layout, &composition)?;
    diagnostics.extend(remarks::remarks(&composition));
    Ok(Warned { value: composition, diagnostics })
}
