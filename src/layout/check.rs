//! Ranges and contradictions of a layout file, in our own words, with the place in the file.

use super::Layout;
use super::notation::{Arrangement, Atmosphere, Normalization, Sharpening};
use crate::diag::Diagnostic;
use crate::raster::{ColourMatrix, RgbSpace, TransferFunction};
use crate::units::Instant;
use palette::Srgb;
use std::str::FromStr;

/// Light in the working space of a CSS colour name or `#rrggbb`.
pub(super) fn colour(text: &str) -> Option<[f32; 3]> {
    let lower = text.trim().to_ascii_lowercase();
    let srgb: Srgb<u8> = palette::named::from_str(&lower).or_else(|| Srgb::from_str(&lower).ok())?;
    let light = [srgb.red, srgb.green, srgb.blue].map(|c| TransferFunction::Srgb.decode(f32::from(c) / 255.0));
    Some(ColourMatrix::new(RgbSpace::SRGB.to(&RgbSpace::WORKING)).apply(light))
}

/// Largest side of a canvas, pixels.
const LARGEST_SIDE: usize = 60_000;

pub(super) fn check(layout: &Layout) -> Result<(), Diagnostic> {
    let f = &layout.file;
    if f.version != 1 {
        return Err(layout.fault(
            &["version"],
            format!("version {} of a layout is not known", f.version),
            "this program reads version 1",
        ));
    }
    let c = &f.canvas;
    for (name, side) in [("width_px", c.width_px), ("height_px", c.height_px)] {
        if !(16..=LARGEST_SIDE).contains(&side) {
            return Err(layout.fault(&["canvas", name], format!("`{name}` is {side}"), "give 16 to 60000 pixels"));
        }
    }
    if !(0.0..=0.45).contains(&(c.margin_px / c.width_px.min(c.height_px) as f64)) {
        return Err(layout.fault(
            &["canvas", "margin_px"],
            "the margins leave no room",
            "give less than 45 % of the shorter side",
        ));
    }
    if !(10.0..=5000.0).contains(&c.dots_per_inch) {
        return Err(layout.fault(
            &["canvas", "dots_per_inch"],
            format!("{} pixels per inch cannot be printed", c.dots_per_inch),
            "give 10 to 5000; 300 is usual for prints",
        ));
    }
    for (name, text) in [("background", &c.background), ("ink", &c.ink)] {
        if colour(text).is_none() {
            return Err(layout.fault(
                &["canvas", name],
                format!("`{text}` is no colour"),
                "give a CSS colour name or #rrggbb, such as \"midnightblue\" or \"#07080c\"",
            ));
        }
    }
    light(layout)?;
    selection(layout)?;
    arrangement(layout)?;
    if let Some(labels) = &f.labels {
        if !(4.0..=2000.0).contains(&labels.size_px) {
            return Err(layout.fault(
                &["labels", "size_px"],
                format!("letters of {} px cannot be drawn", labels.size_px),
                "give 4 to 2000",
            ));
        }
        if labels.every == 0 {
            return Err(layout.fault(&["labels", "every"], "`every` is 0", "1 labels every disc, 2 every other"));
        }
        if let Err(unknown) = super::arrange::check_template(&labels.text) {
            return Err(layout.fault(
                &["labels", "text"],
                format!("`{{{unknown}}}` is not known in a label"),
                "valid: {local:%H:%M}, {utc:%H:%M}, {umbral}, {altitude}, {exposure}, {file}",
            ));
        }
    }
    Ok(())
}

/// True ratios of light need every frame's exposure.
pub(super) fn exposures<'a>(
    layout: &Layout,
    night: &crate::ingest::Night,
    mut files: impl Iterator<Item = &'a str>,
) -> Result<(), Diagnostic> {
    let Normalization::Photometric { .. } = layout.file.light.normalization else { return Ok(()) };
    let unknown = files.find(|f| night.frame(f).is_none_or(|frame| frame.metadata.exposure.is_none()));
    match unknown {
        None => Ok(()),
        Some(file) => Err(layout.fault(
            &["light", "normalization"],
            format!("`{file}` records no exposure time, aperture and sensitivity, so its light cannot be compared"),
            "use `normalization: Even` here, or leave the frame out",
        )),
    }
}

/// The finished picture's size, which a scale may have made of a frame's.
pub(super) fn size(layout: &Layout, width: usize, height: usize) -> Result<(), Diagnostic> {
    if width.max(height) > LARGEST_SIDE {
        return Err(layout.fault(
            &["arrangement"],
            format!("the picture would have {width} x {height} pixels"),
            "60000 a side are the most; make `scale` smaller",
        ));
    }
    Ok(())
}

fn light(layout: &Layout) -> Result<(), Diagnostic> {
    let l = &layout.file.light;
    if !(0.01..=1.0).contains(&l.even_level) {
        return Err(layout.fault(
            &["light", "even_level"],
            format!("{} is not between 0.01 and 1", l.even_level),
            "0.55 shows a full Moon bright but not blank",
        ));
    }
    if !(0.0..=200.0).contains(&l.feather_px) {
        return Err(layout.fault(
            &["light", "feather_px"],
            format!("a feather of {} px cannot be drawn", l.feather_px),
            "give 0 to 200; 1.5 is usual",
        ));
    }
    if let Normalization::Photometric { stop_height } = l.normalization
        && !(0.02..=2.0).contains(&stop_height)
    {
        return Err(layout.fault(
            &["light", "stop_height"],
            format!("{stop_height} is not between 0.02 and 2"),
            "1 keeps true ratios; 0.25 shows twelve stops as three",
        ));
    }
    let wrong = |field: &str, message: String, help: &str| Err(layout.fault(&["light", field], message, help));
    if !(0.0..=1.0).contains(&l.shadow_lift) {
        return wrong(
            "shadow_lift",
            format!("{} is not between 0 and 1", l.shadow_lift),
            "0.6 shows sliver and copper",
        );
    }
    if let Some(m) = l.merge {
        if !(0.5..=3600.0).contains(&m.within_s) {
            return wrong(
                "within_s",
                format!("frames {} s apart are no moment", m.within_s),
                "give 0.5 to 3600 seconds",
            );
        }
        if !(0.05..=1.0).contains(&m.sharpest_share) {
            let help = "0.5 keeps the sharper half, 1 keeps all";
            return wrong("sharpest_share", format!("{} is not between 0.05 and 1", m.sharpest_share), help);
        }
    }
    if let Atmosphere::Removed { magnitudes: (r, g, b) } = l.atmosphere
        && ![r, g, b].iter().all(|k| (0.0..=3.0).contains(k))
    {
        return wrong(
            "magnitudes",
            "an extinction is not between 0 and 3 magnitudes".into(),
            "a clear night has some 0.2",
        );
    }
    match l.sharpening {
        Sharpening::Deconvolution { rounds } if !(1..=100).contains(&rounds) => {
            wrong("rounds", format!("{rounds} rounds"), "give 1 to 100; 5 is gentle")
        }
        Sharpening::Unsharp { radius_px, .. } if !(0.2..=50.0).contains(&radius_px) => {
            wrong("radius_px", format!("a blur of {radius_px} px"), "give 0.2 to 50")
        }
        Sharpening::Unsharp { amount, .. } if !(0.0..=10.0).contains(&amount) => {
            wrong("amount", format!("an amount of {amount}"), "give 0 to 10; 0.5 is gentle")
        }
        _ => Ok(()),
    }
}

fn selection(layout: &Layout) -> Result<(), Diagnostic> {
    let s = &layout.file.selection;
    for (name, text) in [("from_utc", &s.from_utc), ("to_utc", &s.to_utc)] {
        if let Some(text) = text
            && let Err(e) = Instant::parse_utc(text)
        {
            return Err(layout.fault(&["selection", name], e.to_string(), "write UTC like \"2028-12-31T16:52:00Z\""));
        }
    }
    if s.count == Some(0) {
        return Err(layout.fault(
            &["selection", "count"],
            "`count` is 0: nothing would be shown",
            "leave it out to show every disc",
        ));
    }
    if s.minutes_apart.is_some_and(|m| !(m > 0.0 && m < 1e4)) {
        return Err(layout.fault(
            &["selection", "minutes_apart"],
            "`minutes_apart` must be above zero",
            "10 shows a disc every ten minutes",
        ));
    }
    Ok(())
}

fn arrangement(layout: &Layout) -> Result<(), Diagnostic> {
    match &layout.file.arrangement {
        Arrangement::SkyTrack(t) => {
            for (name, value, most) in
                [("scale", t.scale, 20.0), ("enlarge", t.enlarge, 100.0), ("backplate_gain", t.backplate_gain, 1000.0)]
            {
                if !(value > 0.0 && value <= most) {
                    return Err(layout.fault(
                        &["SkyTrack", name],
                        format!("`{name}` is {value}"),
                        "give a number above zero; 1 changes nothing",
                    ));
                }
            }
        }
        Arrangement::PhaseGrid(g) => {
            for (name, value) in [("columns", g.columns), ("rows", g.rows)] {
                if !(1..=200).contains(&value) {
                    return Err(layout.fault(&["PhaseGrid", name], format!("`{name}` is {value}"), "give 1 to 200"));
                }
            }
            diameter(layout, "PhaseGrid", g.disc_diameter_px)?;
        }
        Arrangement::ShadowMap(m) => diameter(layout, "ShadowMap", m.disc_diameter_px)?,
    }
    Ok(())
}

fn diameter(layout: &Layout, arrangement: &str, diameter_px: Option<f64>) -> Result<(), Diagnostic> {
    if diameter_px.is_some_and(|d| !(2.0..=50_000.0).contains(&d)) {
        return Err(layout.fault(
            &[arrangement, "disc_diameter_px"],
            "the discs' diameter is not between 2 and 50000 px",
            "leave it out to fill the sheet",
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_read_by_name_and_by_number() {
        assert_eq!(colour("black"), Some([0.0; 3]));
        assert!(colour("#ffffff").unwrap().iter().all(|v| (v - 1.0).abs() < 1e-5));
        assert!(colour("moonish").is_none());
    }
}
