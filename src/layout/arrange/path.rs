//! Discs along a path.
//!
//! Lines, arcs and ellipses have closed forms and are made of the same Bezier curves as an SVG path (the `kurbo`
//! crate: an arc is within a ten-thousandth of a pixel, the `A` of an SVG path within a tenth of its drawing's
//! units); a spiral is a fine polyline. Distances along it are arc lengths to a hundredth of a pixel.

use super::{Context, IDENTITY, Spot};
use crate::composition::Composition;
use crate::diag::Diagnostic;
use crate::layout::chosen::Chosen;
use crate::layout::notation::{Along, Path, Place, Spacing};
use crate::raster::PixelPoint;
use kurbo::{Affine, Arc, BezPath, ParamCurve, ParamCurveArclen, PathSeg, Point, Shape};

/// How exactly lengths along a path are known, pixels.
const ACCURACY: f64 = 1e-3;

/// A path with its lengths.
struct MeasuredPath {
    segments: Vec<(PathSeg, f64)>,
    length: f64,
}

impl MeasuredPath {
    fn of(path: &BezPath) -> Self {
        let segments: Vec<(PathSeg, f64)> = path.segments().map(|s| (s, s.arclen(ACCURACY))).collect();
        let length = segments.iter().map(|s| s.1).sum();
        MeasuredPath { segments, length }
    }

    /// The point at a distance from the beginning.
    fn at(&self, distance: f64) -> Option<Point> {
        let mut left = distance.clamp(0.0, self.length);
        for (segment, length) in &self.segments {
            if left <= *length {
                return Some(segment.eval(segment.inv_arclen(left, ACCURACY)));
            }
            left -= length;
        }
        self.segments.last().map(|(s, _)| s.eval(1.0))
    }
}

impl Context<'_> {
    fn trace(&self, along: &Along) -> Result<BezPath, Diagnostic> {
        let p = |place: Place, field: &str| self.point(place, field).map(|p| Point::new(p.x, p.y));
        let measure = self.measure();
        let arc = |centre: Point, radii: (f64, f64), from: f64, to: f64| {
            let (start, sweep) = (from.to_radians(), (to - from).to_radians());
            Arc::new(centre, radii, start, sweep, 0.0).to_path(1e-4)
        };
        Ok(match along {
            Along::Line { from, to } => {
                let mut path = BezPath::new();
                path.move_to(p(*from, "from")?);
                path.line_to(p(*to, "to")?);
                path
            }
            Along::Arc { centre, radius, from_deg, to_deg } => {
                let r = self.px(*radius, &measure, "radius")?;
                arc(p(*centre, "centre")?, (r, r), *from_deg, *to_deg)
            }
            Along::Ellipse { centre, radii, from_deg, to_deg } => {
                let radii = (self.px(radii.0, &measure, "radii")?, self.px(radii.1, &measure, "radii")?);
                arc(p(*centre, "centre")?, radii, *from_deg, *to_deg)
            }
            Along::Spiral { centre, inner, outer, turns, from_deg } => {
                let c = p(*centre, "centre")?;
                let (a, b) = (self.px(*inner, &measure, "inner")?, self.px(*outer, &measure, "outer")?);
                let steps = (turns.abs() * 720.0).ceil().max(2.0) as usize;
                let mut path = BezPath::new();
                for i in 0..=steps {
                    let share = i as f64 / steps as f64;
                    let (r, angle) =
                        (a + (b - a) * share, from_deg.to_radians() + share * turns * std::f64::consts::TAU);
                    let at = Point::new(c.x + r * angle.cos(), c.y + r * angle.sin());
                    if i == 0 { path.move_to(at) } else { path.line_to(at) }
                }
                path
            }
            Along::Svg { path, view_box } => {
                let drawn = BezPath::from_svg(path).map_err(|e| {
                    let help = "write it as SVG does, such as \"M 0 0 C 20 40 60 40 80 0\"";
                    self.layout.fault(&["Path", "path"], format!("the path cannot be read: {e}"), help)
                })?;
                let area = &self.area;
                let place = match view_box {
                    Some((w, h)) => {
                        let scale = (area.width / w).min(area.height / h);
                        let middle = area.middle();
                        Affine::translate((middle.x - scale * w / 2.0, middle.y - scale * h / 2.0))
                            * Affine::scale(scale)
                    }
                    None => Affine::translate((area.x0, area.y0)),
                };
                place * drawn
            }
        })
    }
}

pub(super) fn path(
    context: &Context<'_>,
    path: &Path,
    chosen: &[Chosen<'_>],
    out: &mut Composition,
) -> Result<Vec<Diagnostic>, Diagnostic> {
    context.heading(&mut out.texts);
    context.footing(&mut out.texts);
    let way = MeasuredPath::of(&context.trace(&path.along)?);
    let shares = shares(context, path, chosen)?;
    let count = chosen.iter().map(|c| c.slot + 1).max().unwrap_or(1);
    let diameter = match path.disc_diameter {
        Some(length) => context.px(length, &context.measure(), "disc_diameter")?,
        // Neighbours almost touch; a closed or bent path may bring others near, which is then said.
        None => 0.86 * way.length / (count.max(2) - 1) as f64,
    };
    let (turns, said) = context.turns(chosen, path.up);
    for ((c, share), turn) in chosen.iter().zip(shares).zip(turns) {
        let Some(at) = way.at(share * way.length) else { continue };
        let spot = Spot { centre: PixelPoint::new(at.x, at.y), radius_px: diameter / 2.0, turn, stretch: IDENTITY };
        context.lay(out, c, c.slot, &spot);
    }
    Ok(said)
}

/// Where on the path each disc lies, 0 to 1.
fn shares(context: &Context<'_>, path: &Path, chosen: &[Chosen<'_>]) -> Result<Vec<f64>, Diagnostic> {
    let last = chosen.iter().map(|c| c.slot).max().unwrap_or(0).max(1) as f64;
    if path.spacing == Spacing::ByLength {
        return Ok(chosen.iter().map(|c| if chosen.len() == 1 { 0.5 } else { c.slot as f64 / last }).collect());
    }
    let times: Option<Vec<f64>> = chosen.iter().map(|c| c.instant.map(|i| i.tt_seconds())).collect();
    let times = times.ok_or_else(|| {
        let help = "use `spacing: ByLength`, or write the clock into shoot.ron";
        context.layout.fault(&["Path", "spacing"], "some of the discs have no time", help)
    })?;
    let first = times.iter().copied().fold(f64::INFINITY, f64::min);
    let span = times.iter().copied().fold(f64::NEG_INFINITY, f64::max) - first;
    Ok(times.iter().map(|t| if span > 0.0 { (t - first) / span } else { 0.5 }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_along_an_arc_are_arc_lengths() {
        let arc = Arc::new(Point::new(100.0, 50.0), (80.0, 80.0), 0.0, std::f64::consts::PI, 0.0).to_path(1e-4);
        let way = MeasuredPath::of(&arc);
        assert!((way.length - 80.0 * std::f64::consts::PI).abs() < 0.01);
        for share in [0.0, 0.2, 0.5, 0.9, 1.0f64] {
            let at = way.at(share * way.length).unwrap();
            let (sin, cos) = (share * std::f64::consts::PI).sin_cos();
            assert!((at.x - 100.0 - 80.0 * cos).abs() < 0.01 && (at.y - 50.0 - 80.0 * sin).abs() < 0.01, "{share}");
        }
    }
}
