//! Each frame: what was measured in it, and what the sky predicts for it.

use crate::ingest::Night;
use crate::raster::PixelPoint;
use crate::registration::{FrameRegistration, Quality, Registration, RigSolution, Status, Why};
use crate::sky::{ApparentPosition, EarthShadow, Observer, Refraction, apparent_moon, serves, shadow_from};
use crate::units::Instant;
use serde::Serialize;

/// A circle on a frame, pixels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Circle {
    /// Centre, to the right.
    pub x: f64,
    /// Centre, downwards.
    pub y: f64,
    /// Radius.
    pub r: f64,
}

/// One frame of the proof. Pixels are the frame's own, angles degrees, origin at the top-left corner.
#[derive(Clone, Debug, Serialize)]
pub struct FrameProof {
    /// File name.
    pub file: String,
    /// Index of its rig.
    pub rig: usize,
    /// "measured", "inferred" or "absent".
    pub status: &'static str,
    /// Why it is inferred or absent.
    pub reason: Option<String>,
    /// Whether no Moon was found although nothing says that none can be in the frame.
    pub missed: bool,
    /// Whether its disc is of another size than scale and sky say, by more than it can be off.
    pub odd_size: bool,
    /// Whether a person left it out.
    pub excluded: bool,
    /// Whether it is a foreground frame, in which no Moon is looked for.
    pub foreground: bool,
    /// Whether pictures would use it: measured, not left out, good enough to be printed.
    pub usable: bool,
    /// Middle of the exposure, UTC.
    pub utc: Option<String>,
    #[serde(skip)]
    pub(super) instant: Option<Instant>,
    /// Exposure time, s.
    pub exposure_s: Option<f64>,
    /// Aperture as a number.
    pub f_number: Option<f64>,
    /// Sensitivity.
    pub iso: Option<f64>,
    /// The limb as fitted.
    pub limb: Option<Circle>,
    /// Standard deviation of its centre, pixels.
    pub centre_sigma_px: Option<f64>,
    /// Standard deviation of its radius, pixels.
    pub radius_sigma_px: Option<f64>,
    /// The radius of a circle of the disc's area by plate scale, ephemeris and the air that flattens it.
    pub predicted_radius_px: Option<f64>,
    /// How far the centre lies from where the solved mount has it, pixels.
    pub off_track_px: Option<f64>,
    /// Clockwise turn from the frame's up to celestial north.
    pub north_deg: Option<f64>,
    /// Standard deviation of that.
    pub north_sigma_deg: Option<f64>,
    /// How the turn is known.
    pub north_by: Option<String>,
    /// Predicted edge of the umbra.
    pub umbra: Option<Circle>,
    /// Predicted edge of the penumbra.
    pub penumbra: Option<Circle>,
    /// Share of the disc's area in the umbra, by the ephemeris.
    pub umbral_fraction: Option<f64>,
    /// Whether the frame shows another phase than its time would have it.
    pub phase_contradicted: bool,
    /// The Moon's apparent altitude.
    pub altitude_deg: Option<f64>,
    /// Light against the clear frames of the night: 1 is clear.
    pub light_ratio: Option<f64>,
    /// Width of the limb (Gaussian sigma), pixels.
    pub edge_width_px: Option<f64>,
    /// Share of the disc that is white.
    pub saturated_share: Option<f64>,
    /// 0..1, as selections rate it.
    pub quality: f64,
    /// What costs it most of that.
    pub lacks: Option<&'static str>,
}

/// How far a size may lie from the others', a share of it: limbs are measured to a percent.
const ODD_SIZE: f64 = 0.012;

pub(super) fn gathered(night: &Night, registration: &Registration) -> Vec<FrameProof> {
    let observer = night.observer();
    let qualities: Vec<Quality> = (0..registration.rigs.len()).map(|rig| Quality::of(registration, rig)).collect();
    registration
        .frames
        .iter()
        .map(|f| {
            let rating = qualities.get(f.rig).map(|q| q.rate(f, registration.size_of(f)));
            one(night, registration.rigs.get(f.rig), observer.as_ref(), f, rating.map(|r| (r.quality, r.lacks)))
        })
        .collect()
}

/// Where the sky has Moon and shadow.
struct Sky {
    seen: ApparentPosition,
    shadow: EarthShadow,
}

fn one(
    night: &Night,
    rig: Option<&RigSolution>,
    observer: Option<&Observer>,
    f: &FrameRegistration,
    rating: Option<(f64, Option<&'static str>)>,
) -> FrameProof {
    let metadata = night.frame(&f.file).map(|frame| &frame.metadata);
    let sky = observer.zip(f.time.filter(|t| serves(*t))).map(|(observer, time)| {
        let seen = apparent_moon(observer, time);
        Sky { seen, shadow: shadow_from(observer, time, &seen) }
    });
    let limb = f.centre().zip(f.radius_px()).map(|(c, r)| Circle { x: c.x, y: c.y, r });
    let horizontal = sky.as_ref().map(|s| s.seen.refracted(Refraction::default()));
    let pointed = rig.and_then(|r| r.pointing_at(f.time)).zip(horizontal).and_then(|(p, at)| p.pointing.to_pixel(at));
    let tracked = rig.and_then(|r| r.tracking.as_ref()).zip(f.time).and_then(|(t, time)| t.expects(time));
    let expected: Option<PixelPoint> = pointed.or(tracked);
    let is_measured = f.status() == Status::Measured;
    let predicted_radius_px = sky.as_ref().zip(f.centre()).and_then(|(s, centre)| {
        let semidiameter = s.seen.semidiameter;
        let round = match rig?.pointing_at(f.time) {
            // A wide lens stretches what it draws towards its corners.
            Some(p) => p.pointing.lens.disc_radius_px(centre, semidiameter),
            None => rig?.focal_length_px? * semidiameter.radians(),
        };
        let air = Refraction::default();
        Some(round / air.pressing(s.seen.refracted(air).altitude, semidiameter).sqrt())
    });
    let radius_sigma_px = f.fit().map(|fit| fit.radius_sigma_px);
    let odd_size = is_measured
        && limb.zip(predicted_radius_px).is_some_and(|(limb, predicted)| {
            // A clipped disc is larger by its glow, and the registration knows how much.
            let own = f.disc().map_or(limb.r, crate::registration::Disc::moon_radius_px);
            (own - predicted).abs() > (ODD_SIZE * predicted).max(4.0 * radius_sigma_px.unwrap_or(0.0)).max(1.0)
        });
    let (quality, lacks) = rating.unwrap_or((0.0, None));
    FrameProof {
        file: f.file.clone(),
        rig: f.rig,
        status: match f.status() {
            Status::Measured => "measured",
            Status::Inferred => "inferred",
            Status::Absent => "absent",
        },
        reason: f.reason(),
        missed: f.status() == Status::Absent
            && !f.foreground
            && !matches!(f.sighting.why(), Some(Why::BelowHorizon | Why::OutsideFrame)),
        odd_size,
        excluded: f.exclude,
        foreground: f.foreground,
        usable: is_measured && !f.exclude && quality >= Quality::POOR,
        utc: f.time.map(Instant::to_iso_utc),
        instant: f.time,
        exposure_s: metadata.and_then(|m| m.exposure_time_s),
        f_number: metadata.and_then(|m| m.f_number),
        iso: metadata.and_then(|m| m.iso),
        limb,
        centre_sigma_px: f.centre_sigma_px(),
        radius_sigma_px,
        predicted_radius_px,
        off_track_px: f.centre().filter(|_| is_measured).zip(expected).map(|(c, e)| c.distance(e)),
        north_deg: f.orientation.map(|o| o.north_turn().normalized_signed().degrees()),
        north_sigma_deg: f.orientation.map(|o| o.sigma.degrees()),
        north_by: f.orientation.map(|o| o.source.to_string()),
        umbra: shadow_on(f, limb, sky.as_ref(), |s| s.umbra_radius.radians()),
        penumbra: shadow_on(f, limb, sky.as_ref(), |s| s.penumbra_radius.radians()),
        umbral_fraction: f.umbral_fraction,
        phase_contradicted: f.phase_contradicted,
        altitude_deg: horizontal.map(|h| h.altitude.degrees()),
        light_ratio: f.light_ratio,
        edge_width_px: f.fit().map(|fit| fit.edge_width_px).filter(|w| *w > 0.0),
        saturated_share: f.fit().map(|fit| fit.saturated_share),
        quality,
        lacks,
    }
}

/// The Earth's shadow as it should lie on the frame. `None` where its time is contradicted: it would be drawn wrong.
///
/// Neglected: the lens's stretch across the shadow, and the air's flattening; both far below what an eye tells.
fn shadow_on(
    f: &FrameRegistration,
    limb: Option<Circle>,
    sky: Option<&Sky>,
    radius: impl Fn(&EarthShadow) -> f64,
) -> Option<Circle> {
    let (orientation, disc, sky) = (f.orientation?, limb?, sky.filter(|_| !f.phase_contradicted)?);
    let px_per_radian = disc.r / sky.shadow.moon_semidiameter.radians();
    // Position angles run from north through east: anticlockwise on the image, clockwise on its mirror image.
    let handed = if orientation.mirrored { 1.0 } else { -1.0 };
    let clockwise_from_up = orientation.north_turn() + sky.shadow.position_angle() * handed;
    let away = sky.shadow.separation().radians() * px_per_radian;
    Some(Circle {
        x: disc.x + away * clockwise_from_up.sin(),
        y: disc.y - away * clockwise_from_up.cos(),
        r: radius(&sky.shadow) * px_per_radian,
    })
}
