//! The rehearsal of what is planned: one frame, as the planned camera would take it.

use super::answers::{Answer, Refused, Shared, aside, encoded, jpeg};
use super::desk::Desk;
use super::night::{Asked, Chosen, camera, chosen};
use crate::camera::Mount;
use crate::ingest::Site;
use crate::plan::{ExposureAdvice, HorizonProfile, PlanRequest, exposure_at, marked_shutter_at_most, shutter_words};
use crate::raster::TransferFunction;
use crate::simulate::{RehearsedMount, RehearsedRig, Scenario, rehearse_one};
use crate::sky::{Refraction, apparent_moon};
use crate::units::{Exposure, Instant};
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;

/// Longest side of a rehearsed frame, pixels: it is there before one has looked away.
const LONGEST_SIDE: f64 = 1400.0;

/// What a frame is exposed for.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub(super) enum Part {
    #[default]
    Lit,
    Umbra,
}

/// Which frame is asked for; without an aim it is aimed at the Moon.
#[derive(Deserialize)]
pub(super) struct Shot {
    utc: String,
    #[serde(default)]
    part: Part,
    azimuth: Option<f64>,
    altitude: Option<f64>,
}

pub(super) async fn frame(
    State(desk): Shared,
    Query(asked): Query<Asked>,
    Query(shot): Query<Shot>,
) -> Answer<Response> {
    aside(move || taken(&desk, &asked, &shot)).await
}

fn taken(desk: &Desk, asked: &Asked, shot: &Shot) -> Answer<Response> {
    let _one_at_a_time = desk.drawing.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let Chosen { observer, eclipse, zone } = chosen(desk, asked)?;
    let setup = camera(desk, asked)?.ok_or("a camera has pixels, their spacing and a focal length")?;
    let at = Instant::parse_utc(&shot.utc).map_err(|e| Refused(e.to_string()))?;
    if eclipse.greatest().seconds_since(at).abs() > 86_400.0 {
        return Err("that is another night".into());
    }
    let request =
        PlanRequest { observer, zone, eclipse: &eclipse, rigs: &[], trail_px: 2.0, horizon: HorizonProfile::default() };
    let exposure = exposed_for(&exposure_at(&request, &setup, at), shot.part);
    let seen = apparent_moon(&observer, at).refracted(Refraction::default());
    if seen.altitude.degrees() < -0.5 {
        return Err("the Moon is below the horizon then".into());
    }
    let degrees = |asked: Option<f64>, own: f64| asked.filter(|v| v.is_finite()).unwrap_or(own);
    let aim = RehearsedMount::FixedTripod {
        azimuth_deg: degrees(shot.azimuth, seen.azimuth.degrees()),
        altitude_deg: degrees(shot.altitude, seen.altitude.degrees()).clamp(-89.0, 89.0),
        roll_deg: 0.0,
    };
    // A mount that follows keeps the Moon where it is aimed.
    let mount = if setup.mount == Mount::Tracking { RehearsedMount::following() } else { aim };
    let site = Site {
        latitude_deg: observer.latitude.degrees(),
        longitude_deg: observer.longitude.degrees(),
        elevation_m: observer.elevation_m,
    };
    let longest = setup.camera.width_px.max(setup.camera.height_px) as f64;
    let rig = RehearsedRig::of(&setup, mount);
    let scenario = Scenario::of(site, &eclipse, rig).scaled((LONGEST_SIDE / longest).min(1.0));
    let image = rehearse_one(&scenario, 0, at, exposure).map_err(|e| Refused(e.to_string()))?;
    let codes: Vec<u8> =
        image.data().iter().map(|v| (255.0 * TransferFunction::Srgb.encode(v.clamp(0.0, 1.0))).round() as u8).collect();
    let bytes = encoded(&codes, (image.width(), image.height()))?;
    let words = format!(
        "{}, f/{}, ISO {:.0}",
        shutter_words(exposure.time.seconds),
        exposure.aperture.f_number,
        exposure.sensitivity.iso
    );
    Ok(jpeg(bytes, &[("x-exposure", words)]))
}

/// What the plan advises for a part of the disc, as long as the mount allows; where nothing of that part is seen, for the other.
fn exposed_for(advice: &ExposureAdvice, part: Part) -> Exposure {
    let umbra = advice.umbra_s.map(|[_, usual, _]| usual);
    let wanted = match part {
        Part::Lit => advice.lit_s.or(umbra),
        Part::Umbra => umbra.or(advice.lit_s),
    };
    let longest = advice.longest_s.map_or(f64::INFINITY, marked_shutter_at_most);
    Exposure::new(wanted.unwrap_or(0.01).min(longest), advice.f_number, advice.iso)
}
