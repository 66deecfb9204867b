//! Regions of one poster, each with an arrangement of its own.

use super::{Area, Context, arrange, heading, name_of};
use crate::composition::Composition;
use crate::diag::Diagnostic;
use crate::layout::notation::{Arrangement, Panel, Panels};
use crate::layout::select::select;
use crate::raster::PixelPoint;

/// No panel is smaller, pixels.
pub(in crate::layout) const LEAST_SIDE_PX: f64 = 16.0;

impl Area {
    /// A panel's; its own margin is small: the poster has one.
    pub(in crate::layout) fn of_panel(corner: PixelPoint, width: f64, height: f64) -> Self {
        Area { x0: corner.x, y0: corner.y, width, height, margin: 0.03 * width.min(height) }
    }
}

pub(super) fn panels(
    context: &Context<'_>,
    panels: &Panels,
    out: &mut Composition,
) -> Result<Vec<Diagnostic>, Diagnostic> {
    let mut said = Vec::new();
    context.heading(&mut out.texts);
    context.footing(&mut out.texts);
    for (index, panel) in panels.panels.iter().enumerate() {
        let first = out.placements.len();
        let name = format!("panel {} ({})", index + 1, name_of(&panel.arrangement));
        match draw(context, panel, out) {
            Ok(remarks) => {
                said.extend(remarks.into_iter().map(|d| Diagnostic { message: format!("{name}: {}", d.message), ..d }));
            }
            // One panel without a frame leaves the others standing.
            Err(nothing) if nothing.code == "nothing-to-show" => {
                let message = format!("{name} stays empty: {}", nothing.message);
                said.push(Diagnostic { help: nothing.help, ..Diagnostic::warning("panel-empty", message) });
            }
            Err(fault) => return Err(fault),
        }
        out.placements[first..].iter_mut().for_each(|p| p.group = index + 1);
    }
    if out.placements.is_empty() {
        return Err(Diagnostic::error("nothing-to-show", "no panel finds a frame to show")
            .with_help("look at `moonloom register … --csv FILE` and at the panels' `selection`"));
    }
    Ok(said)
}

fn draw(context: &Context<'_>, panel: &Panel, out: &mut Composition) -> Result<Vec<Diagnostic>, Diagnostic> {
    if matches!(*panel.arrangement, Arrangement::Panels(_)) {
        let help = "put the inner panels beside the others";
        return Err(context.layout.fault(&["Panels", "panels"], "a panel cannot hold panels", help));
    }
    let corner = context.point(panel.at, "at")?;
    let far = context.point(panel.size, "size")?;
    let (width, height) = (far.x - context.area.x0, far.y - context.area.y0);
    if width < LEAST_SIDE_PX || height < LEAST_SIDE_PX {
        return Err(context.layout.fault(&["Panels", "size"], "a panel is smaller than 16 pixels", "give it room"));
    }
    let area = Area::of_panel(corner, width, height);
    let selection = panel.selection.as_ref().unwrap_or(&context.layout.file.selection);
    let chosen = select(context.layout, (&panel.arrangement, selection), context.night, context.registration)?;
    let title = panel.title.as_ref().and_then(|t| heading(t, context.night, context.eclipse));
    let inner = Context {
        area,
        is_short: selection.is_short(chosen.value.len()),
        name: name_of(&panel.arrangement),
        labels: panel.labels.as_ref().or(context.labels),
        marks: panel.marks,
        title: title.as_deref(),
        subtitle: None,
        caption: None,
        credit: None,
        ..*context
    };
    let mut said = chosen.diagnostics;
    said.extend(arrange(&inner, &panel.arrangement, &chosen.value, out)?);
    Ok(said)
}
