//! moonloom: from a night of lunar eclipse frames to one honest picture.
//!
//! From a folder to a picture:
//!
//! ```no_run
//! use moonloom::{ClockSource, ComposeRequest, Layout, PictureRequest, compose, read_night, register};
//! use std::path::Path;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let night = read_night(Path::new("frames"))?.value;
//! let registration = register(&night, ClockSource::Frames, &|file| eprintln!("{file}")).value;
//! let text = r#"(version: 2, canvas: (width: 3000, height: 2000), arrangement: PhaseGrid(columns: 8, rows: 5))"#;
//! let layout = Layout::parse(Path::new("phases.ron"), text)?;
//! let picture = PictureRequest::new(&layout, &night, &registration);
//! let (composition, _) = compose(&ComposeRequest { picture, out: Path::new("phases.tif"), preview: None })?;
//! println!("{} discs, each where it was photographed", composition.placements.len());
//! # Ok(())
//! # }
//! ```
//!
//! Where the Moon and the shadow are needs no frames ([`sky::eclipse_near`] finds the eclipse of a date, [`sky::eclipses_between`] all of
//! some years):
//!
//! ```
//! use moonloom::sky::{Observer, apparent_moon, shadow_from};
//! use moonloom::units::Instant;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let jetty = Observer::new(-31.9, 115.75, 3.0)?;
//! let instant = Instant::parse_utc("2028-12-31T16:52:00Z")?;
//! let moon = apparent_moon(&jetty, instant);
//! assert!(moon.airless.altitude.degrees() > 0.0);
//! assert_eq!(shadow_from(&jetty, instant, &moon).umbral_fraction(), 1.0);
//! # Ok(())
//! # }
//! ```
//!
//! A disc in a buffer that somebody else decoded is [`detect::find_in_picture`]; a night whose files are in memory is
//! [`ingest::night_in_memory`], a picture in memory [`compose::render`].
//! `examples/` holds a small program for each of these, for a decade's eclipses and for the plan of a night.
//!
//! The way of a frame: [`ingest`] reads it as linear light with a trustworthy time, [`solve`]
//! finds the Moon in it, [`layout`] says where its disc goes, [`blend`] lays it there with the words
//! of [`labels`], and [`mod@write`] makes the file; [`mod@compose`] joins them. [`sky`] knows where the Moon
//! was; [`response`] recovers a camera's curve from its brackets; [`plan`] works before the night, [`vigil`] during it; [`proof`] lays out what was
//! found; [`simulate`] makes frames whose truth is known, and [`score`] compares with it what was found.
//!
//! # Features
//! `default-features = false` leaves the sky, and the Moon in frames: [`sky`], [`ingest`], [`detect`], [`solve`], [`registration`],
//! [`response`]. `picture` adds layouts, pictures, plans and rehearsals (all other rooms but `page`, some 120 packages); `exr` writes OpenEXR, `video` films as AV1; `schema` prints a layout's fields; `raw`
//! reads camera raw (LGPL; in a process of its own: `ingest::answer_as_raw_reader`); `page` serves the work to a browser; `cli` is the
//! program.
//!
//! # Conventions
//! * Pixels: x right, y down, origin at the top-left **corner**: the first pixel's centre is (0.5, 0.5).
//! * Position angles from celestial north through east; azimuth from north through east.
//! * Terrestrial Time inside, UTC at the edges.
//! * Light is linear Rec. 2020, `f32`, from [`ingest`] until [`mod@write`].
//! * What went wrong is an error; what was assumed or left out is a [`Diagnostic`] beside the result ([`Warned`]).

#![warn(missing_docs)]
// What only the picture's rooms call stands in rooms that serve without them, too.
#![cfg_attr(not(feature = "picture"), allow(dead_code, unused_imports))]

#[cfg(feature = "picture")]
pub mod blend;
pub mod camera;
#[cfg(feature = "picture")]
pub mod compose;
#[cfg(feature = "picture")]
pub mod composition;
pub mod detect;
pub mod diag;
pub mod files;
pub mod ingest;
#[cfg(feature = "picture")]
pub mod labels;
#[cfg(feature = "picture")]
pub mod layout;
pub mod memory;
#[cfg(feature = "page")]
pub mod page;
#[cfg(feature = "picture")]
pub mod plan;
#[cfg(feature = "picture")]
pub mod proof;
mod random;
pub mod raster;
pub mod registration;
pub mod response;
#[cfg(feature = "picture")]
pub mod score;
#[cfg(feature = "picture")]
pub mod simulate;
pub mod sky;
pub mod solve;
pub mod units;
#[cfg(feature = "picture")]
pub mod vigil;
#[cfg(feature = "picture")]
pub mod write;

#[cfg(feature = "picture")]
pub use compose::{ComposeRequest, PictureRequest, compose, render};
#[cfg(feature = "picture")]
pub use composition::Composition;
pub use diag::{Diagnostic, Warned};
pub use ingest::{Night, read_night};
#[cfg(feature = "picture")]
pub use layout::Layout;
pub use registration::Registration;
pub use solve::{ClockSource, register};
