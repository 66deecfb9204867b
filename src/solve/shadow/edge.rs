//! The edge of the Earth's shadow on one disc, traced by its light.
//!
//! Along chords towards the shadow the place is taken where light falls to where black begins; those
//! places lie on a circle of nearly the umbra's radius. What share of true light that is, nobody knows before a rig's
//! frames have been compared: a camera's curve crushes the penumbra (`clock`).

use crate::detect::{Cutout, DiscFit};
use crate::registration::Orientation;
use crate::sky::{Libration, SurfaceDetail, lunar_albedo};
use crate::solve::sky_place::SkyPlace;
use crate::units::{Angle, Instant};

/// The shadow's edge as one disc shows it.
#[derive(Clone, Copy, Debug)]
pub(in crate::solve) struct ShadowEdge {
    pub instant: Instant,
    /// Where it crosses the line to the shadow's axis: radii of the Moon from its centre towards the shadow, negative
    /// where more than half of the disc is dark.
    pub place: f64,
    /// Standard deviation of the place, radii.
    pub sigma: f64,
    /// The share of the bright part's light at which it was traced.
    pub share: f64,
    /// Towards the axis, clockwise from the image's up.
    pub towards: Angle,
    pub towards_sigma: Angle,
}

/// Seas of the globe as they lie on a disc.
fn albedo_on(orientation: &Orientation, libration: &Libration, x: f64, y: f64) -> f64 {
    // Offsets towards celestial north and east, then along the Moon's own axis.
    let (s, c) = orientation.up_position_angle.radians().sin_cos();
    let x_sky = if orientation.mirrored { -x } else { x };
    let (north, east) = (-y * c + x_sky * s, -y * s - x_sky * c);
    let (sp, cp) = libration.axis_position_angle.radians().sin_cos();
    let (along, across) = (north * cp + east * sp, north * sp - east * cp);
    lunar_albedo(SurfaceDetail::Coarse, &libration.globe().place(across, along))
}

/// Light of a disc without its seas, sampled at places in radii.
struct Disc<'a> {
    cutout: &'a Cutout,
    fit: &'a DiscFit,
    /// Light of the sky: no part of the Moon is darker, whatever was taken for the sky where the Moon fills the frame.
    sky: f32,
    place: &'a SkyPlace,
    orientation: Option<&'a Orientation>,
}

impl Disc<'_> {
    /// Light over the sky at an offset to the right and down of the centre, in radii; `None` where the disc is clipped.
    fn light(&self, x: f64, y: f64) -> Option<f64> {
        let at = self.cutout.cell_of(self.fit, x, y);
        let value = self.cutout.light.sample(at.0, at.1);
        if value > CLIPPED {
            return None;
        }
        let seas = self.orientation.map_or(1.0, |o| albedo_on(o, &self.place.libration, x, y));
        Some(f64::from(value - self.sky) / seas)
    }

    /// Whether a place of the disc lies in the frame.
    fn shows(&self, x: f64, y: f64) -> bool {
        self.cutout.shows(self.cutout.cell_of(self.fit, x, y))
    }
}

/// Light from here on is clipped, or nearly.
const CLIPPED: f32 = 0.93;
/// How far out the disc is looked at, radii: the limb's own blur lies outside.
const RIM: f64 = 0.93;
/// The light at which the shadow's edge is traced: eight codes of sRGB over the sky, where black begins for an eye. Cameras'
/// curves differ much in how they draw the penumbra above, little in where it ends: the umbra's edge is steep there.
const EDGE_LIGHT: f64 = 0.0024;
/// Least share of the bright part's light: deep in the umbra the edge is the copper's own.
const LEAST_SHARE: f64 = 0.004;
/// Largest share: beyond it noise hides the edge, or the whole disc is copper.
const MOST_SHARE: f64 = 0.15;
/// How many times light falls over a fifth of a radius across the edge, at least. Umbras' edges on rehearsed and real nights
/// have 2.4 and more, at the penumbra's own slope near the limb; copper that darkens towards the shadow's middle 1.2 to 1.4.
const LEAST_FALL: f64 = 2.0;
/// In smaller discs blur is as wide as the edge, pixels.
const LEAST_RADIUS_PX: f64 = 30.0;
/// Chords along which the edge is traced, to both sides of the axis.
const CHORDS: i32 = 9;

/// Traces the edge; `None` where none crosses the disc, where the bright part is clipped, or noise hides it.
pub(in crate::solve) fn shadow_edge(
    cutout: &Cutout,
    fit: &DiscFit,
    place: &SkyPlace,
    orientation: Option<&Orientation>,
) -> Option<ShadowEdge> {
    if fit.radius_px < LEAST_RADIUS_PX {
        return None;
    }
    let sky = darkest(cutout).min(fit.sky_level);
    let disc = Disc { cutout, fit, sky, place, orientation };
    let umbra = place.shadow.umbra_radius.radians() / place.semidiameter.radians();
    let BrightSide { mut towards, bright, dark_noise } = bright_side(&disc)?;
    let threshold = EDGE_LIGHT.max(LEAST_SHARE * bright).max(3.0 * dark_noise.min(0.005 * bright));
    if threshold > MOST_SHARE * bright {
        return None;
    }
    let edge = settled_edge(&disc, &mut towards, threshold, umbra).filter(|e| e.fall > LEAST_FALL)?;
    let (towards, towards_sigma) = direction(&disc, towards, (threshold, bright), umbra, &edge);
    let sigma = edge.sigma.hypot(0.01);
    (edge.place.abs() < 0.88 && sigma < 0.15).then(|| ShadowEdge {
        instant: place.instant,
        place: edge.place,
        sigma,
        share: threshold / bright,
        // From rightwards through down to upwards through right.
        towards: Angle::from_radians(towards + std::f64::consts::FRAC_PI_2).normalized(),
        towards_sigma: Angle::from_radians(towards_sigma),
    })
}

/// The edge at one light, the direction brought to where its tilt says the centre of its circle lies.
fn settled_edge(disc: &Disc<'_>, towards: &mut f64, threshold: f64, radius: f64) -> Option<TracedEdge> {
    let mut found = None;
    for _ in 0..3 {
        let edge = traced_edge(disc, *towards, threshold, radius)?;
        *towards += (edge.tilt / (radius + edge.place)).clamp(-0.3, 0.3);
        found = Some(edge);
    }
    found
}

/// The direction of the axis (radians) and its standard deviation: from contours at several shares of light, which cross
/// other seas and lie along the same circles.
fn direction(
    disc: &Disc<'_>,
    first: f64,
    (threshold, bright): (f64, f64),
    umbra: f64,
    edge: &TracedEdge,
) -> (f64, f64) {
    let weigh = |towards: f64, edge: &TracedEdge| {
        let sigma = (edge.tilt_sigma / (umbra + edge.place)).max(1e-3);
        (towards, sigma.powi(-2))
    };
    let contours = [0.02, 0.04, 0.08, 0.16, 0.32].into_iter().filter_map(|share| {
        let light = share * bright;
        let mut towards = first;
        // Farther out light falls along circles of a larger radius.
        let edge = (light > 1.3 * threshold).then(|| settled_edge(disc, &mut towards, light, umbra + 0.3))??;
        Some(weigh(towards, &edge))
    });
    let all: Vec<(f64, f64)> = std::iter::once(weigh(first, edge)).chain(contours).collect();
    let total: f64 = all.iter().map(|a| a.1).sum();
    let mean = all.iter().map(|a| a.0 * a.1).sum::<f64>() / total;
    // Neighbouring contours share half of their seas; and contours that disagree say how far.
    let scatter = (all.iter().map(|a| a.1 * (a.0 - mean).powi(2)).sum::<f64>() / total).sqrt();
    let formal = (2.0 / total).sqrt();
    (mean, formal.max(scatter / (all.len() as f64 / 2.0).sqrt()))
}

/// Light of the darkest fiftieth of a disc and its surroundings.
fn darkest(cutout: &Cutout) -> f32 {
    let mut values: Vec<f32> = cutout.light.data().to_vec();
    let at = values.len() / 50;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(at, f32::total_cmp).1 }
}

/// A disc's bright and dark sides.
struct BrightSide {
    /// The direction of the shadow (radians from rightwards through down), away from the light.
    towards: f64,
    /// The bright part's light.
    bright: f64,
    /// Noise of the dark part: the sky's says nothing where the Moon fills the frame.
    dark_noise: f64,
}

fn bright_side(disc: &Disc<'_>) -> Option<BrightSide> {
    const STEPS: i32 = 24;
    let (mut mx, mut my, mut total) = (0.0, 0.0, 0.0);
    let mut values = Vec::new();
    let mut steps: Vec<(f64, f64)> = Vec::new();
    let mut clipped = 0usize;
    for iy in -STEPS..=STEPS {
        for ix in -STEPS..=STEPS {
            let (x, y) = (f64::from(ix) / f64::from(STEPS), f64::from(iy) / f64::from(STEPS));
            if x.hypot(y) > RIM || !disc.shows(x, y) {
                continue;
            }
            let Some(light) = disc.light(x, y) else {
                clipped += 1;
                (mx, my, total) = (mx + x, my + y, total + 1.0);
                continue;
            };
            values.push(light);
            if let Some(beside) = disc.light(x + 1.0 / f64::from(STEPS), y) {
                steps.push((light.max(beside), (light - beside).abs()));
            }
            let light = light.max(0.0);
            (mx, my, total) = (mx + light * x, my + light * y, total + light);
        }
    }
    // Clipped light says nothing of its share, and the contrast of a part tells no phase of the whole.
    if values.len() < 600 || clipped * 50 > values.len() || total <= 0.0 {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let bright = values[values.len() * 97 / 100];
    let darker = values[values.len() / 5];
    let mut rises: Vec<f64> = steps.iter().filter(|(light, _)| *light <= darker).map(|s| s.1).collect();
    rises.sort_by(f64::total_cmp);
    // The median of a difference of two is 0.95 standard deviations of one.
    let dark_noise = rises.get(rises.len() / 2).map_or(0.0, |r| r / 0.95);
    Some(BrightSide { towards: (-my / total).atan2(-mx / total), bright, dark_noise })
}

/// The shadow's edge on a disc, relative to its centre.
struct TracedEdge {
    /// Where it crosses the axis: radii towards the shadow, negative where more than half of the disc is dark.
    place: f64,
    /// How far its circle's centre lies beside the axis, radii.
    tilt: f64,
    sigma: f64,
    tilt_sigma: f64,
    /// Light a tenth of a radius before it over light a tenth beyond it, in the middle of its chords.
    fall: f64,
}

fn traced_edge(disc: &Disc<'_>, towards: f64, threshold: f64, radius: f64) -> Option<TracedEdge> {
    let (s, c) = towards.sin_cos();
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut falls: Vec<f64> = Vec::new();
    for chord in -CHORDS..=CHORDS {
        let across = 0.75 * f64::from(chord) / f64::from(CHORDS);
        let reach = (RIM * RIM - across * across).sqrt();
        let at = |along: f64| {
            let (x, y) = (along * c - across * s, along * s + across * c);
            disc.shows(x, y).then(|| disc.light(x, y)).flatten()
        };
        // From the bright end on: the first lasting fall below the share.
        let steps = (2.0 * reach / 0.02) as usize;
        let lit = |k: usize| at(-reach + 0.02 * k as f64);
        let mut crossing = None;
        for k in 3..steps.saturating_sub(3) {
            let (Some(before), Some(here)) = (lit(k - 1), lit(k)) else { continue };
            let stays = (1..=3).all(|d| lit(k + d).is_some_and(|v| v < threshold));
            if before >= threshold && here < threshold && stays {
                let part = (before - threshold) / (before - here).max(1e-12);
                crossing = Some(-reach + 0.02 * (k as f64 - 1.0 + part));
                break;
            }
        }
        if let Some(along) = crossing {
            // A circle bulges towards the light in the middle: laid flat, the edge is a straight line.
            points.push((across, along - (radius - (radius * radius - across * across).sqrt())));
            if let (Some(before), Some(beyond)) = (at(along - 0.1), at(along + 0.1)) {
                falls.push(before / beyond.max(0.1 * threshold));
            }
        }
    }
    if points.len() < 7 {
        return None;
    }
    // A line through them, the worst third aside: seas and noise move single chords.
    let mut kept = points.clone();
    let mut line = line_through(&kept);
    for _ in 0..3 {
        let mut offs: Vec<f64> = points.iter().map(|p| (p.1 - line.0 - line.1 * p.0).abs()).collect();
        offs.sort_by(f64::total_cmp);
        let limit = (2.5 * 1.4826 * offs[offs.len() / 2]).max(0.01);
        kept = points.iter().copied().filter(|p| (p.1 - line.0 - line.1 * p.0).abs() <= limit).collect();
        line = line_through(&kept);
    }
    let n = kept.len() as f64;
    let variance = kept.iter().map(|p| (p.1 - line.0 - line.1 * p.0).powi(2)).sum::<f64>() / (n - 2.0).max(1.0);
    let spread = kept.iter().map(|p| p.0 * p.0).sum::<f64>().max(1e-6);
    falls.sort_by(f64::total_cmp);
    // A sea crosses some three chords.
    Some(TracedEdge {
        fall: falls.get(falls.len() / 2).copied().unwrap_or(0.0),
        place: line.0,
        tilt: -line.1 * radius,
        sigma: (3.0 * variance / n).sqrt(),
        tilt_sigma: (3.0 * variance / spread).sqrt() * radius,
    })
}

/// Height over the middle and slope of the line through points, by least squares.
fn line_through(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len().max(1) as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let (mut sxx, mut sxy) = (1e-9, 0.0);
    for p in points {
        sxx += (p.0 - mx).powi(2);
        sxy += (p.0 - mx) * (p.1 - my);
    }
    let slope = sxy / sxx;
    (my - slope * mx, slope)
}
