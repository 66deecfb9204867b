//! What a digital negative asks to be done to its numbers before they are light (Adobe DNG Specification 1.7, chapter 7):
//! curves, gains and offsets of whole rows, of columns, of a map laid over the picture.
//!
//! Lists are big-endian whatever the file is. Only what changes light is done here. Left out: the repair of single pixels,
//! bounds, warps (the registration measures the lens for itself), and radial vignetting, which flats take out.

/// One step.
#[derive(Debug, PartialEq)]
pub(super) struct Opcode {
    region: Region,
    change: Change,
    /// Whether a reader may leave it out.
    optional: bool,
}

/// Which numbers it changes.
#[derive(Debug, PartialEq)]
struct Region {
    rows: (usize, usize),
    columns: (usize, usize),
    planes: (usize, usize),
    pitch: (usize, usize),
}

#[derive(Debug, PartialEq)]
enum Change {
    Polynomial(Vec<f64>),
    Table(Vec<f32>),
    /// Added to each of the region's rows, or columns.
    Add(Along, Vec<f32>),
    /// Each of the region's rows, or columns, times this.
    Scale(Along, Vec<f32>),
    Gain(GainMap),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Along {
    Rows,
    Columns,
}

/// Gains at points of an even grid over the picture, linear between them.
#[derive(Debug, PartialEq)]
struct GainMap {
    points: (usize, usize),
    spacing: (f64, f64),
    origin: (f64, f64),
    planes: usize,
    gains: Vec<f32>,
}

/// Numbers of a picture that a list of steps is done to.
pub(super) struct Numbers<'a> {
    /// Light 0..1, `channels` a site.
    pub values: &'a mut [f32],
    pub width: usize,
    pub channels: usize,
    /// Where the numbers begin in the sensor's active area: column, row.
    pub corner: (usize, usize),
    /// The active area's columns and rows.
    pub whole: (usize, usize),
}

struct Words<'a>(&'a [u8]);

impl Words<'_> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (first, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*first)
    }
    fn number(&mut self) -> Option<usize> {
        self.take().map(|b| u32::from_be_bytes(b) as usize)
    }
    fn double(&mut self) -> Option<f64> {
        self.take().map(f64::from_be_bytes).filter(|v| v.is_finite())
    }
    fn floats(&mut self, count: usize) -> Option<Vec<f32>> {
        // As many as are there: a count is not believed before memory is taken.
        let bytes = self.0.get(..count.checked_mul(4)?)?;
        self.0 = &self.0[bytes.len()..];
        Some(bytes.as_chunks::<4>().0.iter().map(|b| f32::from_be_bytes(*b)).collect())
    }
    fn region(&mut self) -> Option<Region> {
        let [top, left, bottom, right] = [self.number()?, self.number()?, self.number()?, self.number()?];
        let [plane, planes] = [self.number()?, self.number()?];
        let pitch = (self.number()?.max(1), self.number()?.max(1));
        Some(Region { rows: (top, bottom), columns: (left, right), planes: (plane, plane.checked_add(planes)?), pitch })
    }
}

/// The steps of a list that change light, in their order.
///
/// # Errors
/// A sentence, when a step that must not be left out is not known, or the list is damaged.
pub(super) fn parse(list: &[u8]) -> Result<Vec<Opcode>, String> {
    const DAMAGED: &str = "its list of corrections is damaged";
    let mut words = Words(list);
    let mut out = Vec::new();
    for _ in 0..words.number().ok_or(DAMAGED)? {
        let id = words.number().ok_or(DAMAGED)?;
        let _version = words.number().ok_or(DAMAGED)?;
        let optional = words.number().ok_or(DAMAGED)? & 1 == 1;
        let length = words.number().ok_or(DAMAGED)?;
        let own = words.0.get(..length).ok_or(DAMAGED)?;
        words.0 = &words.0[length..];
        match id {
            // Warps, vignetting, bad pixels, bounds: see the module.
            1..=6 | 14 => {}
            7..=13 => out.push(Opcode { optional, ..opcode(id, &mut Words(own)).ok_or(DAMAGED)? }),
            _ if optional => {}
            _ => return Err(format!("it asks for a correction of kind {id}, which is not known")),
        }
    }
    Ok(out)
}

fn opcode(id: usize, words: &mut Words<'_>) -> Option<Opcode> {
    let region = words.region()?;
    let change = match id {
        7 => {
            let count = words.number()?;
            let bytes = words.0.get(..count.checked_mul(2)?).filter(|b| !b.is_empty())?;
            Change::Table(
                bytes.as_chunks::<2>().0.iter().map(|b| f32::from(u16::from_be_bytes(*b)) / 65_535.0).collect(),
            )
        }
        8 => {
            let degree = words.number().filter(|d| *d <= 8)?;
            Change::Polynomial((0..=degree).map(|_| words.double()).collect::<Option<_>>()?)
        }
        9 => {
            let points = (words.number()?, words.number()?);
            let spacing = (words.double()?, words.double()?);
            let origin = (words.double()?, words.double()?);
            let planes = words.number()?;
            let count = points.0.checked_mul(points.1)?.checked_mul(planes)?;
            let gains = words.floats(count).filter(|g| !g.is_empty() && g.iter().all(|v| v.is_finite()))?;
            Change::Gain(GainMap { points, spacing, origin, planes, gains })
        }
        _ => {
            let along = if matches!(id, 10 | 12) { Along::Rows } else { Along::Columns };
            let count = words.number()?;
            let values = words.floats(count).filter(|v| v.iter().all(|v| v.is_finite()))?;
            if id < 12 { Change::Add(along, values) } else { Change::Scale(along, values) }
        }
    };
    Some(Opcode { region, change, optional: false })
}

impl GainMap {
    /// The gain at a row and column, given as shares of the picture.
    fn at(&self, row: f64, column: f64, plane: usize) -> f32 {
        let place = |share: f64, origin: f64, spacing: f64, points: usize| {
            let at = if spacing > 0.0 { (share - origin) / spacing } else { 0.0 };
            let at = at.clamp(0.0, (points - 1) as f64);
            let first = (at as usize).min(points.saturating_sub(2));
            (first, (first + 1).min(points - 1), (at - first as f64) as f32)
        };
        let (r0, r1, down) = place(row, self.origin.0, self.spacing.0, self.points.0);
        let (c0, c1, across) = place(column, self.origin.1, self.spacing.1, self.points.1);
        let plane = plane.min(self.planes - 1);
        let gain = |r: usize, c: usize| self.gains[(r * self.points.1 + c) * self.planes + plane];
        let top = gain(r0, c0) * (1.0 - across) + gain(r0, c1) * across;
        let bottom = gain(r1, c0) * (1.0 - across) + gain(r1, c1) * across;
        top * (1.0 - down) + bottom * down
    }
}

impl Opcode {
    /// Whether a reader may leave it out.
    pub(super) fn is_optional(&self) -> bool {
        self.optional
    }

    /// Does the step.
    pub(super) fn apply(&self, numbers: &mut Numbers<'_>) {
        let Region { rows, columns, planes, pitch } = &self.region;
        let (width, channels, corner, whole) = (numbers.width, numbers.channels, numbers.corner, numbers.whole);
        for (i, row) in numbers.values.chunks_mut((width * channels).max(1)).enumerate() {
            let y = i + corner.1;
            if y < rows.0 || y >= rows.1 || !(y - rows.0).is_multiple_of(pitch.0) {
                continue;
            }
            for (j, site) in row.chunks_mut(channels).enumerate() {
                let x = j + corner.0;
                if x < columns.0 || x >= columns.1 || !(x - columns.0).is_multiple_of(pitch.1) {
                    continue;
                }
                let (down, across) = ((y - rows.0) / pitch.0, (x - columns.0) / pitch.1);
                for (plane, v) in site.iter_mut().enumerate().take(planes.1).skip(planes.0) {
                    *v = match &self.change {
                        Change::Polynomial(k) => {
                            // Noise below black goes on along the slope at black: an even power would turn it bright.
                            let (x, below) = (f64::from(v.max(0.0)), f64::from(v.min(0.0)));
                            let slope = k.get(1).copied().unwrap_or(0.0);
                            (k.iter().rev().fold(0.0, |sum, k| sum * x + k) + slope * below) as f32
                        }
                        Change::Table(table) => {
                            let at = (v.clamp(0.0, 1.0) * 65_535.0 + 0.5) as usize;
                            table[at.min(table.len() - 1)]
                        }
                        Change::Add(along, values) => *v + values.get(along.of(down, across)).unwrap_or(&0.0),
                        Change::Scale(along, values) => *v * values.get(along.of(down, across)).unwrap_or(&1.0),
                        Change::Gain(map) => {
                            let share = |at: usize, of: usize| (at as f64 + 0.5) / of.max(1) as f64;
                            *v * map.at(share(y, whole.1), share(x, whole.0), plane)
                        }
                    };
                }
            }
        }
    }
}

impl Along {
    fn of(self, down: usize, across: usize) -> usize {
        match self {
            Along::Rows => down,
            Along::Columns => across,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(id: u32, own: &[u8]) -> Vec<u8> {
        let head = [1, id, 0x0103_0000, 0, own.len() as u32];
        head.iter().flat_map(|w| w.to_be_bytes()).chain(own.iter().copied()).collect()
    }

    fn region(words: [u32; 8]) -> Vec<u8> {
        words.iter().flat_map(|w| w.to_be_bytes()).collect()
    }

    fn applied(list: &[u8], mut values: Vec<f32>, width: usize, channels: usize) -> Vec<f32> {
        let whole = (width, values.len() / width / channels);
        let mut numbers = Numbers { values: &mut values, width, channels, corner: (0, 0), whole };
        parse(list).unwrap().iter().for_each(|o| o.apply(&mut numbers));
        values
    }

    #[test]
    fn a_polynomial_changes_its_plane_alone() {
        let mut own = region([0, 0, 9, 9, 1, 1, 1, 1]);
        own.extend(2u32.to_be_bytes());
        own.extend([0.0f64, 0.25, 0.5].iter().flat_map(|k| k.to_be_bytes()));
        assert_eq!(applied(&list(8, &own), vec![0.5; 6], 2, 3), [0.5, 0.25, 0.5, 0.5, 0.25, 0.5]);
    }

    #[test]
    fn rows_and_columns_are_scaled_by_their_pitch() {
        let own = |count: u32, values: &[f32]| {
            let mut own = region([0, 0, 4, 4, 0, 1, 2, 1]);
            own.extend(count.to_be_bytes());
            own.extend(values.iter().flat_map(|v| v.to_be_bytes()));
            own
        };
        // Rows 0 and 2 of a 2 x 3 mosaic.
        assert_eq!(applied(&list(12, &own(2, &[2.0, 3.0])), vec![1.0; 6], 2, 1), [2.0, 2.0, 1.0, 1.0, 3.0, 3.0]);
        assert_eq!(applied(&list(11, &own(2, &[0.5, 1.0])), vec![1.0; 6], 2, 1), [1.5, 2.0, 1.0, 1.0, 1.5, 2.0]);
    }

    #[test]
    fn a_gain_map_is_linear_between_its_points() {
        let mut own = region([0, 0, 9, 9, 0, 1, 1, 1]);
        own.extend([1u32, 2].iter().flat_map(|w| w.to_be_bytes()));
        own.extend([1.0f64, 1.0, 0.0, 0.0].iter().flat_map(|w| w.to_be_bytes()));
        own.extend(1u32.to_be_bytes());
        own.extend([1.0f32, 3.0].iter().flat_map(|w| w.to_be_bytes()));
        // Middles of four columns lie at 1/8, 3/8, 5/8 and 7/8.
        assert_eq!(applied(&list(9, &own), vec![1.0; 4], 4, 1), [1.25, 1.75, 2.25, 2.75]);
    }

    #[test]
    fn a_gain_map_reaches_its_own_filters_of_a_part_of_the_sensor() {
        // Filters of odd rows and columns, over a sensor of 4 x 4; gains of 1 at the left and 3 at the right.
        let mut own = region([1, 1, 4, 4, 0, 1, 2, 2]);
        own.extend([1u32, 2].iter().flat_map(|w| w.to_be_bytes()));
        own.extend([1.0f64, 1.0, 0.0, 0.0].iter().flat_map(|w| w.to_be_bytes()));
        own.extend(1u32.to_be_bytes());
        own.extend([1.0f32, 3.0].iter().flat_map(|w| w.to_be_bytes()));
        let steps = parse(&list(9, &own)).unwrap();
        // The part begins at column 2, row 1: its only filters of the region are at columns 3, rows 1 and 3.
        let mut values = vec![1.0; 6];
        let mut numbers = Numbers { values: &mut values, width: 2, channels: 1, corner: (2, 1), whole: (4, 4) };
        steps.iter().for_each(|s| s.apply(&mut numbers));
        assert_eq!(values, [1.0, 2.75, 1.0, 1.0, 1.0, 2.75]);
    }

    #[test]
    fn a_table_is_looked_up_and_noise_below_black_stays_below() {
        let mut own = region([0, 0, 9, 9, 0, 1, 1, 1]);
        own.extend(2u32.to_be_bytes());
        own.extend([0u16, 32_768].iter().flat_map(|w| w.to_be_bytes()));
        let table = applied(&list(7, &own), vec![0.0, 1.0], 2, 1);
        assert!(table[0] == 0.0 && (table[1] - 0.5).abs() < 1e-4, "{table:?}");
        let mut own = region([0, 0, 9, 9, 0, 1, 1, 1]);
        own.extend(2u32.to_be_bytes());
        own.extend([0.0f64, 0.5, 8.0].iter().flat_map(|k| k.to_be_bytes()));
        assert_eq!(applied(&list(8, &own), vec![-0.25], 1, 1), [-0.125]);
    }

    #[test]
    fn what_is_not_known_is_refused_unless_it_may_be_left_out() {
        assert!(parse(&list(99, &[])).unwrap_err().contains("kind 99"));
        let mut optional = list(99, &[]);
        optional[15] = 1;
        assert_eq!(parse(&optional).unwrap(), []);
        assert!(parse(&list(9, &[0; 8])).is_err() && parse(&[0, 0]).is_err());
        // A map that claims four thousand million points.
        let mut own = region([0, 0, 9, 9, 0, 1, 1, 1]);
        own.extend([u32::MAX, 1].iter().flat_map(|w| w.to_be_bytes()));
        own.extend([0u8; 40]);
        assert!(parse(&list(9, &own)).is_err());
    }
}
