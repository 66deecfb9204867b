//! Where each disc goes: what the arrangements share, and one file for each.

mod phase_grid;
mod place;
mod shadow_map;
mod sky_track;
mod template;

pub(super) use phase_grid::phase_grid;
pub(super) use shadow_map::shadow_map;
pub(super) use sky_track::sky_track;
pub(super) use template::check_template;

use super::Layout;
use super::check::colour;
use super::composition::{AirTreatment, Composition, Development, Placement, TextAnchor, TextRequest, ToneCurve};
use super::notation::{Atmosphere, Normalization, Upright, WhiteBalance};
use super::select::Chosen;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::raster::{Matrix2, PixelPoint};
use crate::register::Registration;
use crate::sky::{ApparentPosition, Extinction, Lens, MOON_COLOUR, apparent_moon};
use crate::units::{Angle, Instant};

const IDENTITY: Matrix2 = [[1.0, 0.0], [0.0, 1.0]];

fn times(a: Matrix2, b: Matrix2) -> Matrix2 {
    let cell = |r: usize, c: usize| a[r][0] * b[0][c] + a[r][1] * b[1][c];
    [[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]]
}

fn scaled(m: Matrix2, k: f64) -> Matrix2 {
    m.map(|row| row.map(|v| v * k))
}

fn inverse(m: Matrix2) -> Matrix2 {
    let [[a, b], [c, d]] = m;
    let det = a * d - b * c;
    [[d / det, -b / det], [-c / det, a / det]]
}

/// How a disc is turned from the source to the canvas: clockwise, then made a mirror image left to right
/// where the source was one.
#[derive(Clone, Copy)]
struct Righting {
    turn: Angle,
    unmirror: bool,
}

impl Righting {
    /// As it lies in its frame.
    const AS_SHOT: Righting = Righting { turn: Angle::ZERO, unmirror: false };

    /// Offset in the source of an offset on the canvas, lengths kept.
    fn back(self) -> Matrix2 {
        let (sin, cos) = self.turn.radians().sin_cos();
        let flip = if self.unmirror { -1.0 } else { 1.0 };
        [[cos * flip, sin], [-sin * flip, cos]]
    }

    /// Turned further on the canvas, clockwise.
    fn and(self, clockwise: Angle) -> Self {
        let turn = if self.unmirror { self.turn - clockwise } else { self.turn + clockwise };
        Righting { turn, ..self }
    }
}

/// What an arrangement says of one disc.
struct Spot {
    centre: PixelPoint,
    /// Radius on the canvas, pixels.
    radius_px: f64,
    /// From the source to the canvas.
    turn: Righting,
    /// Canvas offset to rectified offset times a scale: identity unless the canvas stretches too.
    stretch: Matrix2,
}

/// Everything an arrangement needs besides its own numbers.
struct Context<'a> {
    layout: &'a Layout,
    night: &'a Night,
    registration: &'a Registration,
}

impl Context<'_> {
    /// The lens of a rig, if its plate scale was solved.
    fn lens(&self, rig: usize) -> Option<Lens> {
        let rig = self.registration.rigs.get(rig)?;
        rig.pointing_at(None)
            .map(|p| p.pointing.lens)
            .or_else(|| rig.focal_length_px.map(|f| Lens::rectilinear(rig.width, rig.height, f)))
    }

    fn ink(&self) -> [f32; 3] {
        colour(&self.layout.file.canvas.ink).unwrap_or([0.6; 3])
    }

    fn tone(&self) -> ToneCurve {
        let light = &self.layout.file.light;
        let exponent = match light.normalization {
            Normalization::Photometric { stop_height } => stop_height as f32,
            _ => 1.0,
        };
        ToneCurve { exponent, white: light.even_level as f32 }
    }

    fn development(&self) -> Development {
        let light = &self.layout.file.light;
        Development {
            moon_colour: (light.white_balance == WhiteBalance::Moon).then_some(MOON_COLOUR),
            air: match light.atmosphere {
                Atmosphere::Kept => AirTreatment::Kept,
                Atmosphere::Fitted => AirTreatment::Fitted(Extinction::default().magnitudes),
                Atmosphere::Removed { magnitudes: (r, g, b) } => AirTreatment::Removed([r, g, b]),
            },
            shadow_lift: light.shadow_lift as f32,
            sharpening: light.sharpening,
        }
    }

    fn apparent(&self, instant: Option<Instant>) -> Option<ApparentPosition> {
        Some(apparent_moon(&self.night.observer()?, instant?))
    }

    /// What brings what the layout wants to the top, if the frame's orientation is known.
    fn turn(&self, chosen: &Chosen<'_>, up: Upright) -> Option<Righting> {
        if up == Upright::AsShot {
            return Some(Righting::AS_SHOT);
        }
        let orientation = chosen.registered.orientation?;
        let north_up = Righting { turn: -orientation.north_turn(), unmirror: orientation.mirrored };
        match up {
            Upright::North | Upright::AsShot => Some(north_up),
            // The zenith lies the parallactic angle from north, position angles running anticlockwise.
            Upright::Zenith => Some(north_up.and(self.apparent(chosen.instant)?.parallactic_angle)),
        }
    }

    /// A label under a disc, by the layout's template.
    fn label(&self, chosen: &Chosen<'_>, index: usize, spot: &Spot) -> Option<TextRequest> {
        let labels = self.layout.file.labels.as_ref()?;
        if !index.is_multiple_of(labels.every) {
            return None;
        }
        let text = template::fill(&labels.text, self.night, chosen, self.apparent(chosen.instant).as_ref());
        Some(TextRequest {
            text,
            x_px: spot.centre.x,
            y_px: spot.centre.y + spot.radius_px + 0.45 * labels.size_px,
            anchor: TextAnchor::BelowCentre,
            size_px: labels.size_px,
            ink: self.ink(),
            opacity: 0.85,
        })
    }

    /// Title and subtitle at the top of the sheet; returns how much height they take.
    fn heading(&self, texts: &mut Vec<TextRequest>, width: usize) -> f64 {
        let (file, canvas) = (&self.layout.file, &self.layout.file.canvas);
        let mut y = canvas.margin_px;
        let middle = width as f64 / 2.0;
        for (text, share, opacity) in [(&file.title, 0.030, 1.0), (&file.subtitle, 0.014, 0.7)] {
            if let Some(text) = text {
                let size_px = (share * width as f64).max(12.0);
                texts.push(TextRequest {
                    text: text.clone(),
                    x_px: middle,
                    y_px: y,
                    anchor: TextAnchor::BelowCentre,
                    size_px,
                    ink: self.ink(),
                    opacity,
                });
                y += size_px * 1.5;
            }
        }
        if y > canvas.margin_px { y - canvas.margin_px + 0.015 * width as f64 } else { 0.0 }
    }

    fn composition(&self, width: usize, height: usize) -> Composition {
        let file = &self.layout.file;
        let name = self.layout.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let night = self.night.notes.as_ref().and_then(|n| n.title.clone()).unwrap_or_default();
        let made = format!("moonloom {}, layout {name}", env!("CARGO_PKG_VERSION"));
        let words: Vec<&str> =
            [file.title.as_deref().unwrap_or(""), &night, &made].into_iter().filter(|w| !w.is_empty()).collect();
        Composition {
            schema: "moonloom-composition-1",
            width,
            height,
            dots_per_inch: file.canvas.dots_per_inch,
            background: colour(&file.canvas.background).unwrap_or([0.0; 3]),
            backplate: None,
            placements: Vec::new(),
            development: self.development(),
            tone: self.tone(),
            marks: Vec::new(),
            texts: Vec::new(),
            description: words.join("; "),
        }
    }
}

/// What should be said of a finished composition: discs off the sheet, discs that overlap.
pub(super) fn remarks(composition: &Composition) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let (w, h) = (composition.width as f64, composition.height as f64);
    let off: Vec<&Placement> = composition
        .placements
        .iter()
        .filter(|p| {
            let (c, r) = (p.centre(), p.radius_px);
            c.x < r || c.y < r || c.x > w - r || c.y > h - r
        })
        .collect();
    if let Some(first) = off.first() {
        out.push(
            Diagnostic::warning(
                "disc-leaves-canvas",
                format!(
                    "{} of {} discs reach over the canvas's edge, first {}",
                    off.len(),
                    composition.placements.len(),
                    first.frame
                ),
            )
            .with_help("enlarge the canvas, or show fewer or smaller discs"),
        );
    }
    let touching = composition
        .placements
        .windows(2)
        .filter(|p| p[0].centre().distance(p[1].centre()) < p[0].radius_px + p[1].radius_px)
        .count();
    if touching > 0 {
        let closest = composition
            .placements
            .windows(2)
            .map(|p| p[0].centre().distance(p[1].centre()) / (p[0].radius_px + p[1].radius_px))
            .fold(f64::INFINITY, f64::min);
        out.push(Diagnostic::warning("discs-overlap", format!("{touching} neighbouring discs overlap")).with_help(
            format!("show one in {} by `selection`, or make the discs smaller", (1.0 / closest.max(1e-3)).ceil()),
        ));
    }
    out
}
