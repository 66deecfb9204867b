//! Frames with known truth: what a given camera at a given site would take of a given eclipse.
//!
//! Photographers use it to see their picture before the night; the tests use it as truth. It
//! shares the sky with the rest of the program and nothing else: `register`, `layout` and `blend`
//! are never used here, or shared mistakes would hide.

mod camera;
mod frames;
mod landscape;
mod mishaps;
mod moon_disc;
mod night_sky;
mod painting;
mod processing;
mod scenario;
mod scenario_file;
mod shadow;
mod shot;
mod sky_field;
mod truth;

pub use frames::{RehearseError, refuse_a_photographers_folder, rehearse, rehearse_one};
pub use mishaps::{Knock, Mishaps};
pub use processing::Processing;
pub use scenario::{CameraModel, FrameFormat, Landscape, RehearsedMount, RehearsedRig, Scenario};
pub use shadow::RehearsedShadow;
pub use truth::{FrameTruth, Truth};
