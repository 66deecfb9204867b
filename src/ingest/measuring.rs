//! One channel of a frame, for measuring: a JPEG's own where it has it, worked out of its light elsewhere.

use super::border;
use super::coded;
use super::content::Content;
use super::decode::{open_coded, open_raw};
use super::reading::{Channel, DecodeError, Reading};
use crate::raster::{CodedPlane, LinearImage, PixelRect, Plane};
use std::path::Path;

/// Decodes only a frame's brightness, for measuring.
///
/// # Errors
/// As [`open_frame`](super::open_frame).
pub fn decode_brightness(path: &Path, reading: &Reading) -> Result<CodedPlane, DecodeError> {
    Ok(decode_channel(path, reading, Channel::Brightness)?.plane)
}

/// One channel of a frame, for measuring.
pub struct MeasuringPlane {
    /// The channel; what is no photograph in it is marked.
    pub plane: CodedPlane,
    /// The part of the frame that its file tells, where it breaks off.
    pub told: Option<PixelRect>,
}

/// Decodes one channel of a frame, for measuring.
///
/// # Errors
/// As [`open_frame`](super::open_frame).
pub fn decode_channel(path: &Path, reading: &Reading, channel: Channel) -> Result<MeasuringPlane, DecodeError> {
    channel_of_content(Content::of_file(path), reading, channel)
}

pub(super) fn channel_of_content(
    content: Content<'_>,
    reading: &Reading,
    channel: Channel,
) -> Result<MeasuringPlane, DecodeError> {
    let ChannelOf { plane, photographed, told } = channel_of(content, reading, channel)?;
    let size = (plane.width(), plane.height());
    let ignored = reading.ignored.rectangles_of(size, photographed.unwrap_or(PixelRect::of_size(size.0, size.1)));
    Ok(MeasuringPlane { plane: plane.without(ignored), told })
}

struct ChannelOf {
    plane: CodedPlane,
    /// The part of the frame inside its strips, where the file's kind can have some.
    photographed: Option<PixelRect>,
    told: Option<PixelRect>,
}

fn channel_of(content: Content<'_>, reading: &Reading, channel: Channel) -> Result<ChannelOf, DecodeError> {
    let damaged = |message: String| DecodeError::Damaged { path: content.path.to_owned(), message };
    let curve_known = reading.response.is_some() || reading.transfer.is_some();
    let bytes = if content.is_raw() { None } else { Some(content.read()?) };
    if reading.masters.is_none()
        && channel != Channel::Copper
        && let Some(bytes) = &bytes
        && let Some((plane, told)) = coded::one_channel(bytes, reading, channel).map_err(damaged)?
    {
        let code = |x: usize, y: usize| (plane.code(x, y) * 255.0) as u8;
        let inside = border::inside(plane.width(), plane.height(), code);
        let photographed = Some(told.map_or(inside, |told| inside.intersection(told)));
        let plane = plane.with_curve_known(curve_known);
        return Ok(ChannelOf { plane, photographed, told });
    }
    let frame = match &bytes {
        Some(bytes) => open_coded(content.path, bytes, reading)?,
        None => open_raw(content, reading)?,
    };
    drop(bytes);
    if channel == Channel::Brightness
        && let Some(sites) = frame.brightness_of_sites()
    {
        let plane = CodedPlane::from_light(sites).with_curve_known(true);
        return Ok(ChannelOf { plane, photographed: None, told: None });
    }
    let curve_known = curve_known || !frame.is_coded();
    let plane = match channel {
        Channel::Brightness => frame.brightness(),
        Channel::Red => frame.plane(LinearImage::red),
        // A difference of light is no code of a file.
        Channel::Copper => copper(&frame.whole()),
    };
    let plane = CodedPlane::from_light(plane).with_curve_known(curve_known || channel == Channel::Copper);
    Ok(ChannelOf { plane, photographed: Some(frame.photographed()), told: frame.told() })
}

/// Red less the share of blue that goes along with it over the frame (least squares), on a little light so that noise stays
/// above nought.
fn copper(image: &LinearImage) -> Plane {
    const GROUND: f32 = 0.05;
    let pixels = image.data().as_chunks::<3>().0;
    let (mut both, mut blue) = (0.0f64, 1e-12f64);
    for p in pixels.iter().step_by(7) {
        both += f64::from(p[0] * p[2]);
        blue += f64::from(p[2] * p[2]);
    }
    let share = (both / blue) as f32;
    let data = pixels.iter().map(|p| (p[0] - share * p[2] + GROUND).clamp(0.0, 0.98)).collect();
    Plane::from_data(image.width(), image.height(), data).unwrap_or_else(|| Plane::filled(1, 1, GROUND))
}
