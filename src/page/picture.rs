//! Layouts, and the picture that the one on the desk makes.

use super::answers::{Answer, Refused, Shared, aside, encoded, jpeg, looked_at};
use super::desk::Desk;
use crate::compose::{
    ComposeError, ComposeRequest, PictureRequest, RenderedPicture, compose, plan_picture, render, render_part,
};
use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::layout::{Layout, first_words, schema, stock};
use crate::raster::PixelRect;
use crate::registration::Registration;
use crate::write::srgb_codes;
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use std::sync::Arc;
use std::time::Instant;

/// Sides of pictures on the page, pixels.
const SIDES: std::ops::RangeInclusive<usize> = 64..=4000;

/// A fault in words, with its place.
fn fault(d: &Diagnostic) -> serde_json::Value {
    let place = d.span.as_ref().map(|s| json!({ "line": s.line, "column": s.column, "width": s.width }));
    json!({ "severity": d.severity.word(), "message": d.message, "help": d.help, "place": place })
}

/// Why a picture cannot be made, in words.
fn refusal(e: ComposeError) -> Refused {
    match e {
        ComposeError::Layout(d) => Refused::from(*d),
        other => Refused(other.to_string()),
    }
}

/// Night and registration, other cameras' joined to them: what pictures show.
fn whole_night(desk: &Desk) -> Answer<(Arc<Night>, Arc<Registration>)> {
    let (night, registration) = looked_at(desk)?;
    Ok(desk.others.joined((&night, &registration), desk.cache.as_deref())?)
}

/// The whole night and the layout on the desk, if it can be read.
fn on_desk(desk: &Desk) -> Answer<(Arc<Night>, Arc<Registration>, Layout)> {
    let (night, registration) = whole_night(desk)?;
    let (text, name) = {
        let work = desk.work();
        (work.layout.clone(), work.layout_name.clone())
    };
    let layout = Layout::parse(&desk.folder.join(name), &text).map_err(Refused::from)?;
    Ok((night, registration, layout))
}

#[derive(Deserialize)]
pub(super) struct Side {
    side: Option<usize>,
}

impl Side {
    fn or(&self, side: usize) -> usize {
        self.side.unwrap_or(side).clamp(*SIDES.start(), *SIDES.end())
    }
}

/// What can be chosen to begin with.
pub(super) async fn layouts(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || Ok(Json(all_layouts(&desk)))).await
}

fn all_layouts(desk: &Desk) -> serde_json::Value {
    let brought = stock().map(|(name, text)| json!({ "name": name, "words": first_words(text), "own": false }));
    let own = desk.own_layouts().into_iter().map(|name| json!({ "name": name, "words": "", "own": true }));
    json!({ "layouts": own.chain(brought).collect::<Vec<_>>() })
}

/// A small picture of this night by one of the layouts; or why this night cannot have it, which is no fault.
pub(super) async fn preview(State(desk): Shared, Path(name): Path<String>, Query(q): Query<Side>) -> Answer<Response> {
    aside(move || {
        let text = desk.layout_text(&name)?;
        let layout = Layout::parse(&desk.folder.join(&name), &text).map_err(Refused::from)?;
        let (night, registration) = whole_night(&desk)?;
        let small = drawn(&desk, (&night, &registration, &layout), q.or(320));
        Ok(small.unwrap_or_else(cannot))
    })
    .await
}

/// Why no picture comes, where one was asked for: no fault of whoever asked.
fn cannot(Refused(why): Refused) -> Response {
    Json(json!({ "cannot": why })).into_response()
}

/// The picture of a layout, no side of it longer than so many pixels.
fn drawn(
    desk: &Desk,
    (night, registration, layout): (&Night, &Registration, &Layout),
    side: usize,
) -> Answer<Response> {
    let _one_at_a_time = desk.drawing.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let start = Instant::now();
    let request = PictureRequest {
        longest_side: Some(side),
        cache: desk.cache.as_deref(),
        ..PictureRequest::new(layout, night, registration)
    };
    let picture = render(&request).map_err(refusal)?;
    let bytes = as_jpeg(&picture)?;
    Ok(jpeg(bytes, &[("x-seconds", format!("{:.2}", start.elapsed().as_secs_f64()))]))
}

fn as_jpeg(picture: &RenderedPicture) -> Answer<Vec<u8>> {
    encoded(&srgb_codes(picture.light.data()), (picture.light.width(), picture.light.height()))
}

/// A window onto the picture at its own size: its middle, in shares of the picture's sides, and its own sides in pixels.
#[derive(Deserialize)]
pub(super) struct Part {
    across: f64,
    down: f64,
    width: usize,
    height: usize,
}

pub(super) async fn part(State(desk): Shared, Query(q): Query<Part>) -> Answer<Response> {
    aside(move || {
        let (night, registration, layout) = on_desk(&desk)?;
        let _one_at_a_time = desk.drawing.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let request =
            PictureRequest { cache: desk.cache.as_deref(), ..PictureRequest::new(&layout, &night, &registration) };
        let cell = |share: f64, of: usize, side: usize| {
            let side = side.clamp(*SIDES.start(), *SIDES.end()).min(of);
            let middle = share.clamp(0.0, 1.0) * of as f64;
            let first = (middle - side as f64 / 2.0).round().clamp(0.0, (of - side) as f64) as i64;
            (first, first + side as i64)
        };
        let mut shows = [0; 6];
        let picture = render_part(&request, |width, height| {
            let ((x0, x1), (y0, y1)) = (cell(q.across, width, q.width), cell(q.down, height, q.height));
            shows = [x0, y0, x1 - x0, y1 - y0, width as i64, height as i64];
            PixelRect { x0, y0, x1, y1 }
        });
        let bytes = as_jpeg(&picture.map_err(refusal)?)?;
        Ok(jpeg(bytes, &[("x-shows", shows.map(|v| v.to_string()).join(","))]))
    })
    .await
}

pub(super) async fn open(State(desk): Shared, Path(name): Path<String>) -> Answer<StatusCode> {
    aside(move || Ok(desk.open_layout(&name).map(|()| StatusCode::OK)?)).await
}

/// The layout on the desk: its text, its faults, and its values with defaults filled in.
pub(super) async fn layout(State(desk): Shared) -> Json<serde_json::Value> {
    let (name, text) = {
        let work = desk.work();
        (work.layout_name.clone(), work.layout.clone())
    };
    let (layout, faults) = Layout::examine(&desk.folder.join(&name), &text);
    let values = layout.and_then(|l| serde_json::to_value(&l.file).ok());
    Json(
        json!({ "name": name, "text": text, "values": values, "faults": faults.iter().map(fault).collect::<Vec<_>>() }),
    )
}

/// Every field that a layout has: a JSON Schema made of the program's own types.
pub(super) async fn fields() -> Json<serde_json::Value> {
    Json(schema())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Text {
    text: String,
}

pub(super) async fn set_text(State(desk): Shared, Json(Text { text }): Json<Text>) -> Answer<StatusCode> {
    changed(desk, |_| Ok(text)).await
}

/// Puts another text in the layout's place.
async fn changed(
    desk: Arc<Desk>,
    text: impl FnOnce(&str) -> Result<String, String> + Send + 'static,
) -> Answer<StatusCode> {
    aside(move || {
        desk.change_layout(|_, layout| {
            *layout = text(layout)?;
            Ok(())
        })?;
        Ok(StatusCode::OK)
    })
    .await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Value {
    way: Vec<String>,
    value: String,
}

/// Changes one value; comments and everything else stay as they were written.
pub(super) async fn set_value(State(desk): Shared, Json(Value { way, value }): Json<Value>) -> Answer<StatusCode> {
    changed(desk, move |text| with_value(text, &way, &value)).await
}

/// A layout's text with a value changed; a text that can be read stays one.
fn with_value(text: &str, way: &[String], value: &str) -> Result<String, String> {
    let names: Vec<&str> = way.iter().map(String::as_str).collect();
    let changed = crate::diag::set_value(text, &names, value)
        .ok_or_else(|| format!("the layout's text has no place for `{}`", names.join(": ")))?;
    let path = std::path::Path::new("layout.ron");
    if Layout::examine(path, text).0.is_some()
        && let (None, faults) = Layout::examine(path, &changed)
    {
        return Err(faults.first().map_or("it cannot be read then".to_owned(), |d| d.message.clone()));
    }
    Ok(changed)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Name {
    name: String,
}

/// Writes the layout under a name beside the frames.
pub(super) async fn save(State(desk): Shared, Json(Name { name }): Json<Name>) -> Answer<StatusCode> {
    aside(move || saved(&desk, name)).await
}

fn saved(desk: &Desk, name: String) -> Answer<StatusCode> {
    let path = desk.beside(&name, &["ron"])?;
    let text = desk.work().layout.clone();
    let is_other = |path: &std::path::Path| {
        let text = crate::files::read_text(path);
        path.exists() && !text.is_ok_and(|text| Layout::examine(path, &text).0.is_some())
    };
    if is_other(&path) {
        return Err(Refused(format!("{name} is there already, and is no layout")));
    }
    crate::write::write_text(&path, &text).map_err(|e| Refused(e.to_string()))?;
    desk.work().layout_name = name;
    Ok(StatusCode::OK)
}

pub(super) async fn picture(State(desk): Shared, Query(q): Query<Side>) -> Answer<Response> {
    aside(move || {
        looked_at(&desk)?;
        let picture = on_desk(&desk)
            .and_then(|(night, registration, layout)| drawn(&desk, (&night, &registration, &layout), q.or(1600)));
        Ok(picture.unwrap_or_else(cannot))
    })
    .await
}

/// Where each disc lies in that picture, and what has to be said of it.
pub(super) async fn composition(State(desk): Shared, Query(q): Query<Side>) -> Answer<Json<serde_json::Value>> {
    aside(move || {
        let (night, registration, layout) = on_desk(&desk)?;
        let Warned { value, diagnostics } =
            plan_picture(&layout, &night, &registration, Some(q.or(1600))).map_err(|e| Refused(e.to_string()))?;
        Ok(Json(json!({ "composition": value, "said": diagnostics.iter().map(fault).collect::<Vec<_>>() })))
    })
    .await
}

/// Writes the picture at its full size, in a thread of its own.
pub(super) async fn write(State(desk): Shared, Json(Name { name }): Json<Name>) -> Answer<StatusCode> {
    aside(move || write_aside(desk, name)).await
}

fn write_aside(desk: Arc<Desk>, name: String) -> Answer<StatusCode> {
    let kinds: &[&str] = if cfg!(feature = "exr") { &["tif", "png", "jpg", "exr"] } else { &["tif", "png", "jpg"] };
    let out = desk.beside(&name, kinds)?;
    let (night, registration, layout) = on_desk(&desk)?;
    if out.exists() && !crate::ingest::is_own_picture(&out) {
        return Err(Refused(format!("{name} is there already, and is no picture of this program")));
    }
    if !desk.job.begin("writing the picture", 100, true) {
        return Err("something is being done already".into());
    }
    desk.job.reach(0.0);
    std::thread::spawn(move || {
        let written = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            let watching = |drawn: f64| {
                desk.job.reach(drawn);
                !desk.job.is_stopped()
            };
            let picture = PictureRequest {
                cache: desk.cache.as_deref(),
                watching: Some(&watching),
                ..PictureRequest::new(&layout, &night, &registration)
            };
            let made = compose(&ComposeRequest { picture, out: &out, preview: None }).map_err(|e| e.to_string())?;
            Ok(format!("{name}: {} discs on {} x {} px", made.0.placements.len(), made.0.width, made.0.height))
        }));
        desk.job.end(written.unwrap_or_else(|_| Err("it broke down; see the terminal".into())));
    });
    Ok(StatusCode::ACCEPTED)
}
