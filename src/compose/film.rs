//! A film: one disc after another on the same place, evened together; or a sheet that fills, a disc at a time.
//!
//! Of the first kind the pictures are stacked into one tall strip, so that their light is settled as that of one sheet's discs
//! is, and the strip is pulled from the top, a picture at a time: what lies above is let go. Of the second kind each picture is
//! the whole sheet without the discs to come, and without their words; the last one is the sheet itself.

use super::discs::Discs;
use super::{ComposeError, PictureRequest, planned, planned_words, record, typeface};
use crate::blend::Renderer;
use crate::composition::{Composition, Lift, Placement, TextRequest};
use crate::diag::{Diagnostic, Warned};
use crate::layout::{has_one_cell, resolve_each};
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
    drawn_as: DrawnAs,
}

enum DrawnAs {
    /// The pictures below each other.
    Strip(Composition),
    /// The last picture, and its placements in the order of their times: those of one moment come together.
    Filling(Composition, Vec<Vec<usize>>),
}

/// One picture of a film.
#[derive(Clone, Debug, serde::Serialize)]
pub struct FilmPicture {
    /// The frame that it shows, or shows besides those before it.
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
/// [`ComposeError`] when the layout asks for what the night does not have.
pub fn plan_film(request: &PictureRequest<'_>) -> Result<Warned<Film>, ComposeError> {
    if has_one_cell(request.layout) { plan_strip(request) } else { plan_filling(request) }
}

fn plan_filling(request: &PictureRequest<'_>) -> Result<Warned<Film>, ComposeError> {
    let Warned { value: sheet, diagnostics } = planned(request)?;
    let mut sorted: Vec<usize> = (0..sheet.placements.len()).collect();
    sorted.sort_by(|a, b| sheet.placements[*a].utc.cmp(&sheet.placements[*b].utc));
    // Frames without a time come one by one.
    let is_one_moment = |a: &usize, b: &usize| {
        let (a, b) = (&sheet.placements[*a], &sheet.placements[*b]);
        a.utc == b.utc && (!a.utc.is_empty() || a.frame == b.frame)
    };
    let order: Vec<Vec<usize>> = sorted.chunk_by(is_one_moment).map(<[usize]>::to_vec).collect();
    let (width, height) = (sheet.width, sheet.height);
    let pictures = order.iter().map(|moment| FilmPicture::of(&sheet.placements[moment[0]])).collect();
    let record = record::of(&sheet, request.layout, request.night);
    let film = Film { width, height, pictures, record, drawn_as: DrawnAs::Filling(sheet, order) };
    Ok(Warned { value: film, diagnostics })
}

fn plan_strip(request: &PictureRequest<'_>) -> Result<Warned<Film>, ComposeError> {
    let PictureRequest { layout, night, registration, longest_side, .. } = *request;
    let fault = |d: Diagnostic| ComposeError::Layout(Box::new(d));
    let resolved = resolve_each(layout, night, registration).map_err(fault)?;
    let mut diagnostics = resolved.diagnostics;
    let mut strip: Option<Composition> = None;
    let (mut width, mut height) = (0, 0);
    let mut pictures = Vec::with_capacity(resolved.value.len());
    for mut picture in resolved.value {
        let said = planned_words(layout, &mut picture)?;
        // What is said of one picture's words or size holds for all: once is enough.
        let news: Vec<Diagnostic> = said.into_iter().filter(|d| diagnostics.iter().all(|e| e.code != d.code)).collect();
        diagnostics.extend(news);
        let longest = picture.width.max(picture.height);
        if let Some(most) = longest_side.filter(|most| *most < longest) {
            picture = picture.scaled(most as f64 / longest as f64);
        }
        (width, height) = (picture.width, picture.height);
        pictures.extend(picture.placements.iter().map(FilmPicture::of));
        match &mut strip {
            Some(strip) => strip.append_below(picture),
            None => strip = Some(picture),
        }
    }
    let strip = strip.ok_or(ComposeError::NoDisc)?;
    diagnostics.extend(super::cost::foresee(&strip, night).map_err(fault)?);
    let record = record::of(&strip, layout, night);
    Ok(Warned { value: Film { width, height, pictures, record, drawn_as: DrawnAs::Strip(strip) }, diagnostics })
}

impl FilmPicture {
    fn of(p: &Placement) -> Self {
        FilmPicture {
            frame: p.frame.clone(),
            utc: p.utc.clone(),
            centre_px: (p.centre().x, p.centre().y),
            radius_px: p.radius_px,
            lift: None,
        }
    }
}

impl Film {
    /// Seconds of the night from each picture to the next; the last stands as long as the one before it, and a sheet that is full
    /// a quarter as long as it took to fill.
    pub fn steps_s(&self) -> Vec<f64> {
        let instants: Vec<Option<Instant>> = self.pictures.iter().map(|p| Instant::parse_utc(&p.utc).ok()).collect();
        let mut out: Vec<f64> = instants
            .windows(2)
            .map(|pair| pair[0].zip(pair[1]).map_or(0.0, |(a, b)| b.seconds_since(a).max(0.0)))
            .collect();
        let last = out.last().copied().filter(|s| *s > 0.0).unwrap_or(1.0);
        out.push(match self.drawn_as {
            DrawnAs::Strip(_) => last,
            DrawnAs::Filling(..) => last.max(0.25 * out.iter().sum::<f64>()),
        });
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
        let (lifts, said) = match &self.drawn_as {
            DrawnAs::Strip(strip) => {
                let (height, count) = (self.height, self.pictures.len());
                let mut planned = Warned { value: strip.clone(), diagnostics: Vec::new() };
                let request = PictureRequest { watching: None, ..*request };
                super::draw(&request, &mut planned, |rows_of| {
                    (0..count).try_for_each(|k| take(k, rows_of(k * height..(k + 1) * height)).map_err(Into::into))
                })?;
                (planned.value.placements.iter().map(|p| p.lift).collect(), planned.diagnostics)
            }
            DrawnAs::Filling(sheet, order) => {
                fill(request, sheet, order, |k, light| take(k, light).map_err(Into::into))?
            }
        };
        self.pictures.iter_mut().zip(lifts).for_each(|(picture, lift)| picture.lift = lift);
        Ok(said)
    }
}

/// By how much the disc of each picture was raised, and what has to be said.
type Filled = (Vec<Option<Lift>>, Vec<Diagnostic>);

/// Draws a sheet as often as it shows moments, each time with one more.
fn fill(
    request: &PictureRequest<'_>,
    sheet: &Composition,
    order: &[Vec<usize>],
    mut take: impl FnMut(usize, Vec<f32>) -> Result<(), ComposeError>,
) -> Result<Filled, ComposeError> {
    let mut said = Vec::new();
    let mut discs = Discs::open(sheet, request.night, (request.cache, None), &mut said)?;
    let typeface = typeface(request.layout)?;
    discs.make_ready(&(0..sheet.height));
    let mut shown = vec![false; sheet.placements.len()];
    for (k, moment) in order.iter().enumerate() {
        moment.iter().for_each(|index| shown[*index] = true);
        let words: Vec<TextRequest> = sheet.texts.iter().filter(|t| is_of_shown(t, sheet, &shown)).cloned().collect();
        let stamps = typeface.stamps(&words);
        take(k, Renderer::new(sheet, &discs, &stamps).showing(&shown).rows(0..sheet.height))?;
    }
    let (lifts, more) = discs.finish();
    said.extend(more);
    Ok((order.iter().map(|moment| lifts.get(moment[0]).copied().flatten()).collect(), said))
}

/// Whether words belong to no disc, or to one that is shown.
fn is_of_shown(text: &TextRequest, sheet: &Composition, shown: &[bool]) -> bool {
    let Some(beside) = &text.beside else { return true };
    let away = |p: &Placement| (p.centre().x - beside.x_px).hypot(p.centre().y - beside.y_px);
    let places = sheet.placements.iter().zip(shown);
    places.min_by(|a, b| away(a.0).total_cmp(&away(b.0))).is_none_or(|(_, shown)| *shown)
}
