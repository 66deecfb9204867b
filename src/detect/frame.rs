//! A frame made ready for measuring, what is known beforehand, and the disc that is found.

use super::circle::RadiusPrior;
use super::limb::LimbPoint;
use super::metric::Metric;
use super::sky_level::{SkyLevel, difference_noise, noise_where};
use crate::raster::{CodedPlane, PixelPoint, PixelRect, Plane};
use serde::{Deserialize, Serialize};

/// In which offsets the Moon is a circle, over a frame: a wide lens stretches it towards the corners, the air
/// flattens it near the horizon. Whoever knows the lens and the sky says so through this; pixels alone do not.
pub(crate) trait Shape: Sync {
    /// The metric near a pixel.
    fn metric(&self, at: PixelPoint) -> Metric;
}

/// Discs are circles of pixels: nothing is known of the lens.
pub(crate) struct Round;

impl Shape for Round {
    fn metric(&self, _: PixelPoint) -> Metric {
        Metric::new([[1.0, 0.0], [0.0, 1.0]])
    }
}

/// A shape on a copy of the frame reduced by a factor.
pub(super) struct OnReducedCopy<'a>(pub &'a dyn Shape, pub f64);

impl Shape for OnReducedCopy<'_> {
    fn metric(&self, at: PixelPoint) -> Metric {
        self.0.metric(PixelPoint::new(at.x * self.1, at.y * self.1))
    }
}

/// What is known before a frame is looked at.
#[derive(Clone, Copy)]
pub(crate) struct Expectation<'a> {
    /// Radii to look for, pixels of the frame.
    pub from_px: f64,
    /// Largest radius.
    pub to_px: f64,
    /// In which offsets discs are circles.
    pub shape: &'a dyn Shape,
    /// The radius in rectified pixels, when the sequence has settled it.
    pub radius: Option<RadiusPrior>,
    /// Whether the place is known to a few hundredths of the radius: the limb is then looked for nowhere else.
    pub place_known: bool,
}

/// Least part of the limb that makes a disc.
pub(super) const LEAST_ARC_DEG: f64 = 50.0;
/// Least share of the limb's evidence that must agree with the circle.
pub(super) const LEAST_AGREEING: f64 = 0.45;

/// The disc found in a frame and how good it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DiscFit {
    /// Centre of the disc, pixels.
    pub centre: PixelPoint,
    /// Radius of the circle of the disc's area, pixels.
    pub radius_px: f64,
    /// Radius where the lens does not stretch it (at the optical axis), pixels.
    pub rectified_radius_px: f64,
    /// Standard deviation of the centre (the larger axis), pixels.
    pub centre_sigma_px: f64,
    /// Standard deviation of the radius, pixels.
    pub radius_sigma_px: f64,
    /// How much of the limb was seen, degrees.
    pub arc_deg: f64,
    /// Root mean square distance of limb points from the circle, pixels.
    pub residual_px: f64,
    /// Width of the limb (Gaussian sigma), pixels: blur, seeing, focus.
    pub edge_width_px: f64,
    /// Share of the disc's pixels that are white: at the top of the scale, or on a plateau below it.
    pub saturated_share: f64,
    /// Light of the disc's brighter part (98th percentile over the sky), linear, 1 = saturated.
    pub disc_level: f32,
    /// Mean light of the disc over the sky, linear, 1 = saturated.
    pub mean_level: f32,
    /// Light of the sky around the disc, linear, 1 = saturated.
    pub sky_level: f32,
    /// Mean step of light at the limb over the noise.
    pub contrast: f64,
    /// Share of the limb's evidence that agrees with the circle.
    pub agreeing: f64,
    /// Share of the circle (inside the frame) where the disc is bright and no edge ends it: cloud before the limb, a
    /// roof, or a light that is no disc at all.
    pub open_share: f64,
}

#[cfg(test)]
impl DiscFit {
    /// A disc that is well seen, for tests.
    pub(crate) fn well_seen(centre: PixelPoint, radius_px: f64) -> Self {
        DiscFit {
            centre,
            radius_px,
            rectified_radius_px: radius_px,
            centre_sigma_px: 0.1,
            radius_sigma_px: 0.1,
            arc_deg: 360.0,
            residual_px: 0.2,
            edge_width_px: 1.0,
            saturated_share: 0.0,
            disc_level: 0.5,
            mean_level: 0.3,
            sky_level: 0.0,
            contrast: 100.0,
            agreeing: 1.0,
            open_share: 0.0,
        }
    }
}

impl DiscFit {
    /// How convincing the disc is, 0..1: how much of the limb is seen and how many blurs long that is, how well it
    /// agrees, how it stands out, and how little of the disc runs on beyond the circle.
    ///
    /// From a third up a disc is believed without the sequence's help. What is no Moon may reach that, too (lamps of a landscape,
    /// up to four fifths of their frame's Moon on the sample frames), and stands behind it.
    pub fn confidence(&self) -> f64 {
        /// Independent samples of the limb that make the disc two thirds as sure as it can be: three points make a
        /// circle, four times as many make it unlikely by chance.
        const SAMPLES: f64 = 12.0;
        let arc = (self.arc_deg / 150.0).min(1.0);
        let contrast = (self.contrast / 12.0).min(1.0);
        let tight = (-(self.residual_px / (0.02 * self.radius_px + 0.45)).powi(2)).exp();
        let samples = self.arc_deg.to_radians() * self.radius_px / (2.0 * self.edge_width_px).max(1.5);
        let long = 1.0 - (-samples / SAMPLES).exp();
        arc * self.agreeing * contrast * (0.3 + 0.7 * tight) * long * (1.0 - 0.7 * self.open_share)
    }

    /// Whether it may be called a disc at all: a limb lies on its circle to three hundredths of the radius, and to a few of its
    /// own widths (heavy seeing wobbles it by two, a low Moon without a site by half a percent of the radius; hills and glows on
    /// which a circle of hundreds of pixels was laid by a dozen).
    pub(super) fn holds(&self) -> bool {
        self.arc_deg >= LEAST_ARC_DEG
            && self.agreeing >= LEAST_AGREEING
            && self.contrast >= 4.0
            && self.residual_px
                <= (0.03 * self.radius_px + 0.7).min(0.006 * self.radius_px + 3.0 * self.edge_width_px + 0.7)
    }
}

/// What lies so near a part that shows nothing may be its own edge, blurred by a pixel.
pub(super) const BESIDE_IGNORED_PX: f64 = 2.5;

/// A frame made ready for measuring.
pub(crate) struct Measured<'a> {
    pub plane: &'a CodedPlane,
    pub sky: SkyLevel,
    /// Noise of the coded values, where edges are placed on them.
    code_noise: Option<f32>,
}

impl<'a> Measured<'a> {
    /// Edges are placed on light where the file's light is the camera's own; else on its codes. A camera's own tone
    /// curve is steeper in the dark than a standard's, so undoing that leaves the limb's outer half pressed down and the
    /// disc a pixel too small; how far a limb on codes lies outside is allowed for (`limb`).
    pub fn new(plane: &'a CodedPlane) -> Self {
        let code_noise = (!plane.curve_known()).then(|| code_noise(plane));
        Measured { plane, sky: SkyLevel::measure(plane), code_noise }
    }

    /// Whether edges are placed on codes, by a curve that is not known.
    pub(super) fn is_on_codes(&self) -> bool {
        self.code_noise.is_some()
    }

    /// A reduced copy, measured as this frame is.
    pub(super) fn likewise<'b>(&self, copy: &'b CodedPlane, sky: SkyLevel) -> Measured<'b> {
        let code_noise = self.code_noise.map(|_| code_noise(copy));
        Measured { plane: copy, sky, code_noise }
    }

    /// What edges are placed on, around a disc of a radius (pixels), out to `reach_px`.
    pub(super) fn view(&self, centre: PixelPoint, radius_px: f64, reach_px: f64) -> View {
        let rect = PixelRect::around(centre, reach_px);
        let (plane, at) = match self.code_noise {
            Some(_) => self.plane.window_of_codes(rect),
            None => self.plane.window(rect),
        };
        let floor = match self.code_noise {
            Some(noise) => noise,
            None => self.plane.step_at(self.sky.at(centre.x, centre.y)) / 3.0,
        };
        let ignored = self.plane.ignored().to_vec();
        let mut view = View { plane, at, noise: floor, on_codes: self.is_on_codes(), ignored };
        let here = view.noise_around(view.inside(centre), 1.1 * radius_px);
        view.noise = here.unwrap_or_else(|| self.sky.noise_at(centre.x, centre.y)).max(floor);
        view
    }
}

fn code_noise(plane: &CodedPlane) -> f32 {
    difference_noise((plane.width(), plane.height()), |x, y| plane.code(x, y)).max(0.5 / 255.0)
}

/// A window of a frame, and where it lies.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct View {
    pub plane: Plane,
    pub at: PixelRect,
    pub noise: f32,
    /// Whether its values are codes by a curve that is not known.
    pub on_codes: bool,
    /// Rectangles of the frame that show nothing.
    pub ignored: Vec<PixelRect>,
}

impl View {
    pub(super) fn inside(&self, p: PixelPoint) -> PixelPoint {
        PixelPoint::new(p.x - self.at.x0 as f64, p.y - self.at.y0 as f64)
    }

    /// Limb points that lie where the frame shows something; `scale`: how many of its pixels one of theirs spans.
    pub(super) fn shown(
        &self,
        mut points: Vec<LimbPoint>,
        centre: PixelPoint,
        metric: Metric,
        scale: f64,
    ) -> Vec<LimbPoint> {
        if !self.ignored.is_empty() {
            points.retain(|p| {
                let (dx, dy) = metric.to_pixels(p.x * scale, p.y * scale);
                let (x, y) = (centre.x + dx, centre.y + dy);
                !self.ignored.iter().any(|r| r.is_near(x, y, BESIDE_IGNORED_PX * scale))
            });
        }
        points
    }

    /// Noise of the pixels beyond a distance from a place: of the sky around a disc.
    fn noise_around(&self, centre: PixelPoint, beyond_px: f64) -> Option<f32> {
        noise_where(
            (self.plane.width(), self.plane.height()),
            |x, y| self.plane.get(x, y),
            |x, y| (x as f64 - centre.x).powi(2) + (y as f64 - centre.y).powi(2) > beyond_px * beyond_px,
        )
    }

    /// Means of blocks, with the noise of those; coordinates are then the window's over `factor`.
    pub(super) fn reduced(&self, factor: usize) -> View {
        let plane = self.plane.reduced(factor);
        let noise = difference_noise((plane.width(), plane.height()), |x, y| plane.get(x, y));
        View { plane, noise: noise.max(self.noise / factor as f32), ignored: self.ignored.clone(), ..*self }
    }
}

/// Least confidence for a disc found without the sequence's help.
pub(crate) const CONFIDENT: f64 = 0.30;
