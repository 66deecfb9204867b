//! Where each disc goes: what the arrangements share, and one file for each.

mod marks;
mod panels;
mod path;
mod phase_grid;
mod place;
mod shadow_map;
mod sky_canvas;
mod sky_track;
mod template;
mod words;

pub(super) use panels::LEAST_SIDE_PX;
pub(super) use template::{check_heading, check_template, heading};

use super::Layout;
use super::chosen::Chosen;
use super::colour::colour;
use super::notation::{
    Arrangement, Atmosphere, Labels, Length, Marks, Measure, Normalization, Place, Upright, WhiteBalance,
};
use super::sheet::Sheet;
use crate::composition::{AirTreatment, Composition, Development, ToneCurve};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::raster::{Matrix2, PixelPoint};
use crate::registration::{Orientation, Registration};
use crate::sky::{ApparentPosition, Lens, LunarEclipse, MOON_COLOUR, apparent_moon};
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

    /// Celestial north up, for a frame's orientation.
    fn north_up(orientation: &Orientation) -> Self {
        Righting { turn: -orientation.north_turn(), unmirror: orientation.mirrored }
    }

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

/// The part of the sheet that an arrangement fills.
#[derive(Clone, Copy, Debug)]
pub(super) struct Area {
    pub x0: f64,
    pub y0: f64,
    pub width: f64,
    pub height: f64,
    pub margin: f64,
}

impl Area {
    pub(super) fn of(sheet: &Sheet) -> Self {
        let (width, height) = (sheet.width as f64, sheet.height as f64);
        Area { x0: 0.0, y0: 0.0, width, height, margin: sheet.margin }
    }
    fn middle(&self) -> PixelPoint {
        PixelPoint::new(self.x0 + self.width / 2.0, self.y0 + self.height / 2.0)
    }
}

/// Everything an arrangement needs besides its own numbers.
pub(super) struct Context<'a> {
    pub layout: &'a Layout,
    pub night: &'a Night,
    pub registration: &'a Registration,
    pub eclipse: Option<&'a LunarEclipse>,
    pub sheet: Sheet,
    pub area: Area,
    /// Whether the night gives fewer discs than the selection asks for.
    pub is_short: bool,
    /// The arrangement's name in the file, for faults.
    pub name: &'static str,
    pub labels: Option<&'a Labels>,
    pub marks: Marks,
    pub title: Option<&'a str>,
    pub subtitle: Option<&'a str>,
    pub caption: Option<&'a str>,
    pub credit: Option<&'a str>,
}

/// An empty composition of a sheet.
pub(super) fn blank(layout: &Layout, night: &Night, sheet: &Sheet, title: Option<&str>) -> Composition {
    let file = &layout.file;
    let name = layout.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let night = night.notes.as_ref().and_then(|n| n.title.clone()).filter(|n| title != Some(n)).unwrap_or_default();
    let made = format!("moonloom {}, layout {name}", env!("CARGO_PKG_VERSION"));
    let words: Vec<&str> = [title.unwrap_or(""), &night, &made].into_iter().filter(|w| !w.is_empty()).collect();
    let light = &file.light;
    let exponent = match light.normalization {
        Normalization::Photometric { stop_height } => stop_height as f32,
        _ => 1.0,
    };
    Composition {
        schema: "moonloom-composition-2",
        width: sheet.width,
        height: sheet.height,
        dots_per_inch: sheet.dots_per_inch,
        background: colour(&file.canvas.background, file.canvas.colours_in).unwrap_or([0.0; 3]),
        backplates: Vec::new(),
        placements: Vec::new(),
        development: Development {
            moon_colour: (light.white_balance == WhiteBalance::Moon).then_some(MOON_COLOUR),
            air: match light.atmosphere {
                Atmosphere::Kept => AirTreatment::Kept,
                Atmosphere::Fitted => AirTreatment::Fitted,
                Atmosphere::Removed { magnitudes: (r, g, b) } => AirTreatment::Removed([r, g, b]),
            },
            shadow_lift: light.shadow_lift as f32,
            sharpening: light.sharpening,
        },
        tone: ToneCurve { exponent, white: light.even_level as f32 },
        marks: Vec::new(),
        texts: Vec::new(),
        title: title.map(str::to_owned),
        description: words.join("; "),
    }
}

/// Lays an arrangement's discs, marks and words; returns what is to be said of them.
pub(super) fn arrange(
    context: &Context<'_>,
    arrangement: &Arrangement,
    chosen: &[Chosen<'_>],
    out: &mut Composition,
) -> Result<Vec<Diagnostic>, Diagnostic> {
    let said = |()| Vec::new();
    match arrangement {
        Arrangement::SkyTrack(track) => sky_track::sky_track(context, track, chosen, out),
        Arrangement::PhaseGrid(grid) => phase_grid::phase_grid(context, grid, chosen, out),
        Arrangement::ShadowMap(map) => shadow_map::shadow_map(context, map, chosen, out).map(said),
        Arrangement::Path(path) => path::path(context, path, chosen, out),
        Arrangement::Panels(panels) => panels::panels(context, panels, out),
    }
}

/// An arrangement's name as the file spells it.
pub(super) fn name_of(arrangement: &Arrangement) -> &'static str {
    match arrangement {
        Arrangement::SkyTrack(_) => "SkyTrack",
        Arrangement::PhaseGrid(_) => "PhaseGrid",
        Arrangement::ShadowMap(_) => "ShadowMap",
        Arrangement::Path(_) => "Path",
        Arrangement::Panels(_) => "Panels",
    }
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
        let canvas = &self.layout.file.canvas;
        colour(&canvas.ink, canvas.colours_in).unwrap_or([0.6; 3])
    }

    /// A line as thin as a print can hold.
    fn line_px(&self) -> f64 {
        (self.sheet.width.min(self.sheet.height) as f64 / 1000.0).max(1.0)
    }

    /// A length in pixels; a fault where its unit means nothing here.
    fn px(&self, length: Length, measure: &Measure, field: &str) -> Result<f64, Diagnostic> {
        length.to_px(measure).ok_or_else(|| {
            let help = "give px, mm, in, pt or %; `disc` and `deg` only where discs or the sky have a size";
            self.layout.fault(&[self.name, field], format!("`{length}` has no meaning for `{field}` here"), help)
        })
    }

    /// Lengths measured against the arrangement's area.
    fn measure(&self) -> Measure {
        Measure { whole_px: self.area.width.min(self.area.height), ..self.sheet.measure() }
    }

    /// A place on the sheet: percents of the area's width and height.
    fn point(&self, place: Place, field: &str) -> Result<PixelPoint, Diagnostic> {
        let across = Measure { whole_px: self.area.width, ..self.measure() };
        let down = Measure { whole_px: self.area.height, ..self.measure() };
        let (x, y) = (self.px(place.0, &across, field)?, self.px(place.1, &down, field)?);
        Ok(PixelPoint::new(self.area.x0 + x, self.area.y0 + y))
    }

    fn apparent(&self, instant: Option<Instant>) -> Option<ApparentPosition> {
        Some(apparent_moon(&self.night.observer()?, instant?))
    }

    /// What brings what the layout wants to the top, if the frame's orientation is known.
    fn turn(&self, chosen: &Chosen<'_>, up: Upright) -> Option<Righting> {
        // A simulated disc is painted with celestial north up.
        let north_up = match chosen.registered {
            None => Righting::AS_SHOT,
            Some(f) if up == Upright::AsShot => return Some(Righting::AS_SHOT.and(f.nudge.turn)),
            Some(f) => Righting::north_up(&f.orientation?).and(f.nudge.turn),
        };
        match up {
            Upright::North | Upright::AsShot => Some(north_up),
            // The zenith lies the parallactic angle from north, position angles running anticlockwise.
            Upright::Zenith => Some(north_up.and(self.apparent(chosen.instant)?.parallactic_angle)),
        }
    }

    /// How discs are turned where their places tell nothing of the sky: those of frames whose way up is not known stand as
    /// they were taken, and that is said.
    fn turns(&self, chosen: &[Chosen<'_>], up: Upright) -> (Vec<Righting>, Vec<Diagnostic>) {
        let turns: Vec<Option<Righting>> = chosen.iter().map(|c| self.turn(c, up)).collect();
        let unknown: Vec<String> =
            chosen.iter().zip(&turns).filter(|(_, turn)| turn.is_none()).map(|(c, _)| c.name()).collect();
        let said = unknown.first().map(|first| {
            let which = if unknown.len() == chosen.len() { "the discs".into() } else { format!("{} discs", unknown.len()) };
            let message = format!("{which} stand as they were taken ({first} the first): which way is up on the sky is not known");
            Diagnostic::warning("up-unknown", message).with_help(
                "write `mount`, `site` and `clock` into shoot.ron, or `up: AsShot` here; discs below 30 px show no features to turn them by",
            )
        });
        let as_taken = |c: &Chosen<'_>| Righting::AS_SHOT.and(c.registered.map_or(Angle::ZERO, |f| f.nudge.turn));
        (
            turns.into_iter().zip(chosen).map(|(turn, c)| turn.unwrap_or_else(|| as_taken(c))).collect(),
            said.into_iter().collect(),
        )
    }

    fn unturned(&self) -> Diagnostic {
        self.layout.fault(
            &[self.name, "up"],
            "which way is up on the sky is not known for these frames",
            "write `mount` and `site` into shoot.ron, or `up: AsShot` here; discs below 30 px show no features to turn them by",
        )
    }
}

/// An arrangement that needs the site, and there is none.
pub(super) fn no_site(what: &str) -> Diagnostic {
    Diagnostic::error("no-site", format!("{what} needs the site"))
        .with_help("write `site: (latitude_deg: …, longitude_deg: …)` into shoot.ron beside the frames")
}
