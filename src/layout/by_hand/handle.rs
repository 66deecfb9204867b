//! What of a layout can be taken hold of on its picture: a disc's rim, the discs' spacing, the margin; paths and panels have more.

use super::{Edit, number, onward, written};
use crate::composition::{Composition, Placement};
use crate::diag::Diagnostic;
use crate::layout::Layout;
use crate::layout::arrange::Area;
use crate::layout::notation::{Arrangement, Length, Measure, Place, Selection, SkyTrack, Unit};
use crate::layout::sheet::Sheet;
use crate::raster::PixelPoint;
use crate::units::Instant;

/// Something that can be taken hold of.
pub struct Handle {
    /// What it is; no other of the layout has that name.
    pub name: String,
    /// Where it is taken, pixels of the canvas.
    pub at: PixelPoint,
    /// An edge is taken anywhere along it: its ends.
    pub edge: Option<(PixelPoint, PixelPoint)>,
    set: Box<dyn Fn(PixelPoint) -> Option<Vec<Edit>>>,
}

impl Handle {
    /// What the layout's text is to say for the handle to lie at a point of the canvas; `None` where it cannot lie.
    pub fn moved(&self, to: PixelPoint) -> Option<Vec<Edit>> {
        (self.set)(to)
    }
}

/// What can be taken hold of on a layout's picture, at the picture's own size.
///
/// # Errors
/// A [`Diagnostic`] of a sheet that cannot be measured.
pub fn handles(layout: &Layout, composition: &Composition) -> Result<Vec<Handle>, Diagnostic> {
    let file = &layout.file;
    let sheet = layout.sheet()?;
    let mut hands = Hands::on(sheet);
    let whole = Part {
        arrangement: &file.arrangement,
        way: vec!["arrangement".into()],
        selection: (&file.selection, vec!["selection".into()]),
        words: String::new(),
        area: Area::of(&sheet),
        discs: composition.placements.iter().filter(|p| p.group == 0).collect(),
    };
    match &file.arrangement {
        Arrangement::Panels(panels) => hands.panels(&whole, panels, composition),
        Arrangement::PhaseGrid(_) | Arrangement::ShadowMap(_) => {
            hands.margin(file.canvas.margin);
            hands.arrangement(&whole);
        }
        _ => hands.arrangement(&whole),
    }
    Ok(hands.out)
}

/// An arrangement, the whole layout's or a panel's.
pub(super) struct Part<'a> {
    pub arrangement: &'a Arrangement,
    pub way: Vec<String>,
    pub selection: (&'a Selection, Vec<String>),
    pub words: String,
    pub area: Area,
    pub discs: Vec<&'a Placement>,
}

pub(super) struct Hands {
    sheet: Sheet,
    pub out: Vec<Handle>,
}

impl Hands {
    pub(super) fn on(sheet: Sheet) -> Self {
        Hands { sheet, out: Vec::new() }
    }

    pub(super) fn add(
        &mut self,
        name: String,
        at: PixelPoint,
        set: impl Fn(PixelPoint) -> Option<Vec<Edit>> + 'static,
    ) {
        self.out.push(Handle { name, at, edge: None, set: Box::new(set) });
    }

    /// What lengths in an area are measured against: across, down, and otherwise.
    pub(super) fn measures(&self, area: &Area) -> [Measure; 3] {
        [area.width, area.height, area.width.min(area.height)]
            .map(|whole_px| Measure { whole_px, ..self.sheet.measure() })
    }

    fn margin(&mut self, margin: Length) {
        let by = self.sheet.measure();
        let middle = self.sheet.height as f64 / 2.0;
        self.add("margin".into(), PixelPoint::new(self.sheet.margin, middle), move |to| {
            let length = Length::from_px(to.x.max(0.0), margin.unit, &by)?;
            Some(vec![(onward(&[], &["canvas", "margin"]), written(length))])
        });
    }

    pub(super) fn arrangement(&mut self, part: &Part<'_>) {
        match part.arrangement {
            Arrangement::PhaseGrid(grid) => self.rim(part, grid.disc_diameter),
            Arrangement::ShadowMap(map) => self.rim(part, map.disc_diameter),
            Arrangement::Path(path) => self.path(part, path),
            Arrangement::SkyTrack(track) => self.track(part, track),
            // No panels within panels.
            Arrangement::Panels(_) => {}
        }
    }

    /// The size of discs, by the rim of the first.
    pub(super) fn rim(&mut self, part: &Part<'_>, diameter: Option<Length>) {
        let Some(first) = part.discs.first() else { return };
        let (centre, by) = (first.centre(), self.measures(&part.area)[2]);
        let unit = diameter.map_or(Unit::Percent, |d| d.unit);
        let way = onward(&part.way, &["disc_diameter"]);
        let at = PixelPoint::new(centre.x + first.radius_px, centre.y);
        self.add(format!("{}size of the discs", part.words), at, move |to| {
            let length = Length::from_px(2.0 * to.distance(centre), unit, &by).filter(|l| l.value > 0.0)?;
            Some(vec![(way.clone(), written(length))])
        });
    }

    /// Enlarged discs of a track, and how far they lie apart.
    fn track(&mut self, part: &Part<'_>, track: &SkyTrack) {
        let Some(first) = part.discs.first() else { return };
        let (centre, natural) = (first.centre(), first.radius_px / track.enlarge);
        let way = onward(&part.way, &["enlarge"]);
        let at = PixelPoint::new(centre.x, centre.y - first.radius_px);
        self.add(format!("{}size of the discs", part.words), at, move |to| {
            // Within a tenth of their true size they are meant to have it.
            let times = (to.distance(centre) / natural * 20.0).round() / 20.0;
            let times = if (times - 1.0).abs() < 0.1 { 1.0 } else { times.max(0.1) };
            Some(vec![(way.clone(), number(times))])
        });
        self.spacing(part, Some(2.0 * natural));
    }

    /// How far discs lie apart, by the second of them, in what the selection says: disc diameters, minutes, or how many. Where the
    /// picture shows the sky, a disc's true diameter on it is given.
    pub(super) fn spacing(&mut self, part: &Part<'_>, true_disc_px: Option<f64>) {
        let (selection, way) = &part.selection;
        let (Some(first), Some(second)) = (part.discs.first(), part.discs.get(1)) else { return };
        if selection.at.is_some() || selection.files.is_some() {
            return;
        }
        let (centre, apart) = (first.centre(), first.centre().distance(second.centre()));
        let time = |p: &Placement| Instant::parse_utc(&p.utc).ok();
        let minutes = time(first).zip(time(second)).map(|(a, b)| b.seconds_since(a) / 60.0);
        let length: f64 = part.discs.windows(2).map(|w| w[0].centre().distance(w[1].centre())).sum();
        let (in_discs, in_number, way) = (selection.apart, selection.count.is_some(), way.clone());
        self.add(format!("{}spacing of the discs", part.words), second.centre(), move |to| {
            let wanted = to.distance(centre).max(1.0);
            let (field, value) = if let Some(now) = in_discs {
                // On a path distances are none of the sky's: by as much more as the hand went.
                let discs = true_disc_px.map_or(now.value * wanted / apart, |disc_px| wanted / disc_px);
                ("apart", format!("\"{:.2}disc\"", discs.max(0.05)))
            } else if in_number {
                ("count", format!("{:.0}", (length / wanted).round().clamp(1.0, 2000.0) + 1.0))
            } else {
                ("minutes_apart", number((2.0 * minutes? * wanted / apart).round().max(1.0) / 2.0))
            };
            Some(vec![(onward(&way, &[field]), value)])
        });
    }

    /// A place in an area, pixels of the canvas.
    pub(super) fn point(&self, area: &Area, place: Place) -> Option<PixelPoint> {
        let [across, down, _] = self.measures(area);
        Some(PixelPoint::new(area.x0 + place.0.to_px(&across)?, area.y0 + place.1.to_px(&down)?))
    }

    /// How a place in an area is written, in the units of another.
    pub(super) fn in_units_of(&self, area: Area, place: Place) -> impl Fn(PixelPoint) -> Option<String> + 'static {
        let [across, down, _] = self.measures(&area);
        move |to| {
            let x = Length::from_px(to.x - area.x0, place.0.unit, &across)?;
            let y = Length::from_px(to.y - area.y0, place.1.unit, &down)?;
            Some(format!("({}, {})", written(x), written(y)))
        }
    }

    pub(super) fn place(&mut self, part: &Part<'_>, (field, place): (&[&str], Place), name: &str) {
        let Some(at) = self.point(&part.area, place) else { return };
        let (way, write) = (onward(&part.way, field), self.in_units_of(part.area, place));
        self.add(format!("{}{name}", part.words), at, move |to| Some(vec![(way.clone(), write(to)?)]));
    }
}
