//! The camera's own curve, from brackets of one moment: what light each value of its JPEGs stands for.
//!
//! Debevec & Malik 1997 (SIGGRAPH, "Recovering High Dynamic Range Radiance Maps from Photographs", eq. 3):
//! points of the disc seen in several exposures give g(z) = ln(radiance) + ln(exposure), smooth, by
//! least squares with a weight that falls towards both ends of the scale. The curve is kept at even knots with
//! lines between (49 of them tell a camera's curve to a thousandth) instead of one unknown a code. The points
//! are those of the registered disc, so that a moving Moon stays under them. What is neglected: a camera
//! whose curve changes with the scene (local tone mapping) has no one curve; the residual tells.

use crate::ingest::{Frame, Night, OpenFrame, RESPONSE_STEPS, Reading};
use crate::raster::{PixelPoint, PixelRect};
use crate::registration::{FrameRegistration, Registration, Status};
use crate::units::Instant;
use nalgebra::{DMatrix, DVector};

/// A recovered response.
#[derive(Clone, Debug)]
pub struct Response {
    /// Light over [`RESPONSE_STEPS`] even steps of the file's value, 1 at the top: red, green, blue.
    pub light: [Vec<f32>; 3],
    /// Moments with more than one exposure that it rests on.
    pub moments: usize,
    /// Root mean square of what the brackets contradict each other by, stops.
    pub residual_stops: f64,
}

/// Why no response was recovered.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ResponseError {
    /// No brackets.
    #[error("no two frames of one moment differ in exposure, so nothing tells the camera's curve")]
    NoBrackets,
    /// The brackets see too little of the scale.
    #[error("the brackets see only {share:.0} % of the scale of values; they must overlap from dark to bright")]
    LittleSeen {
        /// Percent of the scale's knots that some frame saw.
        share: f64,
    },
}

/// Knots of the curve.
const KNOTS: usize = 49;
/// Frames this close in time are one moment: the Moon's own light does not change.
const MOMENT_S: f64 = 45.0;
/// Points of a disc in each moment.
const POINTS: usize = 48;
/// No more moments are looked at.
const MOST_MOMENTS: usize = 12;
/// How much smoothness counts against the data (Debevec & Malik's lambda).
const SMOOTHNESS: f64 = 0.1;

/// One point of the disc in one frame.
struct Sight {
    point: usize,
    value: [f64; 3],
    log_exposure: f64,
}

/// Recovers the response of the night's largest rig.
///
/// # Errors
/// [`ResponseError`] when there are no brackets, or they see too little.
///
/// # Accuracy
/// Against simulated cameras: 2 % of light between a tenth and nine tenths of the scale.
pub fn recover(night: &Night, registration: &Registration) -> Result<Response, ResponseError> {
    let moments = brackets(night, registration);
    if moments.is_empty() {
        return Err(ResponseError::NoBrackets);
    }
    let step = moments.len().div_ceil(MOST_MOMENTS);
    let mut sights = Vec::new();
    let mut points = 0;
    for moment in moments.iter().step_by(step) {
        points += gather(night, moment, points, &mut sights);
    }
    let seen = (0..KNOTS).filter(|k| sights.iter().any(|s| knot(s.value[1]).0 == *k)).count();
    let share = 100.0 * seen as f64 / KNOTS as f64;
    if share < 60.0 {
        return Err(ResponseError::LittleSeen { share });
    }
    let mut squares = 0.0;
    let mut light: [Vec<f32>; 3] = Default::default();
    for (c, curve) in light.iter_mut().enumerate() {
        let (solved, square) = solve(&sights, points, c).ok_or(ResponseError::LittleSeen { share })?;
        squares += square / 3.0;
        *curve = solved;
    }
    let residual_stops = squares.sqrt() / std::f64::consts::LN_2;
    Ok(Response { light, moments: moments.len(), residual_stops })
}

type Bracket<'a> = Vec<(&'a FrameRegistration, f64)>;

/// Moments with several exposures, each frame with the logarithm of its exposure.
fn brackets<'a>(night: &Night, registration: &'a Registration) -> Vec<Bracket<'a>> {
    let mut out: Vec<(Instant, &Frame, Bracket<'a>)> = Vec::new();
    for f in registration.frames.iter().filter(|f| f.rig == 0 && f.status() == Status::Measured && !f.exclude) {
        let instant = f.time;
        let (Some(frame), Some(instant)) = (night.frame(&f.file), instant) else { continue };
        match out.last_mut().filter(|(begins, ..)| instant.seconds_since(*begins).abs() < MOMENT_S) {
            Some((_, first, bracket)) => {
                if let Some(ratio) = frame.metadata.times_the_light_of(&first.metadata) {
                    bracket.push((f, ratio.ln()));
                }
            }
            None => out.push((instant, frame, vec![(f, 0.0)])),
        }
    }
    let differs = |b: &Bracket<'_>| b.iter().any(|(_, e)| (e - b[0].1).abs() > 0.3);
    out.into_iter().map(|(_, _, b)| b).filter(differs).collect()
}

/// Adds what a moment's frames see at the points of the disc; returns how many points those are.
fn gather(night: &Night, bracket: &Bracket<'_>, first: usize, sights: &mut Vec<Sight>) -> usize {
    // File values as they are: no curve, no profile.
    let reading = Reading { repair_hot_pixels: Some(false), ..Reading::default() };
    for (f, log_exposure) in bracket {
        let (Some(frame), Some(centre), Some(radius)) = (night.frame(&f.file), f.centre(), f.radius_px()) else {
            continue;
        };
        let opened = frame.open_as(&reading).and_then(|open| open.whole_or_none(&frame.path));
        let Ok(open) = opened else { continue };
        for i in 0..POINTS {
            // A sunflower's seeds cover a disc evenly.
            let (r, a) = (((i as f64 + 0.5) / POINTS as f64).sqrt() * 0.85, i as f64 * 2.399_963_229_728_653);
            let at = PixelPoint::new(centre.x + radius * r * a.cos(), centre.y + radius * r * a.sin());
            if let Some(value) = mean_value(&open, at, (0.03 * radius).clamp(0.6, 4.0)) {
                sights.push(Sight { point: first + i, value, log_exposure: *log_exposure });
            }
        }
    }
    POINTS
}

/// Mean of the file's values around a point; `None` where they leave the scale or the frame.
fn mean_value(open: &OpenFrame, at: PixelPoint, reach: f64) -> Option<[f64; 3]> {
    let values = open.file_values(PixelRect::around(at, reach))?;
    let count = (values.width() * values.height()) as f64;
    let mut sum = [0.0; 3];
    for p in values.data().chunks_exact(3) {
        if p.iter().any(|v| *v > 0.985) {
            return None;
        }
        (0..3).for_each(|c| sum[c] += f64::from(p[c]));
    }
    (count > 0.0).then(|| sum.map(|s| s / count))
}

/// The knot below a value, and how far the value is on to the next.
fn knot(value: f64) -> (usize, f64) {
    let at = value.clamp(0.0, 1.0) * (KNOTS - 1) as f64;
    let k = (at as usize).min(KNOTS - 2);
    (k, at - k as f64)
}

/// Trust in a value: none at the ends of the scale.
fn trust(value: f64) -> f64 {
    (value.min(1.0 - value) * 4.0).clamp(0.0, 1.0)
}

/// One channel's curve, and the mean square of its residuals (natural logarithms).
fn solve(sights: &[Sight], points: usize, channel: usize) -> Option<(Vec<f32>, f64)> {
    let n = KNOTS + points;
    let mut normal = DMatrix::<f64>::zeros(n, n);
    let mut right = DVector::<f64>::zeros(n);
    let mut add = |terms: &[(usize, f64)], value: f64, weight: f64| {
        for (i, a) in terms {
            right[*i] += weight * a * value;
            for (j, b) in terms {
                normal[(*i, *j)] += weight * a * b;
            }
        }
    };
    for s in sights {
        let ((k, part), w) = (knot(s.value[channel]), trust(s.value[channel]));
        // g(z) - ln E = ln exposure.
        add(&[(k, 1.0 - part), (k + 1, part), (KNOTS + s.point, -1.0)], s.log_exposure, w * w);
    }
    for k in 1..KNOTS - 1 {
        let w = trust(k as f64 / (KNOTS - 1) as f64) + 0.02;
        add(&[(k - 1, 1.0), (k, -2.0), (k + 1, 1.0)], 0.0, SMOOTHNESS * sights.len() as f64 / KNOTS as f64 * w * w);
    }
    // The scale is free: the middle of the curve is nought.
    add(&[(KNOTS / 2, 1.0)], 0.0, 1e3);
    // A point that no frame trusted has no radiance.
    (0..points).for_each(|p| add(&[(KNOTS + p, 1.0)], 0.0, 1e-9));
    let solution = normal.cholesky()?.solve(&right);
    let g = |value: f64| {
        let (k, part) = knot(value);
        solution[k] * (1.0 - part) + solution[k + 1] * part
    };
    let (mut sum, mut weight) = (0.0, 0.0);
    for s in sights {
        let w = trust(s.value[channel]).powi(2);
        sum += w * (g(s.value[channel]) - solution[KNOTS + s.point] - s.log_exposure).powi(2);
        weight += w;
    }
    Some((curve(g), sum / f64::max(weight, 1e-9)))
}

/// Light of even steps from the logarithm's curve: straight to nothing below the darkest trusted value, rising
/// all the way, 1 at the top.
fn curve(g: impl Fn(f64) -> f64) -> Vec<f32> {
    const DARKEST: f64 = 0.04;
    let light = |value: f64| if value < DARKEST { g(DARKEST).exp() * value / DARKEST } else { g(value).exp() };
    let mut out = Vec::with_capacity(RESPONSE_STEPS);
    let mut most = 0.0f64;
    for i in 0..RESPONSE_STEPS {
        most = most.max(light(i as f64 / (RESPONSE_STEPS - 1) as f64));
        out.push(most);
    }
    out.into_iter().map(|v| (v / most) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_curve_comes_back_from_its_brackets() {
        // A camera whose values are light to the power of 0.4 with a toe.
        let value_of = |light: f64| (light.powf(0.4) * 1.02 - 0.02).clamp(0.0, 1.0);
        let mut sights = Vec::new();
        for point in 0..60 {
            let radiance = 0.02 * 1.08f64.powi(point as i32);
            for stop in 0..7 {
                let log_exposure = f64::from(stop) * std::f64::consts::LN_2 - 2.0;
                let value = value_of(radiance * log_exposure.exp());
                if value < 0.985 {
                    sights.push(Sight { point, value: [value; 3], log_exposure });
                }
            }
        }
        let (light, square) = solve(&sights, 60, 0).unwrap();
        assert!(square.sqrt() < 0.01, "{square}");
        let true_light = |value: f64| ((value + 0.02) / 1.02).powf(2.5);
        let scale = f64::from(light[128]) / true_light(128.0 / 255.0);
        for i in (26..230).step_by(12) {
            let truth = true_light(i as f64 / 255.0) * scale;
            let off = f64::from(light[i]) / truth - 1.0;
            assert!(off.abs() < 0.02, "value {i}: {off}");
        }
    }
}
