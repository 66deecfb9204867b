//! What can be asked.

use super::answers::{Answer, Shared, aside};
use super::desk::Desk;
use super::guard::{Key, guard};
use super::{by_hand, frames, layout, night, notes, picture, rehearsal, vigil};
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::routing::{get, post};
use axum::{Json, Router, middleware};
use serde_json::json;
use std::sync::Arc;

macro_rules! asset {
    ($name:literal, $kind:literal) => {
        get(|| async { ([(header::CONTENT_TYPE, $kind)], include_str!(concat!("assets/", $name))) })
    };
}

pub(super) fn all(desk: Arc<Desk>, key: Key) -> Router {
    Router::new()
        .route("/", asset!("index.html", "text/html; charset=utf-8"))
        .route("/page.css", asset!("page.css", "text/css; charset=utf-8"))
        .route("/page.js", asset!("page.js", "text/javascript; charset=utf-8"))
        .route("/frames.js", asset!("frames.js", "text/javascript; charset=utf-8"))
        .route("/picture.js", asset!("picture.js", "text/javascript; charset=utf-8"))
        .route("/handles.js", asset!("handles.js", "text/javascript; charset=utf-8"))
        .route("/moments.js", asset!("moments.js", "text/javascript; charset=utf-8"))
        .route("/map.js", asset!("map.js", "text/javascript; charset=utf-8"))
        .route("/window.js", asset!("window.js", "text/javascript; charset=utf-8"))
        .route("/fields.js", asset!("fields.js", "text/javascript; charset=utf-8"))
        .route("/night.js", asset!("night.js", "text/javascript; charset=utf-8"))
        .route("/framing.js", asset!("framing.js", "text/javascript; charset=utf-8"))
        .route("/rehearsal.js", asset!("rehearsal.js", "text/javascript; charset=utf-8"))
        .route("/world.js", asset!("world.js", "text/javascript; charset=utf-8"))
        .route("/vigil.js", asset!("vigil.js", "text/javascript; charset=utf-8"))
        .route("/favicon.ico", get(|| async { StatusCode::NO_CONTENT }))
        .route("/api/state", get(state))
        .route("/api/register", post(register))
        .route("/api/stop", post(stop))
        .route("/api/undo", post(undo))
        .route("/api/redo", post(redo))
        .route("/api/notes", get(notes::read).post(notes::write))
        .route("/api/ignore", post(notes::ignore))
        .route("/api/frames", get(frames::list))
        .route("/api/frames/{index}", post(frames::set))
        .route("/api/frames/{index}/time", post(frames::set_time))
        .route("/api/frames/{index}/window", get(frames::window))
        .route("/api/frames/{index}/whole", get(frames::whole))
        .route("/api/layouts", get(layout::layouts))
        .route("/api/layouts/{name}/preview", get(picture::preview))
        .route("/api/layouts/{name}/open", post(layout::open))
        .route("/api/layout", get(layout::layout).post(layout::set_text))
        .route("/api/layout/value", post(layout::set_value))
        .route("/api/layout/save", post(layout::save))
        .route("/api/layout/fields", get(layout::fields))
        .route("/api/layout/handles", get(by_hand::list).post(by_hand::moved))
        .route("/api/layout/moments", get(by_hand::curve).post(by_hand::touch))
        .route("/api/picture", get(picture::picture))
        .route("/api/picture/part", get(picture::part))
        .route("/api/composition", get(picture::composition))
        .route("/api/write", post(picture::write))
        .route("/api/plan", get(night::plan))
        .route("/api/plan/drawing", get(night::drawing))
        .route("/api/plan/frame", get(rehearsal::frame))
        .route("/api/vigil", get(vigil::state).post(vigil::set))
        .route("/api/vigil/newest", get(vigil::newest))
        .fallback(|| async { (StatusCode::NOT_FOUND, "there is nothing of that name") })
        .layer(middleware::from_fn_with_state(Arc::new(key), guard))
        .with_state(desk)
}

async fn state(State(desk): Shared) -> Json<serde_json::Value> {
    let job = (desk.job.runs(), desk.job.progress());
    let work = desk.work();
    let (undo, redo) = (work.steps.undo.len(), work.steps.redo.len());
    let night = work.night.as_deref();
    Json(json!({
        "folder": desk.folder.file_name().map(|n| n.to_string_lossy()),
        "title": night.and_then(|n| n.notes.as_ref()?.title.clone()),
        "frames": night.map_or(0, |n| n.frames.len()),
        "trouble": work.trouble,
        "registered": work.registration().is_some(),
        "stale": work.is_stale(),
        "missing": night.map(notes::missing).unwrap_or_default(),
        "said": work.said.iter().map(|d| json!({
            "severity": d.severity.word(), "message": d.message, "help": d.help,
        })).collect::<Vec<_>>(),
        "layout": work.layout_name,
        "version": work.version,
        "undo": undo,
        "redo": redo,
        "runs": job.0,
        "job": job.1,
    }))
}

async fn register(State(desk): Shared) -> Answer<StatusCode> {
    desk.start_registering()?;
    Ok(StatusCode::ACCEPTED)
}

async fn stop(State(desk): Shared) -> StatusCode {
    desk.job.stop();
    StatusCode::ACCEPTED
}

async fn undo(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || Ok(Json(json!({ "what": desk.step(true)? })))).await
}

async fn redo(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || Ok(Json(json!({ "what": desk.step(false)? })))).await
}
