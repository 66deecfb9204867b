//! From single frames to one solution for the night, rig by rig.
//!
//! 1. every frame is searched by itself (in parallel, one decoded frame a thread);
//! 2. a fixed tripod's pointing, or the median of radius over semidiameter, gives one plate scale;
//! 3. every frame is measured again with the radius known, and where nothing was found, where the
//!    solution expects the Moon;
//! 4. the pointing is solved once more, and what could not be measured is inferred from it.

use super::circle::RadiusPrior;
use super::frame::{DiscFit, Expectation, Flattening, Measured, find_discs, fit_at};
use super::pointing::{PointingSolution, Sighting, nearest, solve};
use super::small_disc::Shading;
use super::{FrameRegistration, RigSolution, Status};
use crate::diag::Diagnostic;
use crate::ingest::{Frame, Mount, Night, Rig, decode, decode_brightness};
use crate::raster::{LinearImage, PixelPoint, PixelRect, Plane};
use crate::sky::{
    CameraPointing, Danjon, EarthShadow, Horizontal, Lens, Observer, Refraction, ShadowLight, apparent_moon,
    shadow_from,
};
use crate::units::Angle;
use rayon::prelude::*;

/// Least confidence for a disc found without the sequence's help.
const CONFIDENT: f64 = 0.30;

/// Where the sky says the Moon is, for one frame.
#[derive(Clone, Copy, Debug)]
struct SkyPlace {
    seen: Horizontal,
    semidiameter: Angle,
    shadow: EarthShadow,
    parallactic_angle: Angle,
}

fn sky_place(observer: Option<&Observer>, frame: &Frame) -> Option<SkyPlace> {
    let (observer, time) = (observer?, frame.time?);
    if !crate::sky::serves(time.middle) {
        return None;
    }
    let position = apparent_moon(observer, time.middle);
    Some(SkyPlace {
        seen: position.refracted(Refraction::default()),
        semidiameter: position.semidiameter,
        shadow: shadow_from(observer, time.middle, &position),
        parallactic_angle: position.parallactic_angle,
    })
}

/// How the shadow's light varies over the disc as this camera sees it, by the ephemeris.
///
/// In the umbra a middling Danjon grade gives the run of the light; how steep it really was on
/// the night is left to the polynomials that multiply it.
fn shadow_light_over(place: &SkyPlace, pointing: &CameraPointing, centre: PixelPoint) -> impl Fn(f64, f64) -> f64 {
    let shadow = place.shadow;
    let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
    let up = (place.parallactic_angle + pointing.zenith_turn(centre)).radians();
    let radius = place.semidiameter.radians();
    // Any scale will do; near one keeps the normal equations well conditioned.
    let farthest = shadow.separation() + place.semidiameter;
    let brightest = 1.0 / light.radiance(farthest).iter().sum::<f64>();
    move |right, down| {
        // Position angles run anticlockwise on the image: right of `up` is west of it.
        let (s, c) = up.sin_cos();
        let (north, east) = ((-down * c + right * s) * radius, (-down * s - right * c) * radius);
        let from_axis = (east - shadow.xi.radians()).hypot(north - shadow.eta.radians());
        light.radiance(Angle::from_radians(from_axis)).iter().sum::<f64>() * brightest
    }
}

/// What the first search of a rig's frames looks for.
fn first_expectation(rig: &Rig) -> Expectation {
    let long = rig.width.max(rig.height) as f64;
    match rig.focal_length_px {
        Some(focal) => {
            // The Moon's semidiameter runs from 14.7' to 16.8'; a lens's marked focal length is
            // good to some 5 %, and a wide lens stretches discs towards its corners.
            let corner = (rig.width as f64).hypot(rig.height as f64) / 2.0 / focal;
            let stretch = (1.0 + corner * corner).powf(0.75).min(2.5);
            Expectation {
                from_px: (focal * 0.004_28 * 0.92).clamp(3.5, long),
                to_px: (focal * 0.004_88 * 1.08 * stretch).min(long),
                lens: Some(Lens::rectilinear(rig.width, rig.height, focal)),
                flattening: None,
                radius: None,
            }
        }
        None => bare_expectation(long),
    }
}

/// Nothing is known: any disc from a few pixels to half the frame.
pub(super) fn bare_expectation(long_side_px: f64) -> Expectation {
    Expectation {
        from_px: (long_side_px / 260.0).max(8.0),
        to_px: 0.5 * long_side_px,
        lens: None,
        flattening: None,
        radius: None,
    }
}

/// Why a frame has no Moon, when the clock says so.
pub(super) const BELOW_HORIZON: &str = "the Moon is below the horizon";

enum Looked {
    Discs(Vec<DiscFit>),
    Unreadable(String),
}

fn brightness(night: &Night, frame: &Frame) -> Result<Plane, String> {
    decode_brightness(&frame.path, night.transfer()).map_err(|e| e.to_string())
}

/// Result of one rig.
pub(super) struct RigResult {
    pub solution: RigSolution,
    pub frames: Vec<(usize, FrameRegistration)>,
    pub diagnostics: Vec<Diagnostic>,
}

/// Registers the frames of one rig. `progress` is told of each frame looked at.
pub(super) fn register_rig(night: &Night, index: usize, progress: &(dyn Fn(&str) + Sync)) -> RigResult {
    let rig = &night.rigs[index];
    let observer = night.observer();
    let members: Vec<usize> = (0..night.frames.len()).filter(|&i| night.frames[i].rig == index).collect();
    let places: Vec<Option<SkyPlace>> =
        members.iter().map(|&i| sky_place(observer.as_ref(), &night.frames[i])).collect();
    let mut diagnostics = Vec::new();
    let look = |expected: Expectation| -> Vec<Looked> {
        members
            .par_iter()
            .map(|&i| {
                let frame = &night.frames[i];
                let looked = match brightness(night, frame) {
                    Ok(plane) => {
                        let measured = match expected.lens {
                            Some(_) => Measured::new(&plane),
                            None => Measured::of_unknown_camera(&plane),
                        };
                        Looked::Discs(find_discs(&measured, &expected, 4))
                    }
                    Err(why) => Looked::Unreadable(why),
                };
                progress(&frame.name);
                looked
            })
            .collect()
    };
    let mut looked = look(first_expectation(rig));
    let found = |l: &[Looked]| {
        l.iter()
            .filter(|l| matches!(l, Looked::Discs(d) if d.first().is_some_and(|d| d.confidence() > CONFIDENT)))
            .count()
    };
    if rig.focal_length_px.is_some() && found(&looked) * 3 < members.len() && members.len() > 1 {
        let again = look(bare_expectation(rig.width.max(rig.height) as f64));
        if found(&again) > found(&looked) {
            diagnostics.push(
                Diagnostic::warning(
                    "focal-length-doubtful",
                    "the Moon's size contradicts the focal length and pixel pitch given; they are set aside",
                )
                .with_help("check `optics` in shoot.ron"),
            );
            looked = again;
        }
    }
    let discs: Vec<Vec<DiscFit>> = looked
        .iter()
        .map(|l| match l {
            Looked::Discs(d) => d.clone(),
            Looked::Unreadable(_) => Vec::new(),
        })
        .collect();
    let fixed = night.mount() == Mount::FixedTripod;
    let start_lens =
        plate_scale(&discs, &places).or(rig.focal_length_px).map(|f| Lens::rectilinear(rig.width, rig.height, f));
    let sightings = |discs: &[Vec<DiscFit>]| -> Vec<Sighting> {
        discs
            .iter()
            .zip(&places)
            .filter_map(|(d, p)| {
                p.filter(|p| p.seen.altitude.degrees() > -0.5).map(|p| Sighting { seen: p.seen, discs: d.clone() })
            })
            .filter(|s| !s.discs.is_empty())
            .collect()
    };
    let lens_known = rig.focal_length_px.map(|f| Lens::rectilinear(rig.width, rig.height, f)).or(start_lens);
    let pointing = lens_known.filter(|_| fixed).and_then(|lens| solve(lens, &sightings(&discs)));
    // The pointing measures the focal length over the whole arc; else the discs' own size does.
    let focal = pointing.map(|p| p.pointing.lens.focal_length_px).or(plate_scale(&discs, &places));
    let second = measure_again(night, &members, &places, &discs, &looked, focal, pointing.as_ref());
    let again: Vec<Vec<DiscFit>> = second.iter().map(|d| d.iter().copied().collect()).collect();
    let final_pointing = pointing.and_then(|p| solve(p.pointing.lens, &sightings(&again))).or(pointing);
    let frames = members
        .iter()
        .enumerate()
        .map(|(k, &i)| (i, entry(&night.frames[i], &looked[k], second[k], places[k].as_ref(), final_pointing.as_ref())))
        .collect();
    let solution = RigSolution {
        width: rig.width,
        height: rig.height,
        focal_length_px: final_pointing.map(|p| p.pointing.lens.focal_length_px).or(focal),
        pointing: final_pointing,
    };
    RigResult { solution, frames, diagnostics }
}

/// Pixels per radian from the discs' radii over the predicted semidiameters: the median over
/// frames that show at least half of the limb.
fn plate_scale(discs: &[Vec<DiscFit>], places: &[Option<SkyPlace>]) -> Option<f64> {
    let mut ratios: Vec<f64> = discs
        .iter()
        .zip(places)
        .filter_map(|(d, p)| Some((d.first()?, p.as_ref()?)))
        .filter(|(d, _)| d.arc_deg >= 170.0 && d.confidence() > CONFIDENT && d.saturated_share < 0.2)
        .map(|(d, p)| d.rectified_radius_px / p.semidiameter.radians())
        .collect();
    if ratios.len() < 2 {
        return None;
    }
    ratios.sort_by(f64::total_cmp);
    Some(ratios[ratios.len() / 2])
}

/// Second look: the radius is known, and so is the place where a pointing says so.
fn measure_again(
    night: &Night,
    members: &[usize],
    places: &[Option<SkyPlace>],
    discs: &[Vec<DiscFit>],
    looked: &[Looked],
    focal: Option<f64>,
    pointing: Option<&PointingSolution>,
) -> Vec<Option<DiscFit>> {
    members
        .par_iter()
        .enumerate()
        .map(|(k, &i)| {
            let frame = &night.frames[i];
            if matches!(looked[k], Looked::Unreadable(_)) {
                return None;
            }
            let (Some(focal), Some(place)) = (focal, places[k]) else {
                return discs[k].first().copied().filter(|d| d.confidence() > CONFIDENT);
            };
            let lens = pointing.map_or_else(
                || Lens::rectilinear(frame.metadata.width, frame.metadata.height, focal),
                |p| p.pointing.lens,
            );
            let expected_at = pointing.map(|p| p.pointing.to_pixel(place.seen));
            let radius = focal * place.semidiameter.radians();
            let start = match (pointing, expected_at) {
                // Below the horizon or behind the camera there is no Moon to measure.
                _ if place.seen.altitude.degrees() < -0.6 => return None,
                (Some(p), Some(Some(expected))) => {
                    let inside = expected.x > -0.5 * radius
                        && expected.y > -0.5 * radius
                        && expected.x < frame.metadata.width as f64 + 0.5 * radius
                        && expected.y < frame.metadata.height as f64 + 0.5 * radius;
                    if !inside {
                        return None;
                    }
                    let sighting = Sighting { seen: place.seen, discs: discs[k].clone() };
                    nearest(&p.pointing, &sighting)
                        .filter(|(_, off)| *off < 0.8 * radius + 3.0)
                        .map_or((expected, 0.0), |(d, _)| (d.centre, d.saturated_share))
                }
                (Some(_), _) => return None,
                _ => {
                    let best = discs[k].iter().find(|d| {
                        d.confidence() > 0.6 * CONFIDENT && (d.rectified_radius_px / radius - 1.0).abs() < 0.12
                    })?;
                    (best.centre, best.saturated_share)
                }
            };
            let image = decode(&frame.path, night.transfer()).ok()?;
            let plane = image.brightness();
            let measured = Measured::new(&plane);
            let blooming = (3.0 * start.1).min(1.0);
            let expected = Expectation {
                from_px: 0.8 * radius,
                to_px: 2.6 * radius,
                lens: Some(lens),
                flattening: flattening(night.mount(), &place, pointing, start.0),
                radius: Some(RadiusPrior { radius, sigma: 0.003 * radius + 0.05 + blooming * 1.2 }),
            };
            let shading = pointing.map(|p| shadow_light_over(&place, &p.pointing, start.0));
            let mut fit = fit_at(&measured, &expected, start.0, radius, shading.as_ref().map(|s| s as Shading<'_>))?;
            fit.disc_level = brightest_channel(&image, &fit);
            // A limb must lie where the solution says the Moon is.
            let stray = expected_at.flatten().map_or(0.0, |e| e.distance(fit.centre));
            (stray < 0.5 * radius + 3.0).then_some(fit)
        })
        .collect()
}

/// How the air flattens the disc in this frame, where the zenith's direction in it is known.
fn flattening(
    mount: Mount,
    place: &SkyPlace,
    pointing: Option<&PointingSolution>,
    centre: PixelPoint,
) -> Option<Flattening> {
    let zenith_turn = match (mount, pointing) {
        (_, Some(p)) => p.pointing.zenith_turn(centre).radians(),
        // A level tripod, to a degree or two: the flattening is hardly turned by that.
        (Mount::FixedTripod | Mount::ReaimedTripod, None) => 0.0,
        _ => return None,
    };
    let air = Refraction::default();
    let half = place.semidiameter * 0.7;
    let height = air.airless_altitude(place.seen.altitude + half) - air.airless_altitude(place.seen.altitude - half);
    Some(Flattening { zenith_turn, ratio: height / (half * 2.0) })
}

/// Light of a disc's brighter part in its brightest channel, above the sky: what a print must hold
/// without clipping. (The mean of three would let a copper Moon's red run over.)
fn brightest_channel(image: &LinearImage, fit: &DiscFit) -> f32 {
    let reach = fit.radius_px * 0.97;
    let (disc, window) = image.crop(PixelRect::around(fit.centre, reach));
    let mut values: Vec<f32> = Vec::with_capacity(disc.width() * disc.height());
    for (i, p) in disc.data().chunks_exact(3).enumerate() {
        let x = window.x0 as f64 + (i % disc.width()) as f64 + 0.5 - fit.centre.x;
        let y = window.y0 as f64 + (i / disc.width()) as f64 + 0.5 - fit.centre.y;
        if x.hypot(y) < reach {
            values.push(p[0].max(p[1]).max(p[2]));
        }
    }
    if values.is_empty() {
        return fit.disc_level;
    }
    let at = (values.len() - 1) * 98 / 100;
    (*values.select_nth_unstable_by(at, f32::total_cmp).1 - fit.sky_level).max(0.0)
}

fn entry(
    frame: &Frame,
    looked: &Looked,
    fit: Option<DiscFit>,
    place: Option<&SkyPlace>,
    pointing: Option<&PointingSolution>,
) -> FrameRegistration {
    let mut out = FrameRegistration {
        file: frame.name.clone(),
        rig: frame.rig,
        status: Status::Absent,
        utc: frame.time.map(|t| t.middle.to_iso_utc()),
        centre: None,
        radius_px: None,
        centre_sigma_px: None,
        umbral_fraction: place.map(|p| p.shadow.umbral_fraction()),
        fit: None,
        foreground: frame.foreground,
        exclude: false,
        reason: None,
    };
    if let Looked::Unreadable(why) = looked {
        out.reason = Some(why.clone());
        return out;
    }
    if let Some(fit) = fit {
        out.status = Status::Measured;
        out.centre = Some(fit.centre);
        out.radius_px = Some(fit.radius_px);
        out.centre_sigma_px = Some(fit.centre_sigma_px);
        out.fit = Some(fit);
        return out;
    }
    let Some(place) = place else {
        out.reason = Some("no disc was found".into());
        return out;
    };
    if place.seen.altitude.degrees() < -0.6 {
        out.reason = Some(BELOW_HORIZON.into());
        return out;
    }
    match pointing.map(|p| (p, p.pointing.to_pixel(place.seen))) {
        Some((p, Some(at))) => {
            let radius = p.pointing.lens.disc_radius_px(at, place.semidiameter);
            let (w, h) = (frame.metadata.width as f64, frame.metadata.height as f64);
            if at.x > -radius && at.y > -radius && at.x < w + radius && at.y < h + radius {
                out.status = Status::Inferred;
                out.centre = Some(PixelPoint::new(at.x, at.y));
                out.radius_px = Some(radius);
                out.centre_sigma_px = Some(p.rms_px);
                out.reason = Some("no limb was found where the Moon stands".into());
            } else {
                out.reason = Some("the Moon is outside the frame".into());
            }
        }
        Some((_, None)) => out.reason = Some("the Moon is outside the frame".into()),
        None => out.reason = Some("no disc of the Moon's size was found".into()),
    }
    out
}
