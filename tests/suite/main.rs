//! The project's promises, tested from outside.

mod cli;
mod layering;
mod layouts;
mod matrix;
mod nights;
mod pictures;
mod plan;
mod properties;
mod readme;
mod reference;
mod table;
mod truth;
