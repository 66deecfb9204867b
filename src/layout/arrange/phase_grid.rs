//! Rows and columns of discs of one size.

use super::{Context, IDENTITY, Spot};
use crate::composition::Composition;
use crate::diag::Diagnostic;
use crate::layout::chosen::Chosen;
use crate::layout::notation::{Order, PhaseGrid};
use crate::raster::PixelPoint;

pub(super) fn phase_grid(
    context: &Context<'_>,
    grid: &PhaseGrid,
    chosen: &[Chosen<'_>],
    out: &mut Composition,
) -> Result<Vec<Diagnostic>, Diagnostic> {
    let area = &context.area;
    let heading = context.heading(&mut out.texts);
    let footing = context.footing(&mut out.texts);
    let label_room = context.label_room();
    let (left, top) = (area.x0 + area.margin, area.y0 + area.margin + heading);
    let cell_width = (area.width - 2.0 * area.margin) / grid.columns as f64;
    let cell_height = (area.height - 2.0 * area.margin - heading - footing) / grid.rows as f64;
    let room = cell_width.min(cell_height - label_room);
    let diameter = match grid.disc_diameter {
        Some(length) => context.px(length, &context.measure(), "disc_diameter")?,
        None => 0.84 * room,
    };
    if diameter > room || room <= 2.0 {
        return Err(context.layout.fault(
            &["PhaseGrid", if grid.disc_diameter.is_some() { "disc_diameter" } else { "rows" }],
            format!(
                "discs of {diameter:.0} px do not fit cells of {cell_width:.0} x {:.0} px",
                cell_height - label_room
            ),
            "make the canvas larger, or the grid, the margin or the labels smaller",
        ));
    }
    let cells = grid.columns * grid.rows;
    if chosen.iter().any(|c| c.slot >= cells) {
        return Err(context.layout.fault(
            &["PhaseGrid", "columns"],
            format!("{} discs do not fit {} x {} cells", chosen.len(), grid.columns, grid.rows),
            &format!("add cells, or show the evenly spread best with `selection: (count: {cells})`"),
        ));
    }
    let (turns, said) = context.turns(chosen, grid.up);
    for (c, turn) in chosen.iter().zip(turns) {
        let (row, mut column) = (c.slot / grid.columns, c.slot % grid.columns);
        if grid.order == Order::Boustrophedon && row % 2 == 1 {
            column = grid.columns - 1 - column;
        }
        let spot = Spot {
            centre: PixelPoint::new(
                left + (column as f64 + 0.5) * cell_width,
                top + row as f64 * cell_height + 0.5 * (cell_height - label_room),
            ),
            radius_px: diameter / 2.0,
            turn,
            stretch: IDENTITY,
        };
        context.lay(out, c, c.slot, &spot);
    }
    Ok(said)
}
