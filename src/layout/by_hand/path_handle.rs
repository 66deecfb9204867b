//! What of a path can be taken hold of: its ends, its centre, its radii, where it begins.

use super::handle::{Hands, Part};
use super::{number, onward, written};
use crate::layout::notation::{Along, Length, Path, Place};
use crate::raster::PixelPoint;

impl Hands {
    pub(super) fn path(&mut self, part: &Part<'_>, path: &Path) {
        self.rim(part, path.disc_diameter);
        self.spacing(part, None);
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
                self.round(part, (*centre, [*inner; 2]), [("inner", "where the spiral begins")], *from_deg);
                let last = from_deg + 360.0 * turns;
                self.round(part, (*centre, [*outer; 2]), [("outer", "where the spiral ends")], last);
            }
            Along::Svg { .. } => {}
        }
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
}
