//! ICC profiles of the colour spaces that pictures are written in (ICC.1:2010, matrix and curve kind).
//!
//! The `moxcms` crate encodes them. They carry no date of making, so that the same picture is the same
//! bytes on every day.

use crate::raster::{RgbSpace, TransferFunction};
use moxcms::{ColorProfile, LocalizableString, ProfileText, ToneReprCurve, Xyzd};

/// The curve as ICC writes it (ICC.1:2010, 10.15: parametric curves: of type 3, or of type 0 for a power, of which a line is one).
fn curve(transfer: TransferFunction) -> ToneReprCurve {
    match transfer {
        TransferFunction::Linear => ToneReprCurve::Parametric(vec![1.0]),
        TransferFunction::OpRgb => ToneReprCurve::Parametric(vec![563.0 / 256.0]),
        TransferFunction::Srgb => {
            ToneReprCurve::Parametric(vec![2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.040_45])
        }
        TransferFunction::Bt2020 => {
            let alpha = 1.099_296_8;
            ToneReprCurve::Parametric(vec![1.0 / 0.45, 1.0 / alpha, (alpha - 1.0) / alpha, 1.0 / 4.5, 0.081_242_86])
        }
    }
}

fn name(space: &RgbSpace) -> String {
    let of = |s: RgbSpace| (s.primaries, s.white) == (space.primaries, space.white);
    let primaries = if of(RgbSpace::SRGB) {
        "sRGB (IEC 61966-2-1)"
    } else if of(RgbSpace::DISPLAY_P3) {
        "Display P3"
    } else if of(RgbSpace::OP_RGB) {
        "opRGB (IEC 61966-2-5)"
    } else {
        "Rec. 2020"
    };
    if space.transfer == TransferFunction::Linear { format!("{primaries}, linear") } else { primaries.into() }
}

/// The profile of a space as a file embeds it; `None` only if the encoder refuses.
pub(super) fn profile(space: &RgbSpace) -> Option<Vec<u8>> {
    let text = |words: &str| {
        Some(ProfileText::Localizable(vec![LocalizableString::new("en".into(), "US".into(), words.into())]))
    };
    let m = space.to_connection_space();
    let column = |c: usize| Xyzd { x: m[0][c], y: m[1][c], z: m[2][c] };
    let trc = Some(curve(space.transfer));
    // The crate's profile cannot be written out whole; its fields are set one by one.
    let mut profile = ColorProfile::new_srgb();
    (profile.red_colorant, profile.green_colorant, profile.blue_colorant) = (column(0), column(1), column(2));
    (profile.red_trc, profile.green_trc, profile.blue_trc) = (trc.clone(), trc.clone(), trc);
    profile.description = text(&name(space));
    profile.copyright = text("no rights reserved");
    // A version 4 profile's white is the connection space's own (ICC.1:2010, 9.2.34).
    profile.media_white_point = Some(Xyzd { x: 0.9642, y: 1.0, z: 0.8249 });
    profile.white_point = Xyzd { x: 0.9642, y: 1.0, z: 0.8249 };
    profile.cicp = None;
    let mut bytes = profile.encode().ok()?;
    // The encoder writes the hour of its own making (header, bytes 24 to 35); a constant stands instead.
    let date = [2028u16, 12, 31, 0, 0, 0].map(u16::to_be_bytes).concat();
    bytes.get_mut(24..36)?.copy_from_slice(&date);
    aligned(&bytes)
}

/// A profile with its tags, and its end, at multiples of four bytes (ICC.1:2010, 7.1.1 and 7.3.1): the encoder packs
/// them one behind the other, and readers of PNG refuse such a profile whole.
fn aligned(bytes: &[u8]) -> Option<Vec<u8>> {
    /// Header and count of tags; then twelve bytes a tag: signature, offset, size.
    const TABLE: usize = 132;
    let number = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?) as usize);
    let tags = number(TABLE - 4)?;
    let mut out = bytes.get(..TABLE + 12 * tags)?.to_vec();
    // Curves of three channels may be one piece of data; so they stay.
    let mut laid: Vec<(usize, usize)> = Vec::new();
    for tag in 0..tags {
        let at = TABLE + 12 * tag + 4;
        let (from, size) = (number(at)?, number(at + 4)?);
        let to = match laid.iter().find(|(known, _)| *known == from) {
            Some((_, to)) => *to,
            None => {
                let to = out.len();
                out.extend_from_slice(bytes.get(from..from + size)?);
                out.resize(out.len().next_multiple_of(4), 0);
                laid.push((from, to));
                to
            }
        };
        out[at..at + 4].copy_from_slice(&u32::try_from(to).ok()?.to_be_bytes());
    }
    let size = u32::try_from(out.len()).ok()?.to_be_bytes();
    out[..4].copy_from_slice(&size);
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_holds_the_space_it_was_made_of() {
        for space in [RgbSpace::SRGB, RgbSpace::DISPLAY_P3, RgbSpace::OP_RGB, RgbSpace::REC_2020, RgbSpace::WORKING] {
            let bytes = profile(&space).unwrap();
            assert_eq!(bytes, profile(&space).unwrap(), "the same bytes every time");
            // ICC.1:2010: size and the place of each tag in multiples of four (7.1.1, 7.3.1), the size told in the header.
            let number = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
            assert_eq!((bytes.len() % 4, number(0)), (0, bytes.len()), "{space:?}");
            for tag in 0..number(128) {
                let (from, length) = (number(132 + 12 * tag + 4), number(132 + 12 * tag + 8));
                assert!(from % 4 == 0 && from + length <= bytes.len(), "{space:?} tag {tag}");
            }
            let read = ColorProfile::new_from_slice(&bytes).unwrap();
            let m = space.to_connection_space();
            // s15Fixed16: steps of 1/65536.
            assert!((read.red_colorant.x - m[0][0]).abs() < 2e-5 && (read.blue_colorant.z - m[2][2]).abs() < 2e-5);
            let light = read.green_trc.unwrap().make_linear_evaluator().unwrap();
            for value in [0.02f32, 0.3, 0.8] {
                assert!((light.evaluate_value(value) - space.transfer.decode(value)).abs() < 2e-4, "{space:?}");
            }
        }
    }

    #[test]
    fn srgb_colorants_are_the_consortiums() {
        // Colorants of the ICC's own sRGB profile (D50): 0.4361 0.2225 0.0139 for red.
        let m = RgbSpace::SRGB.to_connection_space();
        assert!((m[0][0] - 0.4361).abs() < 2e-4 && (m[1][0] - 0.2225).abs() < 2e-4 && (m[2][0] - 0.0139).abs() < 2e-4);
    }
}
