//! The vigil's sheet: this folder watched while it fills, in a thread of its own.

use super::answers::{Answer, Shared, aside, shown};
use super::desk::Desk;
use super::overheard::{Overheard, words};
use crate::proof::window_of_frame;
use crate::vigil::{Heard, Vigil, Watch, Wishes};
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Between two looks into the folder.
const PAUSE: Duration = Duration::from_millis(250);
/// Watches the folder until it is told to stop.
fn watch(desk: &Desk, pace: f64) {
    let vigils = &desk.vigils;
    let mut watch = Watch::new(&desk.folder, Wishes::default(), pace);
    let mut hear = |heard: Heard, vigil: &Vigil| vigils.overheard().hear(heard, vigil);
    match watch.there() {
        Ok(there) => {
            {
                let mut overheard = vigils.overheard();
                (overheard.before, overheard.catches_up) = (there.value.len(), true);
            }
            for path in there.value.iter().take_while(|_| !vigils.is_stopped()) {
                watch.take(path, &mut hear);
            }
            vigils.overheard().catches_up = false;
        }
        Err(e) => vigils.overheard().trouble = Some(words(&e)),
    }
    while !vigils.is_stopped() {
        if !watch.look(&mut hear) {
            std::thread::sleep(PAUSE);
        }
        let timetable = watch.reached().map_or(Vec::new(), |now| watch.vigil().timetable(now));
        vigils.overheard().timetable = timetable;
    }
}

/// What is wished of the vigil.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wish {
    watch: bool,
    /// How many times faster than real a rehearsal's frames come.
    pace: Option<f64>,
}

pub(super) async fn set(State(desk): Shared, Json(wish): Json<Wish>) -> Answer<StatusCode> {
    let pace = wish.pace.unwrap_or(1.0);
    if !(0.1..=100_000.0).contains(&pace) {
        return Err("the pace is 0.1 to 100000 times the sky's".into());
    }
    aside(move || if wish.watch { begin(&desk, pace) } else { end(&desk) }).await
}

fn begin(desk: &Arc<Desk>, pace: f64) -> Answer<StatusCode> {
    if desk.vigils.runs.swap(true, Ordering::AcqRel) {
        return Err("this folder is watched already".into());
    }
    desk.vigils.stops.store(false, Ordering::Release);
    *desk.vigils.overheard() = Overheard::default();
    let desk = desk.clone();
    std::thread::spawn(move || {
        let watched = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            watch(&desk, pace);
            // What came meanwhile is on the other sheets from now on.
            desk.read_night();
        }));
        if watched.is_err() {
            desk.vigils.overheard().trouble = Some("it broke down; see the terminal".into());
        }
        desk.vigils.runs.store(false, Ordering::Release);
    });
    Ok(StatusCode::ACCEPTED)
}

fn end(desk: &Desk) -> Answer<StatusCode> {
    desk.vigils.stops.store(true, Ordering::Release);
    Ok(StatusCode::ACCEPTED)
}

/// The vigil as it stands.
pub(super) async fn state(State(desk): Shared) -> Json<serde_json::Value> {
    let runs = desk.vigils.runs.load(Ordering::Acquire);
    let overheard = desk.vigils.overheard();
    Json(json!({
        "runs": runs,
        "ends": runs && desk.vigils.is_stopped(),
        "frames": overheard.frames,
        "before": overheard.before,
        "catches_up": runs && overheard.catches_up,
        "advice": overheard.advice(),
        "timetable": overheard.timetable,
        "site_is_known": overheard.site_is_known,
        "trouble": overheard.trouble,
        "reports": overheard.reports,
    }))
}

/// The last frame's window, and which frame of the vigil it is of.
pub(super) async fn newest(State(desk): Shared) -> Answer<Response> {
    aside(move || {
        let (number, newest) = {
            let overheard = desk.vigils.overheard();
            (overheard.frames, overheard.newest.clone())
        };
        let (frame, found) = newest.ok_or("no frame has come")?;
        let mut response = shown(window_of_frame(&frame, &found).ok_or("the frame cannot be opened")?);
        response.headers_mut().insert("x-number", number.into());
        Ok(response)
    })
    .await
}
