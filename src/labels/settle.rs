//! A free side for every disc's label: never over a disc, another label, or the sheet's edge.

use super::Typeface;
use crate::diag::Diagnostic;
use crate::layout::{Beside, Composition, TextAnchor, TextRequest};
use crate::raster::PixelRect;

/// Moves labels to a free side of their discs; one that has none is dropped, which is said.
pub fn settle(composition: &mut Composition, typeface: &Typeface) -> Vec<Diagnostic> {
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
        let free = sides(&label, own).into_iter().find(|side| {
            let rect = typeface.extent(side);
            rect.intersection(sheet) == rect
                && !taken.iter().any(|t| !t.intersection(rect).is_empty())
                && !discs.iter().any(|d| touches(d, rect))
        });
        match free {
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

/// Whether a disc reaches into a rectangle.
fn touches(disc: &Beside, rect: PixelRect) -> bool {
    let x = disc.x_px.clamp(rect.x0 as f64, rect.x1 as f64) - disc.x_px;
    let y = disc.y_px.clamp(rect.y0 as f64, rect.y1 as f64) - disc.y_px;
    x.hypot(y) < disc.radius_px
}
