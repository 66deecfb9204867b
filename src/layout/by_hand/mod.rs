//! A layout changed by hand on its picture: what can be taken hold of (`handles`), and which moments are shown (`moments`).
//!
//! Whatever a hand does becomes a change of the layout's text, in the units that stand there: comments, and everything else, stay
//! as a photographer wrote them.

mod handles;
mod moments;

pub use handles::{Handle, handles};
pub use moments::{Touched, touched};

use super::notation::{Length, Unit};
use crate::diag::set_value;

/// A value of a layout's text: the way of names to it (items of lists by their number), and what it is to be, as the notation
/// writes it.
pub type Edit = (Vec<String>, String);

/// A layout's text with values changed; `None` where one has no place in it.
pub fn edited(text: &str, edits: &[Edit]) -> Option<String> {
    edits.iter().try_fold(text.to_owned(), |text, (way, value)| {
        let names: Vec<&str> = way.iter().map(String::as_str).collect();
        set_value(&text, &names, value)
    })
}

/// A way of names continued.
fn onward(way: &[String], names: &[&str]) -> Vec<String> {
    way.iter().cloned().chain(names.iter().map(|n| (*n).to_owned())).collect()
}

/// A length as the notation writes it.
fn written(length: Length) -> String {
    if length.unit == Unit::Pixel { length.value.to_string() } else { format!("\"{length}\"") }
}

/// A number as the notation writes one that need not be whole.
fn number(value: f64) -> String {
    format!("{value:?}")
}
