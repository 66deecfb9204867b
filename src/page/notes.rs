//! What the camera did not record: asked in a form, written into `shoot.ron`.

use super::answers::{Answer, Refused, Shared, aside};
use crate::camera::Mount;
use crate::diag::set_value;
use crate::ingest::{Night, ShootNotes};
use crate::solve::suggest;
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::json;

/// The notes' name beside the frames.
const NOTES: &str = "shoot.ron";
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
        "mount": format!("{mount:?}"),
        "pixel_pitch_um": notes.and_then(|n| n.optics.pixel_pitch_um),
        "focal_length_mm": rig.and_then(|r| r.focal_length_mm),
        "suggested": {
            "mount": suggested.as_ref().map(|s| format!("{:?}", s.mount)).filter(|m| m != "Unknown"),
            "pixel_pitch_um": pitch.map(|(px, mm)| (mm * 1e5 / px).round() / 100.0),
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
        if let Some(mount) = self.mount {
            set(&["mount"], format!("{mount:?}"))?;
        }
        Ok(text)
    }
}

pub(super) async fn write(State(desk): Shared, Json(form): Json<Form>) -> Answer<StatusCode> {
    aside(move || {
        if desk.job.runs() {
            return Err("something is being done already: wait for it, or stop it".into());
        }
        let path = desk.own_file(NOTES)?;
        let before = match crate::files::read_text(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => EMPTY.to_owned(),
            Err(e) => return Err(Refused(e.to_string())),
        };
        let text = form.into_text(&before)?;
        ShootNotes::parse(&path, &text).map_err(Refused::from)?;
        crate::write::write_text(&path, &text).map_err(|e| Refused(e.to_string()))?;
        desk.read_night();
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
