//! Pixels to a file, whole or not at all.
//!
//! The writer pulls: it asks for bands of rows from the top as it needs them, quantises them and
//! writes them under a temporary name beside the target, which is renamed when everything is on
//! the disk. An interrupted run leaves an older file as it was.

mod codes;
mod dng;
mod exif_block;
#[cfg(feature = "exr")]
mod exr;
mod icc;
mod jpeg;
#[cfg(feature = "video")]
mod mp4;
mod png;
mod record;
mod tiff;
#[cfg(feature = "video")]
mod video;
mod whole_file;

pub use exif_block::CaptureTags;
pub use record::PictureRecord;
pub use whole_file::{abandon_unfinished, write_bytes, write_kept, write_text};

use crate::raster::{RgbSpace, TransferFunction};
use std::path::{Path, PathBuf};

/// Bits per channel in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BitDepth {
    /// Eight-bit integer.
    Eight,
    /// Sixteen-bit integer.
    Sixteen,
    /// Half precision (OpenEXR).
    Half,
    /// Single precision (OpenEXR, TIFF).
    Float,
}

impl BitDepth {
    /// Bytes of one channel's value.
    fn bytes(self) -> usize {
        match self {
            BitDepth::Eight => 1,
            BitDepth::Sixteen | BitDepth::Half => 2,
            BitDepth::Float => 4,
        }
    }
}

/// The kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// TIFF 6.0, or BigTIFF when it would not fit: Deflate with a predictor; eight or sixteen bits or floats.
    Tiff,
    /// PNG: eight or sixteen bits.
    Png,
    /// OpenEXR: half or single precision, always linear.
    #[cfg(feature = "exr")]
    Exr,
    /// JPEG: eight bits, for previews and rehearsed camera frames.
    Jpeg {
        /// 1..=100.
        quality: u8,
    },
    /// DNG: a sensor's mosaic, for rehearsed camera frames.
    Dng,
}

impl Container {
    /// The kind that a file's ending asks for.
    ///
    /// # Errors
    /// [`WriteError::UnknownEnding`].
    pub fn for_path(path: &Path) -> Result<Self, WriteError> {
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase();
        match ending.as_str() {
            "tif" | "tiff" => Ok(Container::Tiff),
            "png" => Ok(Container::Png),
            #[cfg(feature = "exr")]
            "exr" => Ok(Container::Exr),
            "jpg" | "jpeg" => Ok(Container::Jpeg { quality: 92 }),
            _ => Err(WriteError::UnknownEnding { path: path.to_owned() }),
        }
    }

    /// The depth nearest to a wish that this kind can hold.
    pub fn depth(self, wish: BitDepth) -> BitDepth {
        match (self, wish) {
            (Container::Jpeg { .. }, _) => BitDepth::Eight,
            (Container::Dng, _) => BitDepth::Sixteen,
            #[cfg(feature = "exr")]
            (Container::Exr, BitDepth::Float) => BitDepth::Float,
            #[cfg(feature = "exr")]
            (Container::Exr, _) => BitDepth::Half,
            (Container::Png, BitDepth::Half | BitDepth::Float) => BitDepth::Sixteen,
            (Container::Tiff, BitDepth::Half) => BitDepth::Float,
            (_, wish) => wish,
        }
    }
}

/// How a picture is to be written.
#[derive(Clone, Debug)]
pub struct OutputSpec {
    /// The kind of file.
    pub container: Container,
    /// Bits per channel, one that the container holds.
    pub depth: BitDepth,
    /// The colour space of the file.
    pub space: RgbSpace,
    /// The colour space of the light that is handed over.
    pub light: RgbSpace,
    /// Print resolution, pixels per inch.
    pub dots_per_inch: f64,
    /// How the picture was made, for whoever opens the file.
    pub record: Option<PictureRecord>,
    /// What a camera records (for rehearsed frames, which embed no profile).
    pub capture: Option<CaptureTags>,
}

impl OutputSpec {
    /// sRGB at 300 dpi from light in the working space, with nothing said of it.
    pub fn new(container: Container, wish: BitDepth) -> Self {
        OutputSpec {
            container,
            depth: container.depth(wish),
            space: RgbSpace::SRGB,
            light: RgbSpace::WORKING,
            dots_per_inch: 300.0,
            record: None,
            capture: None,
        }
    }

    /// As [`new`](Self::new) for a target's ending, sixteen bits where the kind holds them.
    ///
    /// # Errors
    /// [`WriteError::UnknownEnding`].
    pub fn for_path(path: &Path) -> Result<Self, WriteError> {
        Ok(Self::new(Container::for_path(path)?, BitDepth::Sixteen))
    }

    /// The file's colour space; floats are linear light whatever curve its integers would have.
    fn file_space(&self) -> RgbSpace {
        match self.depth {
            BitDepth::Half | BitDepth::Float => RgbSpace { transfer: TransferFunction::Linear, ..self.space },
            BitDepth::Eight | BitDepth::Sixteen => self.space,
        }
    }

    /// The profile that goes into the file.
    fn profile(&self) -> Option<Vec<u8>> {
        if self.capture.is_some() { None } else { icc::profile(&self.file_space()) }
    }
}

/// Why a picture could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The target's ending names no file kind.
    #[error("cannot tell from its ending what kind of file {} should be", path.display())]
    UnknownEnding {
        /// The target.
        path: PathBuf,
    },
    /// The operating system refused.
    #[error("cannot write {}: {source}", path.display())]
    Io {
        /// The target.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// An encoder refused.
    #[error("cannot encode {}: {message}", path.display())]
    Encode {
        /// The target.
        path: PathBuf,
        /// What the encoder said.
        message: String,
    },
}

/// Rows of interleaved linear RGB: asked for from the top, never twice. The range is of row numbers; three numbers a pixel are
/// wanted, row after row.
pub type Bands<'a> = dyn FnMut(std::ops::Range<usize>) -> Vec<f32> + 'a;

/// A picture to be pulled.
struct Picture<'a> {
    width: usize,
    height: usize,
    bands: &'a mut Bands<'a>,
}

/// Writes a picture of `width` x `height` pixels, pulling its rows from `bands`.
///
/// ```
/// use moonloom::write::{OutputSpec, write_picture};
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// # let folder = tempfile::tempdir()?;
/// # let path = folder.path().join("ramp.png");
/// // Any light in memory: linear Rec. 2020, three numbers a pixel.
/// let (width, height) = (64, 32);
/// let light: Vec<f32> = (0..3 * width * height).map(|i| i as f32 / (3 * width * height) as f32).collect();
/// let rows_of = &mut |rows: std::ops::Range<usize>| light[3 * width * rows.start..3 * width * rows.end].to_vec();
/// write_picture(&path, &OutputSpec::for_path(&path)?, (width, height), rows_of)?;
/// # Ok(())
/// # }
/// ```
///
/// # Errors
/// [`WriteError`]; the target is then as it was before. Rows that are handed out short or long are an [`WriteError::Encode`].
pub fn write_picture<'a>(
    path: &Path,
    spec: &OutputSpec,
    (width, height): (usize, usize),
    bands: &'a mut Bands<'a>,
) -> Result<(), WriteError> {
    let wrong = std::cell::RefCell::new(None);
    let mut measured = |rows: std::ops::Range<usize>| {
        let wanted = 3 * width * rows.len();
        let mut light = bands(rows.clone());
        if light.len() != wanted {
            wrong.replace(Some(format!("rows {rows:?} came as {} numbers instead of {wanted}", light.len())));
            light.resize(wanted, 0.0);
        }
        light
    };
    let mut picture = Picture { width, height, bands: &mut measured };
    whole_file::write_whole(path, |file| {
        match spec.container {
            Container::Tiff => tiff::encode(file, spec, &mut picture).map_err(|e| e.to_string()),
            Container::Png => png::encode(file, spec, &mut picture).map_err(|e| e.to_string()),
            #[cfg(feature = "exr")]
            Container::Exr => exr::encode(file, spec, &mut picture).map_err(|e| e.to_string()),
            Container::Dng => dng::encode(file, spec, &mut picture).map_err(|e| e.to_string()),
            Container::Jpeg { quality } => jpeg::encode(file, spec, quality, &mut picture).map_err(|e| e.to_string()),
        }?;
        wrong.take().map_or(Ok(()), Err)
    })
}

/// How long a picture of an animation stands: a fraction of a second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delay {
    /// Numerator.
    pub parts: u16,
    /// Denominator; 0 is a hundred, as in an animated PNG.
    pub of_a_second: u16,
}

impl Delay {
    /// The denominator as it is meant.
    #[cfg(feature = "video")]
    fn denominator(self) -> f64 {
        f64::from(if self.of_a_second == 0 { 100 } else { self.of_a_second })
    }
}

/// Writes an animated PNG (third edition), pulling its pictures one after another: each as its linear light, top row first.
///
/// # Errors
/// [`WriteError`]; the target is then as it was before.
pub fn write_animation(
    path: &Path,
    spec: &OutputSpec,
    (width, height): (usize, usize),
    delays: &[Delay],
    pictures: &mut dyn FnMut(usize) -> Option<Vec<f32>>,
) -> Result<(), WriteError> {
    whole_file::write_whole(path, |file| png::animate(file, spec, (width, height), delays, pictures))
}

/// Whether a colour space can be said in a video: sRGB, Display P3 and Rec. 2020 can.
#[cfg(feature = "video")]
pub fn video_can_say(space: &RgbSpace) -> bool {
    video::CodePoints::of(space).is_some()
}

/// Writes a film as AV1 in MP4, pulling its pictures as [`write_animation`] does: ten bits in the colour space of `spec`, which is
/// sRGB, Display P3 or Rec. 2020. No picture is shown for no time.
///
/// # Errors
/// [`WriteError`]; the target is then as it was before.
#[cfg(feature = "video")]
pub fn write_video(
    path: &Path,
    spec: &OutputSpec,
    (width, height): (usize, usize),
    delays: &[Delay],
    pictures: &mut dyn FnMut(usize) -> Option<Vec<f32>>,
) -> Result<(), WriteError> {
    whole_file::write_whole(path, |file| video::encode(file, spec, (width, height), delays, pictures))
}

/// The numbers of linear Rec. 2020 light as eight-bit sRGB codes (IEC 61966-2-1), three a pixel: for a screen. Colours beyond
/// sRGB keep their brightness and their hue. They are the numbers that [`write_picture`] puts into an eight-bit sRGB file.
pub fn srgb_codes(light: &[f32]) -> Vec<u8> {
    codes::Coder::new(&OutputSpec::new(Container::Png, BitDepth::Eight)).eight(light)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_that_come_short_make_no_file() {
        let folder = tempfile::tempdir().unwrap();
        let names: &[&str] =
            if cfg!(feature = "exr") { &["a.tif", "a.png", "a.jpg", "a.exr"] } else { &["a.tif", "a.png", "a.jpg"] };
        for name in names {
            let path = folder.path().join(name);
            let spec = OutputSpec::for_path(&path).unwrap();
            let short = write_picture(&path, &spec, (40, 30), &mut |rows| vec![0.5; 3 * 40 * rows.len() - 3]);
            assert!(short.unwrap_err().to_string().contains("numbers instead of"), "{name}");
            assert!(!path.exists(), "{name}");
            write_picture(&path, &spec, (40, 30), &mut |rows| vec![0.5; 3 * 40 * rows.len()]).unwrap();
        }
    }

    #[test]
    fn light_is_coded_for_a_screen() {
        assert_eq!(srgb_codes(&[0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.5, 0.5, 0.5]), [0, 0, 0, 255, 255, 255, 188, 188, 188]);
    }
}
