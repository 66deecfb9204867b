//! Transfer functions: how file values stand for linear light.

/// How file values 0..1 stand for linear light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum TransferFunction {
    /// IEC 61966-2-1 (sRGB), also the curve of Display P3.
    #[default]
    Srgb,
    /// Values are proportional to light.
    Linear,
}

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
    fn every_sixteen_bit_step_survives_the_round_trip() {
        for code in (0..=65_535u32).step_by(7) {
            let value = code as f32 / 65_535.0;
            let back = TransferFunction::Srgb.encode(TransferFunction::Srgb.decode(value));
            assert!((back - value).abs() * 65_535.0 < 0.5, "{code}");
        }
    }
}
