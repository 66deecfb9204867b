//! Before the night: when, where, how long, how wide.
//!
//! `timetable` is the night by the clock,
//! `exposure` what each phase needs and what the mount allows, `framing` where to aim and when the Moon
//! leaves (`horizon`: or what it goes behind), `interval` how often to fire, `recommend` what to take along, `schedule` every exposure of the night, `calendar` what a phone should say,
//! `drawing` a picture of it, `advice` the field's checklist.

mod advice;
mod calendar;
mod drawing;
mod exposure;
mod framing;
mod horizon;
mod interval;
mod recommend;
mod schedule;
mod timetable;

pub use advice::{CAUTIONS, CHECKLIST};
pub use calendar::{PRODUCT as CALENDAR_PRODUCT, calendar};
pub use drawing::{Drawing, draw};
pub use exposure::{ExposureAdvice, exposure_at, marked_shutter, marked_shutter_at_most, shutter_words};
pub use framing::{Framing, OneAim};
pub use horizon::{HorizonFault, HorizonProfile};
pub use interval::Interval;
pub use recommend::{Recommendation, best_first};
pub use schedule::{ScheduledFrame, schedule, schedule_csv};
pub use timetable::TimetableRow;

use crate::camera::Setup;
use crate::sky::{Contact, LunarEclipse, Observer, Refraction, apparent_moon};
use crate::units::{Angle, Instant};
use jiff::tz::TimeZone;
use serde::Serialize;

/// What is to be planned.
pub struct PlanRequest<'a> {
    /// The site.
    pub observer: Observer,
    /// Zone of the local clock.
    pub zone: TimeZone,
    /// The eclipse.
    pub eclipse: &'a LunarEclipse,
    /// The cameras.
    pub rigs: &'a [Setup],
    /// How far a disc may trail during an exposure, pixels.
    pub trail_px: f64,
    /// What stands on the horizon.
    pub horizon: HorizonProfile,
}

impl PlanRequest<'_> {
    /// Whether the Moon's centre stands above the horizon and what stands on it, as seen through the air.
    pub(crate) fn sees(&self, at: Instant) -> bool {
        let seen = apparent_moon(&self.observer, at).refracted(Refraction::default());
        seen.altitude.degrees() >= self.horizon.altitude_deg(seen.azimuth.degrees()).max(0.0)
    }
}

/// The plan for one night.
#[derive(Clone, Debug, Serialize)]
pub struct ShootingPlan {
    /// `moonloom-plan-1`.
    pub schema: &'static str,
    /// The eclipse.
    pub eclipse: EclipseSummary,
    /// Zone of the local times: its name, or its offset from UTC.
    pub zone: String,
    /// The night by the clock.
    pub timetable: Vec<TimetableRow>,
    /// One plan a rig.
    pub rigs: Vec<RigPlan>,
    /// What to take and when to be there; null where the site sees nothing.
    pub recommendation: Option<Recommendation>,
    /// Cautions, always to be read.
    pub cautions: Vec<&'static str>,
    /// What to have ready.
    pub checklist: Vec<&'static str>,
}

/// The plan for one rig.
#[derive(Clone, Debug, Serialize)]
pub struct RigPlan {
    /// The rig's name.
    pub name: String,
    /// Arcseconds per pixel at the optical axis.
    pub plate_scale_arcsec: f64,
    /// Field of view, degrees, across and down.
    pub field_deg: (f64, f64),
    /// Diameter of the Moon, pixels, at greatest eclipse.
    pub moon_diameter_px: f64,
    /// Diameter of the Moon over the frame's short side.
    pub moon_share_of_short_side: f64,
    /// Focal lengths at which the Moon fills a quarter and two thirds of this sensor's short side, millimetres.
    pub close_focal_lengths_mm: (f64, f64),
    /// Exposure by phase.
    pub exposures: Vec<ExposureAdvice>,
    /// How often to fire, and what that takes.
    pub interval: Interval,
    /// Where to aim.
    pub framing: Framing,
}

/// One eclipse in a list.
#[derive(Clone, Debug, Serialize)]
pub struct EclipseSummary {
    /// `total`, `partial` or `penumbral`.
    #[serde(rename = "type")]
    pub kind: String,
    /// Share of the Moon's diameter in the umbra at greatest eclipse.
    pub umbral_magnitude: f64,
    /// Share of the Moon's diameter in the penumbra.
    pub penumbral_magnitude: f64,
    /// Least distance from the shadow's axis, Earth radii, north positive.
    pub gamma: f64,
    /// Saros series.
    pub saros: i64,
    /// ISO UTC with milliseconds; null where there is no such contact.
    pub contacts: Contacts,
    /// What of it a site sees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub visibility: Option<Visibility>,
}

/// The contacts by name.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Contacts {
    /// The Moon enters the penumbra.
    pub p1: Option<String>,
    /// The umbra touches the limb.
    pub u1: Option<String>,
    /// Totality begins.
    pub u2: Option<String>,
    /// Greatest eclipse.
    pub greatest: Option<String>,
    /// Totality ends.
    pub u3: Option<String>,
    /// The Moon leaves the umbra.
    pub u4: Option<String>,
    /// The Moon leaves the penumbra.
    pub p4: Option<String>,
}

/// What share of each phase's time the Moon is above a site's horizon, 0..1.
#[derive(Clone, Debug, Serialize)]
pub struct Visibility {
    /// P1 to P4.
    pub penumbral: f64,
    /// U1 to U4; null without a partial phase.
    pub partial: Option<f64>,
    /// U2 to U3; null without totality.
    pub total: Option<f64>,
    /// Refracted altitude at greatest eclipse.
    pub altitude_at_greatest_deg: f64,
    /// Azimuth at greatest eclipse.
    pub azimuth_at_greatest_deg: f64,
}

/// Share of the time between two contacts with the Moon's centre above the (refracted) horizon.
fn share_up(observer: &Observer, from: Instant, to: Instant) -> f64 {
    const SAMPLES: u32 = 60;
    let up = (0..=SAMPLES)
        .filter(|&i| {
            let at = from.plus_seconds(to.seconds_since(from) * f64::from(i) / f64::from(SAMPLES));
            apparent_moon(observer, at).refracted(Refraction::default()).altitude.radians() > 0.0
        })
        .count();
    up as f64 / f64::from(SAMPLES + 1)
}

/// An eclipse for a list, with what a site sees of it.
pub fn summarize(eclipse: &LunarEclipse, observer: Option<&Observer>) -> EclipseSummary {
    let at = |c| eclipse.at(c).map(Instant::to_iso_utc);
    let visibility = observer.map(|o| {
        let share = |a, b| Some(share_up(o, eclipse.at(a)?, eclipse.at(b)?));
        let seen = apparent_moon(o, eclipse.greatest()).refracted(Refraction::default());
        Visibility {
            penumbral: share(Contact::P1, Contact::P4).unwrap_or(0.0),
            partial: share(Contact::U1, Contact::U4),
            total: share(Contact::U2, Contact::U3),
            altitude_at_greatest_deg: seen.altitude.degrees(),
            azimuth_at_greatest_deg: seen.azimuth.normalized().degrees(),
        }
    });
    EclipseSummary {
        kind: eclipse.kind.to_string(),
        umbral_magnitude: eclipse.umbral_magnitude,
        penumbral_magnitude: eclipse.penumbral_magnitude,
        gamma: eclipse.gamma,
        saros: eclipse.saros,
        contacts: Contacts {
            p1: at(Contact::P1),
            u1: at(Contact::U1),
            u2: at(Contact::U2),
            greatest: at(Contact::Greatest),
            u3: at(Contact::U3),
            u4: at(Contact::U4),
            p4: at(Contact::P4),
        },
        visibility,
    }
}

/// Plans a night.
pub fn plan(request: &PlanRequest<'_>) -> ShootingPlan {
    let timetable = timetable::timetable(request);
    let rigs: Vec<RigPlan> = request.rigs.iter().map(|rig| rig_plan(request, rig)).collect();
    let recommendation = recommend::recommend(request, &rigs);
    ShootingPlan {
        schema: "moonloom-plan-1",
        eclipse: summarize(request.eclipse, Some(&request.observer)),
        zone: zone_words(request),
        timetable,
        rigs,
        recommendation,
        cautions: CAUTIONS.to_vec(),
        checklist: CHECKLIST.to_vec(),
    }
}

fn zone_words(request: &PlanRequest<'_>) -> String {
    let offset = request.zone.to_offset(request.eclipse.greatest().to_utc());
    match request.zone.iana_name() {
        Some(name) => format!("{name} ({offset})"),
        None => offset.to_string(),
    }
}

fn rig_plan(request: &PlanRequest<'_>, rig: &Setup) -> RigPlan {
    let camera = &rig.camera;
    let (focal_px, (across, down)) = (camera.focal_px(), camera.field());
    let seen = apparent_moon(&request.observer, request.eclipse.greatest());
    let diameter = 2.0 * focal_px * seen.semidiameter.radians();
    RigPlan {
        name: rig.name.clone(),
        plate_scale_arcsec: Angle::from_radians(1.0 / focal_px).arcsec(),
        field_deg: (across.degrees(), down.degrees()),
        moon_diameter_px: diameter,
        moon_share_of_short_side: diameter / camera.short_side_px() as f64,
        close_focal_lengths_mm: recommend::close_focal_lengths_mm(camera, seen.semidiameter),
        exposures: exposure::advise(request, rig),
        interval: interval::advise(request, rig),
        framing: framing::frame(request, rig),
    }
}

/// First and last contact of an eclipse.
fn span(eclipse: &LunarEclipse) -> (Instant, Instant) {
    let first = eclipse.contacts.first().map_or(eclipse.greatest(), |c| c.1);
    let last = eclipse.contacts.last().map_or(eclipse.greatest(), |c| c.1);
    (first, last)
}
