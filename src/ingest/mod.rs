//! Files to linear frames with trustworthy times.
//!
//! [`read_night`] looks at a folder without decoding a pixel: which files are frames, what the
//! camera recorded, what `shoot.ron` adds. [`decode`] turns one frame into linear light when a
//! later stage asks for it.

mod decode;
mod metadata;
mod night;
mod notes;

pub use decode::{DecodeError, decode, decode_brightness};
pub use metadata::{CaptureTime, FrameMetadata, read_metadata};
pub use night::{Frame, Night, NightError, Rig, read_frames, read_night};
pub use notes::{Clock, Mount, Optics, ShootNotes, Site};
