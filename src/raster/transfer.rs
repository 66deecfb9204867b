//! Transfer functions: how file values stand for linear light.

/// How file values 0..1 stand for linear light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum TransferFunction {
    /// IEC 61966-2-1 (sRGB), also the curve of Display P3.
    #[default]
    Srgb,
    /// Values are proportional to light.
    Linear,
    /// IEC 61966-2-5 (opRGB): a power of 563/256.
    OpRgb,
    /// ITU-R BT.2020, the camera's curve, with its constants to twelve bits and beyond.
    Bt2020,
}

/// The exponent of opRGB (IEC 61966-2-5; Adobe RGB (1998) 4.3.4.2 writes it as 2 51/256).
const OP_RGB_POWER: f32 = 563.0 / 256.0;
/// Alpha and beta of ITU-R BT.2020-2, table 4: where the line meets the power, in full precision.
const BT2020_ALPHA: f32 = 1.099_296_8;
const BT2020_BETA: f32 = 0.018_053_97;

impl TransferFunction {
    /// Linear light of a file value; the curve goes on above 1 and is odd below 0.
    ///
    /// # Source
    /// IEC 61966-2-1:1999, 5.2.
    pub fn decode(self, value: f32) -> f32 {
        match self {
            TransferFunction::Linear => value,
            TransferFunction::Srgb => {
                let v = value.abs();
                let light = if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
                light.copysign(value)
            }
            TransferFunction::OpRgb => value.abs().powf(OP_RGB_POWER).copysign(value),
            TransferFunction::Bt2020 => {
                let v = value.abs();
                let light = if v < 4.5 * BT2020_BETA {
                    v / 4.5
                } else {
                    ((v + (BT2020_ALPHA - 1.0)) / BT2020_ALPHA).powf(1.0 / 0.45)
                };
                light.copysign(value)
            }
        }
    }

    /// File value of linear light, the inverse of [`decode`](Self::decode).
    pub fn encode(self, light: f32) -> f32 {
        match self {
            TransferFunction::Linear => light,
            TransferFunction::Srgb => {
                let l = light.abs();
                let value = if l <= 0.003_130_8 { l * 12.92 } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
                value.copysign(light)
            }
            TransferFunction::OpRgb => light.abs().powf(1.0 / OP_RGB_POWER).copysign(light),
            TransferFunction::Bt2020 => {
                let l = light.abs();
                let value = if l < BT2020_BETA { 4.5 * l } else { BT2020_ALPHA * l.powf(0.45) - (BT2020_ALPHA - 1.0) };
                value.copysign(light)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srgb_mid_grey_is_21_4_percent() {
        // IEC 61966-2-1: code value 0.5 decodes to 0.21404.
        assert!((TransferFunction::Srgb.decode(0.5) - 0.214_041).abs() < 1e-5);
    }

    #[test]
    fn the_other_curves_meet_published_points() {
        // Adobe RGB (1998), 4.3.4.2: light = value^2.19921875.
        assert!((TransferFunction::OpRgb.decode(0.5) - 0.5f32.powf(2.199_218_8)).abs() < 1e-6);
        // ITU-R BT.2020-2, table 4: E' = 4.5 E below beta = 0.0181, alpha E^0.45 - (alpha - 1) above.
        assert!((TransferFunction::Bt2020.encode(0.01) - 0.045).abs() < 1e-7);
        assert!((TransferFunction::Bt2020.encode(0.18) - (1.0993 * 0.18f32.powf(0.45) - 0.0993)).abs() < 1e-5);
    }

    #[test]
    fn every_sixteen_bit_step_survives_the_round_trip() {
        use TransferFunction::{Bt2020, Linear, OpRgb, Srgb};
        for curve in [Srgb, Linear, OpRgb, Bt2020] {
            for code in (0..=65_535u32).step_by(7) {
                let value = code as f32 / 65_535.0;
                let back = curve.encode(curve.decode(value));
                assert!((back - value).abs() * 65_535.0 < 0.5, "{curve:?} {code}");
            }
        }
    }
}
