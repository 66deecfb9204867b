//! Where the true limb lies beside the one that is seen: what light told of it, and what a camera's own curve may have done.

use super::super::circle::fit_one_circle;
use super::super::drawn::{bent, lopsided, move_inwards, shifted};
use super::super::frame::{DiscFit, Shape};
use super::super::limb::LimbPoint;
use super::Look;
use nalgebra::Vector2;

/// How much further out a camera's own curve may place bright limbs than faint ones, in widths of the edge.
const CURVE_BEND: f64 = 0.4;
/// What is left of that where the limb was moved by what the curve makes of limbs (by five nights of another hand).
const MOVED_SHARE: f64 = 0.8;
/// And of where moving it drew the centre: the curve is told to about this share.
const MOVED_TO: f64 = 0.3;
/// How far the cameras of other hands placed all of a limb, whose curves no frame told, in widths of the edge: 0.02 to 0.7 inside
/// (six nights), root mean square.
const CURVE_OF_ANOTHER: f64 = 0.4;
/// As an eye sees it, a disc's edge lies this many widths outside its true limb, give or take.
const SEEN_OUTSIDE: f64 = 0.5;

impl Look {
    /// The radius of the true limb inside the disc as seen, rectified pixels.
    pub fn true_radius_px(&self) -> f64 {
        self.in_light.as_ref().map_or_else(|| self.fit.rectified_radius_px - self.inwards_px(), |light| light.radius)
    }

    /// From the limb as seen to the true one inside it, where no light told that: nothing, where it was seen on light.
    pub(super) fn inwards_px(&self) -> f64 {
        if self.on_codes && !self.at_middle { SEEN_OUTSIDE * self.fit.edge_width_px } else { 0.0 }
    }

    /// The disc as seen, with how far its limb may lie from the true one where no other frame tells: the whole of what limbs on
    /// codes lie outside is taken for an error; of a small disc, in which that is a tenth, the limb on light is taken.
    pub fn by_itself(&self) -> DiscFit {
        if let Some(fit) = self.small_in_light() {
            return fit;
        }
        let outside = self.inwards_px() * self.fit.radius_px / self.fit.rectified_radius_px.max(1e-9);
        let pull = outside * lopsided(&self.limb, self.fit.radius_px);
        DiscFit {
            centre_sigma_px: self.fit.centre_sigma_px.hypot(pull),
            radius_sigma_px: self.fit.radius_sigma_px.hypot(outside),
            ..self.fit
        }
    }

    /// A small disc by its limb on light.
    fn small_in_light(&self) -> Option<DiscFit> {
        let light = self.in_light.as_ref().filter(|_| self.keeps_its_pixels())?;
        let scale = self.fit.radius_px / self.fit.rectified_radius_px.max(1e-9);
        let outside = CURVE_OF_ANOTHER * self.fit.edge_width_px * scale;
        Some(DiscFit {
            centre: light.from,
            radius_px: light.radius * scale,
            rectified_radius_px: light.radius,
            centre_sigma_px: self.fit.centre_sigma_px.hypot(outside * lopsided(&light.limb, light.radius)),
            radius_sigma_px: self.fit.radius_sigma_px.hypot(outside),
            ..self.fit
        })
    }

    /// How far a camera's own curve, which places bright limbs further out than faint ones, may shift the centre, pixels: all frames of a
    /// light alike, so that none tells of the other. Of a limb that was moved by what the curve is known to do, what such moving leaves; of one that lay
    /// on light to begin with, nothing, and of a small disc, which all its pixels place. To the right and down.
    pub fn curve_pull(&self) -> Vector2<f64> {
        let share = match (self.on_codes && !self.at_middle, self.moved, self.keeps_its_pixels()) {
            (true, Some(_), _) => MOVED_SHARE,
            (true, None, false) => 1.0,
            _ => 0.0,
        };
        let bend = share * CURVE_BEND * self.fit.edge_width_px * bent(&self.limb);
        let moved = self.moved.map_or_else(Vector2::zeros, |(x, y)| MOVED_TO * Vector2::new(x, y));
        // Both run from the limb's faint side to its bright one, or the other way.
        let towards = if moved.norm() > bend.norm() { moved } else { bend };
        towards.try_normalize(1e-12).map_or(towards, |towards| towards * bend.norm().hypot(moved.norm()))
    }

    /// How far outside the true limb all of it may lie, or inside, by a camera's own curve that nobody told, pixels (what is common to
    /// bright limbs and faint ones no frame tells): nothing, where it was seen on light, in the middle of a slope that states its own, or
    /// where all of a small disc's pixels place it.
    pub fn outside_px(&self) -> f64 {
        let is_at_edge = self.on_codes && !self.at_middle && !self.keeps_its_pixels();
        if is_at_edge { CURVE_OF_ANOTHER * self.fit.edge_width_px } else { 0.0 }
    }

    /// Whether its limb was moved by what the camera's curve makes of limbs.
    pub fn is_limb_moved(&self) -> bool {
        self.moved.is_some()
    }

    /// How much of what all of the limb lies outside itself by the centre goes along with: nought where the limb was seen all round,
    /// one and more of an arc.
    pub fn lopsided(&self) -> f64 {
        lopsided(&self.limb, self.fit.radius_px)
    }

    /// In which direction from its centre the limb was seen, to the right and down: of the length one where an arc was, nought
    /// where all of it was.
    pub fn limb_towards(&self) -> (f64, f64) {
        let of = |f: fn(&LimbPoint) -> f64| self.limb.iter().map(f).sum::<f64>();
        let weight = of(|p| p.weight).max(1e-9);
        let (x, y) =
            (of(|p| p.weight * p.x / p.x.hypot(p.y)) / weight, of(|p| p.weight * p.y / p.x.hypot(p.y)) / weight);
        // Half a circle's mean direction is 2 / pi long.
        let length = x.hypot(y).max(1e-9);
        let share = (length * std::f64::consts::FRAC_PI_2).min(1.0) / length;
        (x * share, y * share)
    }

    /// The limb as it lies on light, as rectified offsets from about its centre; `None` where no light told it.
    pub fn limb_in_light(&self, shape: &dyn Shape) -> Option<Vec<LimbPoint>> {
        let light = self.in_light.as_ref()?;
        let metric = shape.metric(light.from);
        let rectified = |p: &LimbPoint| {
            let (x, y) = metric.to_rectified(p.x, p.y);
            LimbPoint { x, y, ..*p }
        };
        Some(light.limb.iter().map(rectified).collect())
    }

    /// By how many widths of its edge the circle through its limb on light, moved inwards by what is told of each point, is larger than
    /// a radius (rectified).
    pub fn larger_than(&self, radius: f64, shape: &dyn Shape, outwards: impl Fn(&LimbPoint) -> f64) -> Option<f64> {
        let mut points = self.limb_in_light(shape)?;
        points.iter_mut().for_each(|p| move_inwards(p, outwards(p)));
        let circle = fit_one_circle(&points, radius, None)?;
        let weight = points.iter().map(|p| p.weight).sum::<f64>().max(1e-9);
        let width = points.iter().map(|p| p.weight * p.width_px).sum::<f64>() / weight;
        Some((circle.radius - radius) / width.max(0.3))
    }

    /// The limb as it lies on light, offsets from about its centre in pixels of the frame; none where no light told it.
    pub fn limb_points(&self) -> &[LimbPoint] {
        self.in_light.as_ref().map_or(&[], |light| &light.limb)
    }

    /// With its limb on light moved inwards by so many widths of the edge as are told of each point: where the next circle lies
    /// ([`Look::again`]); what was told of its size before stays.
    pub fn with_limb_moved(mut self, outwards: impl Fn(&LimbPoint) -> f64) -> Look {
        if let Some(light) = &mut self.in_light {
            let moved = shifted(&light.limb, |p| -outwards(p) * p.width_px);
            light.limb.iter_mut().for_each(|p| move_inwards(p, outwards(p)));
            self.moved = Some((moved.x, moved.y));
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::{Measured, any_disc, find_discs};
    use crate::raster::{CodedPlane, Plane};

    /// A blurred disc coded by about sRGB's curve, of which nobody says that it is that: on codes it is half a pixel larger.
    #[test]
    fn a_small_disc_by_itself_is_as_large_as_its_light() {
        let (width, height) = (90usize, 80usize);
        for radius in [6.3, 9.6, 17.4] {
            let cover = |i: usize| {
                let (x, y) = ((i % width) as f64 + 0.5 - 44.3, (i / width) as f64 + 0.5 - 40.6);
                (radius + 0.5 - x.hypot(y)).clamp(0.0, 1.0) as f32
            };
            let light = Plane::from_data(width, height, (0..width * height).map(cover).collect()).unwrap().blurred(0.9);
            let codes =
                light.data().iter().map(|v| (255.0 * (0.004 + 0.4 * v).powf(1.0 / 2.2)).round() as u8).collect();
            let curve = std::array::from_fn(|code| (code as f32 / 255.0).powf(2.2));
            let picture = CodedPlane::from_codes(width, height, codes, curve).unwrap();
            let look = find_discs(&Measured::new(&picture), &any_disc(width, height), 1)
                .into_iter()
                .next()
                .expect("it is found");
            let fit = look.by_itself();
            println!("radius {radius}: {:.2} on codes, {:.2} by itself", look.fit.radius_px, fit.radius_px);
            assert!((fit.radius_px - radius).abs() < 0.2, "{radius}: {:.2}", fit.radius_px);
            assert!(look.fit.radius_px > radius + 0.35, "{radius}: {:.2}", look.fit.radius_px);
        }
    }
}
