//! The picture that the layout on the desk makes: at screen size, in parts at its own, written.

use super::answers::{
    Answer, Refused, Shared, aside, cannot, encoded, fault, jpeg, looked_at, on_desk, refusal, whole_night,
};
use super::desk::Desk;
use super::layout::Name;
use crate::compose::{ComposeRequest, PictureRequest, RenderedPicture, compose, plan_picture, render, render_part};
use crate::diag::Warned;
use crate::ingest::Night;
use crate::layout::Layout;
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

#[derive(Deserialize)]
pub(super) struct Side {
    side: Option<usize>,
}

impl Side {
    fn or(&self, side: usize) -> usize {
        self.side.unwrap_or(side).clamp(*SIDES.start(), *SIDES.end())
    }
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

pub(super) async fn picture(State(desk): Shared, Query(q): Query<Side>) -> Answer<Response> {
    aside(move || {
        looked_at(&desk)?;
        let picture = on_desk(&desk)
            .and_then(|(night, registration, layout)| drawn(&desk, (&night, &registration, &layout), q.or(1600)));
        Ok(picture.unwrap_or_else(cannot))
    })
    .await
}

/// Where each disc lies in that picture, and what has to be said of it; or why there is none, where the layout was changed since.
pub(super) async fn composition(State(desk): Shared, Query(q): Query<Side>) -> Answer<Response> {
    aside(move || {
        let planned = on_desk(&desk).and_then(|(night, registration, layout)| {
            plan_picture(&layout, &night, &registration, Some(q.or(1600))).map_err(refusal)
        });
        Ok(planned.map_or_else(cannot, |Warned { value, diagnostics }| {
            let said: Vec<_> = diagnostics.iter().map(fault).collect();
            Json(json!({ "composition": value, "said": said })).into_response()
        }))
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
