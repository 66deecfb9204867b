//! A layout file and a registration become a composition: every disc explicit, only pixels and radians.
//!
//! * `notation`: the layout file as a person writes it;
//! * `check`: ranges and contradictions, in our own words, with the place in the file;
//! * `select`: which frames are shown, `moments` which of them are one;
//! * `arrange`: where each disc goes, one file an arrangement;
//! * `composition`: what comes out, which `blend` draws without asking anything.

mod arrange;
mod check;
mod composition;
mod moments;
mod notation;
mod select;

pub use composition::{
    AirTreatment, BackplatePlacement, Companion, Composition, Development, DiscSky, Gain, Mark, Placement,
    ShadowOnDisc, TextAnchor, TextRequest, ToneCurve,
};
pub use notation::{
    Arrangement, Atmosphere, Backplate, BlendChoice, Canvas, ColourSpace, Depth, Labels, LayoutFile, Light, Merging,
    Normalization, Order, Output, PhaseGrid, Selection, ShadowMap, Sharpening, SkyTrack, Upright, WhiteBalance,
};

use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::register::Registration;
use std::path::Path;

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
    /// A [`Diagnostic`] with file, line, column, caret and what would be valid.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostic> {
        let file: LayoutFile = crate::diag::read_ron(path, text)?;
        let layout = Layout { file, path: path.to_owned(), text: text.to_owned() };
        check::check(&layout)?;
        Ok(layout)
    }

    /// A fault of a field of this file.
    pub(crate) fn fault(&self, field: &[&str], message: impl Into<String>, help: &str) -> Diagnostic {
        let mut d = Diagnostic::error("layout-value", message).with_help(help);
        d.span = crate::diag::Span::of_field(&self.path, &self.text, field);
        d
    }
}

/// Resolves a layout for a night.
///
/// # Errors
/// A [`Diagnostic`] when the layout asks for what the night does not have.
pub fn resolve(layout: &Layout, night: &Night, registration: &Registration) -> Result<Warned<Composition>, Diagnostic> {
    let selected = select::select(layout, night, registration)?;
    let mut diagnostics = selected.diagnostics;
    let chosen = selected.value;
    check::exposures(layout, night, chosen.iter().map(|c| c.registered.file.as_str()))?;
    let composition = match &layout.file.arrangement {
        Arrangement::SkyTrack(track) => arrange::sky_track(layout, track, night, registration, &chosen),
        Arrangement::PhaseGrid(grid) => arrange::phase_grid(layout, grid, night, registration, &chosen),
        Arrangement::ShadowMap(map) => arrange::shadow_map(layout, map, night, registration, &chosen),
    }?;
    check::size(layout, composition.width, composition.height)?;
    diagnostics.extend(arrange::remarks(&composition));
    Ok(Warned { value: composition, diagnostics })
}
