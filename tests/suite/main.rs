//! The project's promises, tested from outside.

mod cli;
mod layering;
mod layouts;
mod nights;
mod pictures;
mod plan;
mod properties;
mod readme;
mod reference;
mod table;
mod truth;
