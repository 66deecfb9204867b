//! One frame before its pixels are asked for, and the rig that took it.

use super::content::Content;
use super::decode::open_content;
use super::fingerprint::fingerprint_of_bytes;
use super::measuring::channel_of_content;
use super::{
    CaptureTime, Channel, DecodeError, FrameMetadata, MeasuringPlane, OpenFrame, Reading, ShootNotes, fingerprint,
};
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;

/// One frame: a file, what the camera recorded, and when it was taken.
#[derive(Clone)]
pub struct Frame {
    /// The file; of a frame in memory its name alone.
    pub path: PathBuf,
    /// The file's bytes, of a frame in memory.
    pub bytes: Option<Arc<[u8]>>,
    /// Its name without the folder, by which layouts and registrations know it.
    pub name: String,
    /// What the camera recorded.
    pub metadata: FrameMetadata,
    /// When it was taken, if known.
    pub time: Option<CaptureTime>,
    /// Which rig took it: an index into [`Night::rigs`](super::Night::rigs).
    pub rig: usize,
    /// Whether the notes call it a foreground frame.
    pub foreground: bool,
    /// How it is to be read.
    pub reading: Arc<Reading>,
}

/// Frames of one size, focal length and camera: one plate scale.
#[derive(Clone, Debug, PartialEq)]
pub struct Rig {
    /// Width of its frames, pixels.
    pub width: usize,
    /// Height of its frames, pixels.
    pub height: usize,
    /// Focal length, millimetres, by the notes or the frames.
    pub focal_length_mm: Option<f64>,
    /// What the camera calls that on a frame of 36 x 24 mm: a telephone's zoom changes it and nothing else.
    pub equivalent_focal_length_mm: Option<f64>,
    /// Camera model.
    pub camera_model: Option<String>,
    /// Pixels per radian at the optical axis, when focal length and pixel pitch are known.
    pub focal_length_px: Option<f64>,
}

impl Rig {
    /// Whether frames of two rigs are one camera's at one focal length, if of different sizes: cropped by hand, it may be.
    pub(crate) fn is_one_camera_with(&self, other: &Rig) -> bool {
        self.camera_model == other.camera_model
            && self.focal_length_mm == other.focal_length_mm
            && self.equivalent_focal_length_mm == other.equivalent_focal_length_mm
    }
}

impl Frame {
    fn content(&self) -> Content<'_> {
        Content { path: &self.path, bytes: self.bytes.as_deref() }
    }

    pub(super) fn is_raw(&self) -> bool {
        self.content().is_raw()
    }

    /// Opens it, as the night says that it is to be read.
    ///
    /// # Errors
    /// As [`open_frame`](super::open_frame).
    pub fn open(&self) -> Result<OpenFrame, DecodeError> {
        self.open_as(&self.reading)
    }

    /// Opens it, read otherwise.
    ///
    /// # Errors
    /// As [`open_frame`](super::open_frame).
    pub fn open_as(&self, reading: &Reading) -> Result<OpenFrame, DecodeError> {
        open_content(self.content(), reading)
    }

    /// One of its channels, for measuring.
    ///
    /// # Errors
    /// As [`open_frame`](super::open_frame).
    pub fn channel(&self, channel: Channel) -> Result<MeasuringPlane, DecodeError> {
        channel_of_content(self.content(), &self.reading, channel)
    }

    /// What tells its file from others, as [`fingerprint`] does.
    pub fn fingerprint(&self) -> Option<String> {
        self.bytes.as_deref().map_or_else(|| fingerprint(&self.path), fingerprint_of_bytes)
    }
}

impl fmt::Debug for Frame {
    /// Without the bytes of a frame in memory.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Frame")
            .field("name", &self.name)
            .field("path", &self.path)
            .field("time", &self.time)
            .field("rig", &self.rig)
            .field("metadata", &self.metadata)
            .finish_non_exhaustive()
    }
}

/// Diagonal of the frame that equivalent focal lengths are told for, millimetres (CIPA DCG-001: 36 x 24 by its diagonal).
const EQUIVALENT_DIAGONAL_MM: f64 = 43.267;

/// The rig of a frame: its size, camera and focal length, by the table, the notes or the camera.
pub(super) fn rig_of(metadata: &FrameMetadata, notes: Option<&ShootNotes>, in_table: Option<f64>) -> Rig {
    let optics = notes.map(|n| n.optics).unwrap_or_default();
    let said = in_table.or(optics.focal_length_mm);
    // A digital zoom enlarges what the lens draws.
    let recorded = metadata.focal_length_mm.map(|f| f * metadata.digital_zoom.unwrap_or(1.0));
    let focal_length_mm = said.or(recorded);
    let (width, height) = (metadata.width as f64, metadata.height as f64);
    let noted = optics.pixel_pitch_um.map(|p| p / 1000.0).or(optics.sensor_width_mm.map(|w| w / width.max(height)));
    let pitch_mm = noted.or(metadata.pixel_pitch_um.map(|p| p / 1000.0));
    let equivalent_mm = metadata.equivalent_focal_length_mm.filter(|_| said.is_none());
    let by_equivalent = equivalent_mm.map(|f| f * width.hypot(height) / EQUIVALENT_DIAGONAL_MM);
    Rig {
        width: metadata.width,
        height: metadata.height,
        focal_length_mm,
        equivalent_focal_length_mm: equivalent_mm,
        camera_model: metadata.camera_model.clone(),
        focal_length_px: focal_length_mm.zip(pitch_mm).map(|(f, p)| f / p).or(by_equivalent),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_telephones_zoom_makes_rigs_of_its_own() {
        let frame = |equivalent: f64, zoom: Option<f64>| FrameMetadata {
            width: 4000,
            height: 3000,
            focal_length_mm: Some(6.0),
            equivalent_focal_length_mm: Some(equivalent),
            digital_zoom: zoom,
            ..FrameMetadata::default()
        };
        let (short, long) = (rig_of(&frame(52.0, None), None, None), rig_of(&frame(208.0, Some(4.0)), None, None));
        assert_ne!(short, long);
        // The diagonal of 5000 pixels stands for 43.267 mm.
        assert!((short.focal_length_px.unwrap() - 52.0 * 5000.0 / 43.267).abs() < 1e-6);
        assert_eq!(long.focal_length_mm, Some(24.0));
        // The table's word wins over the camera's, and the camera's equivalent says nothing of it.
        let told = rig_of(&frame(208.0, None), None, Some(300.0));
        assert_eq!((told.focal_length_mm, told.focal_length_px), (Some(300.0), None));
    }
}
