//! The night by the clock, before or after it: the plan for this folder's site and eclipse, or for those that are asked.

use super::answers::{Answer, Refused, Shared, aside};
use super::desk::Desk;
use crate::camera::{Camera, Mount, Setup};
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
    /// The sensor's pixels and their spacing; the lens; what holds them.
    width_px: Option<usize>,
    height_px: Option<usize>,
    pixel_pitch_um: Option<f64>,
    focal_length_mm: Option<f64>,
    f_number: Option<f64>,
    iso: Option<f64>,
    #[serde(default)]
    tracking: bool,
}

/// The camera that is asked about: what is left out of it is this folder's own, where that is known.
pub(super) fn camera(desk: &Desk, asked: &Asked) -> Answer<Option<Setup>> {
    let night = desk.work().night.clone();
    let own = night.as_ref().and_then(|n| n.rigs.first());
    let own_pitch =
        own.and_then(|r| Some(1000.0 * r.focal_length_mm? / r.focal_length_px?)).map(|p| (100.0 * p).round() / 100.0);
    let is_asked = asked.width_px.is_some() || asked.pixel_pitch_um.is_some() || asked.focal_length_mm.is_some();
    let width_px = asked.width_px.or(own.map(|r| r.width));
    let height_px = asked.height_px.or(own.map(|r| r.height));
    let pitch = asked.pixel_pitch_um.or(own_pitch);
    let focal = asked.focal_length_mm.or(own.and_then(|r| r.focal_length_mm));
    let (Some(width_px), Some(height_px), Some(pixel_pitch_um), Some(focal_length_mm)) =
        (width_px, height_px, pitch, focal)
    else {
        return if is_asked { Err("a camera has pixels, their spacing and a focal length".into()) } else { Ok(None) };
    };
    let iso = asked.iso.unwrap_or(400.0);
    let f_number = asked.f_number.unwrap_or(8.0);
    let fits = (100..=100_000).contains(&width_px)
        && (100..=100_000).contains(&height_px)
        && (0.3..=100.0).contains(&pixel_pitch_um)
        && (1.0..=100_000.0).contains(&focal_length_mm)
        && (0.5..=128.0).contains(&f_number)
        && (1.0..=1e7).contains(&iso);
    if !fits && !is_asked && asked.f_number.is_none() && asked.iso.is_none() {
        return Ok(None);
    }
    if !fits {
        return Err("no camera is like that: 100 pixels a side at least, their spacing in micrometres, the lens in \
                    millimetres"
            .into());
    }
    let mount = if asked.tracking { Mount::Tracking } else { Mount::ReaimedTripod };
    let camera = Camera { width_px, height_px, pixel_pitch_um, focal_length_mm, k1: 0.0 };
    Ok(Some(Setup::of_lens(camera, asked.f_number, mount, iso)))
}

/// The site, the eclipse and the local clock that are asked about.
pub(super) struct Chosen {
    pub(super) observer: Observer,
    pub(super) eclipse: LunarEclipse,
    pub(super) zone: TimeZone,
}

pub(super) fn chosen(desk: &Desk, asked: &Asked) -> Answer<Chosen> {
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
    let noted = || night.as_ref().and_then(|n| n.notes.as_ref()?.label_zone());
    let asked = asked.offset_s.and_then(|s| Offset::from_seconds(s).ok()).map(TimeZone::fixed);
    Ok(Chosen {
        observer,
        eclipse: eclipse.ok_or("there is no lunar eclipse near that date")?,
        zone: asked.or_else(noted).unwrap_or(TimeZone::UTC),
    })
}

fn planned(desk: &Desk, asked: &Asked) -> Answer<(ShootingPlan, Drawing)> {
    let Chosen { observer, eclipse, zone } = chosen(desk, asked)?;
    let rigs: Vec<Setup> = camera(desk, asked)?.into_iter().collect();
    let request = PlanRequest {
        observer,
        zone,
        eclipse: &eclipse,
        rigs: &rigs,
        trail_px: 2.0,
        horizon: HorizonProfile::default(),
    };
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
