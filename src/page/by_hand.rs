//! The layout changed by hand on its picture: what is dragged, and which moments are shown.

use super::answers::{Answer, Refused, Shared, aside, on_desk, whole_night};
use super::desk::Desk;
use crate::composition::Composition;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::{Arrangement, Edit, Layout, Touched, edited, handles, may_be_shown, resolve, touched};
use crate::raster::PixelPoint;
use crate::registration::{FrameRegistration, Registration};
use crate::sky::{Danjon, ShadowLight, eclipse_within, geocentric_shadow};
use crate::units::Instant;
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::json;

/// The layout that is worked on, resolved at the picture's own size.
struct Laid {
    night: std::sync::Arc<Night>,
    registration: std::sync::Arc<Registration>,
    layout: Layout,
    composition: Composition,
}

fn laid(desk: &Desk) -> Answer<Laid> {
    let (night, registration, layout) = on_desk(desk)?;
    let composition = resolve(&layout, &night, &registration).map_err(Refused::from)?.value;
    Ok(Laid { night, registration, layout, composition })
}

/// A fault for somebody who pressed a picture and saw no text: without its line and column.
fn in_words(d: Diagnostic) -> Refused {
    Refused::from(Diagnostic { span: None, ..d })
}

/// Changes the layout, unless it makes no picture of this night then.
fn change(desk: &Desk, before: &Laid, edits: &[Edit]) -> Answer<()> {
    let text = edited(&before.layout.text, edits).ok_or("the layout's text has no place for that")?;
    let layout = Layout::parse(&before.layout.path, &text).map_err(in_words)?;
    resolve(&layout, &before.night, &before.registration).map_err(in_words)?;
    Ok(desk.change_layout(|_, now| {
        if *now != before.layout.text {
            return Err("the layout was changed meanwhile".into());
        }
        *now = text;
        Ok(())
    })?)
}

/// What can be taken hold of, and where: shares of the picture's width and height.
pub(super) async fn list(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || {
        let Laid { layout, composition, .. } = laid(&desk)?;
        let share = |p: PixelPoint| [p.x / composition.width as f64, p.y / composition.height as f64];
        let found = handles(&layout, &composition).map_err(Refused::from)?;
        let found = found.iter().map(|h| {
            json!({ "name": h.name, "at": share(h.at), "edge": h.edge.map(|(from, until)| [share(from), share(until)]) })
        });
        Ok(Json(json!(found.collect::<Vec<_>>())))
    })
    .await
}

/// What was taken hold of, and where it is to lie.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Moved {
    name: String,
    at: [f64; 2],
}

pub(super) async fn moved(
    State(desk): Shared,
    Json(Moved { name, at }): Json<Moved>,
) -> Answer<Json<serde_json::Value>> {
    aside(move || {
        let before = laid(&desk)?;
        let found = handles(&before.layout, &before.composition).map_err(Refused::from)?;
        let handle = found.iter().find(|h| h.name == name).ok_or("there is no such handle any more")?;
        let size = [before.composition.width, before.composition.height].map(|v| v as f64);
        // A hand that leaves the picture goes on for as far again.
        let [x, y] = [0, 1].map(|i| at[i].clamp(-1.0, 2.0) * size[i]);
        let edits = handle.moved(PixelPoint::new(x, y)).ok_or_else(|| format!("{name} cannot lie there"))?;
        change(&desk, &before, &edits)?;
        Ok(Json(json!(edits.iter().map(|(way, value)| json!({ "way": way, "value": value })).collect::<Vec<_>>())))
    })
    .await
}

/// Points of the light curve.
const POINTS: usize = 240;
/// Beyond the first and the last frame the curve goes on for this share of the night.
const BEYOND: f64 = 0.04;

/// The night's light and its frames by their times: where moments are pointed at.
pub(super) async fn curve(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || {
        let (_, registration) = whole_night(&desk)?;
        let shown = registration.frames.iter().filter(|f| may_be_shown(f));
        let frames: Vec<(&FrameRegistration, Instant)> = shown.filter_map(|f| Some((f, f.time?))).collect();
        let times = || frames.iter().map(|(_, at)| *at);
        let by_time = |a: &Instant, b: &Instant| a.tt_seconds().total_cmp(&b.tt_seconds());
        let Some((first, last)) = times().min_by(by_time).zip(times().max_by(by_time)) else {
            return Ok(Json(json!(null)));
        };
        let room = (BEYOND * last.seconds_since(first)).max(60.0);
        let (from, until) = (first.plus_seconds(-room), last.plus_seconds(room));
        let step = until.seconds_since(from) / (POINTS - 1) as f64;
        let points = (0..POINTS).map(|i| {
            let at = from.plus_seconds(i as f64 * step);
            let shadow = geocentric_shadow(at);
            let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
            json!([seconds(at), light.stops_below_full(shadow.moon_semidiameter, shadow.separation)])
        });
        let contacts = eclipse_within(first, 1.0).map_or(Vec::new(), |e| e.contacts);
        let contacts = contacts.iter().filter(|(_, at)| *at >= from && *at <= until);
        Ok(Json(json!({
            "panels": panels(&desk),
            "light": points.collect::<Vec<_>>(),
            "contacts": contacts.map(|(c, at)| json!({ "name": c.to_string(), "at": seconds(*at) })).collect::<Vec<_>>(),
            "frames": frames.iter().map(|(f, at)| json!({
                "file": f.file, "at": seconds(*at), "umbral_fraction": f.umbral_fraction,
            })).collect::<Vec<_>>(),
        })))
    })
    .await
}

/// Of a poster, whose moments a touch changes for each panel: its own, or the whole layout's.
fn panels(desk: &Desk) -> Vec<String> {
    let Ok((_, _, layout)) = on_desk(desk) else { return Vec::new() };
    let Arrangement::Panels(panels) = &layout.file.arrangement else { return Vec::new() };
    let whose = |own: bool| if own { "" } else { " (the whole layout's)" };
    panels.panels.iter().enumerate().map(|(i, p)| format!("panel {}{}", i + 1, whose(p.selection.is_some()))).collect()
}

/// Seconds since 1970, UTC.
fn seconds(at: Instant) -> f64 {
    at.to_utc().as_microsecond() as f64 / 1e6
}

/// A moment that was pointed at.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Touch {
    panel: Option<usize>,
    utc: String,
    reach_s: f64,
}

pub(super) async fn touch(State(desk): Shared, Json(asked): Json<Touch>) -> Answer<StatusCode> {
    aside(move || {
        let before = laid(&desk)?;
        let at = Instant::parse_utc(&asked.utc).map_err(|e| Refused(e.to_string()))?;
        if !(0.0..=3600.0).contains(&asked.reach_s) {
            return Err("a touch reaches from nought to an hour".into());
        }
        let touch = Touched { panel: asked.panel, at, reach_s: asked.reach_s };
        let night = (&*before.night, &*before.registration);
        let edits = touched(&before.layout, night, &before.composition, touch).map_err(Refused::from)?;
        change(&desk, &before, &edits)?;
        Ok(StatusCode::OK)
    })
    .await
}
