//! A layout changed by hand on its picture: what can be taken hold of (`handle`; of paths: `path_handle`, of posters: `panel_handle`), and which moments are shown (`moments`).
//!
//! Whatever a hand does becomes a change of the layout's text, in the units that stand there: comments, and everything else, stay
//! as a photographer wrote them.

mod handle;
mod moments;
mod panel_handle;
mod path_handle;

pub use handle::{Handle, handles};
pub use moments::{Touched, touched};
pub use panel_handle::set_aside;

use super::notation::{Length, Unit};
use crate::diag::{has_value, set_value};

/// A value of a layout's text: the way of names to it (items of lists by their number), and what it is to be, as the notation
/// writes it.
pub type Edit = (Vec<String>, String);

/// A layout's text with values changed; `None` where one has no place in it.
pub fn edited(text: &str, edits: &[Edit]) -> Option<String> {
    edits.iter().try_fold(text.to_owned(), |text, (way, value)| {
        let names: Vec<&str> = way.iter().map(String::as_str).collect();
        with_value(&text, &names, value)
    })
}

/// Names that fields had in version 1, and may have still.
const OLDER_NAMES: [(&str, &str); 5] = [
    ("width", "width_px"),
    ("height", "height_px"),
    ("margin", "margin_px"),
    ("disc_diameter", "disc_diameter_px"),
    ("size", "size_px"),
];

/// A layout's text with the value at a way of names replaced or added, under the name that stands there; `None` where the way leads
/// nowhere.
pub fn with_value(text: &str, way: &[&str], value: &str) -> Option<String> {
    let mut older = way.to_vec();
    for name in &mut older {
        *name = OLDER_NAMES.iter().find(|(new, _)| new == name).map_or(*name, |(_, old)| old);
    }
    let stands_there = older != way && !has_value(text, way) && has_value(text, &older);
    set_value(text, if stands_there { &older } else { way }, value)
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
