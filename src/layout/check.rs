//! Ranges and contradictions of a layout file, in our own words, with the place in the file.

use super::colour::colour;
use super::notation::{
    Along, Arrangement, Atmosphere, Backplate, Canvas, Foreground, Labels, Length, Light, Normalization, Selection,
};
use super::sheet::Sheet;
use super::{Layout, wanted};
use crate::composition::{Composition, Placement, Sharpening};
use crate::diag::Diagnostic;

/// Largest side of a canvas, pixels.
const LARGEST_SIDE: usize = 60_000;

/// Most discs of a picture, and most panels.
const MOST_DISCS: usize = 10_000;
/// Angles are given within a hundred turns.
const LARGEST_ANGLE_DEG: f64 = 36_000.0;
/// Most pieces of an SVG path, and its largest coordinate, in units of its drawing.
const MOST_PIECES: usize = 20_000;
const LARGEST_COORDINATE: f64 = 1e6;

/// What is wrong, as it is found.
struct Faults<'a> {
    layout: &'a Layout,
    found: Vec<Diagnostic>,
}

impl Faults<'_> {
    fn add(&mut self, field: &[&str], message: impl Into<String>, help: &str) {
        self.found.push(self.layout.fault(field, message, help));
    }
    /// Adds a fault unless something holds.
    fn unless(&mut self, holds: bool, field: &[&str], message: impl Into<String>, help: &str) {
        if !holds {
            self.add(field, message, help);
        }
    }
}

/// Everything that is wrong with a layout by itself.
pub(super) fn check(layout: &Layout) -> Vec<Diagnostic> {
    let mut faults = Faults { layout, found: Vec::new() };
    let f = &layout.file;
    faults.unless(
        matches!(f.version, 1 | 2),
        &["version"],
        format!("version {} of a layout is not known", f.version),
        "this program reads versions 1 and 2",
    );
    canvas(&mut faults, &f.canvas);
    light(&mut faults, &f.light);
    selection(&mut faults, &f.selection);
    arrangement(&mut faults, &f.arrangement);
    labels(&mut faults, f.labels.as_ref());
    for (name, text) in [("title", &f.title), ("subtitle", &f.subtitle), ("caption", &f.caption), ("credit", &f.credit)]
    {
        heading(&mut faults, name, text.as_deref());
    }
    faults.found
}

fn heading(faults: &mut Faults<'_>, name: &str, text: Option<&str>) {
    if let Some(Err(unknown)) = text.map(super::arrange::check_heading) {
        let message = format!("`{{{unknown}}}` is not known in a heading");
        faults.add(&[name], message, "valid: {night}, {eclipse}, {date}, {date:%-d %B %Y}, {site}");
    }
}

fn canvas(faults: &mut Faults<'_>, c: &Canvas) {
    let can_be_printed = (10.0..=5000.0).contains(&c.dots_per_inch);
    match Sheet::of(c) {
        // A resolution that is none makes every length wrong.
        _ if !can_be_printed => {}
        Err((field, message)) => {
            faults.add(
                &["canvas", field],
                message,
                "papers: A0 to A6, B0 to B4, letter, tabloid, each with `landscape`; lengths in px, mm, in or pt",
            );
        }
        Ok(sheet) => {
            for (name, old, side) in [("width", "width_px", sheet.width), ("height", "height_px", sheet.height)] {
                let field = if faults.layout.text.contains(old) {
                    old
                } else if c.page.is_some() {
                    "page"
                } else {
                    name
                };
                let message = format!("`{field}` makes {side} pixels");
                faults.unless(
                    (16..=LARGEST_SIDE).contains(&side),
                    &["canvas", field],
                    message,
                    "give 16 to 60000 pixels",
                );
            }
            let share = sheet.margin / sheet.width.min(sheet.height).max(1) as f64;
            let field = if faults.layout.text.contains("margin_px") { "margin_px" } else { "margin" };
            let help = "give less than 45 % of the shorter side";
            faults.unless((0.0..=0.45).contains(&share), &["canvas", field], "the margins leave no room", help);
        }
    }
    faults.unless(
        can_be_printed,
        &["canvas", "dots_per_inch"],
        format!("{} pixels per inch cannot be printed", c.dots_per_inch),
        "give 10 to 5000; 300 is usual for prints",
    );
    for (name, text) in [("background", &c.background), ("ink", &c.ink)] {
        faults.unless(
            colour(text, c.colours_in).is_some(),
            &["canvas", name],
            format!("`{text}` is no colour"),
            "give a CSS colour name or #rrggbb, such as \"midnightblue\" or \"#07080c\"",
        );
    }
}

fn labels(faults: &mut Faults<'_>, labels: Option<&Labels>) {
    let Some(labels) = labels else { return };
    let field = if faults.layout.text.contains("size_px") { "size_px" } else { "size" };
    let Ok(sheet) = Sheet::of(&faults.layout.file.canvas) else { return };
    match labels.size.to_px(&sheet.measure()) {
        Some(px) => {
            let message = format!("letters of {px:.1} px cannot be drawn");
            faults.unless(
                (4.0..=2000.0).contains(&px),
                &["labels", field],
                message,
                "give 4 to 2000 pixels; 9pt is usual in print",
            );
        }
        None => faults.add(
            &["labels", field],
            format!("letters cannot be measured in `{}`", labels.size),
            "give pt, px, mm, in or %",
        ),
    }
    faults.unless(labels.every > 0, &["labels", "every"], "`every` is 0", "1 labels every disc, 2 every other");
    if let Err(unknown) = super::arrange::check_template(&labels.text) {
        faults.add(
            &["labels", "text"],
            format!("`{{{unknown}}}` is not known in a label"),
            "valid: {local:%H:%M}, {utc:%H:%M}, {contact}, {umbral:.0}, {magnitude:.2}, {altitude:.0}, {azimuth:.0}, {exposure}, {file}",
        );
    }
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

fn light(faults: &mut Faults<'_>, l: &Light) {
    let mut within = |holds: bool, field: &str, message: String, help: &str| {
        faults.unless(holds, &["light", field], message, help);
    };
    let level = l.even_level;
    within(
        (0.01..=1.0).contains(&level),
        "even_level",
        format!("{level} is not between 0.01 and 1"),
        "0.55 shows a full Moon bright but not blank",
    );
    let feather = l.feather.value;
    within(
        (0.0..=200.0).contains(&feather),
        "feather",
        format!("a feather of {} cannot be drawn", l.feather),
        "give 0 to 200; 1.5 is usual",
    );
    if let Normalization::Photometric { stop_height } = l.normalization {
        let message = format!("{stop_height} is not between 0.02 and 2");
        within(
            (0.02..=2.0).contains(&stop_height),
            "stop_height",
            message,
            "1 keeps true ratios; 0.25 shows twelve stops as three",
        );
    }
    let lift = l.shadow_lift;
    within(
        (0.0..=1.0).contains(&lift),
        "shadow_lift",
        format!("{lift} is not between 0 and 1"),
        "0.6 shows sliver and copper",
    );
    if let Some(m) = l.merge {
        let message = format!("frames {} s apart are no moment", m.within_s);
        within((0.5..=3600.0).contains(&m.within_s), "within_s", message, "give 0.5 to 3600 seconds");
        let message = format!("{} is not between 0.05 and 1", m.sharpest_share);
        within(
            (0.05..=1.0).contains(&m.sharpest_share),
            "sharpest_share",
            message,
            "0.5 keeps the sharper half, 1 keeps all",
        );
    }
    if let Atmosphere::Removed { magnitudes: (r, g, b) } = l.atmosphere {
        let fair = [r, g, b].iter().all(|k| (0.0..=3.0).contains(k));
        within(
            fair,
            "magnitudes",
            "an extinction is not between 0 and 3 magnitudes".into(),
            "a clear night has some 0.2",
        );
    }
    match l.sharpening {
        Sharpening::Deconvolution { rounds } => {
            within((1..=100).contains(&rounds), "rounds", format!("{rounds} rounds"), "give 1 to 100; 5 is gentle");
        }
        Sharpening::Unsharp { radius_px, amount } => {
            within(
                (0.2..=50.0).contains(&radius_px),
                "radius_px",
                format!("a blur of {radius_px} px"),
                "give 0.2 to 50",
            );
            within(
                (0.0..=10.0).contains(&amount),
                "amount",
                format!("an amount of {amount}"),
                "give 0 to 10; 0.5 is gentle",
            );
        }
        Sharpening::Off => {}
    }
}

fn selection(faults: &mut Faults<'_>, s: &Selection) {
    for (name, text) in [("from_utc", &s.from_utc), ("to_utc", &s.to_utc), ("from", &s.from), ("to", &s.to)] {
        if let Some(text) = text {
            let message = wanted::what_is_wrong(text);
            faults.unless(wanted::parse(text).is_some(), &["selection", name], message, wanted::VALID);
        }
    }
    let moments = s.at.as_ref().map_or(0, Vec::len);
    let message = format!("`at` names {moments} moments");
    faults.unless(moments <= MOST_DISCS, &["selection", "at"], message, "a picture holds ten thousand discs at most");
    for text in s.at.iter().flatten().take(MOST_DISCS) {
        let message = wanted::what_is_wrong(text);
        faults.unless(wanted::parse(text).is_some(), &["selection", "at", text], message, wanted::VALID);
    }
    let help = "leave it out to show every disc";
    faults.unless(s.count != Some(0), &["selection", "count"], "`count` is 0: nothing would be shown", help);
    for (name, minutes) in [("minutes_apart", s.minutes_apart), ("within_minutes", s.within_minutes)] {
        let fair = minutes.is_none_or(|m| m > 0.0 && m < 1e4);
        faults.unless(fair, &["selection", name], format!("`{name}` must be above zero"), "10 means ten minutes");
    }
    let apart = s.apart.is_none_or(|a| a.value > 0.0);
    faults.unless(
        apart,
        &["selection", "apart"],
        "`apart` must be above zero",
        "\"1.3disc\" keeps discs clear of each other",
    );
    let quality = s.least_quality;
    let message = format!("{quality} is not between 0 and 1");
    faults.unless(
        (0.0..=1.0).contains(&quality),
        &["selection", "least_quality"],
        message,
        "0.5 leaves out what is clearly worse",
    );
}

fn arrangement(faults: &mut Faults<'_>, arrangement: &Arrangement) {
    match arrangement {
        Arrangement::SkyTrack(t) => {
            let numbers =
                [("scale", t.scale, 20.0), ("enlarge", t.enlarge, 100.0), ("backplate_gain", t.backplate_gain, 1000.0)];
            for (name, value, most) in numbers {
                let fair = value > 0.0 && value <= most;
                faults.unless(
                    fair,
                    &["SkyTrack", name],
                    format!("`{name}` is {value}"),
                    "give a number above zero; 1 changes nothing",
                );
            }
            faults.unless(
                t.fit.is_none() || t.scale == 1.0,
                &["SkyTrack", "scale"],
                "`fit` sizes the frame, and `scale` would have no say",
                "leave one of the two out",
            );
            if let Foreground::DarkerThanSky(share) = t.foreground {
                let fair = share > 0.0 && share < 1.0;
                faults.unless(
                    fair,
                    &["DarkerThanSky"],
                    format!("{share} is not between 0 and 1"),
                    "0.5 takes roofs and trees",
                );
            }
            if let Backplate::Sky(sky) = t.backplate {
                let centre = sky.centre_deg.is_none_or(|(a, h)| a.abs() <= LARGEST_ANGLE_DEG && h.abs() <= 90.0);
                faults.unless(
                    centre,
                    &["Sky", "centre_deg"],
                    "no place on the sky",
                    "give azimuth and altitude in degrees, the altitude between -90 and 90",
                );
                let fair = sky.width_deg.is_none_or(|w| w > 0.01 && w <= 350.0);
                faults.unless(
                    fair,
                    &["Sky", "width_deg"],
                    "a sky that wide cannot be shown",
                    "give 0.01 to 350 degrees",
                );
            }
        }
        Arrangement::PhaseGrid(g) => {
            for (name, value) in [("columns", g.columns), ("rows", g.rows)] {
                faults.unless(
                    (1..=200).contains(&value),
                    &["PhaseGrid", name],
                    format!("`{name}` is {value}"),
                    "give 1 to 200",
                );
            }
            diameter(faults, "PhaseGrid", g.disc_diameter);
        }
        Arrangement::ShadowMap(m) => diameter(faults, "ShadowMap", m.disc_diameter),
        Arrangement::Path(p) => {
            diameter(faults, "Path", p.disc_diameter);
            along(faults, &p.along);
        }
        Arrangement::Panels(p) => {
            faults.unless(!p.panels.is_empty(), &["Panels", "panels"], "there is no panel", "give one or more");
            let many = p.panels.len();
            faults.unless(
                many <= MOST_DISCS,
                &["Panels", "panels"],
                format!("{many} panels"),
                "give fewer than ten thousand",
            );
            for panel in p.panels.iter().take(MOST_DISCS) {
                self::arrangement(faults, &panel.arrangement);
                heading(faults, "title", panel.title.as_deref());
                labels(faults, panel.labels.as_ref());
                if let Some(s) = &panel.selection {
                    selection(faults, s);
                }
            }
        }
    }
}

fn along(faults: &mut Faults<'_>, along: &Along) {
    let help = "give degrees, within a hundred turns";
    let mut angle = |kind: &str, name: &str, degrees: f64| {
        let message = format!("`{name}` is {degrees}");
        faults.unless(degrees.abs() <= LARGEST_ANGLE_DEG, &[kind, name], message, help);
    };
    match along {
        Along::Line { .. } => {}
        Along::Arc { from_deg, to_deg, .. } => {
            angle("Arc", "from_deg", *from_deg);
            angle("Arc", "to_deg", *to_deg);
        }
        Along::Ellipse { from_deg, to_deg, .. } => {
            angle("Ellipse", "from_deg", *from_deg);
            angle("Ellipse", "to_deg", *to_deg);
        }
        Along::Spiral { turns, from_deg, .. } => {
            angle("Spiral", "from_deg", *from_deg);
            let fair = turns.abs() > 0.01 && turns.abs() <= 100.0;
            faults.unless(fair, &["Spiral", "turns"], format!("{turns} turns"), "give up to 100");
        }
        Along::Svg { path, view_box } => {
            if let Some((w, h)) = view_box {
                let fair = [w, h].iter().all(|side| **side >= 1e-3 && **side <= LARGEST_COORDINATE);
                let help = "give its width and height";
                faults.unless(fair, &["Svg", "view_box"], "the view box has no size that can be drawn", help);
            }
            // What cannot be read is said where it is drawn.
            let Ok(drawn) = kurbo::BezPath::from_svg(path) else { return };
            let bounds = kurbo::Shape::bounding_box(&drawn);
            let far = [bounds.x0, bounds.y0, bounds.x1, bounds.y1].iter().all(|v| v.abs() <= LARGEST_COORDINATE);
            let help = "coordinates within a million, twenty thousand pieces at most";
            let fair = far && drawn.elements().len() <= MOST_PIECES;
            faults.unless(fair, &["Svg", "path"], "the path reaches too far, or has too many pieces", help);
        }
    }
}

/// A finished composition's own numbers: whatever was asked, only what can be drawn is.
pub(super) fn drawable(layout: &Layout, composition: &Composition) -> Result<(), Diagnostic> {
    let reach = 20.0 * LARGEST_SIDE as f64;
    let near = |v: f64| v.abs() <= reach;
    let disc = |p: &Placement| {
        let c = p.centre();
        near(c.x) && near(c.y) && p.radius_px > 0.0 && p.radius_px <= LARGEST_SIDE as f64 && p.turn_rad.is_finite()
    };
    let fault = |what: String| {
        Err(layout.fault(&["arrangement"], what, "give lengths and angles that fit on the sheet, or leave them out"))
    };
    if let Some(p) = composition.placements.iter().find(|p| !disc(p)) {
        return fault(format!("the disc of {} would lie where nothing can be drawn, or have no size", p.frame));
    }
    if composition.placements.len() > MOST_DISCS {
        return fault(format!("the picture would hold {} discs", composition.placements.len()));
    }
    let texts = composition.texts.iter().all(|t| near(t.x_px) && near(t.y_px) && t.size_px > 0.0 && near(t.size_px));
    if texts { Ok(()) } else { fault("its words would stand where nothing can be drawn".into()) }
}

fn diameter(faults: &mut Faults<'_>, arrangement: &str, diameter: Option<Length>) {
    let Some(length) = diameter else { return };
    let field = if faults.layout.text.contains("disc_diameter_px") { "disc_diameter_px" } else { "disc_diameter" };
    let px = Sheet::of(&faults.layout.file.canvas).ok().and_then(|s| length.to_px(&s.measure()));
    let fair = px.is_some_and(|d| (2.0..=50_000.0).contains(&d));
    let message = format!("discs of `{length}` are not between 2 and 50000 px");
    faults.unless(fair, &[arrangement, field], message, "give px, mm, in, pt or %; leave it out to fill the sheet");
}
