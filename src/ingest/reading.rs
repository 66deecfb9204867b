//! How a frame is to be read, and why it could not be.

use super::calibration::Masters;
use super::ignored::Ignored;
use super::notes::ShootNotes;
use crate::raster::TransferFunction;
use std::path::PathBuf;
use std::sync::Arc;

/// Why a frame could not be decoded.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DecodeError {
    /// The operating system refused.
    #[error("cannot read {}: {source}", path.display())]
    Io {
        /// The frame.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is damaged or of a kind that is not read.
    #[error("cannot decode {}: {message}", path.display())]
    Damaged {
        /// The frame.
        path: PathBuf,
        /// What the decoder said.
        message: String,
    },
}

/// How a night's frames are to be read, beyond what each file says itself.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// How integers stand for light, if the notes say; it wins over a profile's curve.
    pub transfer: Option<TransferFunction>,
    /// The camera's response: light of 256 even steps of the file value, red, green and blue.
    pub response: Option<Arc<[Vec<f32>; 3]>>,
    /// Dark, flat and bias masters.
    pub masters: Option<Arc<Masters>>,
    /// How long the frame was exposed, seconds: which dark belongs to it.
    pub exposure_s: Option<f64>,
    /// Whether sites that glow by themselves are repaired; by default in camera raw and FITS, and on discs ([`OpenFrame::of_disc`]).
    ///
    /// [`OpenFrame::of_disc`]: super::OpenFrame::of_disc
    pub repair_hot_pixels: Option<bool>,
    /// What of the frame is no photograph, by the notes.
    pub ignored: Ignored,
    /// Whether it is no photograph at all but drawn, as masks are: its file may be far smaller than a photograph's.
    pub is_drawing: bool,
}

impl Reading {
    /// What the notes say of it, but for the files that they name.
    pub(super) fn of_notes(notes: Option<&ShootNotes>) -> Self {
        let Some(notes) = notes else { return Reading::default() };
        Reading {
            transfer: notes.transfer(),
            ignored: notes.ignore.clone(),
            repair_hot_pixels: notes.calibration.repair_hot_pixels,
            ..Reading::default()
        }
    }
}

impl From<TransferFunction> for Reading {
    fn from(transfer: TransferFunction) -> Self {
        Reading { transfer: Some(transfer), ..Reading::default() }
    }
}

/// One channel of a frame, for measuring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    /// The luma of a JPEG (a third of the work), the mean of the channels of anything else.
    ///
    /// Luma is a sum of coded values, so its light is that of a grey of the same luma; for a coloured
    /// Moon it is no photometric quantity, but its limb is where it is.
    Brightness,
    /// Red alone, where the copper of totality stands clearest of cloud and town.
    Red,
    /// What is red beyond the frame's own grey: cloud, haze and town cancel, copper stays.
    Copper,
}
