//! A disc that is wider than high: a low Moon, which the air presses, where nobody says how low.
//!
//! Neglected: that the air presses the lower half more, and cameras that were held neither level nor on their side.

use super::super::candidates::Sifted;
use super::super::circle::{Circle, fit_one_circle};
use super::super::frame::{DiscFit, Expectation, Measured, Shape};
use super::super::limb::LimbPoint;
use super::super::metric::Metric;
use super::super::trace::Care;
use super::{Look, first_look};
use crate::raster::PixelPoint;

/// Pixels in which a pressed disc is a circle of the same area.
struct Pressed {
    /// Its width over its height.
    ratio: f64,
    /// Whether the camera stood on its side.
    is_sideways: bool,
}

impl Shape for Pressed {
    fn metric(&self, _: PixelPoint) -> Metric {
        let narrower = self.ratio.sqrt();
        let (x, y) = if self.is_sideways { (narrower, 1.0 / narrower) } else { (1.0 / narrower, narrower) };
        Metric::new([[x, 0.0], [0.0, y]])
    }
}

/// Width over height; at the horizon it is 1.2 (Explanatory Supplement to the Astronomical Almanac, from memory), and more under an
/// inversion.
const RATIOS: [f64; 6] = [1.04, 1.08, 1.12, 1.16, 1.20, 1.25];
/// Less is as round as the air leaves most Moons.
const LEAST_RATIO: f64 = 1.025;
/// Of what is burnt or small, glows and smears make ovals as well.
const MOST_BURNT: f64 = 0.05;
const LEAST_RADIUS_PX: f64 = 36.0;
/// How many pixels a radius has on the copy that is looked at first.
const ON_COPY_PX: f64 = 50.0;

impl Look {
    /// The disc as a pressed one, where the limb agrees with that much better than with a circle.
    pub(in super::super) fn pressed(
        &self,
        frame: &Measured<'_>,
        copies: &[Sifted<'_>],
        expected: &Expectation<'_>,
    ) -> Option<Look> {
        /// What lies on its circle to this share of its width, and is seen so far around, is round.
        const ROUND_WIDTHS: f64 = 0.2;
        const ROUND_DEG: f64 = 300.0;
        /// How much surer the limb must be once it is taken for a pressed one's, and how much closer to it or more of it.
        const SURER: f64 = 1.06;
        const CLOSER: f64 = 0.6;
        const MORE_DEG: f64 = 40.0;
        let fit = &self.fit;
        let is_round = fit.arc_deg > ROUND_DEG && fit.residual_px < ROUND_WIDTHS * fit.edge_width_px + 0.1;
        let is_clear = fit.radius_px > LEAST_RADIUS_PX && fit.saturated_share < MOST_BURNT;
        if expected.radius.is_some() || !is_clear || is_round || fit.confidence() < super::super::BELIEVED {
            return None;
        }
        let is_large_enough = |copy: &&Sifted<'_>| fit.radius_px / copy.factor as f64 > ON_COPY_PX;
        let reduced = copies.iter().filter(is_large_enough).max_by_key(|copy| copy.factor);
        let factor = reduced.map_or(1.0, |copy| copy.factor as f64);
        let copy = reduced.map(|copy| frame.likewise(copy.plane(), copy.sky.clone()));
        let copy = copy.as_ref().unwrap_or(frame);
        let start = (PixelPoint::new(fit.centre.x / factor, fit.centre.y / factor), fit.rectified_radius_px / factor);
        let as_pressed = |pressed: Pressed| {
            // Its metric is the same everywhere, on a copy as well.
            let look = first_look(copy, &Expectation { shape: &pressed, ..*expected }, start, None, Care::Rough)?;
            Some((pressed, look.enlarged(factor)))
        };
        let as_round = as_pressed(Pressed { ratio: 1.0, is_sideways: false }).map(|(_, look)| look.fit);
        let turns = [false, true].into_iter();
        let shapes = turns.flat_map(|is_sideways| RATIOS.map(|ratio| Pressed { ratio, is_sideways }));
        let best =
            shapes.filter_map(as_pressed).max_by(|a, b| a.1.fit.confidence().total_cmp(&b.1.fit.confidence()))?;
        let oval = &best.1.fit;
        let is_better = |oval: &DiscFit, round: &DiscFit| {
            oval.confidence() > SURER * round.confidence()
                && (oval.residual_px < CLOSER * round.residual_px || oval.arc_deg > round.arc_deg + MORE_DEG)
        };
        if !std::iter::once(fit).chain(&as_round).all(|round| is_better(oval, round)) {
            return None;
        }
        settled(frame, expected, best).filter(|oval| is_better(&oval.fit, fit))
    }
}

/// The ratio between those that were tried at which the disc is surest, and the disc in the frame itself by that.
fn settled(frame: &Measured<'_>, expected: &Expectation<'_>, (rough, look): (Pressed, Look)) -> Option<Look> {
    const STEP: f64 = 0.02;
    const ROUNDS: usize = 3;
    /// Low Moons over hills (eighteen, rendered) are as sure as 0.8, closed but for 0.03 and seen over 195 degrees; a lake of sky
    /// between trees was an oval at 0.43, open by 0.15.
    const SURE: f64 = 0.6;
    const MOST_OPEN: f64 = 0.1;
    const LEAST_ARC_DEG: f64 = 170.0;
    let at = |ratio: f64, from: &Look| {
        let shape = Pressed { ratio, is_sideways: rough.is_sideways };
        let start = (from.fit.centre, from.fit.rectified_radius_px);
        first_look(frame, &Expectation { shape: &shape, ..*expected }, start, None, Care::Exact)
    };
    let (mut ratio, mut step) = (rough.ratio, STEP);
    let mut best = at(ratio, &look)?;
    for _ in 0..ROUNDS {
        let beside = [ratio - step, ratio + step].into_iter().filter_map(|r| Some((r, at(r, &best)?)));
        if let Some((r, look)) = beside.max_by(|a, b| a.1.fit.confidence().total_cmp(&b.1.fit.confidence()))
            && look.fit.confidence() > best.fit.confidence()
        {
            (ratio, best) = (r, look);
        } else {
            step /= 2.0;
        }
    }
    let fit = &best.fit;
    let is_moon = fit.confidence() > SURE && fit.open_share < MOST_OPEN && fit.arc_deg > LEAST_ARC_DEG;
    let shape = Pressed { ratio, is_sideways: rough.is_sideways };
    if ratio <= LEAST_RATIO || !is_moon || is_a_phase(&best) {
        return None;
    }
    let oval = best.with_limb_in_light(frame, &Expectation { shape: &shape, ..*expected });
    Some(Look { pressed: Some(ratio), ..oval })
}

/// Whether half of a limb that was taken for an oval lies far closer to a circle: a gibbous Moon's, whose terminator is half an oval.
fn is_a_phase(oval: &Look) -> bool {
    /// Of the oval's distance from the limb.
    const CLOSER: f64 = 0.6;
    const LEAST_ARC_DEG: f64 = 130.0;
    const AGREEING: f64 = 0.8;
    let half = |(right, down): (f64, f64)| {
        let points: Vec<LimbPoint> = oval.limb.iter().filter(|p| p.x * right + p.y * down > 0.0).copied().collect();
        fit_one_circle(&points, oval.fit.radius_px, None)
    };
    let is_round = |circle: &Circle| {
        circle.residual < CLOSER * oval.fit.residual_px && circle.arc_deg > LEAST_ARC_DEG && circle.agreeing > AGREEING
    };
    let sides = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)];
    sides.into_iter().filter_map(half).any(|circle| is_round(&circle))
}

#[cfg(test)]
mod tests {
    use super::super::super::{any_disc, find_discs};
    use super::*;
    use crate::raster::Plane;

    /// The surest disc of a frame with one of half-widths `a` and `b` at (251.3, 198.6), of which the shadow leaves what lies right of a
    /// line, before a hill that begins at a row.
    fn found(halves: (f64, f64), shadow: f64, hill: f64) -> Look {
        seen_as(halves, hill, |x, _| ((x - shadow) / 30.0).clamp(0.0, 1.0))
    }

    fn seen_as((a, b): (f64, f64), hill: f64, lit: impl Fn(f64, f64) -> f64) -> Look {
        let (width, height) = (520usize, 400usize);
        let light = |i: usize| {
            let (x, y) = ((i % width) as f64 + 0.5 - 251.3, (i / width) as f64 + 0.5 - 198.6);
            let rho = (x / a).hypot(y / b);
            let inside = ((1.0 - rho) * a.min(b) + 0.5).clamp(0.0, 1.0);
            if y > hill { 0.002 } else { (0.004 + 0.3 * lit(x, y) * inside) as f32 }
        };
        let plane = Plane::from_data(width, height, (0..width * height).map(light).collect()).unwrap().blurred(0.8);
        let plane = crate::raster::CodedPlane::from_light(plane);
        find_discs(&Measured::new(&plane), &any_disc(width, height), 4).into_iter().next().expect("it is found")
    }

    #[test]
    fn a_low_moon_is_an_oval_where_it_stands_and_others_are_round() {
        for (ratio, hill) in [(1.06f64, 400.0), (1.12, 400.0), (1.2, 400.0), (1.16, 60.0)] {
            let wider = ratio.sqrt();
            for (a, b) in [(100.0 * wider, 100.0 / wider), (100.0 / wider, 100.0 * wider)] {
                let look = found((a, b), -400.0, hill);
                let off = look.fit.centre.distance(PixelPoint::new(251.3, 198.6));
                println!("{a:.1} x {b:.1}, hill {hill}: off {off:.2}, radius {:.2}", look.fit.radius_px);
                assert!(
                    look.pressed.is_some() && off < 1.0 && (look.fit.radius_px - 100.0).abs() < 1.0,
                    "{a} {b} {hill}"
                );
            }
        }
        for shadow in [-400.0, -60.0, 0.0, 50.0] {
            let look = found((100.0, 100.0), shadow, 400.0);
            assert!(look.pressed.is_none() && (look.fit.radius_px - 100.0).abs() < 1.0, "{shadow}");
        }
    }

    #[test]
    fn a_gibbous_moon_is_round() {
        // Its terminator is half an ellipse, along which light falls to nothing over a tenth of the radius.
        for (towards, flat) in (0..4).flat_map(|k| [0.95, 0.9, 0.8, 0.6].map(|flat| (f64::from(k) * 90.0, flat))) {
            let (s, c) = towards.to_radians().sin_cos();
            let lit = |x: f64, y: f64| {
                let (along, across) = ((x * c + y * s) / 100.0, (y * c - x * s) / 100.0);
                let edge = flat * (1.0 - across * across).max(0.0).sqrt();
                ((edge - along) / 0.1).clamp(0.0, 1.0)
            };
            let look = seen_as((100.0, 100.0), 400.0, lit);
            let off = look.fit.centre.distance(PixelPoint::new(251.3, 198.6));
            println!(
                "gibbous by {flat} towards {towards}: pressed {}, off {off:.2}, radius {:.2}",
                look.pressed.is_some(),
                look.fit.radius_px
            );
            assert!(look.pressed.is_none(), "{towards} {flat}");
        }
    }
}
