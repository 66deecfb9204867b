//! What of a poster's panels can be taken hold of: their corners and edges, and what their arrangements have.

use super::handle::{Hands, Part};
use super::{Edit, onward};
use crate::composition::Composition;
use crate::layout::Layout;
use crate::layout::arrange::{Area, LEAST_SIDE_PX};
use crate::layout::notation::{Arrangement, Panel, Panels};
use crate::raster::PixelPoint;

/// A panel that lies on another like it is moved aside, by a share of the sheet's sides.
const ASIDE: f64 = 0.04;

/// What a layout's text is to say for its last panel, a copy of another, to be seen beside that one.
pub fn set_aside(layout: &Layout) -> Option<Vec<Edit>> {
    let Arrangement::Panels(panels) = &layout.file.arrangement else { return None };
    let (panel, index) = (panels.panels.last()?, panels.panels.len() - 1);
    let sheet = layout.sheet().ok()?;
    let mut hands = Hands::on(sheet);
    let sheet = Area::of(&sheet);
    let way = onward(&[], &["arrangement", "panels", &index.to_string()]);
    hands.panel(&sheet, (panel, &way), "")?;
    let place = hands.out.first()?;
    // From the half that it begins in towards the other: there is room.
    let towards = |at: f64, side: f64| at + ASIDE * if at > side / 2.0 { -side } else { side };
    place.moved(PixelPoint::new(towards(place.at.x, sheet.width), towards(place.at.y, sheet.height)))
}

impl Hands {
    pub(super) fn panels(&mut self, whole: &Part<'_>, panels: &Panels, composition: &Composition) {
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
        // No panel leaves the sheet: who drags it there would not find it again.
        let most = (sheet.x0 + (sheet.width - width).max(0.0), sheet.y0 + (sheet.height - height).max(0.0));
        let least = PixelPoint::new(sheet.x0, sheet.y0);
        self.add(format!("{words}its place"), corner, move |to| {
            let within = PixelPoint::new(to.x.clamp(least.x, most.0), to.y.clamp(least.y, most.1));
            Some(vec![(way.clone(), write(within)?)])
        });
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
            let (x0, y0, x1, y1) = (sheet.x0, sheet.y0, sheet.x0 + sheet.width, sheet.y0 + sheet.height);
            self.add(format!("{words}{edge}"), p((from.x + until.x) / 2.0, (from.y + until.y) / 2.0), move |to| {
                let mut sides = [corner.x, right, corner.y, bottom];
                sides[index] = if index < 2 { to.x.clamp(x0, x1) } else { to.y.clamp(y0, y1) };
                let [left, right, top, bottom] = sides;
                if right - left < LEAST_SIDE_PX || bottom - top < LEAST_SIDE_PX {
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
        Some(Area::of_panel(corner, width, height))
    }
}
