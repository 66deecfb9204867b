//! A film in one file: AV1 (Main profile, ten bits, 4:2:0) in MP4 (`mp4`).
//!
//! Each picture stands as long as it is to be seen, so that a night of sixty photographs can be sixty pictures however long the
//! film. Colour is said by code points (ITU-T H.273), once in the stream and once in the file: the curve is the
//! one of the space that was asked for, never taken for another. Chroma is the mean of two by two pixels. Ten bits keep the dark
//! sky's slopes from stepping; the light below them is not dithered.
//!
//! What the coding loses: `QUANTIZER` leaves 45 to 53 dB between pictures as coded and as handed over, on the sample night at 1080
//! pixels (`tests/suite/film.rs` holds 40, decoded by ffmpeg where it is installed).

use super::codes::Coder;
use super::mp4::{self, TIMESCALE};
use super::{BitDepth, Delay, OutputSpec};
use crate::raster::RgbSpace;
use rav1e::prelude::*;
use std::fs::File;
use std::io::BufWriter;

/// Quantizer index, 0 to 255: where grain stays and nothing blocks on a dark sky.
const QUANTIZER: usize = 60;
/// How carefully the encoder searches, 0 (most) to 10: more takes far longer and gains little on pictures that stand still.
const SPEED: u8 = 9;
/// Pixels of a part that is coded by itself, so that several are at once.
const PIXELS_OF_A_TILE: usize = 300_000;
/// So often a picture can be entered, for whoever moves about in the film.
const PICTURES_BETWEEN_KEYS: u64 = 48;

/// How a colour space is said in numbers (ITU-T H.273, tables 2 to 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct CodePoints {
    pub primaries: ColorPrimaries,
    pub transfer: TransferCharacteristics,
    pub matrix: MatrixCoefficients,
}

impl CodePoints {
    /// Of the spaces that video knows.
    pub fn of(space: &RgbSpace) -> Option<Self> {
        let (primaries, transfer, matrix) = if *space == RgbSpace::SRGB {
            (ColorPrimaries::BT709, TransferCharacteristics::SRGB, MatrixCoefficients::BT709)
        } else if *space == RgbSpace::DISPLAY_P3 {
            (ColorPrimaries::SMPTE432, TransferCharacteristics::SRGB, MatrixCoefficients::BT709)
        } else if *space == RgbSpace::REC_2020 {
            (ColorPrimaries::BT2020, TransferCharacteristics::BT2020_10Bit, MatrixCoefficients::BT2020NCL)
        } else {
            return None;
        };
        Some(CodePoints { primaries, transfer, matrix })
    }

    /// The weights of red and blue in luma (BT.709, 3.2; BT.2020, table 4).
    fn luma_weights(self) -> (f32, f32) {
        if self.matrix == MatrixCoefficients::BT2020NCL { (0.2627, 0.0593) } else { (0.2126, 0.0722) }
    }
}

/// What the encoder is told.
fn configuration((width, height): (usize, usize), points: CodePoints) -> EncoderConfig {
    EncoderConfig {
        width,
        height,
        bit_depth: 10,
        chroma_sampling: ChromaSampling::Cs420,
        chroma_sample_position: ChromaSamplePosition::Unknown,
        pixel_range: PixelRange::Limited,
        color_description: Some(ColorDescription {
            color_primaries: points.primaries,
            transfer_characteristics: points.transfer,
            matrix_coefficients: points.matrix,
        }),
        // By how many pictures a second the decoder's level is judged; the file says when each is shown.
        time_base: Rational::new(1, 25),
        min_key_frame_interval: 1,
        max_key_frame_interval: PICTURES_BETWEEN_KEYS,
        // Pictures come out in the order in which they are shown, and few wait.
        low_latency: true,
        quantizer: QUANTIZER,
        // By the size alone: the same film on any machine.
        tiles: (width * height / PIXELS_OF_A_TILE).clamp(1, 8),
        speed_settings: SpeedSettings::from_preset(SPEED),
        ..EncoderConfig::default()
    }
}

/// Encodes pictures one after another; each stands as long as its delay says.
pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    (width, height): (usize, usize),
    delays: &[Delay],
    pictures: &mut dyn FnMut(usize) -> Option<Vec<f32>>,
) -> Result<(), String> {
    let points = CodePoints::of(&spec.space).ok_or("its colour space has no number in video")?;
    if delays.is_empty() {
        return Err("a film of no picture is none".into());
    }
    let failed = |e: &dyn std::fmt::Display| format!("the video encoder refused: {e}");
    let config = Config::new().with_encoder_config(configuration((width, height), points));
    let mut context: Context<u16> = config.new_context().map_err(|e| failed(&e))?;
    let mut video = mp4::Video::begin(file).map_err(|e| e.to_string())?;
    // Codes of the space's own curve, whatever depth a picture of it would have.
    let coder = Coder::new(&OutputSpec { depth: BitDepth::Sixteen, ..spec.clone() });
    let mut drain = |context: &mut Context<u16>| -> Result<(), String> {
        loop {
            match context.receive_packet() {
                Ok(packet) => {
                    let is_key = packet.frame_type == FrameType::KEY;
                    video.picture(without_delimiter(&packet.data), is_key).map_err(|e| e.to_string())?;
                }
                Err(EncoderStatus::Encoded) => {}
                Err(EncoderStatus::NeedMoreData | EncoderStatus::LimitReached) => return Ok(()),
                Err(e) => return Err(failed(&e)),
            }
        }
    };
    for k in 0..delays.len() {
        let light = pictures(k).ok_or("a picture is missing")?;
        if light.len() != 3 * width * height {
            return Err(format!("picture {k} came as {} numbers instead of {}", light.len(), 3 * width * height));
        }
        let mut frame = context.new_frame();
        let planes = yuv(&coder.sixteen(&light), (width, height), points);
        for (plane, (values, stride)) in frame.planes.iter_mut().zip(&planes) {
            let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
            plane.copy_from_raw_u8(&bytes, 2 * stride, 2);
        }
        context.send_frame(frame).map_err(|e| failed(&e))?;
        drain(&mut context)?;
    }
    context.flush();
    drain(&mut context)?;
    let record = spec.record.as_ref().map(super::record::xmp);
    video.end(&mp4::About {
        size: (width, height),
        configuration: &context.container_sequence_header(),
        colour: [points.primaries as u16, points.transfer as u16, points.matrix as u16],
        ticks: &ticks(delays),
        xmp: record.as_deref(),
    })
}

/// Ticks that end where the delays do, so that no rounding adds up; none is without any.
fn ticks(delays: &[Delay]) -> Vec<u32> {
    let (mut until, mut told) = (0.0, 0u64);
    delays
        .iter()
        .map(|delay| {
            until += f64::from(delay.parts) / delay.denominator() * f64::from(TIMESCALE);
            let ticks = (until.round() as u64).saturating_sub(told).max(1);
            told += ticks;
            u32::try_from(ticks).unwrap_or(u32::MAX)
        })
        .collect()
}

/// A temporal unit without its delimiter, which files leave out (AV1 in ISOBMFF 1.2.0, 2.4).
fn without_delimiter(unit: &[u8]) -> &[u8] {
    unit.strip_prefix(&[0x12, 0x00]).unwrap_or(unit)
}

/// Luma and chroma of RGB codes, ten bits of limited range (BT.709, 4; BT.2020, table 5), each with the length of its rows.
fn yuv(codes: &[u16], (width, height): (usize, usize), points: CodePoints) -> [(Vec<u16>, usize); 3] {
    let (red, blue) = points.luma_weights();
    let (half_width, half_height) = (width.div_ceil(2), height.div_ceil(2));
    let rgb = |x: usize, y: usize| -> [f32; 3] {
        let at = 3 * (y.min(height - 1) * width + x.min(width - 1));
        std::array::from_fn(|c| f32::from(codes[at + c]) / 65_535.0)
    };
    let luma_of = |p: [f32; 3]| red * p[0] + (1.0 - red - blue) * p[1] + blue * p[2];
    let mut luma = Vec::with_capacity(width * height);
    for y in 0..height {
        luma.extend((0..width).map(|x| (64.0 + 876.0 * luma_of(rgb(x, y))).round() as u16));
    }
    let (mut cb, mut cr) = (Vec::with_capacity(half_width * half_height), Vec::with_capacity(half_width * half_height));
    for y in 0..half_height {
        for x in 0..half_width {
            let four = [rgb(2 * x, 2 * y), rgb(2 * x + 1, 2 * y), rgb(2 * x, 2 * y + 1), rgb(2 * x + 1, 2 * y + 1)];
            let mean: [f32; 3] = std::array::from_fn(|c| four.iter().map(|p| p[c]).sum::<f32>() / 4.0);
            let luma = luma_of(mean);
            let chroma = |v: f32, weight: f32| (512.0 + 896.0 * (v - luma) / (2.0 * (1.0 - weight))).round() as u16;
            cb.push(chroma(mean[2], blue));
            cr.push(chroma(mean[0], red));
        }
    }
    [(luma, width), (cb, half_width), (cr, half_width)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The colours of BT.709's bars at 100 %, ten bits of limited range: Y', Cb, Cr by the equations of ITU-R BT.709-6, 3.2
    /// and 4.6, rounded.
    #[test]
    fn bars_have_the_standards_levels() {
        let points = CodePoints::of(&RgbSpace::SRGB).unwrap();
        for (rgb, expected) in [
            ([1, 1, 1], [940, 512, 512]),
            ([0, 0, 0], [64, 512, 512]),
            ([1, 0, 0], [250, 409, 960]),
            ([0, 1, 0], [691, 167, 105]),
            ([0, 0, 1], [127, 960, 471]),
        ] {
            let codes: Vec<u16> = rgb.map(|v: u16| v * 65_535).repeat(9);
            let [luma, cb, cr] = yuv(&codes, (3, 3), points);
            assert_eq!((luma.0.len(), cb.0.len()), (9, 4));
            assert_eq!([luma.0[4], cb.0[3], cr.0[0]], expected, "{rgb:?}");
        }
    }

    #[test]
    fn ticks_add_up_to_the_film() {
        let of = |parts, of_a_second| Delay { parts, of_a_second };
        assert_eq!(ticks(&[of(1, 24); 24]).iter().sum::<u32>(), TIMESCALE);
        assert_eq!(ticks(&[of(1000, 23_976); 48]).iter().sum::<u32>(), 180_180);
        assert_eq!(ticks(&[of(0, 1000), of(1, 0)]), [1, 899]);
    }

    #[test]
    fn spaces_that_video_does_not_know_are_refused() {
        assert!(CodePoints::of(&RgbSpace::OP_RGB).is_none());
        assert_eq!(CodePoints::of(&RgbSpace::REC_2020).unwrap().primaries, ColorPrimaries::BT2020);
    }
}
