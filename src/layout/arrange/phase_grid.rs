//! Rows and columns of discs of one size.

use super::{Context, IDENTITY, Spot};
use crate::composition::Composition;
use crate::diag::Diagnostic;
use crate::layout::chosen::Chosen;
use crate::layout::notation::{Order, PhaseGrid};
use crate::raster::PixelPoint;

/// A disc that is given a larger cell than was asked for is enlarged no further than about this (common practice, no source: prints
/// are called soft from two or three times on).
const BEARS: f64 = 2.0;

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
    let cell = |columns: usize, rows: usize| {
        let width = (area.width - 2.0 * area.margin) / columns as f64;
        (width, (area.height - 2.0 * area.margin - heading - footing) / rows as f64)
    };
    let room = |columns: usize, rows: usize| {
        let (width, height) = cell(columns, rows);
        width.min(height - label_room)
    };
    let asked = (grid.columns, grid.rows);
    let (columns, rows) = match grid.disc_diameter {
        None if context.is_short => drawn_in(asked, chosen.len(), room),
        _ => asked,
    };
    let ((cell_width, cell_height), room_asked, room) =
        (cell(columns, rows), room(asked.0, asked.1), room(columns, rows));
    let diameter = match grid.disc_diameter {
        Some(length) => context.px(length, &context.measure(), "disc_diameter")?,
        // Room that is gained makes no blur of small discs.
        None => 0.84 * room.min(room_asked.max(2.0 * BEARS * least_radius_px(chosen))),
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
    let cells = columns * rows;
    if chosen.iter().any(|c| c.slot >= cells) {
        return Err(context.layout.fault(
            &["PhaseGrid", "columns"],
            format!("{} discs do not fit {} x {} cells", chosen.len(), grid.columns, grid.rows),
            &format!("add cells, or show the evenly spread best with `selection: (count: {cells})`"),
        ));
    }
    let (turns, said) = context.turns(chosen, grid.up);
    for (c, turn) in chosen.iter().zip(turns) {
        let (row, mut column) = (c.slot / columns, c.slot % columns);
        if grid.order == Order::Boustrophedon && row % 2 == 1 {
            column = columns - 1 - column;
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

/// The smallest of the discs' radii as photographed, pixels.
fn least_radius_px(chosen: &[Chosen<'_>]) -> f64 {
    let radii = chosen.iter().filter_map(|c| c.registered?.radius_px());
    Some(radii.fold(f64::INFINITY, f64::min)).filter(|r| r.is_finite()).unwrap_or(0.0)
}

/// Columns and rows of a grid that holds fewer discs than it has cells: of all that hold them, and have no more of either, those with
/// the most room for a disc, less what empty cells take of the sheet.
fn drawn_in((columns, rows): (usize, usize), discs: usize, room: impl Fn(usize, usize) -> f64) -> (usize, usize) {
    let holds = |(c, r): &(usize, usize)| c * r >= discs;
    let shapes = (1..=rows).flat_map(|r| (1..=columns).map(move |c| (c, r))).filter(holds);
    // A disc's area is what the sheet gives it.
    let worth = |(c, r): (usize, usize)| room(c, r) * (discs as f64 / (c * r) as f64).sqrt();
    shapes.max_by(|a, b| worth(*a).total_cmp(&worth(*b)).then(a.0.cmp(&b.0))).unwrap_or((columns, rows))
}

#[cfg(test)]
mod tests {
    use super::drawn_in;

    #[test]
    fn a_grid_is_drawn_in_to_what_it_holds() {
        // A sheet of 4000 x 2500.
        let room = |c: usize, r: usize| (4000.0 / c as f64).min(2500.0 / r as f64);
        assert_eq!(drawn_in((6, 4), 10, room), (5, 2), "cells of 800 x 1250, none empty: 4 x 3 would leave two");
        assert_eq!(drawn_in((6, 4), 12, room), (4, 3), "cells of 1000 x 833, and no smaller disc than in six columns");
        assert_eq!(drawn_in((6, 4), 24, room), (6, 4));
        assert_eq!(drawn_in((6, 4), 1, room), (1, 1));
        assert_eq!(drawn_in((1, 30), 4, room), (1, 4), "a column stays one");
    }
}
