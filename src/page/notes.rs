//! What the camera did not record: asked in a form, written into `shoot.ron`.

use super::answers::{Answer, Refused, Shared, aside};
use super::beside::NOTES;
use crate::camera::Mount;
use crate::diag::{append_value, set_value};
use crate::ingest::{Night, ShootNotes};
use crate::solve::{LEAST_PITCH_UM, suggest};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::json;
use std::path::Path;

/// What they begin as.
const EMPTY: &str = "// Shoot notes: what the camera did not record.\n(\n    version: 1,\n)\n";

/// What is not known of a night, and is worth asking for.
pub(super) fn missing(night: &Night) -> Vec<&'static str> {
    let mut out = Vec::new();
    if night.site.is_none() {
        out.push("site");
    }
    let timed = night.frames.iter().filter_map(|f| f.time);
    if timed.clone().count() > 0 && timed.clone().any(|t| !t.zone_known) {
        out.push("clock");
    }
    if night.mount() == Mount::Unknown {
        out.push("mount");
    }
    if night.rigs.iter().any(|r| r.focal_length_px.is_none()) {
        out.push("optics");
    }
    out
}

/// What the notes say, and what the frames suggest where they say nothing.
pub(super) async fn read(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    let (night, registration) = {
        let work = desk.work();
        (work.night.clone().ok_or("there is no frame in this folder")?, work.registration())
    };
    let notes = night.notes.as_ref();
    let suggested = registration.map(|r| suggest(&night, &r));
    let mount = night.mount();
    let rig = night.rigs.first();
    // By the Moon's size in the frames and the focal length recorded.
    let pitch = suggested.as_ref().and_then(|s| s.focal_length_px).zip(rig.and_then(|r| r.focal_length_mm));
    Ok(Json(json!({
        "missing": missing(&night),
        "title": notes.and_then(|n| n.title.clone()),
        "site": night.site,
        "utc_offset": notes.and_then(|n| n.clock.utc_offset.clone()),
        "ahead_s": notes.map(|n| n.clock.ahead_s).filter(|s| *s != 0.0),
        "border_px": notes.map(|n| n.ignore.border_px).filter(|b| *b != 0),
        "mount": format!("{mount:?}"),
        "pixel_pitch_um": notes.and_then(|n| n.optics.pixel_pitch_um),
        "focal_length_mm": rig.and_then(|r| r.focal_length_mm),
        "suggested": {
            "mount": suggested.as_ref().map(|s| format!("{:?}", s.mount)).filter(|m| m != "Unknown"),
            "pixel_pitch_um":
                pitch.map(|(px, mm)| (mm * 1e5 / px).round() / 100.0).filter(|pitch| *pitch >= LEAST_PITCH_UM),
            "landscape": suggested.and_then(|s| s.landscape),
        },
    })))
}

/// What the form says; what is left out stays.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Form {
    title: Option<String>,
    latitude_deg: Option<f64>,
    longitude_deg: Option<f64>,
    elevation_m: Option<f64>,
    utc_offset: Option<String>,
    mount: Option<Mount>,
    pixel_pitch_um: Option<f64>,
    focal_length_mm: Option<f64>,
    /// Seconds by which the camera's clock is ahead.
    ahead_s: Option<f64>,
    /// Pixels along each edge of every frame that are no photograph.
    border_px: Option<u32>,
}

impl Form {
    /// The notes' text with what the form says in it; its comments stay.
    fn into_text(self, text: &str) -> Result<String, String> {
        let mut text = text.to_owned();
        let mut set = |way: &[&str], value: String| match set_value(&text, way, &value) {
            Some(changed) => {
                text = changed;
                Ok(())
            }
            None => Err(format!("shoot.ron has no place for `{}`", way.join(": "))),
        };
        // As RON writes a text.
        let quoted = |s: &str| format!("{s:?}");
        if let Some(title) = self.title {
            set(&["title"], quoted(&title))?;
        }
        if self.latitude_deg.is_some() != self.longitude_deg.is_some() {
            return Err("a site has a latitude and a longitude".into());
        }
        let numbers: [(&[&str], Option<f64>); 5] = [
            (&["site", "latitude_deg"], self.latitude_deg),
            (&["site", "longitude_deg"], self.longitude_deg),
            (&["site", "elevation_m"], self.elevation_m),
            (&["optics", "pixel_pitch_um"], self.pixel_pitch_um),
            (&["optics", "focal_length_mm"], self.focal_length_mm),
        ];
        for (way, number) in numbers {
            if let Some(number) = number {
                set(way, format!("{number:?}"))?;
            }
        }
        if let Some(offset) = self.utc_offset {
            set(&["clock", "utc_offset"], quoted(&offset))?;
        }
        if let Some(seconds) = self.ahead_s {
            set(&["clock", "ahead_s"], format!("{seconds:?}"))?;
        }
        if let Some(border) = self.border_px {
            set(&["ignore", "border_px"], border.to_string())?;
        }
        if let Some(mount) = self.mount {
            set(&["mount"], format!("{mount:?}"))?;
        }
        Ok(text)
    }
}

pub(super) async fn write(State(desk): Shared, Json(form): Json<Form>) -> Answer<StatusCode> {
    aside(move || {
        desk.change_beside(NOTES, |before| checked(form.into_text(before.unwrap_or(EMPTY))?))?;
        Ok(StatusCode::OK)
    })
    .await
}

/// Notes that can be read.
fn checked(text: String) -> Result<String, String> {
    ShootNotes::parse(Path::new(NOTES), &text).map_err(|d| Refused::from(d).0)?;
    Ok(text)
}

/// A part of a frame, or of all of its size, that is no photograph.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Part {
    left_px: u32,
    top_px: u32,
    width_px: u32,
    height_px: u32,
    /// The frame that it is marked in; none: all have it.
    file: Option<String>,
}

pub(super) async fn ignore(State(desk): Shared, Json(part): Json<Part>) -> Answer<StatusCode> {
    aside(move || {
        if part.width_px == 0 || part.height_px == 0 {
            return Err("such a part holds no pixel".into());
        }
        let Part { left_px, top_px, width_px, height_px, file } = part;
        let files = file.map_or(String::new(), |file| format!(", files: [{file:?}]"));
        let item =
            format!("(left_px: {left_px}, top_px: {top_px}, width_px: {width_px}, height_px: {height_px}{files})");
        desk.change_beside(NOTES, |before| {
            let way = ["ignore", "rectangles"];
            let text = append_value(before.unwrap_or(EMPTY), &way, &item);
            checked(text.ok_or("shoot.ron has no place for it: write `ignore: (rectangles: [])` there")?)
        })?;
        Ok(StatusCode::OK)
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_becomes_notes_that_keep_their_comments() {
        let form = |json: &str| serde_json::from_str::<Form>(json).unwrap();
        let text = form(r#"{"latitude_deg": -31.9, "longitude_deg": 115.75, "utc_offset": "+08:00", "mount": "FixedTripod", "title": "A \"night\""}"#)
            .into_text(EMPTY)
            .unwrap();
        let notes = ShootNotes::parse(std::path::Path::new("shoot.ron"), &text).unwrap();
        assert_eq!((notes.site.unwrap().latitude_deg, notes.mount), (-31.9, Mount::FixedTripod));
        assert_eq!(notes.title.as_deref(), Some("A \"night\""));
        let again =
            form(r#"{"pixel_pitch_um": 4.2}"#).into_text(&text.replace("version: 1,", "version: 1, // mine")).unwrap();
        assert!(again.contains("// mine") && again.contains("optics: (pixel_pitch_um: 4.2)"), "{again}");
        assert!(form(r#"{"latitude_deg": 1.0}"#).into_text(EMPTY).is_err());
    }
}
