//! Regions of one poster, each with an arrangement of its own.

use super::{Area, Context, arrange, name_of};
use crate::diag::Diagnostic;
use crate::layout::composition::Composition;
use crate::layout::notation::{Arrangement, Panel, Panels};
use crate::layout::select::select;

pub(super) fn panels(context: &Context<'_>, panels: &Panels, out: &mut Composition) -> Result<(), Diagnostic> {
    context.heading(&mut out.texts);
    context.footing(&mut out.texts);
    for (index, panel) in panels.panels.iter().enumerate() {
        let first = out.placements.len();
        draw(context, panel, out)?;
        out.placements[first..].iter_mut().for_each(|p| p.group = index + 1);
    }
    Ok(())
}

fn draw(context: &Context<'_>, panel: &Panel, out: &mut Composition) -> Result<(), Diagnostic> {
    if matches!(*panel.arrangement, Arrangement::Panels(_)) {
        let help = "put the inner panels beside the others";
        return Err(context.layout.fault(&["Panels", "panels"], "a panel cannot hold panels", help));
    }
    let corner = context.point(panel.at, "at")?;
    let far = context.point(panel.size, "size")?;
    let (width, height) = (far.x - context.area.x0, far.y - context.area.y0);
    if width < 16.0 || height < 16.0 {
        return Err(context.layout.fault(&["Panels", "size"], "a panel is smaller than 16 pixels", "give it room"));
    }
    // A panel's own margin is small: the poster has one.
    let area = Area { x0: corner.x, y0: corner.y, width, height, margin: 0.03 * width.min(height) };
    let selection = panel.selection.as_ref().unwrap_or(&context.layout.file.selection);
    let chosen = select(context.layout, selection, context.night, context.registration)?.value;
    let inner = Context {
        area,
        name: name_of(&panel.arrangement),
        labels: panel.labels.as_ref(),
        marks: panel.marks,
        title: panel.title.as_deref(),
        subtitle: None,
        caption: None,
        credit: None,
        ..*context
    };
    arrange(&inner, &panel.arrangement, &chosen, out)
}
