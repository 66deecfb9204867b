//! A free side for every disc's label: never over a disc, another label, or the sheet's edge, and nearest to its own disc;
//! clear of lines and circles where some side is.

use super::Typeface;
use crate::composition::{Beside, Composition, Mark, TextAnchor, TextRequest};
use crate::diag::Diagnostic;
use crate::raster::PixelRect;

/// Moves labels to a free side of their discs; one that has none is dropped, which is said.
pub fn lay_out(composition: &mut Composition, typeface: &Typeface) -> Vec<Diagnostic> {
    let requests = std::mem::take(&mut composition.texts);
    let (labels, others): (Vec<TextRequest>, Vec<TextRequest>) = requests.into_iter().partition(|r| r.beside.is_some());
    // Title, caption and names of marks stand where they are.
    let mut taken: Vec<PixelRect> = others.iter().map(|r| typeface.extent(r)).collect();
    let sheet = PixelRect::of_size(composition.width, composition.height);
    let discs: Vec<Beside> = composition
        .placements
        .iter()
        .map(|p| Beside { x_px: p.centre().x, y_px: p.centre().y, radius_px: p.radius_px })
        .collect();
    let mut dropped: Vec<String> = Vec::new();
    composition.texts = others;
    for label in labels.into_iter().filter(|l| !l.text.is_empty()) {
        let Some(own) = label.beside else { continue };
        let free: Vec<TextRequest> = sides(&label, own)
            .into_iter()
            .filter(|side| {
                let rect = typeface.extent(side);
                rect.intersection(sheet) == rect
                    && !taken.iter().any(|t| !t.intersection(rect).is_empty())
                    && discs.iter().all(|d| room(d, rect) >= 0.0)
                    && discs.iter().all(|d| *d == own || room(d, rect) >= room(&own, rect))
            })
            .collect();
        let crosses = |side: &TextRequest| composition.marks.iter().any(|m| is_crossed(typeface.extent(side), m));
        let clear = free.iter().position(|side| !crosses(side)).unwrap_or(0);
        match free.into_iter().nth(clear) {
            Some(side) => {
                taken.push(typeface.extent(&side));
                composition.texts.push(side);
            }
            None => dropped.push(label.text),
        }
    }
    if dropped.is_empty() {
        return Vec::new();
    }
    let first = dropped.iter().take(3).map(|t| format!("`{t}`")).collect::<Vec<_>>().join(", ");
    vec![
        Diagnostic::warning(
            "label-dropped",
            format!("{} labels find no free side of their discs: {first}", dropped.len()),
        )
        .with_help("make the letters smaller, label `every: 2`, or show fewer discs"),
    ]
}

/// The label on each side of its disc, the best first.
fn sides(label: &TextRequest, own: Beside) -> Vec<TextRequest> {
    let gap = 0.45 * label.size_px;
    let reach = own.radius_px + gap;
    let diagonal = (own.radius_px + 0.3 * gap) * std::f64::consts::FRAC_1_SQRT_2;
    let at = |dx: f64, dy: f64, anchor: TextAnchor| TextRequest {
        x_px: own.x_px + dx,
        y_px: own.y_px + dy,
        anchor,
        ..label.clone()
    };
    vec![
        at(0.0, reach, TextAnchor::BelowCentre),
        at(0.0, -reach, TextAnchor::AboveCentre),
        at(reach, 0.0, TextAnchor::RightMiddle),
        at(-reach, 0.0, TextAnchor::LeftMiddle),
        at(diagonal, diagonal, TextAnchor::BelowLeft),
        at(-diagonal, diagonal, TextAnchor::BelowRight),
    ]
}

/// How far a disc's limb lies from a rectangle, pixels; below nought it reaches into it.
fn room(disc: &Beside, rect: PixelRect) -> f64 {
    let (x, y) = nearest(rect, (disc.x_px, disc.y_px));
    (x - disc.x_px).hypot(y - disc.y_px) - disc.radius_px
}

/// The point of a rectangle that is nearest to another.
fn nearest(rect: PixelRect, (x, y): (f64, f64)) -> (f64, f64) {
    (x.clamp(rect.x0 as f64, rect.x1 as f64), y.clamp(rect.y0 as f64, rect.y1 as f64))
}

/// Whether a line or a circle runs through a rectangle.
fn is_crossed(rect: PixelRect, mark: &Mark) -> bool {
    match mark {
        Mark::Circle { x_px, y_px, radius_px, line_px, .. } => {
            let away = |(x, y): (f64, f64)| (x - x_px).hypot(y - y_px);
            let corners = [(rect.x0, rect.y0), (rect.x1, rect.y0), (rect.x0, rect.y1), (rect.x1, rect.y1)];
            let furthest = corners.map(|(x, y)| away((x as f64, y as f64))).into_iter().fold(0.0, f64::max);
            let half = line_px / 2.0;
            away(nearest(rect, (*x_px, *y_px))) < radius_px + half && furthest > radius_px - half
        }
        Mark::Line { points_px, line_px, .. } => {
            points_px.windows(2).any(|pair| meets(rect, pair[0], pair[1], *line_px))
        }
    }
}

/// Whether a stretch of a line comes within half its thickness of a rectangle: the stretch is clipped by the rectangle's
/// sides (Liang & Barsky 1984).
fn meets(rect: PixelRect, from: (f64, f64), to: (f64, f64), line_px: f64) -> bool {
    let half = line_px / 2.0;
    let (mut enters, mut leaves) = (0.0f64, 1.0f64);
    for (start, run, low, high) in [
        (from.0, to.0 - from.0, rect.x0 as f64 - half, rect.x1 as f64 + half),
        (from.1, to.1 - from.1, rect.y0 as f64 - half, rect.y1 as f64 + half),
    ] {
        if run.abs() < 1e-9 {
            if start < low || start > high {
                return false;
            }
            continue;
        }
        let (a, b) = ((low - start) / run, (high - start) / run);
        (enters, leaves) = (enters.max(a.min(b)), leaves.min(a.max(b)));
    }
    enters <= leaves
}

#[cfg(test)]
mod tests {
    use super::*;

    const RECT: PixelRect = PixelRect { x0: 10, y0: 10, x1: 50, y1: 20 };

    #[test]
    fn circles_and_lines_through_a_label_are_seen() {
        let circle = |radius_px: f64| Mark::Circle {
            x_px: 0.0,
            y_px: 15.0,
            radius_px,
            line_px: 2.0,
            ink: [1.0; 3],
            opacity: 1.0,
        };
        assert!(is_crossed(RECT, &circle(30.0)));
        // Inside of the circle, or outside, the label is clear of its line.
        assert!(!is_crossed(RECT, &circle(5.0)) && !is_crossed(RECT, &circle(80.0)));
        let line =
            |to: (f64, f64)| Mark::Line { points_px: vec![(0.0, 0.0), to], line_px: 2.0, ink: [1.0; 3], opacity: 1.0 };
        assert!(is_crossed(RECT, &line((60.0, 30.0))));
        assert!(!is_crossed(RECT, &line((60.0, 0.0))) && !is_crossed(RECT, &line((5.0, 60.0))));
    }

    #[test]
    fn a_disc_beside_a_label_leaves_it_room() {
        let disc = Beside { x_px: 30.0, y_px: 40.0, radius_px: 15.0 };
        assert!((room(&disc, RECT) - 5.0).abs() < 1e-9);
        assert!(room(&Beside { radius_px: 25.0, ..disc }, RECT) < 0.0);
    }
}
