//! moonloom: from a night of lunar eclipse frames to one honest picture.
//!
//! TODO
//!
//! # Conventions
//! * Pixels: x right, y down, origin at the top-left **corner**: the first pixel's centre is (0.5, 0.5).
//! * Position angles from celestial north through east; azimuth from north through east.
//! * Terrestrial Time inside, UTC at the edges.
//! * Light is linear `f32` until [`write`].

#![warn(missing_docs)]

pub mod diag;
pub mod ingest;
pub mod raster;
pub mod register;
pub mod simulate;
pub mod sky;
pub mod units;
pub mod write;
