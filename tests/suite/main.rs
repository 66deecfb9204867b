//! The project's promises, tested from outside.

mod reference;
mod table;
