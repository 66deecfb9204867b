//! The project's promises, tested from outside.

mod abroad;
mod arrangements;
mod cli;
mod corpus;
mod faults;
mod frames;
mod golden;
mod hands;
mod ignored;
mod language;
mod layering;

mod layouts;
mod licences;
mod lies;
mod light;
mod matrix;
mod moonless;
mod mutations;
mod nights;
mod page;
mod parts;
mod pictures;
mod plan;
mod proof;
mod properties;
mod raw;
mod readme;
mod reference;
mod spoilt;
mod table;
mod town;
mod truth;
mod vigil;
mod written;
