//! What of a layout can be taken hold of on its picture: a disc's rim, the discs' spacing, a path's ends, a panel's edges, the margin.

use super::{Edit, number, onward, written};
use crate::composition::{Composition, Placement};
use crate::diag::Diagnostic;
use crate::layout::Layout;
use crate::layout::arrange::Area;
use crate::layout::notation::{
    Along, Arrangement, Length, Measure, Panel, Panels, Path, Place, Selection, SkyTrack, Unit,
};
use crate::layout::sheet::Sheet;
use crate::raster::PixelPoint;
use crate::units::Instant;

/// No panel is smaller, pixels: `arrange::panels` refuses it.
const LEAST_PANEL: f64 = 16.0;

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
    let sheet = Sheet::of(&file.canvas)
        .map_err(|(field, message)| layout.fault(&["canvas", field], message, "give px, mm, in or pt"))?;
    let mut hands = Hands { sheet, out: Vec::new() };
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
struct Part<'a> {
    arrangement: &'a Arrangement,
    way: Vec<String>,
    selection: (&'a Selection, Vec<String>),
    words: String,
    area: Area,
    discs: Vec<&'a Placement>,
}

struct Hands {
    sheet: Sheet,
    out: Vec<Handle>,
}

impl Hands {
    fn add(&mut self, name: String, at: PixelPoint, set: impl Fn(PixelPoint) -> Option<Vec<Edit>> + 'static) {
        self.out.push(Handle { name, at, edge: None, set: Box::new(set) });
    }

    /// What lengths in an area are measured against: across, down, and otherwise.
    fn measures(&self, area: &Area) -> [Measure; 3] {
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

    fn arrangement(&mut self, part: &Part<'_>) {
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
    fn rim(&mut self, part: &Part<'_>, diameter: Option<Length>) {
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
        self.spacing(part, 2.0 * natural);
    }

    /// How far discs lie apart, by the second of them, in what the selection says: disc diameters, minutes, or how many.
    fn spacing(&mut self, part: &Part<'_>, disc_px: f64) {
        let (selection, way) = &part.selection;
        let (Some(first), Some(second)) = (part.discs.first(), part.discs.get(1)) else { return };
        if selection.at.is_some() || selection.files.is_some() {
            return;
        }
        let (centre, apart) = (first.centre(), first.centre().distance(second.centre()));
        let time = |p: &Placement| Instant::parse_utc(&p.utc).ok();
        let minutes = time(first).zip(time(second)).map(|(a, b)| b.seconds_since(a) / 60.0);
        let length: f64 = part.discs.windows(2).map(|w| w[0].centre().distance(w[1].centre())).sum();
        let (in_discs, in_number, way) = (selection.apart.is_some(), selection.count.is_some(), way.clone());
        self.add(format!("{}spacing of the discs", part.words), second.centre(), move |to| {
            let wanted = to.distance(centre).max(1.0);
            let (field, value) = if in_discs {
                ("apart", format!("\"{:.2}disc\"", (wanted / disc_px).max(0.05)))
            } else if in_number {
                ("count", format!("{:.0}", (length / wanted).round().clamp(1.0, 2000.0) + 1.0))
            } else {
                ("minutes_apart", number((2.0 * minutes? * wanted / apart).round().max(1.0) / 2.0))
            };
            Some(vec![(onward(&way, &[field]), value)])
        });
    }

    fn path(&mut self, part: &Part<'_>, path: &Path) {
        self.rim(part, path.disc_diameter);
        self.spacing(part, part.discs.first().map_or(1.0, |d| 2.0 * d.radius_px));
        match &path.along {
            Along::Line { from, to } => {
                self.place(part, (&["along", "from"], *from), "first end of the line");
                self.place(part, (&["along", "to"], *to), "last end of the line");
            }
            Along::Arc { centre, radius, from_deg, to_deg } => {
                self.place(part, (&["along", "centre"], *centre), "centre of the arc");
                self.round(
                    part,
                    (*centre, [*radius; 2]),
                    [("radius", "radius of the arc"); 1],
                    (*from_deg + *to_deg) / 2.0,
                );
                self.angle(part, (*centre, [*radius; 2]), ("from_deg", "where the arc begins"), *from_deg);
                self.angle(part, (*centre, [*radius; 2]), ("to_deg", "where the arc ends"), *to_deg);
            }
            Along::Ellipse { centre, radii, from_deg, to_deg } => {
                let radii = [radii.0, radii.1];
                self.place(part, (&["along", "centre"], *centre), "centre of the ellipse");
                self.radii(part, *centre, radii);
                self.angle(part, (*centre, radii), ("from_deg", "where the ellipse begins"), *from_deg);
                self.angle(part, (*centre, radii), ("to_deg", "where the ellipse ends"), *to_deg);
            }
            Along::Spiral { centre, inner, outer, turns, from_deg } => {
                self.place(part, (&["along", "centre"], *centre), "centre of the spiral");
                self.round(part, (*centre, [*inner; 2]), [("inner", "inner end of the spiral")], *from_deg);
                let last = from_deg + 360.0 * turns;
                self.round(part, (*centre, [*outer; 2]), [("outer", "outer end of the spiral")], last);
            }
            Along::Svg { .. } => {}
        }
    }

    /// A place in an area, pixels of the canvas.
    fn point(&self, area: &Area, place: Place) -> Option<PixelPoint> {
        let [across, down, _] = self.measures(area);
        Some(PixelPoint::new(area.x0 + place.0.to_px(&across)?, area.y0 + place.1.to_px(&down)?))
    }

    /// How a place in an area is written, in the units of another.
    fn in_units_of(&self, area: Area, place: Place) -> impl Fn(PixelPoint) -> Option<String> + 'static {
        let [across, down, _] = self.measures(&area);
        move |to| {
            let x = Length::from_px(to.x - area.x0, place.0.unit, &across)?;
            let y = Length::from_px(to.y - area.y0, place.1.unit, &down)?;
            Some(format!("({}, {})", written(x), written(y)))
        }
    }

    fn place(&mut self, part: &Part<'_>, (field, place): (&[&str], Place), name: &str) {
        let Some(at) = self.point(&part.area, place) else { return };
        let (way, write) = (onward(&part.way, field), self.in_units_of(part.area, place));
        self.add(format!("{}{name}", part.words), at, move |to| Some(vec![(way.clone(), write(to)?)]));
    }

    /// Centre and radii, pixels of the canvas.
    fn circle(&self, part: &Part<'_>, (centre, radii): (Place, [Length; 2])) -> Option<(PixelPoint, [f64; 2])> {
        let by = self.measures(&part.area)[2];
        Some((self.point(&part.area, centre)?, [radii[0].to_px(&by)?, radii[1].to_px(&by)?]))
    }

    /// A radius, taken at an angle.
    fn round(&mut self, part: &Part<'_>, of: (Place, [Length; 2]), [(field, name)]: [(&str, &str); 1], degrees: f64) {
        let Some((centre, [radius, _])) = self.circle(part, of) else { return };
        let (by, unit, way) = (self.measures(&part.area)[2], of.1[0].unit, onward(&part.way, &["along", field]));
        let (sin, cos) = degrees.to_radians().sin_cos();
        let at = PixelPoint::new(centre.x + radius * cos, centre.y + radius * sin);
        self.add(format!("{}{name}", part.words), at, move |to| {
            Some(vec![(way.clone(), written(Length::from_px(to.distance(centre), unit, &by)?))])
        });
    }

    /// Both radii of an ellipse.
    fn radii(&mut self, part: &Part<'_>, centre: Place, radii: [Length; 2]) {
        let Some((middle, [across, down])) = self.circle(part, (centre, radii)) else { return };
        let (by, way) = (self.measures(&part.area)[2], onward(&part.way, &["along", "radii"]));
        let ends = [
            ("across", PixelPoint::new(middle.x + across, middle.y)),
            ("down", PixelPoint::new(middle.x, middle.y + down)),
        ];
        for (index, (direction, at)) in ends.into_iter().enumerate() {
            let way = way.clone();
            self.add(format!("{}radius of the ellipse, {direction}", part.words), at, move |to| {
                let px = if index == 0 { (to.x - middle.x).abs() } else { (to.y - middle.y).abs() };
                let mut both = radii;
                both[index] = Length::from_px(px, both[index].unit, &by)?;
                Some(vec![(way.clone(), format!("({}, {})", written(both[0]), written(both[1])))])
            });
        }
    }

    /// An angle at which a part of a circle or an ellipse ends.
    fn angle(&mut self, part: &Part<'_>, of: (Place, [Length; 2]), (field, name): (&str, &str), degrees: f64) {
        let Some((centre, [across, down])) = self.circle(part, of) else { return };
        let way = onward(&part.way, &["along", field]);
        let (sin, cos) = degrees.to_radians().sin_cos();
        let at = PixelPoint::new(centre.x + across * cos, centre.y + down * sin);
        self.add(format!("{}{name}", part.words), at, move |to| {
            let turned = ((to.y - centre.y) / down.max(1e-9)).atan2((to.x - centre.x) / across.max(1e-9)).to_degrees();
            // The turn that lies nearest to what it was: half a circle is no step of a hand.
            let nearest = turned + 360.0 * ((degrees - turned) / 360.0).round();
            Some(vec![(way.clone(), number((2.0 * nearest).round() / 2.0))])
        });
    }

    fn panels(&mut self, whole: &Part<'_>, panels: &Panels, composition: &Composition) {
        for (index, panel) in panels.panels.iter().enumerate() {
            let way = onward(&whole.way, &["panels", &index.to_string()]);
            let words = format!("panel {}: ", index + 1);
            let Some(area) = self.panel(&whole.area, (panel, &way), &words) else { continue };
            let selection = match &panel.selection {
                Some(own) => (own, onward(&way, &["selection"])),
                None => (whole.selection.0, whole.selection.1.clone()),
            };
            self.arrangement(&Part {
                arrangement: &panel.arrangement,
                way: onward(&way, &["arrangement"]),
                selection,
                words,
                area,
                discs: composition.placements.iter().filter(|p| p.group == index + 1).collect(),
            });
        }
    }

    /// A panel's corner, by which it is moved, and its edges; the part of the sheet that it fills.
    fn panel(&mut self, sheet: &Area, (panel, way): (&Panel, &[String]), words: &str) -> Option<Area> {
        let corner = self.point(sheet, panel.at)?;
        let far = self.point(sheet, panel.size)?;
        let (width, height) = (far.x - sheet.x0, far.y - sheet.y0);
        let (at_way, size_way) = (onward(way, &["at"]), onward(way, &["size"]));
        let write = self.in_units_of(*sheet, panel.at);
        let way = at_way.clone();
        self.add(format!("{words}its place"), corner, move |to| Some(vec![(way.clone(), write(to)?)]));
        let (right, bottom) = (corner.x + width, corner.y + height);
        let p = PixelPoint::new;
        let edges = [
            ("left edge", p(corner.x, corner.y), p(corner.x, bottom)),
            ("right edge", p(right, corner.y), p(right, bottom)),
            ("upper edge", p(corner.x, corner.y), p(right, corner.y)),
            ("lower edge", p(corner.x, bottom), p(right, bottom)),
        ];
        for (index, (edge, from, until)) in edges.into_iter().enumerate() {
            let (at_way, size_way) = (at_way.clone(), size_way.clone());
            let (at, size) = (self.in_units_of(*sheet, panel.at), self.in_units_of(*sheet, panel.size));
            let (x0, y0) = (sheet.x0, sheet.y0);
            self.add(format!("{words}{edge}"), p((from.x + until.x) / 2.0, (from.y + until.y) / 2.0), move |to| {
                let mut sides = [corner.x, right, corner.y, bottom];
                sides[index] = if index < 2 { to.x } else { to.y };
                let [left, right, top, bottom] = sides;
                if right - left < LEAST_PANEL || bottom - top < LEAST_PANEL {
                    return None;
                }
                let mut edits = vec![(size_way.clone(), size(p(x0 + right - left, y0 + bottom - top))?)];
                if index % 2 == 0 {
                    edits.push((at_way.clone(), at(p(left, top))?));
                }
                Some(edits)
            });
            if let Some(last) = self.out.last_mut() {
                last.edge = Some((from, until));
            }
        }
        let margin = 0.03 * width.min(height);
        Some(Area { x0: corner.x, y0: corner.y, width, height, margin })
    }
}
