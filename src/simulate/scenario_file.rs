//! Reading a rehearsal file: its ranges, in our own words, with the place in the file.

use super::scenario::{RehearsedRig, Scenario};
use crate::diag::{Diagnostic, Span, read_ron};
use std::path::Path;

impl Scenario {
    /// Reads and checks a rehearsal file.
    ///
    /// # Errors
    /// A [`Diagnostic`] that points at the fault.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostic> {
        let scenario: Scenario = read_ron(path, text)?;
        match fault_of(&scenario) {
            None => Ok(scenario),
            Some(fault) => {
                let mut d = Diagnostic::error("rehearsal-value", fault.message).with_help(fault.help);
                d.span = Span::of_field(path, text, &[fault.field]);
                Err(d)
            }
        }
    }
}

/// A value that no night can be rehearsed with.
struct Fault {
    /// The field's name in the file.
    field: &'static str,
    /// What is wrong.
    message: String,
    /// What would be right.
    help: String,
}

fn fault(field: &'static str, message: impl Into<String>, help: impl Into<String>) -> Option<Fault> {
    Some(Fault { field, message: message.into(), help: help.into() })
}

/// The first fault of a night, if it has one.
fn fault_of_night(scenario: &Scenario) -> Option<Fault> {
    let s = scenario;
    if s.version != 1 {
        return fault("version", format!("version {} is not known", s.version), "this program reads version 1");
    }
    if let Err(e) = s.site.observer() {
        return fault("site", e.to_string(), "give degrees north and east, metres above the sea");
    }
    if !(0.0..=4.0).contains(&s.danjon) {
        let message = format!("{} is not on the Danjon scale", s.danjon);
        return fault("danjon", message, "give 0 (very dark) to 4 (very bright)");
    }
    if s.offset_s().is_none() {
        let message = format!("`{}` is not an offset from UTC", s.utc_offset);
        return fault("utc_offset", message, "write it like \"+08:00\"");
    }
    if s.lunar_eclipse().is_none() {
        let message = format!("there is no lunar eclipse near {}", s.eclipse);
        return fault("eclipse", message, "give the UTC date of greatest eclipse, like \"2028-12-31\"");
    }
    None
}

/// The first fault of a rig, if it has one.
fn fault_of_rig(rig: &RehearsedRig) -> Option<Fault> {
    let (c, m) = (&rig.camera, &rig.mishaps);
    if c.width_px < 16 || c.height_px < 16 || c.width_px.saturating_mul(c.height_px) > 200_000_000 {
        let message = format!("a frame of {}x{} pixels cannot be made", c.width_px, c.height_px);
        return fault("width_px", message, "16 pixels a side at least, 200 megapixels at most");
    }
    if !(c.pixel_pitch_um > 0.0 && c.focal_length_mm > 0.0) {
        let message = "pixel pitch and focal length must be above zero";
        return fault("pixel_pitch_um", message, "micrometres and millimetres");
    }
    let shares = [
        ("cloud", m.cloud, 1.0),
        ("ghost", m.ghost, 1.0),
        ("covered", m.covered, 1.0),
        ("cut", m.cut, 1.0),
        ("shaken", m.shaken, 1.0),
        ("daylight", m.daylight, 1e3),
        ("dragged_px", m.dragged_px.0.hypot(m.dragged_px.1), 1e3),
        ("defocus_px", m.defocus_px, 1e3),
        ("dew_per_hour", m.dew_per_hour, 100.0),
        ("from_minutes", m.from_minutes, 1e5),
        ("smear", c.smear, 1.0),
        ("bloom", c.bloom, 1.0),
        ("contrast", c.processing.contrast, 1.0),
        ("sharpening", c.processing.sharpening, 5.0),
        ("smoothing", c.processing.smoothing, 1.0),
    ];
    if let Some((name, value, most)) = shares.into_iter().find(|(_, v, most)| !(0.0..=*most).contains(v)) {
        return fault(name, format!("`{name}` is {value} in the rig `{}`", rig.name), format!("give 0 to {most}"));
    }
    if !(-12.0..=12.0).contains(&m.exposed_stops) {
        let message = format!("`exposed_stops` is {} in the rig `{}`", m.exposed_stops, rig.name);
        return fault("exposed_stops", message, "give -12 to 12");
    }
    if rig.exposures.is_empty() {
        let message = format!("the rig `{}` has no exposure", rig.name);
        return fault("exposures", message, "give at least one step from_umbral_fraction: 0.0");
    }
    if rig.frames.every_minutes.is_nan() || rig.frames.every_minutes < 0.01 {
        return fault("every_minutes", "frames must be some time apart", "0.01 minutes at least");
    }
    None
}

/// The first value that no night can be rehearsed with, if there is one.
fn fault_of(scenario: &Scenario) -> Option<Fault> {
    fault_of_night(scenario).or_else(|| scenario.rigs.iter().find_map(fault_of_rig))
}
