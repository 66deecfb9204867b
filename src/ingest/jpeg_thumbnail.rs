//! Whether a JPEG agrees with the small picture of itself that the camera put into its record (Exif 2.32, first IFD).
//!
//! Where a spoilt number shifts the brightness of all that follows by less than `jpeg_step` can see, the small picture, which
//! stands elsewhere in the file, still shows how it was. They are compared row of blocks by row of blocks: agreement to within a
//! constant down to some place within a row, and agreement to within another constant from there on, is damage. Everything else that may differ, a
//! curve, a crop, a retouched sky whose small picture was not made anew, differs otherwise and tells nothing.
//!
//! Neglected: colour; shifts of less than two codes; files in several scans.

use super::metadata::read_exif;
use exif::{In, Tag, Value};
use std::io::Cursor;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};

/// The luma of a small picture, codes of eight bits.
pub(super) struct Thumbnail {
    width: usize,
    height: usize,
    codes: Vec<u8>,
}

/// Least shift, codes of eight bits.
const LEAST: f64 = 2.0;
/// How much rows may differ where they agree, codes: small pictures are coded in steps of their own.
const AGREES: f64 = 0.6;
/// And the blocks of a row.
const ALONG: f64 = 1.0;
/// Neighbouring pixels of the small picture that differ by more stand on an edge.
const ALIKE: f64 = 3.0;
/// Rows of blocks on either side of a shift.
const ROWS: usize = 6;
/// Largest side: what is larger is a picture of its own, and takes time.
const LARGEST: usize = 400;

/// A component's direct coefficients, group by group of blocks, and where in the frame their blocks stand.
pub(super) struct Blocks<'a> {
    pub levels: &'a [i32],
    /// Groups in a row.
    pub across: usize,
    /// Eighths of a code that a coefficient's unit stands for.
    pub eighths: i64,
    /// Width and height of a group, pixels; its last block is the one that is told.
    pub group_px: (usize, usize),
    /// Width and height of the frame, pixels.
    pub frame_px: (usize, usize),
}

impl Thumbnail {
    /// The small picture in a JPEG's record; `None` where there is none that is a JPEG of luma.
    pub(super) fn of(bytes: &[u8]) -> Option<Self> {
        let exif = read_exif(&mut Cursor::new(bytes))?;
        let number = |tag: Tag| match &exif.get_field(tag, In::THUMBNAIL)?.value {
            Value::Long(v) => v.first().and_then(|n| usize::try_from(*n).ok()),
            Value::Short(v) => v.first().map(|n| usize::from(*n)),
            _ => None,
        };
        let (at, length) = (number(Tag::JPEGInterchangeFormat)?, number(Tag::JPEGInterchangeFormatLength)?);
        let small = exif.buf().get(at..at.checked_add(length)?)?;
        let options = DecoderOptions::default()
            .set_max_width(LARGEST)
            .set_max_height(LARGEST)
            .jpeg_set_out_colorspace(ColorSpace::Luma);
        let mut decoder = JpegDecoder::new_with_options(ZCursor::new(small), options);
        let codes = decoder.decode().ok()?;
        let info = decoder.info()?;
        let (width, height) = (usize::from(info.width), usize::from(info.height));
        (width > 1 && height > 1 && codes.len() == width * height).then_some(Thumbnail { width, height, codes })
    }

    /// Whether the frame is as this shows it down to some row of blocks, and by a constant brighter or darker from there on.
    pub(super) fn shows_a_shift(&self, blocks: &Blocks<'_>) -> bool {
        let rows: Vec<Row> = (0..blocks.levels.len() / blocks.across.max(1))
            .filter_map(|row| Row::of(self.differences(blocks, row)))
            .collect();
        if rows.len() < 2 * ROWS {
            return false;
        }
        // The row in which it begins is of both kinds: as above up to some block, and as below from there on. What keeps to whole
        // rows was laid on by a hand: a strip, a darkened sky down to a straight horizon.
        (ROWS..=rows.len() - ROWS).any(|at| {
            let (above, begins, below) = (&rows[..at - 1], &rows[at - 1], &rows[at..]);
            is_a_shift(above, below) && begins.is_split(middle(above), middle(below))
        })
    }

    /// By how much the blocks of a row are brighter than this shows them, codes.
    fn differences(&self, blocks: &Blocks<'_>, row: usize) -> Vec<f64> {
        let (frame_w, frame_h) = (blocks.frame_px.0 as f64, blocks.frame_px.1 as f64);
        // DCF has small pictures of one shape: others stand in it between black bars.
        let scale = (self.width as f64 / frame_w).min(self.height as f64 / frame_h);
        let (left, top) = ((self.width as f64 - scale * frame_w) / 2.0, (self.height as f64 - scale * frame_h) / 2.0);
        let unit = blocks.eighths as f64 / 8.0;
        let (group_w, group_h) = (blocks.group_px.0 as f64, blocks.group_px.1 as f64);
        let y = (row + 1) as f64 * group_h - 4.0;
        let in_row = blocks.levels[row * blocks.across..(row + 1) * blocks.across].iter().enumerate();
        let inside = in_row.filter_map(|(column, level)| {
            let x = (column + 1) as f64 * group_w - 4.0;
            let shown = self.at(left + scale * x, top + scale * y).filter(|_| x < frame_w && y < frame_h)?;
            Some(128.0 + f64::from(*level) * unit - shown)
        });
        inside.collect()
    }

    /// Between its pixels, where they are alike: elsewhere it is too coarse to tell.
    fn at(&self, x: f64, y: f64) -> Option<f64> {
        let (x, y) = (x - 0.5, y - 0.5);
        if x < 0.0 || y < 0.0 || x >= (self.width - 1) as f64 || y >= (self.height - 1) as f64 {
            return None;
        }
        let (column, row) = (x as usize, y as usize);
        let (dx, dy) = (x.fract(), y.fract());
        let code = |c: usize, r: usize| f64::from(self.codes[r * self.width + c]);
        let around = [code(column, row), code(column + 1, row), code(column, row + 1), code(column + 1, row + 1)];
        let most = around.iter().copied().fold(f64::MIN, f64::max);
        if most - around.iter().copied().fold(f64::MAX, f64::min) > ALIKE {
            return None;
        }
        let line = |r: usize| code(column, r) * (1.0 - dx) + code(column + 1, r) * dx;
        Some(line(row) * (1.0 - dy) + line(row + 1) * dy)
    }
}

/// By how much a row of blocks is brighter than the small picture shows it, codes.
struct Row {
    median: f64,
    /// All but a seventh of its blocks differ from that by less.
    spread: f64,
    /// All of them, from the left.
    blocks: Vec<f64>,
}

impl Row {
    /// `None` of too few blocks.
    fn of(mut differences: Vec<f64>) -> Option<Row> {
        const FEWEST: usize = 7;
        let blocks = differences.clone();
        let count = differences.len();
        if count < FEWEST {
            return None;
        }
        let median = *differences.select_nth_unstable_by(count / 2, f64::total_cmp).1;
        differences.iter_mut().for_each(|d| *d = (*d - median).abs());
        let spread = *differences.select_nth_unstable_by(count - count / 7 - 1, f64::total_cmp).1;
        Some(Row { median, spread, blocks })
    }

    /// Whether its blocks are of one level up to some place that is none of its ends, and of another from there on.
    fn is_split(&self, left: f64, right: f64) -> bool {
        let near = |v: &f64, level: f64| (v - level).abs() < 0.4 * (left - right).abs();
        let most =
            |values: &[f64], level: f64| 10 * values.iter().filter(|v| near(v, level)).count() >= 8 * values.len();
        let end = (self.blocks.len() / 20).max(1);
        (end..self.blocks.len().saturating_sub(end))
            .any(|at| most(&self.blocks[..at], left) && most(&self.blocks[at..], right))
    }
}

/// The median of rows' levels.
fn middle(rows: &[Row]) -> f64 {
    let mut medians: Vec<f64> = rows.iter().map(|r| r.median).collect();
    let at = medians.len() / 2;
    *medians.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Whether rows agree with the small picture to within a constant, and those below them to within another.
fn is_a_shift(above: &[Row], below: &[Row]) -> bool {
    let (high, low) = (middle(above), middle(below));
    let shift = (high - low).abs();
    let agrees = |row: &Row, level: f64| {
        (row.median - level).abs() < AGREES.max(0.1 * shift) && row.spread < ALONG.max(0.4 * shift)
    };
    // Along a limb or a roof the small picture is too coarse to agree.
    let agree = |rows: &[Row], level: f64, tenths: usize| {
        10 * rows.iter().filter(|r| agrees(r, level)).count() >= tenths * rows.len()
    };
    shift >= LEAST
        && agree(&above[above.len() - ROWS / 2..], high, 6)
        && agree(&below[..ROWS / 2], low, 6)
        && agree(above, high, 8)
        && agree(below, low, 8)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ACROSS: usize = 60;
    const DOWN: usize = 40;

    /// A disc in a sky that grows brighter, of groups of 16 pixels.
    fn code(x: f64, y: f64) -> f64 {
        if (x - 500.0).hypot(y - 300.0) < 150.0 { 150.0 + x / 40.0 } else { 20.0 + y / 40.0 }
    }

    fn levels(of: impl Fn(f64, f64, usize) -> f64) -> Vec<i32> {
        let at = |i: usize| ((i % ACROSS + 1) as f64 * 16.0 - 4.0, (i / ACROSS + 1) as f64 * 16.0 - 4.0);
        (0..ACROSS * DOWN).map(|i| (8.0 * (of(at(i).0, at(i).1, i) - 128.0)).round() as i32).collect()
    }

    fn thumbnail(of: impl Fn(f64) -> f64) -> Thumbnail {
        // 160 x 120 with bars: 160 x 106.7 of it are the picture.
        let (scale, bar) = (160.0 / 960.0, (120.0 - 640.0 / 6.0) / 2.0);
        let at = |i: usize| {
            let (x, y) = (((i % 160) as f64 + 0.5) / scale, ((i / 160) as f64 + 0.5 - bar) / scale);
            if (0.0..640.0).contains(&y) { of(code(x, y)).round() as u8 } else { 0 }
        };
        Thumbnail { width: 160, height: 120, codes: (0..160 * 120).map(at).collect() }
    }

    fn shifted(levels: &[i32], small: &Thumbnail) -> bool {
        small.shows_a_shift(&Blocks {
            levels,
            across: ACROSS,
            eighths: 1,
            group_px: (16, 16),
            frame_px: (ACROSS * 16, DOWN * 16),
        })
    }

    #[test]
    fn a_shift_of_two_codes_and_a_half_is_seen_wherever_it_begins() {
        let small = thumbnail(|c| c);
        assert!(!shifted(&levels(|x, y, _| code(x, y)), &small));
        for from in [9 * ACROSS + 6, 20 * ACROSS + 30, 30 * ACROSS + 52] {
            for by in [-2.5, 2.5, 12.0] {
                let spoilt = levels(|x, y, i| code(x, y) + if i >= from { by } else { 0.0 });
                assert!(shifted(&spoilt, &small), "{by} from {from}");
            }
        }
    }

    #[test]
    fn another_picture_curve_crop_or_sky_is_no_damage() {
        let plain = levels(|x, y, _| code(x, y));
        assert!(!shifted(&plain, &thumbnail(|c| 255.0 * (c / 255.0).powf(0.7))), "another curve");
        assert!(!shifted(&levels(|x, y, _| code(x * 0.6 + 200.0, y * 0.6 + 100.0)), &thumbnail(|c| c)), "a crop");
        assert!(!shifted(&levels(|x, y, _| code(960.0 - x, 640.0 - y)), &thumbnail(|c| c)), "upside down");
        let darkened = levels(|x, y, _| code(x, y) * (0.6 + 0.4 * ((y - 200.0) / 100.0).clamp(0.0, 1.0)));
        assert!(!shifted(&darkened, &thumbnail(|c| c)), "a graduated filter");
        let strip = levels(|x, y, _| if y > 560.0 { 255.0 } else { code(x, y) });
        assert!(!shifted(&strip, &thumbnail(|c| c)), "a strip that was pasted on");
        let sky = levels(|x, y, _| code(x, y) + if y < 320.0 { 6.0 } else { 0.0 });
        assert!(!shifted(&sky, &thumbnail(|c| c)), "a sky that was brightened down to a straight horizon");
        let hill = levels(|x, y, _| code(x, y) - if y > 400.0 + 60.0 * (x / 90.0).sin() { 12.0 } else { 0.0 });
        assert!(!shifted(&hill, &thumbnail(|c| c)), "a landscape that was darkened");
    }
}
