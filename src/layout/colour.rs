//! Colours as a layout writes them: a CSS name or `#rrggbb`.

use super::notation::ColoursIn;
use crate::raster::{ColourMatrix, RgbSpace};
use palette::Srgb;
use std::str::FromStr;

/// Light in the working space of a CSS colour name or `#rrggbb`, given in a colour space.
pub(super) fn colour(text: &str, space: ColoursIn) -> Option<[f32; 3]> {
    let lower = text.trim().to_ascii_lowercase();
    // No colour is written in other letters, and the reader of hexadecimal numbers counts bytes.
    if !lower.is_ascii() {
        return None;
    }
    let coded: Srgb<u8> = palette::named::from_str(&lower).or_else(|| Srgb::from_str(&lower).ok())?;
    let space = match space {
        ColoursIn::Srgb => RgbSpace::SRGB,
        ColoursIn::DisplayP3 => RgbSpace::DISPLAY_P3,
    };
    let light = [coded.red, coded.green, coded.blue].map(|c| space.transfer.decode(f32::from(c) / 255.0));
    Some(ColourMatrix::new(space.to(&RgbSpace::WORKING)).apply(light))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_read_by_name_and_by_number() {
        assert_eq!(colour("black", ColoursIn::Srgb), Some([0.0; 3]));
        assert!(colour("#ffffff", ColoursIn::Srgb).unwrap().iter().all(|v| (v - 1.0).abs() < 1e-5));
        assert!(colour("moonish", ColoursIn::DisplayP3).is_none());
        assert!(colour("\u{feff}", ColoursIn::Srgb).is_none() && colour("#é1", ColoursIn::Srgb).is_none());
    }
}
