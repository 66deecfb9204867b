//! Strips at a frame's edges that no camera took: letterboxes, pasted paper, frames of a scan.
//!
//! Such a strip is one even colour along (nearly) all of its length, and ends at a step. What lies in it, and in the few
//! pixels beside it over which compression smears the step, is no part of the photograph.

use crate::raster::PixelRect;

/// Codes of 255 by which a strip's pixels may differ from its own colour.
const EVEN: i32 = 3;
/// Share of a line that must be so even.
const MOSTLY: f64 = 0.9;
/// Least step from a strip to the picture, codes of 255; a twilight's own slope changes less within a block.
const STEP: i32 = 4;
/// Pixels beside a strip over which compression smears its step: one block.
const SMEARED: usize = 8;
/// About how many pixels of a line are looked at.
const SAMPLED: usize = 700;
/// Deepest strip, as a share of the side.
const DEEPEST: f64 = 0.25;

/// The part of a picture inside its strips. `code`: the code (0..255) of a pixel's green.
pub(super) fn inside(width: usize, height: usize, code: impl Fn(usize, usize) -> u8) -> PixelRect {
    let along = |length: usize, at: &dyn Fn(usize) -> u8| Line::of(length, at);
    let top = depth(height, |d| along(width, &|x| code(x, d)));
    let bottom = depth(height, |d| along(width, &|x| code(x, height - 1 - d)));
    let left = depth(width, |d| along(height, &|y| code(d, y)));
    let right = depth(width, |d| along(height, &|y| code(width - 1 - d, y)));
    PixelRect { x0: left as i64, y0: top as i64, x1: (width - right) as i64, y1: (height - bottom) as i64 }
}

/// A row or a column.
struct Line {
    /// Its middle code.
    middle: i32,
    /// Whether it is of one colour.
    is_even: bool,
}

impl Line {
    fn of(length: usize, at: &dyn Fn(usize) -> u8) -> Line {
        let mut counts = [0usize; 256];
        // Some hundred pixels tell whether a line is even.
        let step = (length / SAMPLED).max(1);
        let length = length.div_ceil(step);
        (0..length).for_each(|i| counts[usize::from(at(i * step))] += 1);
        let mut seen = 0;
        let middle = counts.iter().position(|n| {
            seen += n;
            2 * seen > length
        });
        let middle = middle.unwrap_or(0) as i32;
        let near = (middle - EVEN).max(0) as usize..=(middle + EVEN).min(255) as usize;
        let even: usize = counts[near].iter().sum();
        Line { middle, is_even: even as f64 >= MOSTLY * length as f64 }
    }
}

/// How many lines from an edge belong to a strip and its smear.
fn depth(lines: usize, line: impl Fn(usize) -> Line) -> usize {
    let first = line(0);
    let most = (lines as f64 * DEEPEST) as usize;
    if !first.is_even || most < 3 * SMEARED {
        return 0;
    }
    let is_strip = |l: &Line| l.is_even && (l.middle - first.middle).abs() <= EVEN;
    let Some(end) = (1..most).find(|d| !is_strip(&line(*d))) else { return 0 };
    let (last, beside, further) = (line(end - 1).middle, line(end + SMEARED).middle, line(end + 2 * SMEARED).middle);
    // A sky that changes from the edge on, and goes on changing, is a sky: the step lies within the smear.
    let step = (beside - last).abs();
    if step >= STEP && 4 * (further - beside).abs() <= step { end + SMEARED } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pasted_strip_is_left_out_and_a_sky_is_not() {
        let noise = |x: usize, y: usize| ((x * 7 + y * 13) % 5) as u8;
        let pasted = inside(200, 150, |x, y| if y >= 140 { 255 } else { 20 + noise(x, y) });
        assert_eq!((pasted.x0, pasted.y0, pasted.x1, pasted.y1), (0, 0, 200, 132));
        let black = inside(200, 150, |_, _| 0);
        assert_eq!((black.width(), black.height()), (200, 150));
        for slope in [2, 8, 40] {
            let dusk = inside(200, 600, |_, y| (40 + y / slope) as u8);
            assert_eq!((dusk.width(), dusk.height()), (200, 600), "a code in {slope} rows");
        }
    }
}
