//! The night by the clock, before or after it: the plan for this folder's site and eclipse, or for those that are asked.

use super::answers::{Answer, Refused, Shared, aside};
use super::desk::Desk;
use crate::plan::{Drawing, HorizonProfile, PlanRequest, ShootingPlan, draw};
use crate::sky::{LunarEclipse, Observer, eclipse_within};
use crate::units::Instant;
use axum::Json;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use jiff::tz::{Offset, TimeZone};
use serde::Deserialize;

/// What is asked; what is left out is the folder's own.
#[derive(Deserialize)]
pub(super) struct Asked {
    latitude: Option<f64>,
    longitude: Option<f64>,
    date: Option<String>,
    /// Of the local clock, seconds.
    offset_s: Option<i32>,
}

struct Chosen {
    observer: Observer,
    eclipse: LunarEclipse,
    zone: TimeZone,
}

fn chosen(desk: &Desk, asked: &Asked) -> Answer<Chosen> {
    let night = desk.work().night.clone();
    let own = night.as_ref().and_then(|n| n.observer());
    let observer = match (asked.latitude, asked.longitude) {
        (Some(latitude), Some(longitude)) => {
            Observer::new(latitude, longitude, 0.0).map_err(|e| Refused(e.to_string()))?
        }
        _ => own.ok_or("give a site: latitude and longitude")?,
    };
    let taken = night.as_ref().and_then(|n| n.frames.iter().find_map(|f| f.time)).map(|t| t.middle);
    let at = match &asked.date {
        Some(date) => Instant::parse_utc(&format!("{date}T12:00:00Z")).map_err(|e| Refused(e.to_string()))?,
        None => taken.ok_or("give a date")?,
    };
    let eclipse = eclipse_within(at, 1.5);
    let noted = night.as_ref().and_then(|n| n.notes.as_ref()?.label_offset_s()).map(|s| s as i32);
    let offset = asked.offset_s.or(noted).unwrap_or(0);
    Ok(Chosen {
        observer,
        eclipse: eclipse.ok_or("there is no lunar eclipse near that date")?,
        zone: Offset::from_seconds(offset).map_or(TimeZone::UTC, TimeZone::fixed),
    })
}

fn planned(desk: &Desk, asked: &Asked) -> Answer<(ShootingPlan, Drawing)> {
    let Chosen { observer, eclipse, zone } = chosen(desk, asked)?;
    let request =
        PlanRequest { observer, zone, eclipse: &eclipse, rigs: &[], trail_px: 2.0, horizon: HorizonProfile::default() };
    let plan = crate::plan::plan(&request);
    let drawing = draw(&request, &plan);
    Ok((plan, drawing))
}

pub(super) async fn plan(State(desk): Shared, Query(asked): Query<Asked>) -> Answer<Json<ShootingPlan>> {
    aside(move || Ok(Json(planned(&desk, &asked)?.0))).await
}

pub(super) async fn drawing(State(desk): Shared, Query(asked): Query<Asked>) -> Answer<Response> {
    aside(move || {
        let svg = planned(&desk, &asked)?.1.to_svg();
        Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response())
    })
    .await
}
