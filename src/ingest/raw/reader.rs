//! The reader's side: one raw file to a line of description and the sensor's numbers on the standard output.

use super::Description;
use super::opcodes::{self, Numbers, Opcode};
use crate::ingest::Site;
use crate::ingest::record::CameraRecord;
use crate::raster::{Matrix3, RgbSpace, inverse, product};
use rawler::decoders::{Decoder, RawDecodeParams, WellKnownIFD};
use rawler::exif::{Exif, ExifGPS};
use rawler::formats::tiff::{Rational, Value};
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use rawler::tags::DngTag;
use std::io::{BufWriter, Write};
use std::path::Path;

/// The reader may take this much memory.
#[cfg(unix)]
const MEMORY_LIMIT: u64 = 4 << 30;
/// And this much of a processor's time, seconds: a hundred megapixels take ten.
#[cfg(unix)]
const TIME_LIMIT_S: u64 = 120;

/// Answers as a reader: `what` is `record` or `pixels`.
///
/// # Errors
/// A sentence for the standard error.
pub fn serve(what: &str, path: &Path) -> Result<(), String> {
    #[cfg(unix)]
    for (resource, limit) in [(rlimit::Resource::AS, MEMORY_LIMIT), (rlimit::Resource::CPU, TIME_LIMIT_S)] {
        rlimit::setrlimit(resource, limit, limit).map_err(|e| e.to_string())?;
    }
    // A panic's own words are for programmers; the parent says what matters.
    std::panic::set_hook(Box::new(|_| {}));
    let read = std::panic::catch_unwind(|| read(what == "record", path));
    let (description, data) = read.map_err(|_| "it is damaged".to_owned())??;
    let mut out = BufWriter::with_capacity(1 << 20, std::io::stdout().lock());
    let line = serde_json::to_string(&description).map_err(|e| e.to_string())?;
    // The parent may have gone; then nobody needs the rest.
    let _ = writeln!(out, "{line}").and_then(|()| data.iter().try_for_each(|part| out.write_all(part)));
    let _ = out.flush();
    Ok(())
}

type Parts = Vec<Vec<u8>>;

fn read(only_record: bool, path: &Path) -> Result<(Description, Parts), String> {
    let source = RawSource::new(path).map_err(|e| e.to_string())?;
    let decoder = rawler::get_decoder(&source).map_err(|e| e.to_string())?;
    let params = RawDecodeParams::default();
    let record = decoder.raw_metadata(&source, &params).map_err(|e| e.to_string())?;
    let image = decoder.raw_image(&source, &params, only_record).map_err(|e| e.to_string())?;
    let (x0, y0, width, height) = area(&image);
    let (channels, pattern) = match &image.photometric {
        RawPhotometricInterpretation::Cfa(config) => {
            let cfa = &config.cfa;
            let colours: Vec<u8> = (0..cfa.height)
                .flat_map(|y| (0..cfa.width).map(move |x| (x, y)))
                .map(|(x, y)| cfa.color_at(y + y0, x + x0) as u8)
                .collect();
            if colours.iter().any(|c| *c > 2) {
                return Err("its filters are not red, green and blue".into());
            }
            (1, (cfa.width, cfa.height, colours))
        }
        RawPhotometricInterpretation::LinearRaw if image.cpp == 3 => (3, (0, 0, Vec::new())),
        _ => return Err(format!("it has {} channels, which is not read", image.cpp)),
    };
    let steps = opcodes_of(decoder.as_ref(), channels)?;
    let camera = format!("{} {}", record.make, record.model);
    let description = Description {
        width,
        height,
        channels,
        is_float: !steps.is_empty() || matches!(image.data, RawImageData::Float(_)),
        pattern,
        black: black(&image, x0, y0),
        white: image.whitelevel.0.first().map_or(65_535.0, |w| *w as f32),
        balance: balance(image.wb_coeffs),
        matrix: to_working(&image),
        orientation: image.orientation.to_u16() as u8,
        record: camera_record(&record.exif, camera.trim()),
    };
    if only_record {
        return Ok((description, Vec::new()));
    }
    let area = (x0, y0, width, height);
    let data =
        if steps.is_empty() { rows(&image, area, channels) } else { corrected(&image, &description, area, &steps) };
    Ok((description, data))
}

/// The sites that are the picture: column, row, width, height.
fn area(image: &RawImage) -> (usize, usize, usize, usize) {
    match image.crop_area.or(image.active_area) {
        Some(r) if r.p.x + r.d.w <= image.width && r.p.y + r.d.h <= image.height => (r.p.x, r.p.y, r.d.w, r.d.h),
        _ => (0, 0, image.width, image.height),
    }
}

fn rows(image: &RawImage, (x0, y0, width, height): (usize, usize, usize, usize), channels: usize) -> Parts {
    let stride = image.width * image.cpp;
    let row = |y: usize| (y0 + y) * stride + x0 * channels..(y0 + y) * stride + (x0 + width) * channels;
    match &image.data {
        RawImageData::Integer(values) => {
            (0..height).map(|y| values[row(y)].iter().flat_map(|v| v.to_le_bytes()).collect()).collect()
        }
        RawImageData::Float(values) => {
            (0..height).map(|y| values[row(y)].iter().flat_map(|v| v.to_le_bytes()).collect()).collect()
        }
    }
}

/// The corrections that the file asks for, those after its numbers are colours only where they are at once.
fn opcodes_of(decoder: &dyn Decoder, channels: usize) -> Result<Vec<Opcode>, String> {
    let Some(directory) = decoder.ifd(WellKnownIFD::Raw).ok().flatten() else { return Ok(Vec::new()) };
    let list = |tag: DngTag| match directory.get_entry(tag).map(|e| &e.value) {
        Some(Value::Undefined(bytes) | Value::Byte(bytes) | Value::Unknown(_, bytes)) => opcodes::parse(bytes),
        _ => Ok(Vec::new()),
    };
    // Done to numbers as they are stored, before black is known: refused unless it may be left out.
    if list(DngTag::OpcodeList1)?.iter().any(|step| !step.is_optional()) {
        return Err("it asks for corrections of its stored numbers, which are not made".into());
    }
    let mut steps = list(DngTag::OpcodeList2)?;
    if channels == 3 {
        steps.extend(list(DngTag::OpcodeList3)?);
    }
    Ok(steps)
}

/// The numbers with the file's corrections made, on their own scale of black and white.
fn corrected(
    image: &RawImage,
    description: &Description,
    (x0, y0, width, height): (usize, usize, usize, usize),
    steps: &[Opcode],
) -> Parts {
    let Description { channels, black, white, .. } = *description;
    let stride = image.width * image.cpp;
    let at = |i: usize| {
        let (site, channel) = (i / channels, i % channels);
        (y0 + site / width) * stride + (x0 + site % width) * channels + channel
    };
    // Of colours one black is told, of a mosaic four.
    let black = |i: usize| if channels == 3 { black[0] } else { black[i / width % 2 * 2 + i % width % 2] };
    let number = |i: usize| match &image.data {
        RawImageData::Integer(values) => f32::from(values[at(i)]),
        RawImageData::Float(values) => values[at(i)],
    };
    let count = width * height * channels;
    let mut values: Vec<f32> = (0..count).map(|i| (number(i) - black(i)) / (white - black(i))).collect();
    let active = image.active_area;
    let (left, top) = active.map_or((0, 0), |a| (a.p.x, a.p.y));
    let whole = active.map_or((image.width, image.height), |a| (a.d.w, a.d.h));
    let corner = (x0.saturating_sub(left), y0.saturating_sub(top));
    let mut numbers = Numbers { values: &mut values, width, channels, corner, whole };
    steps.iter().for_each(|step| step.apply(&mut numbers));
    let bytes = values.iter().enumerate().flat_map(|(i, v)| (black(i) + v * (white - black(i))).to_le_bytes());
    vec![bytes.collect()]
}

/// Black levels of 2 x 2 sites from the picture's corner on.
fn black(image: &RawImage, x0: usize, y0: usize) -> [f32; 4] {
    let b = &image.blacklevel;
    std::array::from_fn(|i| {
        let (x, y) = (x0 + i % 2, y0 + i / 2);
        let at = ((y % b.height.max(1)) * b.width + x % b.width.max(1)) * b.cpp;
        b.levels.get(at).map_or(0.0, |l| l.as_f32())
    })
}

/// White balance with its least factor 1; none where the camera recorded none.
fn balance(coefficients: [f32; 4]) -> [f32; 3] {
    let [r, g, b, _] = coefficients;
    let least = r.min(g).min(b);
    if least.is_finite() && least > 0.0 { [r / least, g / least, b / least] } else { [1.0; 3] }
}

/// From the balanced camera's colours to the working space: the camera's matrix (XYZ to camera, for D65 if
/// it has one) times the working primaries, each row scaled so that white stays white, turned round
/// (Adobe DNG Specification 1.7, chapter 6, without its interpolation between two lights: the Moon is
/// sunlit).
fn to_working(image: &RawImage) -> Matrix3 {
    const IDENTITY: Matrix3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    let by_light = [Illuminant::D65, Illuminant::D55, Illuminant::D50, Illuminant::Daylight, Illuminant::Unknown];
    let flat = by_light.iter().find_map(|i| image.color_matrix.get(i)).or_else(|| image.color_matrix.values().next());
    let Some(flat) = flat.filter(|m| m.len() >= 9) else { return IDENTITY };
    let camera: Matrix3 = std::array::from_fn(|r| std::array::from_fn(|c| f64::from(flat[r * 3 + c])));
    let from_working = product(camera, RgbSpace::WORKING.to_xyz()).map(|row| {
        let sum: f64 = row.iter().sum();
        row.map(|v| v / sum)
    });
    let back = inverse(from_working);
    if back.iter().flatten().all(|v| v.is_finite()) { back } else { IDENTITY }
}

fn ratio(r: Option<&Rational>) -> Option<f64> {
    r.filter(|r| r.d != 0).map(|r| f64::from(r.n) / f64::from(r.d))
}

fn camera_record(exif: &Exif, camera: &str) -> CameraRecord {
    let iso = exif.iso_speed_ratings.filter(|i| *i < u16::MAX).map(u32::from);
    CameraRecord {
        exposure_time_s: ratio(exif.exposure_time.as_ref()),
        f_number: ratio(exif.fnumber.as_ref()),
        iso: iso.or(exif.iso_speed).or(exif.recommended_exposure_index).map(f64::from),
        focal_length_mm: ratio(exif.focal_length.as_ref()),
        equivalent_focal_length_mm: None,
        digital_zoom: None,
        pixel_pitch_um: None,
        camera_model: Some(camera.to_owned()).filter(|c| !c.is_empty()),
        date_time: exif.date_time_original.clone(),
        sub_second: exif.sub_sec_time_original.clone(),
        offset: exif.offset_time_original.clone(),
        place: exif.gps.as_ref().and_then(site_of),
    }
}

fn site_of(gps: &ExifGPS) -> Option<Site> {
    let degrees = |parts: &Option<[Rational; 3]>, reference: &Option<String>, negative: &str| {
        let [d, m, s] = parts.as_ref()?;
        let value = ratio(Some(d))? + ratio(Some(m))? / 60.0 + ratio(Some(s)).unwrap_or(0.0) / 3600.0;
        let sign =
            if reference.as_deref().is_some_and(|r| r.trim().eq_ignore_ascii_case(negative)) { -1.0 } else { 1.0 };
        Some(sign * value)
    };
    let below = gps.gps_altitude_ref == Some(1);
    Some(Site {
        latitude_deg: degrees(&gps.gps_latitude, &gps.gps_latitude_ref, "S")?,
        longitude_deg: degrees(&gps.gps_longitude, &gps.gps_longitude_ref, "W")?,
        elevation_m: ratio(gps.gps_altitude.as_ref()).map_or(0.0, |a| if below { -a } else { a }),
    })
}
