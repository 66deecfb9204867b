//! What a camera's own tone curve makes of limbs: a bright one lies further out than a faint one.
//!
//! An edge's place is where its codes have half of their step; a curve that lifts the middle tones, or bends towards white, moves
//! that outwards, and the brighter the limb the further. sRGB undone leaves nothing of it where the file is sRGB; a camera's or a
//! telephone's own look leaves up to two widths of the edge between copper and a limb that is nearly white. Within one disc
//! that cannot be told from a shift of its centre towards its brighter side. It can be told from the discs' sizes: all of them are
//! one Moon, whose size the ephemeris foretells from frame to frame, so that what bright discs are larger by than dim ones is the
//! curve's. Where nobody says from which site it was seen, its size changes slowly by an amount that is not known (it grows by 1.7 %
//! from the horizon to the zenith), which leaves the curve less well told.
//!
//! Least squares over the limbs' points of all frames: each frame has its own centre, the plate scale is common (without a site with
//! a slope and a bend in time), and so are two numbers of the displacement, in widths of the edge, as a function of the limb's step
//! of light: one of its logarithm, one of its square, which bends as clipping does. Neglected: that a low Moon is pressed, where no site says so, and so
//! smaller while it is dim; that the displacement also depends on the sky's level and on how the disc's
//! light slopes inwards of the limb.

use super::moon::OTHER_SIZE;
use super::scale::{MOST_PRESSED, Zoom};
use super::sequence::{Seen, Sequence};
use super::shape::SkyShape;
use crate::detect::{CONFIDENT, LimbPoint, Look};
use crate::sky::Lens;
use crate::units::Angle;
use nalgebra::{Matrix2, Matrix3, Matrix3x2, Matrix5, Vector2, Vector3, Vector5};

/// How far limbs are displaced outwards, in widths of the edge, by their step of light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tone {
    by_logarithm: f64,
    by_square: f64,
    /// The displacement of the limbs that set the scale: it is the scale's.
    common: f64,
    /// Steps of light that were seen: beyond them nothing is extrapolated.
    seen: (f64, f64),
}

/// A disc's limb, as rectified offsets in pixels from about its centre.
pub(super) struct Limb {
    pub points: Vec<LimbPoint>,
    /// The Moon's radius by the scale and the ephemeris, rectified pixels.
    pub radius_px: f64,
    /// How much of it is seen, degrees.
    pub arc_deg: f64,
    /// When it was photographed, -1 to 1 from the first frame to the last, where the sky does not foretell the Moon's size.
    pub at: Option<f64>,
}

impl Limb {
    /// What the scale may do over the night: be another, fall or rise, bend. With a sky it stays what it is.
    fn trends(&self) -> Vector3<f64> {
        let (slope, bend) = self.at.map_or((0.0, 0.0), |t| (t, (3.0 * t * t - 1.0) / 2.0));
        Vector3::new(1.0, slope, bend)
    }
}

/// Fewer frames, or frames of limbs all alike, tell no curve.
const FEWEST_FRAMES: usize = 8;
/// Smaller discs are all edge.
const LEAST_RADIUS_PX: f64 = 8.0;
/// Standard deviation of the frames' mean steps, in logarithms, that tells one: a telephone's burnt and copper discs had 0.24.
const LEAST_SPREAD: f64 = 0.2;
/// A displacement that differs by less over the steps seen is within what is allowed for anyway, widths.
const LEAST_RANGE: f64 = 0.35;
/// No curve makes more of it.
const MOST_RANGE: f64 = 6.0;
/// What curves make of both numbers, beforehand: a standard deviation.
const LOGARITHM_SIGMA: f64 = 0.5;
const SQUARE_SIGMA: f64 = 4.0;
/// How well a frame's limb as a whole tells a displacement, widths: seas and the air.
const FRAME_SIGMA: f64 = 0.1;
/// How well the scale is known beforehand, a share,
const SCALE_SIGMA: f64 = 0.05;
/// and how much the Moon's size may slope or bend over a night of which the site is not known.
const TREND_SIGMA: f64 = 0.008;
/// Points further off than so many widths are other edges.
const OUTLIER_WIDTHS: f64 = 3.0;

/// The two functions of a step of light that a displacement is made of.
fn parts(step: f64) -> (f64, f64) {
    let step = step.clamp(1e-3, 1.0);
    ((step / 0.1).ln() / 3.0, step * step)
}

/// The limbs of frames at one zoom that may tell of a curve: clear, and half of each seen.
pub(super) fn limbs(sequence: &Sequence<'_>, seen: &[Seen], zoom: &Zoom) -> Vec<Limb> {
    const LEAST_ARC_DEG: f64 = 170.0;
    let Some(scale) = zoom.scale else { return Vec::new() };
    let (width, height) = sequence.size();
    let lens = Lens::rectilinear(width, height, scale.focal_length_px);
    let seconds = |k: usize| Some(sequence.frame(k).time?.middle.tt_seconds());
    let (first, last) = zoom
        .members
        .iter()
        .filter_map(|&k| seconds(k))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t), b.max(t)));
    let of_frame = |(order, &k): (usize, &usize)| {
        let place = sequence.place(k);
        // The air presses a low Moon: nothing is known yet of where its zenith is.
        let pressed = place.map_or(1.0, |place| place.flattened(Angle::ZERO).ratio);
        // An arc of a disc that it presses hard is of no size that is known.
        if pressed > MOST_PRESSED {
            return None;
        }
        let radius_px = scale.radius_px(place) / pressed.sqrt();
        // Frames without a time come one after the other.
        let share = seconds(k)
            .filter(|_| last > first)
            .map_or_else(|| order as f64 / (zoom.members.len().max(2) - 1) as f64, |t| (t - first) / (last - first));
        let at = place.is_none().then_some(2.0 * share - 1.0);
        let is_clear = |look: &&Look| {
            look.fit.confidence() > 2.0 * CONFIDENT
                && look.fit.arc_deg >= LEAST_ARC_DEG
                && (look.true_radius_px() / radius_px - 1.0).abs() < OTHER_SIZE
        };
        let look = seen[k].discs().iter().find(is_clear).filter(|_| radius_px >= LEAST_RADIUS_PX)?;
        let points = look.limb_in_light(&SkyShape { lens, flattening: None }).filter(|points| !points.is_empty())?;
        Some(Limb { points, radius_px, arc_deg: look.fit.arc_deg, at })
    };
    zoom.members.iter().enumerate().filter_map(of_frame).collect()
}

impl Tone {
    /// From the limbs of one camera's frames, zoom by zoom; `None` where they tell none, or hardly any.
    pub fn of(zooms: &[&[Limb]]) -> Option<Tone> {
        let all: Vec<&Limb> = zooms.iter().copied().flatten().collect();
        if all.len() < FEWEST_FRAMES || spread(&all) < LEAST_SPREAD {
            return None;
        }
        let mut curve = Vector2::zeros();
        let mut scales = vec![Vector3::zeros(); zooms.len()];
        for _ in 0..4 {
            let prior = |sigma: f64| (FRAME_SIGMA / sigma).powi(2);
            let mut normal = Matrix2::from_diagonal(&Vector2::new(prior(LOGARITHM_SIGMA), prior(SQUARE_SIGMA)));
            let mut right = Vector2::zeros();
            let mut of_zooms = Vec::new();
            for (limbs, scale) in zooms.iter().zip(&scales) {
                let known = Vector5::new(scale[0], scale[1], scale[2], curve[0], curve[1]);
                let (mut n, mut r) = (Matrix5::zeros(), Vector5::zeros());
                for limb in *limbs {
                    let Some(own) = without_centre(limb, &known) else { continue };
                    (n, r) = (n + own.0, r + own.1);
                }
                // The scale and its trends are each zoom's own.
                let priors = Vector3::new(prior(SCALE_SIGMA), prior(TREND_SIGMA), prior(TREND_SIGMA));
                let inverse_of_scale = (n.fixed_view::<3, 3>(0, 0) + Matrix3::from_diagonal(&priors)).try_inverse()?;
                let cross: Matrix3x2<f64> = n.fixed_view::<3, 2>(0, 3).into();
                let (of_scales, of_curve) = (r.fixed_rows::<3>(0), r.fixed_rows::<2>(3));
                normal += n.fixed_view::<2, 2>(3, 3) - cross.transpose() * inverse_of_scale * cross;
                right += of_curve - cross.transpose() * inverse_of_scale * of_scales;
                of_zooms.push((inverse_of_scale, cross, Vector3::from(of_scales)));
            }
            curve = normal.cholesky()?.solve(&right);
            scales = of_zooms
                .iter()
                .map(|(inverse_of_scale, cross, right)| inverse_of_scale * (right - cross * curve))
                .collect();
        }
        let mut steps: Vec<f64> = all.iter().flat_map(|l| &l.points).map(|p| f64::from(p.step)).collect();
        steps.sort_by(f64::total_cmp);
        let at = |share: f64| steps[((steps.len() - 1) as f64 * share) as usize].max(1e-3);
        let bare = Tone { by_logarithm: curve[0], by_square: curve[1], common: 0.0, seen: (at(0.02), at(0.98)) };
        let common = steps.iter().map(|s| bare.outwards(*s)).sum::<f64>() / steps.len() as f64;
        let tone = Tone { common, ..bare };
        (LEAST_RANGE..MOST_RANGE).contains(&tone.range()).then_some(tone)
    }

    /// How much further out the brightest limbs lie than the faintest, widths.
    pub fn range(&self) -> f64 {
        self.outwards(self.seen.1) - self.outwards(self.seen.0)
    }

    /// With all limbs so many widths further out.
    pub fn further_by(&self, widths: f64) -> Tone {
        Tone { common: self.common - widths, ..*self }
    }

    /// How far a limb of such a step lies outside the others, widths of its edge.
    pub fn outwards(&self, step: f64) -> f64 {
        let (logarithm, square) = parts(step.clamp(self.seen.0, self.seen.1));
        self.by_logarithm * logarithm + self.by_square * square - self.common
    }
}

/// Standard deviation of the frames' mean steps of light, in logarithms.
fn spread(limbs: &[&Limb]) -> f64 {
    let mean = |l: &&Limb| {
        l.points.iter().map(|p| f64::from(p.step.max(1e-3)).ln()).sum::<f64>() / l.points.len().max(1) as f64
    };
    let means: Vec<f64> = limbs.iter().map(mean).collect();
    let middle = means.iter().sum::<f64>() / means.len() as f64;
    (means.iter().map(|m| (m - middle).powi(2)).sum::<f64>() / means.len() as f64).sqrt()
}

/// A frame's share of the normal equations of scale and displacement, its centre eliminated: unknowns in widths of its edge.
fn without_centre(limb: &Limb, known: &Vector5<f64>) -> Option<(Matrix5<f64>, Vector5<f64>)> {
    let trends = limb.trends();
    let rows: Vec<(Vector5<f64>, Vector2<f64>, f64, f64)> = limb
        .points
        .iter()
        .map(|p| {
            let rho = p.x.hypot(p.y);
            let (logarithm, square) = parts(f64::from(p.step));
            let width = p.width_px.max(0.3);
            let scale = trends * (limb.radius_px / width);
            let common = Vector5::new(scale[0], scale[1], scale[2], logarithm, square);
            let own = Vector2::new(p.x / rho, p.y / rho) / width;
            (common, own, (rho - limb.radius_px) / width, p.weight)
        })
        .collect();
    // The centre that goes with what is known so far tells the outliers.
    let mut centre = Vector2::zeros();
    let mut out = None;
    for _ in 0..2 {
        let (mut a, mut b, mut c) = (Matrix5::zeros(), nalgebra::Matrix5x2::zeros(), Matrix2::zeros());
        let (mut u, mut v, mut total) = (Vector5::zeros(), Vector2::zeros(), 0.0);
        for (common, own, off, weight) in &rows {
            let left = off - common.dot(known) - own.dot(&centre);
            let weight = weight / (1.0 + (left / (0.5 * OUTLIER_WIDTHS)).powi(4));
            a += weight * common * common.transpose();
            b += weight * common * own.transpose();
            c += weight * own * own.transpose();
            u += weight * common * *off;
            v += weight * own * *off;
            total += weight;
        }
        let inverse = c.try_inverse()?;
        centre = inverse * (v - b.transpose() * known);
        let weight = (limb.arc_deg / 360.0).min(1.0) / total.max(1e-9);
        out = Some(((a - b * inverse * b.transpose()) * weight, (u - b * inverse * v) * weight));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A limb all of which is seen, brighter on one side, displaced by `outwards` (widths of `width_px`).
    fn limb(level: f64, side: f64, outwards: impl Fn(f64) -> f64) -> Limb {
        const WIDTH: f64 = 0.8;
        let points = (0..360).map(|degree| {
            let (s, c) = f64::from(degree).to_radians().sin_cos();
            let step = level * (1.0 + 0.6 * (c * side.cos() + s * side.sin()));
            let rho = 54.0 + 0.3 * c - 0.2 * s + WIDTH * outwards(step);
            LimbPoint {
                x: rho * c,
                y: rho * s,
                weight: 1.0,
                step: step as f32,
                level: step as f32,
                width_px: WIDTH,
                is_faint: false,
            }
        });
        Limb { points: points.collect(), radius_px: 54.2, arc_deg: 360.0, at: None }
    }

    #[test]
    fn a_curve_is_told_by_the_sizes_of_bright_and_dim_discs() {
        let curve = |step: f64| 0.4 * (step / 0.1).ln() / 3.0 + 2.0 * step * step;
        let limbs: Vec<Limb> = (0..14).map(|i| limb(0.03 * 1.25f64.powi(i), f64::from(i), curve)).collect();
        let tone = Tone::of(&[&limbs[..7], &limbs[7..]]).expect("a curve");
        // What the scale takes up is common to all.
        for (a, b) in [(0.05, 0.2), (0.1, 0.45), (0.3, 0.5)] {
            let (told, true_) = (tone.outwards(b) - tone.outwards(a), curve(b) - curve(a));
            assert!((told - true_).abs() < 0.06, "{a} to {b}: {told:.3}, {true_:.3}");
        }
    }

    #[test]
    fn a_curve_is_told_without_a_site_while_the_moon_climbs() {
        let curve = |step: f64| 0.4 * (step / 0.1).ln() / 3.0 + 2.0 * step * step;
        // Dim in the middle of the night, as eclipses are, and growing by a hundredth from its beginning to its end.
        let limbs: Vec<Limb> = (0..15)
            .map(|i| {
                let at = f64::from(i) / 7.0 - 1.0;
                let grown = 1.0 + 0.005 * at;
                let mut limb = limb(0.03 * 1.25f64.powi(2 * (i - 7i32).abs()), f64::from(i), curve);
                limb.points.iter_mut().for_each(|p| (p.x, p.y) = (p.x * grown, p.y * grown));
                Limb { at: Some(at), ..limb }
            })
            .collect();
        let tone = Tone::of(&[&limbs]).expect("a curve");
        for (a, b) in [(0.05, 0.2), (0.1, 0.45)] {
            let (told, true_) = (tone.outwards(b) - tone.outwards(a), curve(b) - curve(a));
            assert!((told - true_).abs() < 0.12, "{a} to {b}: {told:.3}, {true_:.3}");
        }
    }

    #[test]
    fn limbs_that_lie_true_or_are_all_alike_tell_no_curve() {
        let true_: Vec<Limb> = (0..14).map(|i| limb(0.03 * 1.25f64.powi(i), f64::from(i), |_| 0.0)).collect();
        assert_eq!(Tone::of(&[&true_]), None);
        let alike: Vec<Limb> = (0..14).map(|i| limb(0.3, f64::from(i), |step| 2.0 * step * step)).collect();
        assert_eq!(Tone::of(&[&alike]), None);
    }
}
