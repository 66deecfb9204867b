//! Whether a JPEG's scans hold their blocks, each of them and no more (ITU-T T.81, annexes F and G).
//!
//! A decoder makes a picture of any bytes. After one flipped bit its codes run out of step, find their step again some
//! blocks later, and all that follows stands beside its place: a Moon that looks well and is somewhere else. What betrays
//! it is the book-keeping, which is followed here without making a pixel: codes that are in no table, coefficients beyond
//! the sixty-fourth, a brightness that no sample can have, blocks that are missing or left over at a scan's end.
//!
//! A copy that breaks off while its first and only scan goes on (or whose end was never written and is nought) is not
//! damaged as far as it goes: its rows above that are told.
//!
//! Neglected: codes that run out of step in a file that also breaks off, unless brightness steps; a flip that changes a number and keeps the step, within the range of what can be, unless it shifts the
//! brightness of all that follows (`jpeg_step`, and `jpeg_thumbnail` where the file holds a small picture of itself). It moves no block.
//! Arithmetic coding and lossless JPEG are not followed.

use super::jpeg_bits::{Bits, Table, unstuffed};
use super::jpeg_headers::{Component, FrameHeader, Process, Scan, frame_header, scan_header};
use super::jpeg_step;
use super::jpeg_thumbnail::{Blocks, Thumbnail};
use crate::memory;

/// How much of a JPEG is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Told {
    /// All of it.
    Whole,
    /// Some rows from the top; then it breaks off.
    Upper(UpperRows),
}

/// What is told of a file that breaks off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct UpperRows {
    /// How many rows, as the file stores them.
    pub rows: usize,
    /// How many the frame has.
    pub of: usize,
    /// Where in the file that number stands, two bytes.
    pub height_at: usize,
}

/// Follows all scans of a JPEG.
///
/// # Errors
/// A sentence that says what does not add up.
pub(super) fn check(bytes: &[u8], is_photograph: bool) -> Result<Told, String> {
    // A drawing may be as small as it likes, and is wanted whole.
    let file_bytes = if is_photograph { bytes.len() as u64 } else { u64::MAX };
    let damaged = |what: &str| format!("the JPEG is damaged: {what}; copy it from the card again");
    let thumbnail = if is_photograph { Thumbnail::of(bytes) } else { None };
    match follow_all(written(bytes), file_bytes, thumbnail) {
        Ok(()) => Ok(Told::Whole),
        Err(Fault::BreaksOff(upper)) if is_photograph && upper.rows >= LEAST_ROWS.max(upper.of / 10) => {
            Ok(Told::Upper(upper))
        }
        Err(Fault::BreaksOff(_)) => Err(damaged(BREAKS_OFF)),
        Err(Fault::Damaged(what)) => Err(damaged(what)),
        Err(Fault::NotRead(kind)) => {
            Err(format!("{kind} JPEGs are not read; save the picture again as a usual JPEG or as TIFF"))
        }
        Err(Fault::TooLarge(why)) => Err(why),
    }
}

/// Fewer rows than this, or than a tenth of the picture, show nothing worth having.
const LEAST_ROWS: usize = 64;

/// A file's bytes up to where it was written: what a copy set room aside for and never filled is nought.
pub(super) fn written(bytes: &[u8]) -> &[u8] {
    // As many noughts in a row as this are no code of any table that a camera uses, nor the filling of a scan's last byte.
    const UNFILLED: usize = 64;
    let end = bytes.iter().rposition(|b| *b != 0).map_or(0, |last| last + 1);
    if bytes.len() - end >= UNFILLED { &bytes[..end] } else { bytes }
}

enum Fault {
    Damaged(&'static str),
    /// A kind of JPEG that cameras do not write, and that is not read.
    NotRead(&'static str),
    TooLarge(String),
    /// A scan that is the whole picture ends within its blocks.
    BreaksOff(UpperRows),
}

impl From<&'static str> for Fault {
    fn from(what: &'static str) -> Self {
        Fault::Damaged(what)
    }
}

fn follow_all(bytes: &[u8], file_bytes: u64, thumbnail: Option<Thumbnail>) -> Result<(), Fault> {
    let mut state = State { thumbnail, ..State::default() };
    let mut at = 2;
    loop {
        // Any number of fill bytes may stand before a marker.
        while bytes.get(at..at + 2) == Some(&[0xff, 0xff]) {
            at += 1;
        }
        let marker = match bytes.get(at..at + 2) {
            Some(&[0xff, marker]) => marker,
            // Some programs leave a byte or two between segments; the next marker is looked for.
            Some(_) => {
                at += 1;
                continue;
            }
            // All its blocks are there, and no other scan can follow: the end marker alone was lost.
            None if state.is_complete() => return Ok(()),
            None => return Err(BREAKS_OFF.into()),
        };
        at += 2;
        match marker {
            0xd9 if state.told.is_empty() || !state.told.iter().all(|t| *t) => return Err(MISSING.into()),
            0xd9 => return Ok(()),
            0x01 | 0xd0..=0xd7 => continue,
            _ => {}
        }
        let length = bytes.get(at..at + 2).map_or(0, |l| usize::from(u16::from_be_bytes([l[0], l[1]])));
        let body = bytes.get(at + 2..at + length.max(2)).ok_or(BREAKS_OFF)?;
        at += length.max(2);
        match marker {
            0xc0..=0xc2 => {
                if state.frame.is_some() {
                    return Err(HEADER.into());
                }
                // Before the height stand the segment's length and the precision.
                let height_at = at - length.max(2) + 3;
                let frame = frame_header(marker, body, height_at).ok_or(HEADER)?;
                let pixels = (frame.width * frame.height) as u64;
                memory::may_open(pixels, 2, file_bytes).map_err(Fault::TooLarge)?;
                state.told = vec![false; frame.components.len()];
                state.frame = Some(frame);
            }
            // The kinds of T.81, table B.1, that no camera writes.
            0xc3 => return Err(Fault::NotRead("lossless")),
            0xc5..=0xc7 | 0xcd..=0xcf => return Err(Fault::NotRead("hierarchical")),
            0xc9..=0xcb => return Err(Fault::NotRead("arithmetic-coded")),
            0xc4 => state.tables(body).ok_or(HEADER)?,
            0xdb => state.quantization(body).ok_or(HEADER)?,
            0xdd => state.restart = usize::from(u16::from_be_bytes(body.try_into().map_err(|_| HEADER)?)),
            0xda => {
                let frame = state.frame.take().ok_or("a scan comes before its frame's header")?;
                // The number of lines comes after the first scan: cameras do not write that.
                if frame.height == 0 || frame.width == 0 {
                    return Ok(());
                }
                let scan = scan_header(&frame, body).ok_or(HEADER)?;
                at += state.follow(&frame, &scan, &bytes[at..])?;
                for &(index, ..) in scan.parts.iter().filter(|_| scan.first == 0) {
                    state.told[index] = true;
                }
                state.frame = Some(frame);
                state.scans += 1;
                if state.scans > MOST_SCANS {
                    return Err("it has more scans than any picture needs".into());
                }
            }
            _ => {}
        }
    }
}

/// A progressive picture of three colours takes ten; the finest script that the numbers allow, some hundreds.
const MOST_SCANS: usize = 400;
const BREAKS_OFF: &str = "it breaks off before its end";
const HEADER: &str = "a header makes no sense";
const MISSING: &str = "blocks are missing";
const SURPLUS: &str = "blocks are left over";
const NO_CODE: &str = "there are bits that are no code";
const STEP: &str = "its brightness steps from one block to the next and stays so";
const NO_SAMPLE: &str = "there is a brightness that no sample has";

#[derive(Default)]
struct State {
    frame: Option<FrameHeader>,
    direct: [Option<Table>; 4],
    alternating: [Option<Table>; 4],
    /// The first number of each quantization table.
    quantization: [i64; 4],
    restart: usize,
    /// The small picture in the file's record.
    thumbnail: Option<Thumbnail>,
    scans: usize,
    /// Which components' direct coefficients a scan has told.
    told: Vec<bool>,
    /// Of progressive frames, which coefficients of each block are not nought, a bit each.
    known: Vec<Vec<u64>>,
}

impl State {
    fn is_complete(&self) -> bool {
        let sequential = self.frame.as_ref().is_some_and(|f| f.process == Process::Sequential);
        sequential && self.told.iter().all(|t| *t)
    }

    fn tables(&mut self, mut body: &[u8]) -> Option<()> {
        while let Some((&class, rest)) = body.split_first() {
            let (counts, rest) = rest.split_at_checked(16)?;
            let total: usize = counts.iter().map(|c| usize::from(*c)).sum();
            let (symbols, rest) = rest.split_at_checked(total)?;
            let of = if class >> 4 == 0 { &mut self.direct } else { &mut self.alternating };
            of[usize::from(class & 3)] = Some(Table::new(counts.try_into().ok()?, symbols)?);
            body = rest;
        }
        Some(())
    }

    fn quantization(&mut self, mut body: &[u8]) -> Option<()> {
        while let Some((&kind, rest)) = body.split_first() {
            let wide = kind >> 4 > 0;
            let (numbers, rest) = rest.split_at_checked(if wide { 128 } else { 64 })?;
            let number = if wide { i64::from(u16::from_be_bytes([numbers[0], numbers[1]])) } else { numbers[0].into() };
            self.quantization[usize::from(kind & 3)] = number;
            body = rest;
        }
        Some(())
    }

    /// Follows one scan from where its codes begin; gives how many bytes they take.
    fn follow(&mut self, frame: &FrameHeader, scan: &Scan, bytes: &[u8]) -> Result<usize, Fault> {
        let alone = scan.parts.len() == 1;
        let (across, down) = if alone { frame.blocks(&frame.components[scan.parts[0].0]) } else { frame.groups() };
        let units = across * down;
        let (groups_across, groups_down) = frame.groups();
        if frame.process == Process::Progressive && self.known.is_empty() {
            let count = |c: &Component| groups_across * c.across * groups_down * c.down;
            self.known = frame.components.iter().map(|c| vec![0; count(c)]).collect();
        }
        let mut known = std::mem::take(&mut self.known);
        let parts = self.parts(frame, scan).ok_or(HEADER)?;
        let interval = if self.restart == 0 { units } else { self.restart };
        let mut levels = Vec::with_capacity(units);
        let (mut at, mut done, mut next_restart) = (0, 0, 0u8);
        while done < units {
            let (segment, taken) = unstuffed(&bytes[at..]);
            at += taken;
            let count = interval.min(units - done);
            let mut bits = Bits::new(segment);
            // Where no marker follows, what is missing was cut off.
            let is_end = at + 2 > bytes.len();
            let torn = |what| if is_end && what == MISSING { BREAKS_OFF } else { what };
            if frame.process == Process::Sequential || scan.last == 0 {
                if let Err(what) = whole_blocks(&parts, scan, count, &mut bits, &mut levels).map_err(torn) {
                    let breaks_off = what == BREAKS_OFF;
                    return Err(if breaks_off { self.torn(frame, scan, (&levels, across)) } else { what.into() });
                }
            } else {
                let index = scan.parts[0].0;
                let stride = groups_across * frame.components[index].across;
                let places = (done..done + count).map(|unit| unit / across * stride + unit % across);
                bands(&parts[0], scan, places, &mut known[index], &mut bits).map_err(torn)?;
            }
            if bits.holds_more() {
                return Err(SURPLUS.into());
            }
            done += count;
            if done < units {
                while bytes.get(at..at + 2) == Some(&[0xff, 0xff]) {
                    at += 1;
                }
                match bytes.get(at..at + 2) {
                    Some(&[0xff, marker]) if marker == 0xd0 + next_restart => at += 2,
                    Some(_) => return Err(SURPLUS.into()),
                    None => return Err(self.torn(frame, scan, (&levels, across))),
                }
                next_restart = (next_restart + 1) % 8;
            }
        }
        // A number that was spoilt within its range shifts all that follows; restarts put an end to it.
        if scan.first == 0 && !scan.refines && scan.shift == 0 && self.steps(frame, scan, &levels, across) {
            return Err(STEP.into());
        }
        self.known = known;
        Ok(at)
    }

    /// Whether the brightness of a scan's blocks steps where no photograph does, or where the small picture has no step.
    fn steps(&self, frame: &FrameHeader, scan: &Scan, levels: &[i32], across: usize) -> bool {
        let eighths = self.quantization[frame.components[scan.parts[0].0].quantization].max(1);
        let (most_across, most_down) = if scan.parts.len() == 1 { (1, 1) } else { frame.most() };
        let blocks = Blocks {
            levels,
            across,
            eighths,
            group_px: (8 * most_across, 8 * most_down),
            frame_px: (frame.width, frame.height),
        };
        let is_luma = scan.parts[0].0 == 0;
        (self.restart == 0 && jpeg_step::steps(levels, across, eighths))
            || (is_luma && self.thumbnail.as_ref().is_some_and(|small| small.shows_a_shift(&blocks)))
    }

    /// What is told of a picture whose only scan breaks off: the rows of blocks above the one where it does, but for the last,
    /// whose codes may have been made up of what was cut. Of a picture in several scans, nothing.
    fn torn(&self, frame: &FrameHeader, scan: &Scan, (levels, across): (&[i32], usize)) -> Fault {
        if frame.process != Process::Sequential || scan.parts.len() != frame.components.len() {
            return BREAKS_OFF.into();
        }
        let whole = (levels.len() / across.max(1)).saturating_sub(1);
        if self.steps(frame, scan, &levels[..whole * across], across) {
            return STEP.into();
        }
        let high = if scan.parts.len() == 1 { 8 } else { 8 * frame.most().1 };
        let rows = (whole * high).min(frame.height);
        Fault::BreaksOff(UpperRows { rows, of: frame.height, height_at: frame.height_at })
    }

    /// A scan's components with their tables; `None` where one it needs was never given.
    fn parts(&self, frame: &FrameHeader, scan: &Scan) -> Option<Vec<Part<'_>>> {
        let alone = scan.parts.len() == 1;
        let part = |&(index, direct, alternating): &(usize, usize, usize)| {
            let component = &frame.components[index];
            let step = self.quantization[component.quantization].max(1) << scan.shift;
            let needs_direct = scan.first == 0 && !scan.refines;
            let (direct, alternating) = (self.direct[direct].as_ref(), self.alternating[alternating].as_ref());
            let given = (direct.is_some() || !needs_direct) && (alternating.is_some() || scan.last == 0);
            given.then_some(Part {
                blocks: if alone { 1 } else { component.across * component.down },
                direct: direct.filter(|_| needs_direct),
                alternating: alternating.filter(|_| scan.last > 0),
                // Rounding may go half a step beyond, and encoders' own arithmetic a little more.
                largest: (frame.largest + 16) / step + 1,
            })
        };
        scan.parts.iter().map(part).collect()
    }
}

/// A component as a scan holds it.
struct Part<'a> {
    /// How many blocks of it stand together.
    blocks: usize,
    direct: Option<&'a Table>,
    alternating: Option<&'a Table>,
    /// Largest direct coefficient that a sample can have.
    largest: i64,
}

/// What is wrong where a code could not be read.
fn fault(bits: &Bits, otherwise: &'static str) -> &'static str {
    if bits.is_past_end() { MISSING } else { otherwise }
}

/// Blocks up to the next restart, all their coefficients or the direct ones alone. `levels` gets the first component's direct
/// coefficient after each group.
fn whole_blocks(
    parts: &[Part<'_>],
    scan: &Scan,
    count: usize,
    bits: &mut Bits,
    levels: &mut Vec<i32>,
) -> Result<(), &'static str> {
    let mut before = [0i64; 4];
    for _ in 0..count {
        for (part, last) in parts.iter().zip(&mut before) {
            for _ in 0..part.blocks {
                match part.direct {
                    Some(table) => *last += bits.number(table).ok_or_else(|| fault(bits, NO_CODE))?,
                    None if scan.refines => bits.skip(1),
                    None => {}
                }
                if last.abs() > part.largest {
                    return Err(fault(bits, NO_SAMPLE));
                }
                if let Some(table) = part.alternating {
                    bits.block(table).ok_or_else(|| fault(bits, NO_CODE))?;
                }
            }
        }
        levels.push(before[0] as i32);
        if bits.is_past_end() {
            return Err(MISSING);
        }
    }
    Ok(())
}

/// One band of the blocks up to the next restart.
fn bands(
    part: &Part<'_>,
    scan: &Scan,
    places: impl Iterator<Item = usize>,
    known: &mut [u64],
    bits: &mut Bits,
) -> Result<(), &'static str> {
    let table = part.alternating.ok_or(HEADER)?;
    let (band, mut run) = ((scan.first, scan.last), 0);
    for place in places {
        let known = known.get_mut(place).ok_or(HEADER)?;
        let held = if scan.refines {
            bits.refined_band(table, band, &mut run, known)
        } else {
            bits.first_band(table, band, &mut run, known)
        };
        if held.is_none() || bits.is_past_end() {
            return Err(fault(bits, NO_CODE));
        }
    }
    // A run that goes on says that more blocks follow.
    if run > 0 { Err(SURPLUS) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A segment with its length.
    fn segment(marker: u8, body: &[u8]) -> Vec<u8> {
        let length = (body.len() as u16 + 2).to_be_bytes();
        [&[0xff, marker], &length[..], body].concat()
    }

    fn frame(marker: u8, width: u8, height: u8, components: &[u8]) -> Vec<u8> {
        let mut body = vec![8, 0, height, 0, width, components.len() as u8];
        components.iter().for_each(|id| body.extend([*id, 0x11, 0]));
        segment(marker, &body)
    }

    /// One code of one bit, nought, for `0`; what is read of it is a coefficient of nought, or a block's end.
    fn tables() -> Vec<u8> {
        let table = |class: u8| [&[class, 1], &[0; 15][..], &[0]].concat();
        segment(0xc4, &[table(0x00), table(0x10)].concat())
    }

    /// A grey picture of so many blocks side by side, and the bytes of its scan.
    fn grey(blocks: u8, scan: &[u8]) -> Vec<u8> {
        let start = segment(0xda, &[1, 1, 0, 0, 63, 0]);
        [&[0xff, 0xd8], &frame(0xc0, 8 * blocks, 8, &[1])[..], &tables(), &start, scan, &[0xff, 0xd9]].concat()
    }

    #[test]
    fn blocks_are_counted() {
        // Two bits a block: four blocks are a byte.
        assert_eq!(check(&grey(4, &[0]), true), Ok(Told::Whole));
        assert_eq!(check(&grey(3, &[0x03]), true), Ok(Told::Whole), "the last bits are filled up");
        assert!(check(&grey(5, &[0]), true).unwrap_err().contains("missing"));
        assert!(check(&grey(4, &[0, 0x55]), true).unwrap_err().contains("left over"));
        assert!(check(&grey(4, &[0x80]), true).unwrap_err().contains("no code"));
        assert_eq!(check(&grey(4, &[0, 0, 0]), true), Ok(Told::Whole), "noughts that a camera filled up with");
        assert_eq!(
            check(&grey(4, &[0, 0xff]), true),
            Ok(Told::Whole),
            "any number of fill bytes stands before a marker"
        );
    }

    #[test]
    fn a_scan_that_is_not_there_is_missed() {
        let none = [&[0xff, 0xd8], &frame(0xc0, 8, 8, &[1])[..], &tables(), &[0xff, 0xd9]].concat();
        assert!(check(&none, true).is_err());
        let one_of_two = [
            &[0xff, 0xd8],
            &frame(0xc0, 8, 8, &[1, 2])[..],
            &tables(),
            &segment(0xda, &[1, 1, 0, 0, 63, 0]),
            &[0x3f, 0xff, 0xd9],
        ]
        .concat();
        assert!(check(&one_of_two, true).unwrap_err().contains("missing"));
    }

    #[test]
    fn a_second_header_is_no_surprise() {
        let bytes = [
            &[0xff, 0xd8],
            &frame(0xc2, 8, 8, &[1])[..],
            &tables(),
            &segment(0xda, &[1, 1, 0, 0, 0, 0]),
            &[0x7f],
            &frame(0xc2, 8, 8, &[1, 2, 3]),
            &segment(0xda, &[1, 3, 0, 1, 63, 0]),
            &[0x7f, 0xff, 0xd9],
        ]
        .concat();
        assert!(check(&bytes, true).unwrap_err().contains("header"));
    }
}
