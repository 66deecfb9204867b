//! What should be said of a finished composition.

use crate::composition::{Composition, Placement};
use crate::diag::Diagnostic;
use crate::units::Instant;

/// Discs off the sheet, discs that overlap, discs that are drawn larger than they bear.
pub(super) fn remarks(composition: &Composition) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let (w, h) = (composition.width as f64, composition.height as f64);
    let beyond = |p: &Placement| {
        let (c, r) = (p.centre(), p.radius_px);
        (r - c.x).max(r - c.y).max(c.x + r - w).max(c.y + r - h)
    };
    let off: Vec<&Placement> = composition.placements.iter().filter(|p| beyond(p) > 0.0).collect();
    if let Some(worst) = off.iter().max_by(|a, b| beyond(a).total_cmp(&beyond(b))) {
        out.push(
            Diagnostic::warning(
                "disc-leaves-canvas",
                format!(
                    "{} of {} discs reach over the canvas's edge, {} the furthest, by {:.0} px",
                    off.len(),
                    composition.placements.len(),
                    worst.frame,
                    beyond(worst)
                ),
            )
            .with_help("enlarge the canvas or lay it the other way, show fewer or smaller discs; a sky track also takes `fit: Whole`"),
        );
    }
    out.extend(overlap(composition));
    out.extend(blown_up(composition));
    out
}

/// Neighbours that overlap, and the spacing at which they would not.
fn overlap(composition: &Composition) -> Option<Diagnostic> {
    let pairs = composition.placements.windows(2).filter(|p| p[0].group == p[1].group);
    let room = |p: &[Placement]| p[0].centre().distance(p[1].centre()) / (p[0].radius_px + p[1].radius_px);
    let touching: Vec<&[Placement]> = pairs.filter(|p| room(p) < 1.0).collect();
    let closest = touching.iter().map(|p| room(p)).fold(f64::INFINITY, f64::min);
    let minutes = |p: &&[Placement]| {
        let at = |i: usize| Instant::parse_utc(&p[i].utc).ok();
        Some(at(1)?.seconds_since(at(0)?).abs() / 60.0 / room(p))
    };
    let largest = touching.iter().map(|p| p[0].radius_px + p[1].radius_px).fold(0.0, f64::max) * closest.min(1.0);
    let smaller = format!("discs of {:.0} px, {:.0} % of their size", largest.floor(), (100.0 * closest).floor());
    let help = match touching.iter().filter_map(minutes).reduce(f64::max) {
        Some(minutes) => {
            format!("`selection: (minutes_apart: {:.0})` would keep them apart, or {smaller}", minutes.ceil())
        }
        None => format!("show one in {}, or {smaller}", (1.0 / closest.max(1e-3)).ceil()),
    };
    let count = touching.len();
    (count > 0)
        .then(|| Diagnostic::warning("discs-overlap", format!("{count} neighbouring discs overlap")).with_help(help))
}

/// Drawn this many times as large as it was photographed a disc is a blur, whatever the kernel (common practice, no source:
/// prints are called soft from two or three on).
const BLOWN_UP: f64 = 5.0;

/// Discs of a few pixels that fill a cell.
fn blown_up(composition: &Composition) -> Option<Diagnostic> {
    let photographed = |p: &Placement| p.source_radius_px;
    let by = |p: &Placement| p.radius_px / photographed(p);
    let blown: Vec<&Placement> = composition.placements.iter().filter(|p| by(p) > BLOWN_UP).collect();
    let worst = blown.iter().max_by(|a, b| by(a).total_cmp(&by(b)))?;
    let message = format!(
        "{} of {} discs are drawn more than {BLOWN_UP:.0} times as large as they were photographed: {} the most, whose \
         radius of {:.0} px becomes {:.0}",
        blown.len(),
        composition.placements.len(),
        worst.frame,
        photographed(worst),
        worst.radius_px
    );
    let diameter = 2.0 * BLOWN_UP * photographed(worst);
    let help = format!(
        "discs of {diameter:.0} px (`disc_diameter`), a smaller sheet, or frames of a longer lens would be sharper"
    );
    Some(Diagnostic::warning("discs-blown-up", message).with_help(help))
}
