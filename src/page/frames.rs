//! The contact sheet: what was found in each frame, its window, and what a person sets of it.

use super::answers::{Answer, Refused, Shared, aside, looked_at, shown};
use super::beside::FRAME_TABLE;
use super::desk::Desk;
use crate::ingest::set_frame_time;
use crate::proof::{Proof, whole_of, window_of};
use crate::raster::PixelPoint;
use crate::registration::{Disc, FrameRegistration, Registration, Sighting};
use crate::units::{Angle, Instant};
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use jiff::tz::TimeZone;
use serde::Deserialize;
use std::sync::Arc;

/// What was found, as `proof --json` prints it, with what a person has set.
pub(super) async fn list(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || {
        let (night, registration) = looked_at(&desk)?;
        let said = desk.work().said.clone();
        let proof = Proof::of(&night, &registration, &said, true);
        let mut value = serde_json::to_value(&proof).map_err(|e| Refused(e.to_string()))?;
        let clock = night.notes.as_ref().and_then(|n| n.label_zone());
        for kind in ["frames", "contacts"] {
            for timed in value[kind].as_array_mut().into_iter().flatten() {
                let local = clock.as_ref().zip(timed["utc"].as_str()).and_then(|(clock, utc)| reads(clock, utc));
                timed["local"] = serde_json::json!(local);
            }
        }
        for (shown, f) in value["frames"].as_array_mut().into_iter().flatten().zip(&registration.frames) {
            shown["size"] = serde_json::json!(registration.size_of(f));
            shown["gain_stops"] = f.nudge.gain_stops.into();
            shown["turn_deg"] = f.nudge.turn.degrees().into();
            if let Some(frame) = night.frame(&f.file) {
                let opened = frame.time.map(|t| {
                    // As the middle was reckoned from it.
                    let exposed = frame.metadata.exposure_time_s.unwrap_or(0.0);
                    t.middle.plus_seconds(-exposed / 2.0).to_iso_utc()
                });
                shown["opened_utc"] = serde_json::json!(opened);
                shown["ignored"] = serde_json::json!(frame.reading.ignored.rectangles);
            }
        }
        Ok(Json(value))
    })
    .await
}

/// Date, hours, minutes and seconds by a clock.
fn reads(clock: &TimeZone, utc: &str) -> Option<String> {
    let at = Instant::parse_utc(utc).ok()?;
    Some(clock.to_datetime(at.to_utc()).strftime("%Y-%m-%d %H:%M:%S").to_string())
}

const CANNOT_BE_OPENED: &str = "the frame cannot be opened";

/// Opens a frame where that holds nobody up, when it is its turn.
async fn in_turn<T: Send + 'static>(
    desk: Arc<Desk>,
    work: impl FnOnce(&Desk) -> Answer<T> + Send + 'static,
) -> Answer<T> {
    let turn = desk.thumbnails.turn().await;
    aside(move || {
        let _held = turn;
        work(&desk)
    })
    .await
}

fn frame_of(registration: &Registration, index: usize) -> Answer<&FrameRegistration> {
    registration.frames.get(index).ok_or_else(|| "there is no such frame".into())
}

pub(super) async fn window(State(desk): Shared, Path(index): Path<usize>) -> Answer<Response> {
    let (night, registration) = looked_at(&desk)?;
    let frame = frame_of(&registration, index)?.clone();
    if let Some(window) = desk.thumbnails.kept(&night, &frame) {
        return Ok(shown(window));
    }
    in_turn(desk, move |desk| {
        let window = window_of(&night, &frame).ok_or(CANNOT_BE_OPENED)?;
        desk.thumbnails.keep(&night, &frame, window.clone());
        Ok(shown(window))
    })
    .await
}

#[derive(Deserialize)]
pub(super) struct Side {
    side: Option<usize>,
}

/// Longest side of a frame that is shown whole, pixels.
const LARGEST_SIDE: usize = 6000;

pub(super) async fn whole(State(desk): Shared, Path(index): Path<usize>, Query(q): Query<Side>) -> Answer<Response> {
    in_turn(desk, move |desk| {
        let (night, registration) = looked_at(desk)?;
        let side = q.side.unwrap_or(1600).clamp(64, LARGEST_SIDE);
        let whole = whole_of(&night, frame_of(&registration, index)?, side);
        Ok(shown(whole.ok_or(CANNOT_BE_OPENED)?))
    })
    .await
}

/// What a person sets of a frame; what is left out stays.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wish {
    exclude: Option<bool>,
    /// Where the Moon's centre is, pixels of the frame.
    centre_px: Option<(f64, f64)>,
    radius_px: Option<f64>,
    gain_stops: Option<f64>,
    turn_deg: Option<f64>,
}

pub(super) async fn set(State(desk): Shared, Path(index): Path<usize>, Json(wish): Json<Wish>) -> Answer<StatusCode> {
    aside(move || {
        desk.change_frame(index, |frame, (width, height)| heed(frame, &wish, (width as f64, height as f64)))?;
        Ok(StatusCode::OK)
    })
    .await
}

/// When a frame's shutter opened, UTC.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Opened {
    utc: String,
}

pub(super) async fn set_time(
    State(desk): Shared,
    Path(index): Path<usize>,
    Json(Opened { utc }): Json<Opened>,
) -> Answer<StatusCode> {
    aside(move || {
        let (_, registration) = looked_at(&desk)?;
        let file = frame_of(&registration, index)?.file.clone();
        desk.change_beside(FRAME_TABLE, |before| {
            set_frame_time(before, &file, utc.trim()).map_err(|d| Refused::from(*d).0)
        })?;
        Ok(StatusCode::OK)
    })
    .await
}

/// Does to a frame what is wished, if it can be.
fn heed(frame: &mut FrameRegistration, wish: &Wish, (width, height): (f64, f64)) -> Result<(), String> {
    let within = |v: Option<f64>, most: f64, what: &str| match v {
        Some(v) if !v.is_finite() || v.abs() > most => Err(format!("{what} is to be at most {most}")),
        v => Ok(v),
    };
    let (gain, turn) = (within(wish.gain_stops, 10.0, "the gain")?, within(wish.turn_deg, 360.0, "the turn")?);
    if wish.centre_px.is_some() || wish.radius_px.is_some() {
        let known = frame.centre().zip(frame.radius_px());
        let centre = wish.centre_px.map(|(x, y)| PixelPoint::new(x, y)).or(known.map(|k| k.0));
        let radius = wish.radius_px.or(known.map(|k| k.1));
        let (Some(centre), Some(radius)) = (centre, radius) else {
            return Err("a circle has a centre and a radius".into());
        };
        let is_near = (-width..2.0 * width).contains(&centre.x) && (-height..2.0 * height).contains(&centre.y);
        if !is_near || !(2.0..4.0 * width.max(height)).contains(&radius) {
            return Err("such a circle does not lie in the frame".into());
        }
        // Nothing was measured of a disc that a person has set: by that it is known, and kept.
        frame.sighting = Sighting::Measured(Disc {
            centre,
            radius_px: radius,
            true_radius_px: None,
            centre_sigma_px: 0.5,
            fit: None,
        });
    }
    frame.exclude = wish.exclude.unwrap_or(frame.exclude);
    frame.nudge.gain_stops = gain.unwrap_or(frame.nudge.gain_stops);
    frame.nudge.turn = turn.map_or(frame.nudge.turn, Angle::from_degrees);
    Ok(())
}
