//! A sensor's mosaic of colour filters and its development to light, window by window.
//!
//! Bayer mosaics are interpolated by the gradient-corrected linear filters of Malvar, He & Cutler 2004
//! (ICASSP, 485), the bend of one colour lent to another in proportion to their light: as sharp as a filter of 5 x 5
//! can be and without the mazes of cleverer ones.
//! Other patterns take the distance-weighted mean of each colour within 5 x 5.
//!
//! A site at the sensor's end of scale says only "at least this much". Where such a site took part in a
//! pixel, its channels are cut at the level that every channel can still tell, so that a blown-out limb is
//! white and not magenta; and the pixel is marked, so that merging leaves it out.

use crate::raster::{ColourMatrix, LinearImage, PixelRect, Plane};
use rayon::prelude::*;

/// Which colour each site sees: 0 red, 1 green, 2 blue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pattern {
    /// Columns of the repeat.
    pub width: usize,
    /// Rows of the repeat.
    pub height: usize,
    /// Colours, rows from the top.
    pub colours: Vec<u8>,
}

impl Pattern {
    /// By its first four letters, such as `RGGB`.
    pub fn named(name: &str) -> Option<Self> {
        let colours: Option<Vec<u8>> = name.trim().chars().map(|c| "RGB".find(c).map(|i| i as u8)).collect();
        let colours = colours.filter(|c| c.len() == 4)?;
        Some(Pattern { width: 2, height: 2, colours })
    }

    /// Upside down.
    #[must_use]
    pub fn flipped(&self) -> Self {
        let colours = self.colours.chunks(self.width).rev().flatten().copied().collect();
        Pattern { colours, ..self.clone() }
    }

    /// Beginning so many columns and rows further on.
    #[must_use]
    pub fn shifted(&self, columns: i64, rows: i64) -> Self {
        let (w, h) = (self.width as i64, self.height as i64);
        let colours = (0..h).flat_map(|y| (0..w).map(move |x| (x, y)));
        let colours = colours.map(|(x, y)| self.at(x + columns, y + rows) as u8).collect();
        Pattern { colours, ..self.clone() }
    }

    fn at(&self, x: i64, y: i64) -> usize {
        let (x, y) = (x.rem_euclid(self.width as i64) as usize, y.rem_euclid(self.height as i64) as usize);
        usize::from(self.colours[y * self.width + x])
    }

    fn is_bayer(&self) -> bool {
        (self.width, self.height) == (2, 2) && self.colours.iter().filter(|c| **c == 1).count() == 2
    }
}

/// One colour a site, in the sensor's own numbers.
#[derive(Clone, Debug)]
pub struct Mosaic {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// The sensor's numbers, rows from the top.
    pub values: Vec<f32>,
    /// Which colour each site sees.
    pub pattern: Pattern,
    /// The numbers of no light, a repeat of 2 x 2 sites.
    pub black: [f32; 4],
    /// The number of the end of scale.
    pub white: f32,
    /// Factors that make white white; the least is 1.
    pub balance: [f32; 3],
    /// From the balanced sensor's colours to the working space.
    pub matrix: ColourMatrix,
    /// Which sites were saturated, where their numbers have been corrected since.
    pub clipped: Option<Vec<bool>>,
}

/// Above this share of the scale a site is taken for saturated.
const SATURATED: f32 = 0.99;

impl Mosaic {
    /// Values that are light already, with a scale that ends at 1 and sRGB's primaries.
    pub fn of_light(width: usize, height: usize, values: Vec<f32>, pattern: Pattern) -> Self {
        use crate::raster::RgbSpace;
        let matrix = ColourMatrix::new(RgbSpace::SRGB.to(&RgbSpace::WORKING));
        Mosaic { width, height, values, pattern, black: [0.0; 4], white: 1.0, balance: [1.0; 3], matrix, clipped: None }
    }

    /// The sensor's numbers over the black level.
    pub(super) fn over_black(&self) -> Vec<f32> {
        let black = |i: usize| self.black[i / self.width % 2 * 2 + i % self.width % 2];
        self.values.iter().enumerate().map(|(i, v)| v - black(i)).collect()
    }

    /// The balanced light of a site (edges mirrored, which keeps the pattern's phase), and whether it was saturated.
    fn site(&self, x: i64, y: i64) -> (f32, bool) {
        let mirrored = |v: i64, n: usize| {
            let last = n as i64 - 1;
            (if v < 0 {
                -v
            } else if v > last {
                2 * last - v
            } else {
                v
            })
            .clamp(0, last)
        };
        let (x, y) = (mirrored(x, self.width), mirrored(y, self.height));
        let black = self.black[(y % 2 * 2 + x % 2) as usize];
        let share = (self.values[y as usize * self.width + x as usize] - black) / (self.white - black);
        let clips = match &self.clipped {
            Some(clipped) => clipped[y as usize * self.width + x as usize],
            None => share >= SATURATED,
        };
        (share * self.balance[self.pattern.at(x, y)], clips)
    }

    /// The sites of a rectangle with a few more around it (an even number before it, so that the pattern's
    /// phase stays for repeats of 2), and where the rectangle lies in that part.
    pub(super) fn part(&self, rect: PixelRect) -> (Mosaic, PixelRect) {
        let repeat = 2 * (self.pattern.width.max(self.pattern.height) as i64);
        let before = |v: i64| (v - 4).max(0) / repeat * repeat;
        let (x0, y0) = (before(rect.x0), before(rect.y0));
        let outer = PixelRect { x0, y0, x1: rect.x1 + 4, y1: rect.y1 + 4 };
        let outer = outer.intersection(PixelRect::of_size(self.width, self.height));
        let mut values = Vec::with_capacity(outer.width() * outer.height());
        for y in outer.y0..outer.y1 {
            let start = y as usize * self.width;
            values.extend_from_slice(&self.values[start + outer.x0 as usize..start + outer.x1 as usize]);
        }
        let part = Mosaic {
            width: outer.width(),
            height: outer.height(),
            values,
            pattern: self.pattern.clone(),
            clipped: None,
            ..*self
        };
        let mut part = part;
        let clips = (0..part.height).flat_map(|y| (0..part.width).map(move |x| (x as i64, y as i64)));
        part.clipped = Some(clips.map(|(x, y)| part.site(x, y).1).collect());
        let inner = PixelRect { x0: rect.x0 - x0, y0: rect.y0 - y0, x1: rect.x1 - x0, y1: rect.y1 - y0 };
        (part, inner)
    }

    /// Light in the working space over a rectangle inside the mosaic, and which of its pixels are saturated.
    pub fn light(&self, rect: PixelRect) -> (LinearImage, Vec<bool>) {
        let (w, h) = (rect.width(), rect.height());
        // The window's sites with two more on every side.
        let stride = w + 4;
        let mut sites = vec![0.0f32; stride * (h + 4)];
        let mut full = vec![false; sites.len()];
        sites.par_chunks_mut(stride).zip(full.par_chunks_mut(stride)).enumerate().for_each(|(row, (sites, full))| {
            for i in 0..stride {
                (sites[i], full[i]) = self.site(rect.x0 + i as i64 - 2, rect.y0 + row as i64 - 2);
            }
        });
        let is_bayer = self.pattern.is_bayer();
        let mut data = vec![0.0f32; w * h * 3];
        let mut saturated = vec![false; w * h];
        data.par_chunks_mut(w * 3).zip(saturated.par_chunks_mut(w)).enumerate().for_each(|(row, (out, marks))| {
            for x in 0..w {
                let at = (row + 2) * stride + x + 2;
                let (sx, sy) = (rect.x0 + x as i64, rect.y0 + row as i64);
                let near = |dx: i64, dy: i64| sites[(at as i64 + dy * stride as i64 + dx) as usize];
                let mut colour = if is_bayer { self.bayer(sx, sy, near) } else { self.nearest_means(sx, sy, near) };
                marks[x] = (0..3).any(|dy| (0..3).any(|dx| full[at + dy * stride + dx - stride - 1]));
                if marks[x] {
                    colour = colour.map(|v| v.min(1.0));
                }
                out[x * 3..x * 3 + 3].copy_from_slice(&self.matrix.apply(colour));
            }
        });
        let light = LinearImage::from_data(w, h, data).unwrap_or_else(|| LinearImage::new(0, 0));
        (light, saturated)
    }

    /// Malvar, He & Cutler 2004, figure 2: eighths; the bend of one colour is lent to another by the ratio of the two.
    fn bayer(&self, x: i64, y: i64, near: impl Fn(i64, i64) -> f32) -> [f32; 3] {
        let here = self.pattern.at(x, y);
        let centre = near(0, 0);
        let cross = near(-1, 0) + near(1, 0) + near(0, -1) + near(0, 1);
        let far_x = near(-2, 0) + near(2, 0);
        let far_y = near(0, -2) + near(0, 2);
        let corners = near(-1, -1) + near(1, -1) + near(-1, 1) + near(1, 1);
        // A mean of the colour that is sought and one of the colour that is here, and the latter's bend.
        let lent = |sought: f32, mean: f32, bend: f32| sought + ratio(sought, mean) * bend;
        let mut out = [0.0; 3];
        out[here] = centre;
        if here == 1 {
            let beside = self.pattern.at(x + 1, y);
            let across = near(-1, 0) + near(1, 0);
            let along = near(0, -1) + near(0, 1);
            let bend = |on: f32, off: f32| (5.0 * centre - corners - on + 0.5 * off) / 8.0;
            out[beside] = lent(across / 2.0, corners / 4.0, bend(far_x, far_y));
            out[2 - beside] = lent(along / 2.0, corners / 4.0, bend(far_y, far_x));
        } else {
            let mean = (far_x + far_y) / 4.0;
            out[1] = lent(cross / 4.0, mean, (centre - mean) / 2.0);
            out[2 - here] = lent(corners / 4.0, mean, 0.75 * (centre - mean));
        }
        out
    }

    /// Of each colour the mean of its sites within 5 x 5, by the inverse square of their distance.
    fn nearest_means(&self, x: i64, y: i64, near: impl Fn(i64, i64) -> f32) -> [f32; 3] {
        let (mut sum, mut weight) = ([0.0f32; 3], [0.0f32; 3]);
        for dy in -2..=2i64 {
            for dx in -2..=2i64 {
                let colour = self.pattern.at(x + dx, y + dy);
                let w = 1.0 / (0.25 + (dx * dx + dy * dy) as f32);
                sum[colour] += w * near(dx, dy);
                weight[colour] += w;
            }
        }
        std::array::from_fn(|c| if weight[c] > 0.0 { sum[c] / weight[c] } else { 0.0 })
    }

    /// One channel of brightness for measuring: of a Bayer mosaic a red, two greens and a blue out of 3 x 3 sites,
    /// centred; of others a mean that their pattern ripples a little.
    pub fn brightness(&self) -> Plane {
        let (w, h) = (self.width, self.height);
        let mut data = vec![0.0f32; w * h];
        data.par_chunks_mut(w.max(1)).enumerate().for_each(|(y, out)| {
            // Columns first, then along the row: each site is looked at three times, not nine.
            let column = |x: i64| {
                let at = |dy: i64| self.site(x, y as i64 + dy).0;
                at(-1) + 2.0 * at(0) + at(1)
            };
            let (mut left, mut middle) = (column(-1), column(0));
            for (x, o) in out.iter_mut().enumerate() {
                let right = column(x as i64 + 1);
                *o = (left + 2.0 * middle + right) / 16.0;
                (left, middle) = (middle, right);
            }
        });
        Plane::from_data(w, h, data).unwrap_or_else(|| Plane::filled(0, 0, 0.0))
    }
}

/// By how much the bend of a colour counts for another: the filters hold for a scene of one hue, whose colours bend in
/// proportion to their light. (In the copper of an eclipse blue is a third of green: a bend lent whole makes it some
/// percents too bright along the umbra's edge.) Where noise makes up the ratio it is held.
fn ratio(of: f32, to: f32) -> f32 {
    if to > 0.0 { (of / to).clamp(0.0, 2.0) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flat(pattern: &str, light: [f32; 3], size: usize) -> Mosaic {
        let pattern = Pattern::named(pattern).unwrap();
        let values = (0..size * size).map(|i| light[pattern.at((i % size) as i64, (i / size) as i64)]).collect();
        Mosaic {
            matrix: ColourMatrix::new([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
            ..Mosaic::of_light(size, size, values, pattern)
        }
    }

    #[test]
    fn a_flat_colour_is_found_at_every_site_up_to_the_edge() {
        for pattern in ["RGGB", "BGGR", "GRBG", "GBRG"] {
            let mosaic = flat(pattern, [0.5, 0.25, 0.125], 9);
            let (light, marks) = mosaic.light(PixelRect::of_size(9, 9));
            for pixel in light.data().chunks_exact(3) {
                for (v, t) in pixel.iter().zip([0.5, 0.25, 0.125]) {
                    assert!((v - t).abs() < 1e-6, "{pattern} {pixel:?}");
                }
            }
            assert!(!marks.contains(&true));
            assert!(mosaic.brightness().data().iter().all(|v| (v - 0.28125).abs() < 1e-6));
        }
    }

    #[test]
    fn a_blown_out_patch_is_white_and_marked() {
        let mut mosaic = flat("RGGB", [1.0; 3], 8);
        mosaic.balance = [2.0, 1.0, 1.6];
        let (light, marks) = mosaic.light(PixelRect::of_size(8, 8));
        assert!(light.data().iter().all(|v| (v - 1.0).abs() < 1e-6), "never tinted");
        assert!(marks.iter().all(|m| *m));
    }

    #[test]
    fn an_unusual_pattern_keeps_a_flat_colour() {
        let pattern = Pattern { width: 3, height: 3, colours: vec![1, 0, 1, 2, 1, 2, 1, 0, 1] };
        let light = [0.5, 0.25, 0.125];
        let values = (0..81).map(|i| light[pattern.at(i % 9, i / 9)]).collect();
        let matrix = ColourMatrix::new([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);
        let mosaic = Mosaic { matrix, ..Mosaic::of_light(9, 9, values, pattern) };
        let (out, _) = mosaic.light(PixelRect { x0: 3, y0: 3, x1: 6, y1: 6 });
        assert!(out.data().chunks_exact(3).all(|p| (p[0] - 0.5).abs() < 1e-6 && (p[2] - 0.125).abs() < 1e-6));
    }
}
