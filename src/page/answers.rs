//! What routes have in common: the desk, refusals in a sentence, work that takes a while.

use super::desk::Desk;
use crate::compose::ComposeError;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::Layout;
use crate::proof::Window;
use crate::registration::Registration;
use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder};
use serde_json::json;
use std::sync::Arc;

/// The desk, as every route has it.
pub(super) type Shared = State<Arc<Desk>>;

/// Something that was asked and cannot be: a sentence for whoever asked.
pub(super) struct Refused(pub String);

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        (StatusCode::UNPROCESSABLE_ENTITY, Json(json!({ "error": self.0 }))).into_response()
    }
}

impl From<String> for Refused {
    fn from(why: String) -> Self {
        Refused(why)
    }
}

impl From<Diagnostic> for Refused {
    /// In words: carets are for terminals.
    fn from(d: Diagnostic) -> Self {
        let place = d.span.as_ref().map_or(String::new(), |s| format!(" (line {}, column {})", s.line, s.column));
        let help = d.help.map_or(String::new(), |help| format!(": {help}"));
        Refused(format!("{}{place}{help}", d.message))
    }
}

impl From<&str> for Refused {
    fn from(why: &str) -> Self {
        Refused(why.to_owned())
    }
}

pub(super) type Answer<T> = Result<T, Refused>;

/// Runs what takes the processor for a while where it holds nobody up.
pub(super) async fn aside<T: Send + 'static>(work: impl FnOnce() -> Answer<T> + Send + 'static) -> Answer<T> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| Err("it broke down; see the terminal".into()))
}

/// Eight-bit sRGB codes as a JPEG for the screen.
pub(super) fn encoded(codes: &[u8], (width, height): (usize, usize)) -> Answer<Vec<u8>> {
    const QUALITY: u8 = 90;
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY)
        .write_image(codes, width as u32, height as u32, ExtendedColorType::Rgb8)
        .map_err(|e| Refused(e.to_string()))?;
    Ok(bytes)
}

/// A JPEG.
pub(super) fn jpeg(bytes: Vec<u8>, said: &[(&'static str, String)]) -> Response {
    let mut response = ([(header::CONTENT_TYPE, "image/jpeg")], bytes).into_response();
    for (name, value) in said {
        if let Ok(value) = value.parse() {
            response.headers_mut().insert(*name, value);
        }
    }
    response
}

/// A part of a frame, and which.
pub(super) fn shown(window: Window) -> Response {
    let (left, top, width, height) = window.shows;
    let said = [
        ("x-shows", format!("{left},{top},{width},{height}")),
        ("x-lifted-stops", format!("{:.1}", window.lifted_stops)),
    ];
    jpeg(window.jpeg, &said)
}

/// Night and registration, once the frames were looked at.
pub(super) fn looked_at(desk: &Desk) -> Answer<(Arc<Night>, Arc<Registration>)> {
    let work = desk.work();
    work.night.clone().zip(work.registration()).ok_or_else(|| "the frames were not looked at yet".into())
}

/// Night and registration, other cameras' joined to them: what pictures show.
pub(super) fn whole_night(desk: &Desk) -> Answer<(Arc<Night>, Arc<Registration>)> {
    let (night, registration) = looked_at(desk)?;
    Ok(desk.others.joined((&night, &registration), desk.cache.as_deref())?)
}

/// The whole night and the layout on the desk, if it can be read.
pub(super) fn on_desk(desk: &Desk) -> Answer<(Arc<Night>, Arc<Registration>, Layout)> {
    let (night, registration) = whole_night(desk)?;
    let (text, name) = {
        let work = desk.work();
        (work.layout.clone(), work.layout_name.clone())
    };
    let layout = Layout::parse(&desk.folder.join(name), &text).map_err(Refused::from)?;
    Ok((night, registration, layout))
}

/// Why a picture cannot be made, in words.
pub(super) fn refusal(e: ComposeError) -> Refused {
    match e {
        ComposeError::Layout(d) => Refused::from(*d),
        other => Refused(other.to_string()),
    }
}

/// A fault in words, with its place.
pub(super) fn fault(d: &Diagnostic) -> serde_json::Value {
    let place = d.span.as_ref().map(|s| json!({ "line": s.line, "column": s.column, "width": s.width }));
    json!({ "severity": d.severity.word(), "message": d.message, "help": d.help, "place": place })
}

/// Why no picture comes, where one was asked for: no fault of whoever asked.
pub(super) fn cannot(Refused(why): Refused) -> Response {
    Json(json!({ "cannot": why })).into_response()
}
