//! Files to linear frames with trustworthy times.
//!
//! [`read_night`] looks at a folder without decoding a pixel: which files are frames, what the
//! camera recorded, what `shoot.ron` adds ([`night_in_memory`] at files that are in memory: `content`); a `frame` opens itself. [`decode`] turns one frame into linear light when a
//! later stage asks for it, or one channel of it to be measured (`measuring`): `coded` (JPEG, PNG,
//! TIFF, by their profile: `source_colour`), `fits`, `raw` (in a process of its own) and the sensor's `mosaic`; `calibration` takes out what the camera added, by `masters`. `frame_table`
//! and `notes` say what the cameras did not record.

mod border;
mod calibration;
mod coded;
mod content;
mod decode;
mod file_kind;
mod fingerprint;
mod fits;
mod frame;
mod frame_table;
mod ignored;
mod jpeg_bits;
mod jpeg_headers;
mod jpeg_scan;
mod jpeg_step;
mod jpeg_thumbnail;
mod jpeg_upper;
mod masters;
mod measuring;
mod metadata;
mod mosaic;
mod night;
mod notes;
#[cfg(feature = "raw")]
mod raw;
#[cfg(not(feature = "raw"))]
#[path = "raw_unread.rs"]
mod raw;
mod reading;
mod record;
mod response_file;
mod source_colour;
mod upright;

pub(crate) use coded::{MEASURING_BYTES_A_PIXEL, OPEN_BYTES_A_PIXEL};
pub use decode::{OpenFrame, decode, open_frame, open_frame_in_memory};
pub use fingerprint::fingerprint;
pub use frame::{Frame, Rig};
pub use frame_table::set_frame_time;
pub use ignored::{Ignored, IgnoredRectangle};
pub use measuring::{MeasuringPlane, decode_brightness, decode_channel};
pub use metadata::{is_own_picture, read_metadata};
pub use night::{FrameInMemory, Night, NightError, night_in_memory, read_frames, read_night};
pub use notes::{Calibration, Clock, Optics, ShootNotes, Site};
#[cfg(feature = "raw")]
pub use raw::{answer_as_raw_reader, set_raw_reader};
pub use reading::{Channel, DecodeError, Reading};
pub use record::{CaptureTime, FrameMetadata};
pub use response_file::{STEPS as RESPONSE_STEPS, parse_response, response_text};
