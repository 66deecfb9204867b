//! Rows and columns of discs of one size.

use super::{Context, IDENTITY, Spot};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::Layout;
use crate::layout::composition::Composition;
use crate::layout::notation::{Order, PhaseGrid};
use crate::layout::select::Chosen;
use crate::raster::PixelPoint;
use crate::register::Registration;

pub(in crate::layout) fn phase_grid(
    layout: &Layout,
    grid: &PhaseGrid,
    night: &Night,
    registration: &Registration,
    chosen: &[Chosen<'_>],
) -> Result<Composition, Diagnostic> {
    let context = Context { layout, night, registration };
    let canvas = &layout.file.canvas;
    let mut out = context.composition(canvas.width_px, canvas.height_px);
    let heading = context.heading(&mut out.texts, canvas.width_px);
    let label_room = layout.file.labels.as_ref().map_or(0.0, |l| 1.6 * l.size_px);
    let left = canvas.margin_px;
    let top = canvas.margin_px + heading;
    let cell_width = (canvas.width_px as f64 - 2.0 * canvas.margin_px) / grid.columns as f64;
    let cell_height = (canvas.height_px as f64 - 2.0 * canvas.margin_px - heading) / grid.rows as f64;
    let room = cell_width.min(cell_height - label_room);
    let diameter = grid.disc_diameter_px.unwrap_or(0.84 * room);
    if diameter > room || room <= 2.0 {
        return Err(layout.fault(
            &["PhaseGrid", if grid.disc_diameter_px.is_some() { "disc_diameter_px" } else { "rows" }],
            format!(
                "discs of {diameter:.0} px do not fit cells of {cell_width:.0} x {:.0} px",
                cell_height - label_room
            ),
            "make the canvas larger, or the grid, the margin or the labels smaller",
        ));
    }
    let cells = grid.columns * grid.rows;
    if chosen.len() > cells {
        return Err(layout.fault(
            &["PhaseGrid", "columns"],
            format!("{} discs do not fit {} x {} cells", chosen.len(), grid.columns, grid.rows),
            &format!("add cells, or show the evenly spread best with `selection: (count: {cells})`"),
        ));
    }
    for (index, c) in chosen.iter().enumerate() {
        let (row, mut column) = (index / grid.columns, index % grid.columns);
        if grid.order == Order::Boustrophedon && row % 2 == 1 {
            column = grid.columns - 1 - column;
        }
        let turn = context.turn(c, grid.up).ok_or_else(|| {
            layout.fault(
                &["PhaseGrid", "up"],
                "which way is up on the sky is not known for these frames",
                "write `mount` and `site` into shoot.ron, or `up: AsShot` here",
            )
        })?;
        let spot = Spot {
            centre: PixelPoint::new(
                left + (column as f64 + 0.5) * cell_width,
                top + row as f64 * cell_height + 0.5 * (cell_height - label_room),
            ),
            radius_px: diameter / 2.0,
            turn,
            stretch: IDENTITY,
        };
        context.lay(&mut out, c, index, &spot);
    }
    Ok(out)
}
