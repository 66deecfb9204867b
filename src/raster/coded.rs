//! One channel as a file codes it, with the light that each code stands for.
//!
//! A frame of 24 megapixels is 24 MB of codes but 96 MB of light; measuring needs light only where the
//! Moon is, and a reduced copy of the rest.

use super::{PixelRect, Plane, Tabulated, TransferFunction};
use rayon::prelude::*;

/// The smallest of the 255 steps of eight-bit sRGB, linear light (IEC 61966-2-1).
pub(crate) const SMALLEST_STEP: f32 = 1.0 / 255.0 / 12.92;

/// A single channel, rows from the top: eight-bit codes with a table, or light itself.
#[derive(Clone, Debug)]
pub struct CodedPlane {
    width: usize,
    height: usize,
    codes: Codes,
    curve_known: bool,
    /// Rectangles that show nothing.
    ignored: Vec<PixelRect>,
}

#[derive(Clone, Debug)]
enum Codes {
    Eight { codes: Vec<u8>, light: Box<[f32; 256]> },
    Light(Vec<f32>),
}

impl CodedPlane {
    /// From eight-bit codes and the light of each; `None` when the length does not fit the size.
    pub fn from_codes(width: usize, height: usize, codes: Vec<u8>, light: [f32; 256]) -> Option<Self> {
        let fits = codes.len() == width * height;
        fits.then(|| CodedPlane {
            width,
            height,
            codes: Codes::Eight { codes, light: Box::new(light) },
            curve_known: false,
            ignored: Vec::new(),
        })
    }

    /// The luma (ITU-R BT.601, as JPEG codes it) of interleaved eight-bit RGB by sRGB's curve; `None` when the length does not fit
    /// the size.
    pub fn from_rgb8(width: usize, height: usize, rgb: &[u8]) -> Option<Self> {
        let (pixels, rest) = rgb.as_chunks::<3>();
        if !rest.is_empty() {
            return None;
        }
        let luma = |p: &[u8; 3]| {
            let [r, g, b] = p.map(u32::from);
            ((19_595 * r + 38_470 * g + 7_471 * b + 32_768) >> 16) as u8
        };
        let light = std::array::from_fn(|code| TransferFunction::Srgb.decode(code as f32 / 255.0));
        Self::from_codes(width, height, pixels.iter().map(luma).collect(), light)
    }

    /// The brightness of interleaved sixteen-bit RGB by a curve; `None` when the length does not fit the size.
    pub fn from_rgb16(width: usize, height: usize, rgb: &[u16], curve: TransferFunction) -> Option<Self> {
        let (pixels, rest) = rgb.as_chunks::<3>();
        let light = Tabulated::new(move |code| curve.decode(code));
        let brightness = |p: &[u16; 3]| p.iter().map(|c| light.at(f32::from(*c) / 65_535.0)).sum::<f32>() / 3.0;
        let plane = Plane::from_data(width, height, pixels.iter().map(brightness).collect())?;
        rest.is_empty().then(|| Self::from_light(plane))
    }

    /// From light.
    pub fn from_light(plane: Plane) -> Self {
        CodedPlane {
            width: plane.width(),
            height: plane.height(),
            codes: Codes::Light(plane.into_data()),
            curve_known: false,
            ignored: Vec::new(),
        }
    }

    /// The same, with whether its light is the camera's own: a sensor's numbers, or codes by a measured curve; not codes by
    /// a standard's, which a camera's own rendering only resembles.
    #[must_use]
    pub fn with_curve_known(self, known: bool) -> Self {
        CodedPlane { curve_known: known, ..self }
    }

    /// The same with rectangles that show nothing: they hold what lies nearest beside them, and are to be passed over.
    #[must_use]
    pub fn without(mut self, rectangles: Vec<PixelRect>) -> Self {
        let whole = PixelRect::of_size(self.width, self.height);
        self.ignored.extend(rectangles.iter().map(|r| r.intersection(whole)));
        rectangles.iter().for_each(|r| self.fill(r.intersection(whole)));
        self
    }

    /// Rectangles that show nothing.
    pub fn ignored(&self) -> &[PixelRect] {
        &self.ignored
    }

    /// Whether a place lies in a rectangle that shows nothing, or within a distance of one.
    pub fn is_ignored(&self, x: f64, y: f64, within_px: f64) -> bool {
        self.ignored.iter().any(|r| r.is_near(x, y, within_px))
    }

    /// A copy reduced by blocks, which ignores the same parts.
    #[must_use]
    pub fn reduced_copy(&self, factor: usize) -> Self {
        let by = factor.max(1) as i64;
        let smaller = |r: &PixelRect| PixelRect {
            x0: r.x0.div_euclid(by),
            y0: r.y0.div_euclid(by),
            x1: (r.x1 + by - 1).div_euclid(by),
            y1: (r.y1 + by - 1).div_euclid(by),
        };
        let ignored = self.ignored.iter().map(smaller).collect();
        CodedPlane { ignored, ..CodedPlane::from_light(self.reduced(factor)) }
    }

    /// Gives each pixel of a rectangle the value of the nearest beside it, above, below, left or right, that itself shows
    /// something.
    fn fill(&mut self, r: PixelRect) {
        let (width, height) = (self.width as i64, self.height as i64);
        for y in r.y0..r.y1 {
            for x in r.x0..r.x1 {
                let beside = [(r.x0 - 1, y), (r.x1, y), (x, r.y0 - 1), (x, r.y1)];
                let nearest = beside
                    .into_iter()
                    .filter(|(bx, by)| *bx >= 0 && *by >= 0 && *bx < width && *by < height)
                    .filter(|(bx, by)| !self.is_ignored(*bx as f64 + 0.5, *by as f64 + 0.5, 0.0))
                    .min_by_key(|(bx, by)| (bx - x).abs() + (by - y).abs());
                let Some((bx, by)) = nearest else { continue };
                let (from, to) = ((by * width + bx) as usize, (y * width + x) as usize);
                match &mut self.codes {
                    Codes::Eight { codes, .. } => codes[to] = codes[from],
                    Codes::Light(light) => light[to] = light[from],
                }
            }
        }
    }

    /// Whether its light is the camera's own.
    pub fn curve_known(&self) -> bool {
        self.curve_known
    }

    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Light at a column and row inside the plane.
    pub fn get(&self, x: usize, y: usize) -> f32 {
        let at = y * self.width + x;
        match &self.codes {
            Codes::Eight { codes, light } => light[usize::from(codes[at])],
            Codes::Light(light) => light[at],
        }
    }

    /// Light of the part of `rect` that lies inside the plane, and that part.
    pub fn window(&self, rect: PixelRect) -> (Plane, PixelRect) {
        let inside = rect.intersection(PixelRect::of_size(self.width, self.height));
        if inside.is_empty() {
            return (Plane::filled(0, 0, 0.0), PixelRect { x1: inside.x0, y1: inside.y0, ..inside });
        }
        let (w, h) = (inside.width(), inside.height());
        let mut data = Vec::with_capacity(w * h);
        for y in 0..h {
            let start = (inside.y0 as usize + y) * self.width + inside.x0 as usize;
            match &self.codes {
                Codes::Eight { codes, light } => {
                    data.extend(codes[start..start + w].iter().map(|c| light[usize::from(*c)]));
                }
                Codes::Light(light) => data.extend_from_slice(&light[start..start + w]),
            }
        }
        let plane = Plane::from_data(w, h, data).unwrap_or_else(|| Plane::filled(0, 0, 0.0));
        (plane, inside)
    }

    /// The file's own codes, 0..1, of the part of `rect` that lies inside the plane, and that part: where
    /// light was given, what sRGB would code it as.
    pub fn window_of_codes(&self, rect: PixelRect) -> (Plane, PixelRect) {
        let inside = rect.intersection(PixelRect::of_size(self.width, self.height));
        match &self.codes {
            Codes::Eight { codes, .. } if !inside.is_empty() => {
                let mut data = Vec::with_capacity(inside.width() * inside.height());
                for y in inside.y0 as usize..inside.y1 as usize {
                    let row = &codes[y * self.width + inside.x0 as usize..y * self.width + inside.x1 as usize];
                    data.extend(row.iter().map(|c| f32::from(*c) / 255.0));
                }
                let plane = Plane::from_data(inside.width(), inside.height(), data);
                (plane.unwrap_or_else(|| Plane::filled(0, 0, 0.0)), inside)
            }
            _ => {
                let (mut light, inside) = self.window(rect);
                light.data_mut().iter_mut().for_each(|v| *v = TransferFunction::Srgb.encode(*v));
                (light, inside)
            }
        }
    }

    /// The code of a pixel, as [`window_of_codes`](Self::window_of_codes) gives it.
    pub fn code(&self, x: usize, y: usize) -> f32 {
        match &self.codes {
            Codes::Eight { codes, .. } => f32::from(codes[y * self.width + x]) / 255.0,
            Codes::Light(light) => TransferFunction::Srgb.encode(light[y * self.width + x]),
        }
    }

    /// The light between one code and the next at a level: what coding alone makes of a smooth sky.
    /// Light that was never coded counts as coded by eight-bit sRGB in the dark.
    pub fn step_at(&self, level: f32) -> f32 {
        match &self.codes {
            Codes::Eight { light, .. } => {
                let above = light.iter().position(|l| *l > level).unwrap_or(255).max(1);
                light[above] - light[above - 1]
            }
            Codes::Light(_) => SMALLEST_STEP,
        }
    }

    /// Mean light over blocks of `factor` x `factor` pixels; a ragged edge is dropped.
    pub fn reduced(&self, factor: usize) -> Plane {
        self.blocks(factor.max(1), 1)
    }

    /// As [`reduced`](Self::reduced), from every second row alone: enough to see where anything is.
    pub fn glanced(&self, factor: usize) -> Plane {
        self.blocks(factor.max(2), 2)
    }

    fn blocks(&self, factor: usize, row_step: usize) -> Plane {
        let (w, h) = (self.width / factor, self.height / factor);
        let norm = 1.0 / (factor * factor.div_ceil(row_step)) as f32;
        let mut data = vec![0.0; w * h];
        if w == 0 || h == 0 {
            return Plane::filled(0, 0, 0.0);
        }
        data.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
            for sy in (0..factor).step_by(row_step) {
                let start = (y * factor + sy) * self.width;
                match &self.codes {
                    Codes::Eight { codes, light } => {
                        add_blocks(row, &codes[start..start + w * factor], factor, |c| light[usize::from(*c)])
                    }
                    Codes::Light(light) => add_blocks(row, &light[start..start + w * factor], factor, |v| *v),
                }
            }
            row.iter_mut().for_each(|v| *v *= norm);
        });
        Plane::from_data(w, h, data).unwrap_or_else(|| Plane::filled(0, 0, 0.0))
    }
}

/// Adds to each cell of a row the light of its `factor` pixels of one source row.
fn add_blocks<T>(row: &mut [f32], source: &[T], factor: usize, light: impl Fn(&T) -> f32) {
    if factor == 4 {
        // The commonest by far; sums in pairs do not wait for each other.
        for (cell, [a, b, c, d]) in row.iter_mut().zip(source.as_chunks::<4>().0) {
            *cell += (light(a) + light(b)) + (light(c) + light(d));
        }
        return;
    }
    for (cell, block) in row.iter_mut().zip(source.chunks_exact(factor)) {
        *cell += block.iter().map(&light).sum::<f32>();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn coded() -> CodedPlane {
        let light = std::array::from_fn(|c| c as f32 * 2.0);
        CodedPlane::from_codes(4, 2, vec![1, 2, 3, 4, 5, 6, 7, 8], light).unwrap()
    }

    #[test]
    fn windows_and_reduced_copies_hold_light() {
        let (window, at) = coded().window(PixelRect { x0: 2, y0: -3, x1: 9, y1: 1 });
        assert_eq!((window.data(), at.x0, at.y0), ([6.0, 8.0].as_slice(), 2, 0));
        assert_eq!(coded().reduced(2).data(), &[7.0, 11.0]);
        assert_eq!(coded().get(1, 1), 12.0);
    }

    #[test]
    fn what_is_ignored_holds_what_lies_beside_it() {
        let plane = coded().without(vec![PixelRect { x0: 3, y0: 0, x1: 4, y1: 2 }]);
        assert_eq!((plane.get(3, 0), plane.get(3, 1), plane.get(2, 0)), (6.0, 14.0, 6.0));
        assert!(plane.is_ignored(3.5, 1.0, 0.0) && !plane.is_ignored(2.4, 1.0, 0.5));
        // Neighbours that show nothing are not copied from.
        let column = |x: i64| PixelRect { x0: x, y0: 0, x1: x + 1, y1: 2 };
        let two = coded().without(vec![column(2), column(3)]);
        assert_eq!((two.get(2, 0), two.is_ignored(3.5, 0.5, 0.0)), (4.0, true));
        assert!(plane.reduced_copy(2).is_ignored(1.5, 0.5, 0.0));
    }

    #[test]
    fn light_and_codes_agree() {
        let light = CodedPlane::from_light(coded().reduced(1));
        assert_eq!(light.reduced(2), coded().reduced(2));
    }
}
