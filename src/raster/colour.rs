//! RGB colour spaces: primaries, white, and the way from one to another.
//!
//! The working space of the whole program is linear Rec. 2020 ([`RgbSpace::WORKING`]): wide enough for
//! the copper of totality, whose red lies outside sRGB. All whites but ROMM's are D65; between whites the
//! Bradford transform adapts (ICC.1:2010, Annex E). Tables of colours (device-link profiles) are not here.

use super::TransferFunction;

/// A 3x3 matrix, rows first.
pub type Matrix3 = [[f64; 3]; 3];

/// CIE xy of D65 (IEC 61966-2-1, ITU-R BT.2020).
const D65: (f64, f64) = (0.3127, 0.3290);
/// CIE XYZ of D50, the white of ICC's connection space (ICC.1:2010, 7.2.16).
const D50_XYZ: [f64; 3] = [0.9642, 1.0, 0.8249];

/// Three primaries, a white and a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RgbSpace {
    /// CIE xy of red, green and blue.
    pub primaries: [(f64, f64); 3],
    /// CIE xy of the white.
    pub white: (f64, f64),
    /// How file values stand for light.
    pub transfer: TransferFunction,
}

impl RgbSpace {
    /// sRGB (IEC 61966-2-1).
    pub const SRGB: RgbSpace = RgbSpace {
        primaries: [(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)],
        white: D65,
        transfer: TransferFunction::Srgb,
    };
    /// Light of sRGB's primaries.
    pub const LINEAR_SRGB: RgbSpace = RgbSpace { transfer: TransferFunction::Linear, ..RgbSpace::SRGB };
    /// Display P3: the primaries of SMPTE EG 432-1 with D65 and sRGB's curve.
    pub const DISPLAY_P3: RgbSpace = RgbSpace {
        primaries: [(0.680, 0.320), (0.265, 0.690), (0.150, 0.060)],
        white: D65,
        transfer: TransferFunction::Srgb,
    };
    /// opRGB (IEC 61966-2-5), which is compatible with Adobe RGB (1998).
    pub const OP_RGB: RgbSpace = RgbSpace {
        primaries: [(0.64, 0.33), (0.21, 0.71), (0.15, 0.06)],
        white: D65,
        transfer: TransferFunction::OpRgb,
    };
    /// Rec. 2020 with its camera curve (ITU-R BT.2020, table 4).
    pub const REC_2020: RgbSpace = RgbSpace {
        primaries: [(0.708, 0.292), (0.170, 0.797), (0.131, 0.046)],
        white: D65,
        transfer: TransferFunction::Bt2020,
    };
    /// Linear Rec. 2020, in which all light inside the program is kept.
    pub const WORKING: RgbSpace = RgbSpace { transfer: TransferFunction::Linear, ..RgbSpace::REC_2020 };

    /// CIE XYZ of linear light (white has Y = 1), by the equations of SMPTE RP 177-1993.
    pub fn to_xyz(&self) -> Matrix3 {
        let columns = self.primaries.map(xyz_of);
        let m = transposed(columns);
        let s = apply(inverse(m), xyz_of(self.white));
        m.map(|row| [row[0] * s[0], row[1] * s[1], row[2] * s[2]])
    }

    /// Linear light of this space as linear light of another.
    pub fn to(&self, other: &RgbSpace) -> Matrix3 {
        if (self.primaries, self.white) == (other.primaries, other.white) {
            return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        }
        let adapted = product(adaptation(xyz_of(self.white), xyz_of(other.white)), self.to_xyz());
        product(inverse(other.to_xyz()), adapted)
    }

    /// Columns of the connection space (XYZ of D50) that ICC profiles record for the primaries.
    pub fn to_connection_space(&self) -> Matrix3 {
        product(adaptation(xyz_of(self.white), D50_XYZ), self.to_xyz())
    }

    /// Weights of the channels in luminance (Y).
    pub fn luminance_weights(&self) -> [f32; 3] {
        self.to_xyz()[1].map(|v| v as f32)
    }

    /// How light of ICC's connection space comes into this one: for profiles that record their primaries so.
    pub fn from_connection_space(&self) -> Matrix3 {
        inverse(self.to_connection_space())
    }
}

/// XYZ with Y = 1 of a chromaticity.
fn xyz_of((x, y): (f64, f64)) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

/// The Bradford transform from one white to another (ICC.1:2010, Annex E).
fn adaptation(from: [f64; 3], to: [f64; 3]) -> Matrix3 {
    const CONE: Matrix3 = [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];
    let (a, b) = (apply(CONE, from), apply(CONE, to));
    let gains = std::array::from_fn(|r| std::array::from_fn(|c| if r == c { b[r] / a[r] } else { 0.0 }));
    product(inverse(CONE), product(gains, CONE))
}

/// Matrix times column.
pub fn apply(m: Matrix3, v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Matrix product.
pub fn product(a: Matrix3, b: Matrix3) -> Matrix3 {
    a.map(|row| std::array::from_fn(|c| (0..3).map(|k| row[k] * b[k][c]).sum()))
}

fn transposed(m: Matrix3) -> Matrix3 {
    std::array::from_fn(|r| std::array::from_fn(|c| m[c][r]))
}

/// Inverse by cofactors; the matrices here are far from singular.
pub fn inverse(m: Matrix3) -> Matrix3 {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let det = (0..3).map(|c| m[0][c] * minor(0, c)).sum::<f64>();
    std::array::from_fn(|r| std::array::from_fn(|c| minor(c, r) / det))
}

/// A matrix for pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ColourMatrix([[f32; 3]; 3]);

impl ColourMatrix {
    /// From any matrix.
    pub fn new(m: Matrix3) -> Self {
        ColourMatrix(m.map(|row| row.map(|v| v as f32)))
    }
    /// Whether it changes nothing.
    pub fn is_identity(&self) -> bool {
        self.0 == [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    }
    /// The pixel's light in the other space.
    pub fn apply(&self, p: [f32; 3]) -> [f32; 3] {
        self.0.map(|row| row[0] * p[0] + row[1] * p[1] + row[2] * p[2])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(m: Matrix3, published: Matrix3, tolerance: f64) {
        for (row, p) in m.iter().flatten().zip(published.iter().flatten()) {
            assert!((row - p).abs() < tolerance, "{m:?}");
        }
    }

    #[test]
    fn srgb_to_xyz_is_the_standards_matrix() {
        // IEC 61966-2-1:1999, equation 7 (four decimals).
        let published = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];
        close(RgbSpace::SRGB.to_xyz(), published, 6e-5);
    }

    #[test]
    fn luminance_of_rec_2020_is_the_standards() {
        // ITU-R BT.2020-2, table 4: Y = 0.2627 R + 0.6780 G + 0.0593 B.
        let [r, g, b] = RgbSpace::REC_2020.luminance_weights();
        assert!((r - 0.2627).abs() < 5e-5 && (g - 0.6780).abs() < 5e-5 && (b - 0.0593).abs() < 5e-5);
    }

    #[test]
    fn luminance_of_display_p3_is_the_guidelines() {
        // SMPTE EG 432-1 gives the primaries with the DCI white; with D65 the published row (W3C CSS Color 4,
        // "Sample code for color conversions") is 0.22897, 0.69174, 0.07929.
        let [r, g, b] = RgbSpace::DISPLAY_P3.luminance_weights();
        assert!((r - 0.228_97).abs() < 1e-5 && (g - 0.691_74).abs() < 1e-5 && (b - 0.079_29).abs() < 1e-5);
    }

    #[test]
    fn rec_709_to_rec_2020_is_the_reports_matrix() {
        // ITU-R BT.2087-0, equation of table 2 (four decimals).
        let published = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]];
        close(RgbSpace::SRGB.to(&RgbSpace::WORKING), published, 6e-5);
    }

    #[test]
    fn ways_there_and_back_meet() {
        for space in [RgbSpace::SRGB, RgbSpace::DISPLAY_P3, RgbSpace::OP_RGB] {
            let round = product(RgbSpace::WORKING.to(&space), space.to(&RgbSpace::WORKING));
            close(round, [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], 1e-12);
        }
    }
}
