//! What a file's numbers stand for: curves and primaries by its profile, by the notes, or sRGB.
//!
//! Profiles of the matrix-and-curve kind (ICC.1:2010, 8.3.3: all that cameras and picture editors embed)
//! and grey ones are taken exactly, by the curve's own formula or table. Profiles made of colour tables,
//! as scanners and printers have, are not: they are named and sRGB is assumed.

use crate::raster::{ColourMatrix, RgbSpace, TransferFunction, product};
use moxcms::{ColorProfile, DataColorSpace, ToneReprCurve};

/// The way from file values 0..1 to light in the working space.
#[derive(Clone, Debug)]
pub struct SourceColour {
    curves: [Curve; 3],
    matrix: ColourMatrix,
}

#[derive(Clone, Debug)]
enum Curve {
    Standard(TransferFunction),
    /// Light at even steps of the file value.
    Table(Vec<f32>),
}

/// Steps of a profile's curve, straight lines between.
const TABLE: usize = 16_385;

impl Curve {
    fn decode(&self, value: f32) -> f32 {
        match self {
            Curve::Standard(transfer) => transfer.decode(value),
            Curve::Table(table) => {
                let at = value.clamp(0.0, 1.0) * (table.len() - 1) as f32;
                let i = (at as usize).min(table.len() - 2);
                table[i] + (table[i + 1] - table[i]) * (at - i as f32)
            }
        }
    }
}

impl SourceColour {
    /// A space with all three channels alike.
    pub fn of_space(space: &RgbSpace) -> Self {
        SourceColour {
            curves: [0; 3].map(|_| Curve::Standard(space.transfer)),
            matrix: ColourMatrix::new(space.to(&RgbSpace::WORKING)),
        }
    }

    /// The same primaries with another curve for all channels: light at even steps of the file value.
    #[must_use]
    pub fn with_response(self, light: &[Vec<f32>; 3]) -> Self {
        SourceColour { curves: light.clone().map(Curve::Table), ..self }
    }

    /// By an embedded profile.
    ///
    /// # Errors
    /// A sentence, when the profile does not parse or is of a kind that is not read.
    pub fn of_profile(bytes: &[u8]) -> Result<Self, String> {
        let profile = ColorProfile::new_from_slice(bytes).map_err(|e| format!("it does not parse ({e})"))?;
        match profile.color_space {
            DataColorSpace::Rgb => Self::of_rgb_profile(&profile),
            DataColorSpace::Gray => {
                let curve = table_of(profile.gray_trc.as_ref())?;
                Ok(SourceColour {
                    curves: [curve.clone(), curve.clone(), curve],
                    // Equal channels are the same grey in every space.
                    matrix: ColourMatrix::new(RgbSpace::WORKING.to(&RgbSpace::WORKING)),
                })
            }
            other => Err(format!("its colours are {other:?}, not red, green and blue")),
        }
    }

    fn of_rgb_profile(profile: &ColorProfile) -> Result<Self, String> {
        let (r, g, b) = (profile.red_colorant, profile.green_colorant, profile.blue_colorant);
        let colorants = [[r.x, g.x, b.x], [r.y, g.y, b.y], [r.z, g.z, b.z]];
        let luminance = r.y + g.y + b.y;
        if !(0.5..2.0).contains(&luminance) {
            return Err("it holds a table of colours instead of primaries and curves".into());
        }
        let matrix = product(RgbSpace::WORKING.from_connection_space(), colorants);
        Ok(SourceColour {
            curves: [
                table_of(profile.red_trc.as_ref())?,
                table_of(profile.green_trc.as_ref())?,
                table_of(profile.blue_trc.as_ref())?,
            ],
            matrix: ColourMatrix::new(matrix),
        })
    }

    /// Light of every code of an integer file, channel by channel, before the primaries are changed.
    pub(super) fn tables(&self, codes: usize) -> [Vec<f32>; 3] {
        let table = |c: &Curve| (0..codes).map(|i| c.decode(i as f32 / (codes - 1) as f32)).collect();
        [table(&self.curves[0]), table(&self.curves[1]), table(&self.curves[2])]
    }

    /// The matrix from the file's primaries to the working space.
    pub(super) fn matrix(&self) -> ColourMatrix {
        self.matrix
    }
}

fn table_of(curve: Option<&ToneReprCurve>) -> Result<Curve, String> {
    let curve = curve.ok_or("it holds no curve")?;
    let light = curve.make_linear_evaluator().map_err(|e| format!("its curve cannot be read ({e})"))?;
    let table: Vec<f32> = (0..TABLE).map(|i| light.evaluate_value(i as f32 / (TABLE - 1) as f32)).collect();
    if table.iter().any(|v| !v.is_finite()) {
        return Err("its curve has no finite value somewhere".into());
    }
    Ok(Curve::Table(table))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_of_srgb_reads_as_srgb() {
        let bytes = ColorProfile::new_srgb().encode().unwrap();
        let (read, known) = (SourceColour::of_profile(&bytes).unwrap(), SourceColour::of_space(&RgbSpace::SRGB));
        for codes in [[255usize, 0, 0], [12, 130, 200], [255, 255, 255]] {
            let light = |s: &SourceColour| {
                let t = s.tables(256);
                s.matrix().apply([t[0][codes[0]], t[1][codes[1]], t[2][codes[2]]])
            };
            for (a, b) in light(&read).iter().zip(light(&known)) {
                assert!((a - b).abs() < 4e-4, "{codes:?}: {a} {b}");
            }
        }
    }

    #[test]
    fn rubbish_is_named() {
        assert!(SourceColour::of_profile(b"not a profile at all").unwrap_err().contains("does not parse"));
    }
}
