//! What a camera does to a picture before it writes a JPEG: colour fringes, smoothing, sharpening, a tone
//! curve. All off unless the rehearsal file asks; none is undone anywhere, as on real nights.

use crate::raster::{LinearImage, Plane, Tabulated, TransferFunction};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// How a camera develops its JPEGs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Processing {
    /// How far its tone curve leaves sRGB: 0 not at all, 1 a full S.
    pub contrast: f64,
    /// How far highlights are rolled off and middle tones raised, as film does: 0 not at all, 1 much.
    pub shoulder: f64,
    /// How far shadows are pulled down: the exponent of the code is one more than this.
    pub toe: f64,
    /// Sharpening: how much of what a blur of a pixel takes away is added once more.
    pub sharpening: f64,
    /// Noise reduction: how far faint detail is smoothed, 0..1.
    pub smoothing: f64,
    /// How much larger the blue image is than the green one at the frame's corner, pixels.
    pub fringe_px: f64,
}

impl Processing {
    /// Develops linear light into linear light that codes to what the camera would write.
    pub(super) fn develop(&self, image: LinearImage) -> LinearImage {
        if *self == Processing::default() {
            return image;
        }
        let (width, height) = (image.width(), image.height());
        let how = *self;
        let encode = Tabulated::new(|light| TransferFunction::Srgb.encode(light));
        let finish = Tabulated::new(move |code| TransferFunction::Srgb.decode(how.curve(code).clamp(0.0, 1.0)));
        let channels: Vec<Vec<f32>> = (0..3)
            .into_par_iter()
            .map(|c| {
                let codes = image.data().iter().skip(c).step_by(3).map(|v| encode.at(*v)).collect();
                let mut plane = Plane::from_data(width, height, codes).unwrap_or_else(|| Plane::filled(1, 1, 0.0));
                if c == 2 && self.fringe_px != 0.0 {
                    plane = self.enlarged(&plane);
                }
                self.smooth(&mut plane);
                self.sharpen(&mut plane);
                plane.data().iter().map(|v| finish.at(*v)).collect()
            })
            .collect();
        let mut out = image;
        out.data_mut().chunks_exact_mut(3).enumerate().for_each(|(i, p)| {
            (0..3).for_each(|c| p[c] = channels[c][i]);
        });
        out
    }

    fn enlarged(&self, plane: &Plane) -> Plane {
        let (w, h) = (plane.width() as f64, plane.height() as f64);
        let shrink = 1.0 - self.fringe_px / (w.hypot(h) / 2.0);
        let data = (0..plane.width() * plane.height())
            .map(|i| {
                let (x, y) = ((i % plane.width()) as f64 + 0.5 - w / 2.0, (i / plane.width()) as f64 + 0.5 - h / 2.0);
                plane.sample(x * shrink + w / 2.0, y * shrink + h / 2.0)
            })
            .collect();
        Plane::from_data(plane.width(), plane.height(), data).unwrap_or_else(|| plane.clone())
    }

    /// Faint differences from the neighbourhood are smoothed away, strong ones kept.
    fn smooth(&self, plane: &mut Plane) {
        if self.smoothing > 0.0 {
            let soft = plane.blurred(1.6);
            for (v, s) in plane.data_mut().iter_mut().zip(soft.data()) {
                let strength = (-((*v - s) / 0.05).powi(2)).exp();
                *v += (s - *v) * strength * self.smoothing as f32;
            }
        }
    }

    fn sharpen(&self, plane: &mut Plane) {
        if self.sharpening > 0.0 {
            let soft = plane.blurred(1.0);
            for (v, s) in plane.data_mut().iter_mut().zip(soft.data()) {
                *v += (*v - s) * self.sharpening as f32;
            }
        }
    }

    /// The tone curve: what becomes of a code 0..1.
    pub fn curve(&self, code: f32) -> f32 {
        let (shoulder, toe) = (self.shoulder as f32, self.toe as f32);
        let c = code.clamp(0.0, 1.0).powf(1.0 + toe);
        let c = c * (1.0 + shoulder) / (1.0 + shoulder * c);
        c + (c * c * (3.0 - 2.0 * c) - c) * self.contrast as f32
    }
}
