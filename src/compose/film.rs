//! A film: one disc after another on the same place, evened together.
//!
//! The pictures are stacked into one tall strip, so that their light is settled as that of one sheet's discs is, and the strip is
//! pulled from the top, a picture at a time: what lies above is let go.

use super::{ComposeError, PictureRequest, planned_words, record};
use crate::composition::{Composition, Lift};
use crate::diag::{Diagnostic, Warned};
use crate::layout::resolve_each;
use crate::units::Instant;
use crate::write::PictureRecord;

/// A film to be made.
pub struct Film {
    /// Width of a picture, pixels.
    pub width: usize,
    /// Height of a picture, pixels.
    pub height: usize,
    /// What each picture shows, in the order of time.
    pub pictures: Vec<FilmPicture>,
    /// How it was made, for its metadata.
    pub record: PictureRecord,
    strip: Composition,
}

/// One picture of a film.
#[derive(Clone, Debug, serde::Serialize)]
pub struct FilmPicture {
    /// The frame that it shows.
    pub frame: String,
    /// Middle of the exposure, UTC.
    pub utc: String,
    /// Where the disc's centre lies, pixels.
    pub centre_px: (f64, f64),
    /// Its radius, pixels.
    pub radius_px: f64,
    /// By how much its light was raised; `None` before it is drawn.
    pub lift: Option<Lift>,
}

/// Plans a film: which pictures, and what lies where in each.
///
/// # Errors
/// [`ComposeError`] when the layout has not one cell, or asks for what the night does not have.
pub fn plan_film(request: &PictureRequest<'_>) -> Result<Warned<Film>, ComposeError> {
    let PictureRequest { layout, night, registration, longest_side, .. } = *request;
    let fault = |d: Diagnostic| ComposeError::Layout(Box::new(d));
    let resolved = resolve_each(layout, night, registration).map_err(fault)?;
    let mut diagnostics = resolved.diagnostics;
    let mut strip: Option<Composition> = None;
    let (mut width, mut height) = (0, 0);
    let mut pictures = Vec::with_capacity(resolved.value.len());
    for mut picture in resolved.value {
        let said = planned_words(layout, &mut picture)?;
        diagnostics.extend(said.into_iter().filter(|d| !diagnostics.contains(d)).collect::<Vec<_>>());
        let longest = picture.width.max(picture.height);
        if let Some(most) = longest_side.filter(|most| *most < longest) {
            picture = picture.scaled(most as f64 / longest as f64);
        }
        (width, height) = (picture.width, picture.height);
        pictures.extend(picture.placements.iter().map(|p| FilmPicture {
            frame: p.frame.clone(),
            utc: p.utc.clone(),
            centre_px: (p.centre().x, p.centre().y),
            radius_px: p.radius_px,
            lift: None,
        }));
        match &mut strip {
            Some(strip) => strip.append_below(picture),
            None => strip = Some(picture),
        }
    }
    let strip = strip.ok_or(ComposeError::NoDisc)?;
    diagnostics.extend(super::cost::foresee(&strip, night).map_err(fault)?);
    let record = record::of(&strip, layout, night);
    Ok(Warned { value: Film { width, height, pictures, record, strip }, diagnostics })
}

impl Film {
    /// Seconds of the night from each picture to the next; the last stands as long as the one before it.
    pub fn steps_s(&self) -> Vec<f64> {
        let instants: Vec<Option<Instant>> = self.pictures.iter().map(|p| Instant::parse_utc(&p.utc).ok()).collect();
        let mut out: Vec<f64> = instants
            .windows(2)
            .map(|pair| pair[0].zip(pair[1]).map_or(0.0, |(a, b)| b.seconds_since(a).max(0.0)))
            .collect();
        out.push(out.last().copied().filter(|s| *s > 0.0).unwrap_or(1.0));
        out
    }

    /// Draws the pictures one after another; `take` gets the number of each and its rows of linear Rec. 2020 light.
    ///
    /// # Errors
    /// [`ComposeError`], its own or the one of `take`.
    pub fn draw<E: Into<ComposeError>>(
        &mut self,
        request: &PictureRequest<'_>,
        mut take: impl FnMut(usize, Vec<f32>) -> Result<(), E>,
    ) -> Result<Vec<Diagnostic>, ComposeError> {
        let (height, count) = (self.height, self.pictures.len());
        let mut planned = Warned { value: self.strip.clone(), diagnostics: Vec::new() };
        super::draw(request, &mut planned, |rows_of| {
            (0..count).try_for_each(|k| take(k, rows_of(k * height..(k + 1) * height)).map_err(Into::into))
        })?;
        for (picture, placement) in self.pictures.iter_mut().zip(&planned.value.placements) {
            picture.lift = placement.lift;
        }
        Ok(planned.diagnostics)
    }
}
