//! A brightness that steps up or down in the middle of a row of blocks, and stays so to the picture's end.
//!
//! A JPEG's blocks tell their brightness as a difference from the block before. Where one such number was spoilt, everything
//! after it is shifted: from some block of a row to the row's end, and all rows below. No photograph does that: a horizon, a
//! roof or a pasted strip either keeps to whole rows or slopes through them.
//!
//! Neglected: steps within eight groups of a row's beginning or fourteen of its end, where hills end as well (less in rows of a few dozen), steps of less than three codes or of less than the picture's own
//! quantisation tells from a slope, and those of pictures whose rows differ by as much anyway.

/// Least step, in codes of eight bits: less is not seen.
const LEAST: f64 = 3.0;
/// Least step, in units of the picture's own quantisation: a sky that grows brighter goes up by one of them, or two, anywhere
/// in a row.
const LEAST_UNITS: f64 = 2.5;
/// Rows of fewer groups of blocks tell too little.
const FEWEST: usize = 16;

/// Whether brightness steps. `levels`: a direct coefficient of each group of blocks, row by row, `across` in a row, in units of
/// `eighths` eighths of a code.
pub(super) fn steps(levels: &[i32], across: usize, eighths: i64) -> bool {
    let unit = eighths as f64 / 8.0;
    let rows: Vec<&[i32]> = levels.chunks_exact(across.max(1)).collect();
    if across < FEWEST || rows.len() < 6 {
        return false;
    }
    (1..rows.len() - 1).any(|r| {
        let over = difference(rows[r + 1], rows[r - 1], unit);
        let step = step_at(&rows, r, &over, unit);
        step.is_some_and(|step| begins_within(&difference(rows[r], rows[r - 1], unit), &over, step))
    })
}

fn difference(row: &[i32], above: &[i32], unit: f64) -> Vec<f64> {
    row.iter().zip(above).map(|(a, b)| f64::from(a - b) * unit).collect()
}

fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// The step, codes, by which the row below another differs from the row above it (`over`), nearly all along, where the rows on
/// either side are alike.
fn step_at(rows: &[&[i32]], r: usize, over: &[f64], unit: f64) -> Option<f64> {
    let step = median(over.to_vec());
    if step.abs() < LEAST.max(LEAST_UNITS * unit) {
        return None;
    }
    let spread = median(over.iter().map(|v| (v - step).abs()).collect());
    let alike = |a: usize, b: usize| median(difference(rows[a], rows[b], unit)).abs() < 0.2 * step.abs();
    let before = r < 3 || alike(r - 1, r - 3);
    let after = r + 3 >= rows.len() || alike(r + 3, r + 1);
    (spread < 0.25 * step.abs() && before && after).then_some(step)
}

/// Whether a row is as the one above it up to some place, and differs by the step from there on, while the row below differs by it
/// on both sides of that place (`over`): a photograph mounted on white does not.
fn begins_within(off: &[f64], over: &[f64], step: f64) -> bool {
    let (near, far) = (|v: f64| v.abs() < 0.25 * step.abs(), |v: f64| (v - step).abs() < 0.25 * step.abs());
    let count = |values: &[f64], fits: &dyn Fn(f64) -> bool| values.iter().filter(|v| fits(**v)).count();
    let margin = (off.len() / 50).max(LEAST_SHOWN.min(off.len() / 5));
    // Right of it most differ, left of it most do not (the Moon's own seas are in the way), and so close by: the place between is
    // sharp, but for the blocks that were spoilt themselves.
    const SPOILT: usize = 6;
    const LOCAL: usize = 10;
    /// Fewer groups on one side tell no step from the end of a hill.
    const LEAST_SHOWN: usize = 8;
    // A horizon that rises towards one end of a row may fall towards the other: what follows a spoilt number begins nowhere else.
    let ends = LOCAL.min(off.len());
    if 10 * count(&off[..ends], &far) > 3 * ends || 10 * count(&off[off.len() - ends..], &near) > 3 * ends {
        return false;
    }
    (margin..off.len().saturating_sub(margin + SPOILT)).any(|c| {
        let (left, right) = (&off[..c], &off[c + SPOILT..]);
        let beside = LOCAL.min(left.len()).min(right.len());
        10 * count(left, &near) >= 7 * left.len()
            && 10 * count(&over[..c], &far) >= 7 * left.len()
            && 10 * count(&over[c + SPOILT..], &far) >= 7 * right.len()
            && 10 * count(right, &far) >= 7 * right.len()
            && 10 * count(&left[left.len() - beside..], &near) >= 6 * beside
            && 10 * count(&right[..beside], &far) >= 6 * beside
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Thirty rows of forty groups, a disc in a dark sky, noise of half a code.
    fn picture(shift_from: Option<usize>) -> Vec<i32> {
        let mut out = Vec::new();
        let mut noise = 7u32;
        for i in 0..30 * 40 {
            let (x, y) = ((i % 40) as f64 - 22.0, (i / 40) as f64 - 14.0);
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let disc = if x.hypot(y) < 8.0 { 120.0 + 2.0 * x } else { 6.0 };
            let shift = if shift_from.is_some_and(|from| i >= from) { 12.0 } else { 0.0 };
            out.push((8.0 * (disc + shift) + f64::from(noise >> 29)) as i32);
        }
        out
    }

    #[test]
    fn a_shift_of_all_that_follows_is_seen_and_a_disc_is_none() {
        assert!(!steps(&picture(None), 40, 1));
        for from in [5 * 40 + 11, 14 * 40 + 20, 24 * 40 + 30] {
            assert!(steps(&picture(Some(from)), 40, 1), "{from}");
        }
        // A strip that begins with a row, and a horizon that slopes through rows.
        assert!(!steps(&picture(Some(20 * 40)), 40, 1));
        let mut sloping = picture(None);
        sloping.iter_mut().enumerate().for_each(|(i, v)| {
            let depth = (i / 40) as f64 - 20.0 + (i % 40) as f64 / 30.0;
            *v += (8.0 * 12.0 * depth.clamp(0.0, 1.0)) as i32;
        });
        assert!(!steps(&sloping, 40, 1));
    }

    /// The sky over a level hill, but for one row of blocks, in which it shows between two columns.
    fn over_a_hill(level: std::ops::Range<usize>) -> bool {
        let mut hill = picture(None);
        hill.iter_mut().enumerate().for_each(|(i, v)| {
            let (column, row) = (i % 40, i / 40);
            let is_ground = row > 24 || (row == 24 && !level.contains(&column));
            *v = if is_ground { 8 } else { *v + 8 * 40 };
        });
        steps(&hill, 40, 1)
    }

    /// A hill's back that rises within a row towards one end of it or both is no shift; one that rises at its end alone looks like one.
    #[test]
    fn a_hill_that_rises_towards_both_ends_is_whole() {
        assert!(over_a_hill(0..22));
        assert!(!over_a_hill(4..22));
        assert!(!over_a_hill(0..36));
    }

    /// White around a dark picture, wider below: the lower edge begins where the left one ends, within a row. And a sky told in
    /// steps of seven codes, which goes up by one of them within a row.
    #[test]
    fn a_mounted_picture_and_a_coarse_sky_are_whole() {
        let mounted: Vec<i32> = picture(None)
            .iter()
            .enumerate()
            .map(|(i, &v)| if (2..38).contains(&(i % 40)) && i / 40 < 25 { v } else { 8 * 255 })
            .collect();
        assert!(!steps(&mounted, 40, 1));
        let coarse: Vec<i32> = (0..30 * 40).map(|i| i32::from(i >= 15 * 40 + 17)).collect();
        assert!(!steps(&coarse, 40, 53));
    }
}
