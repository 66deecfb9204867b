//! moonloom: from a night of lunar eclipse frames to one honest picture.
//!
//! The way of a frame: [`ingest`] reads it as linear light with a trustworthy time, [`solve`]
//! finds the Moon in it, [`layout`] says where its disc goes, [`blend`] lays it there with the words
//! of [`labels`], and [`mod@write`] makes the file; [`compose`] joins them. [`sky`] knows where the Moon
//! was; [`response`] recovers a camera's curve from its brackets; [`plan`] works before the night; [`simulate`] makes frames whose truth is known, and
//! [`score`] compares with it what was found.
//!
//! # Conventions
//! * Pixels: x right, y down, origin at the top-left **corner**: the first pixel's centre is (0.5, 0.5).
//! * Position angles from celestial north through east; azimuth from north through east.
//! * Terrestrial Time inside, UTC at the edges.
//! * Light is linear Rec. 2020, `f32`, from [`ingest`] until [`mod@write`].

#![warn(missing_docs)]

pub mod blend;
pub mod compose;
pub mod detect;
pub mod diag;
pub mod files;
pub mod ingest;
pub mod labels;
pub mod layout;
pub mod memory;
pub mod plan;
pub mod proof;
mod random;
pub mod raster;
pub mod registration;
pub mod response;
pub mod score;
pub mod simulate;
pub mod sky;
pub mod solve;
pub mod units;
pub mod write;
