//! Quantities that cannot be confused: angles, instants and exposures.
//!
//! Everything here is a thin wrapper over `f64`; the type carries the unit so that a
//! signature says what it takes. Uses no other module of the crate.

mod angle;
mod exposure;
mod instant;

pub use angle::Angle;
pub use exposure::{Aperture, Exposure, ExposureTime, ExposureValue, IsoSpeed};
pub use instant::{Instant, InstantError, TimeScale};
