//! A picture in parts: some of its rows drawn by one run, and all of them put together by another.
//!
//! A part is a TIFF of linear light in the working space, single precision, as the renderer gave it: what is made of all parts is
//! the same to the last byte as what one run writes. Each part measures all discs of the picture (evenness needs them), unless
//! they are kept in a cache that the runs share; what is divided is drawing.

use super::{ComposeError, ComposeRequest, PictureRequest, check_targets, draw, protect, protect_own, spec_of};
use crate::composition::Composition;
use crate::diag::{Diagnostic, Warned};
use crate::raster::RgbSpace;
use crate::write::{BitDepth, Container, OutputSpec, write_picture};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::BufReader;
use std::ops::Range;
use std::path::{Path, PathBuf};
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

/// What a part says of itself, in its description.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Head {
    /// `moonloom-rows-1`.
    schema: String,
    /// The first row, and the one after the last.
    rows: (usize, usize),
    /// Width and height of the whole picture.
    size: (usize, usize),
    /// Of the composition before it was drawn.
    composition: String,
}

const SCHEMA: &str = "moonloom-rows-1";

fn digest(composition: &Composition) -> String {
    let text = serde_json::to_vec(composition).unwrap_or_default();
    Sha256::digest(text).iter().map(|b| format!("{b:02x}")).collect()
}

/// Draws some rows of a picture that [`super::plan_picture`] planned, as a part.
///
/// # Errors
/// [`ComposeError`]; the target is then as it was.
pub fn compose_rows(
    request: &PictureRequest<'_>,
    composition: Composition,
    rows: Range<usize>,
    out: &Path,
) -> Result<Vec<Diagnostic>, ComposeError> {
    check_targets(request.night, out, None)?;
    let size = (composition.width, composition.height);
    let wrong = |why: String| ComposeError::Rows { path: out.to_owned(), why };
    if rows.is_empty() || rows.end > size.1 {
        return Err(wrong(format!("the picture has the rows 0..{}", size.1)));
    }
    if Container::for_path(out)? != Container::Tiff {
        return Err(wrong("a part is a TIFF: end its name in .tif".into()));
    }
    let head = Head { schema: SCHEMA.into(), rows: (rows.start, rows.end), size, composition: digest(&composition) };
    let mut planned = Warned { value: composition, diagnostics: Vec::new() };
    protect_own(request, &planned.value, out)?;
    let mut record = super::record::of(&planned.value, request.layout, request.night);
    record.description = serde_json::to_string(&head).unwrap_or_default();
    let spec = OutputSpec {
        space: RgbSpace::WORKING,
        record: Some(record),
        dots_per_inch: planned.value.dots_per_inch,
        ..OutputSpec::new(Container::Tiff, BitDepth::Float)
    };
    draw(&PictureRequest { watching: None, ..*request }, &mut planned, |rows_of| {
        let part = (size.0, rows.len());
        Ok(write_picture(out, &spec, part, &mut |some| rows_of(some.start + rows.start..some.end + rows.start))?)
    })?;
    Ok(planned.diagnostics)
}

/// Puts a picture together from parts that hold all of its rows.
///
/// # Errors
/// [`ComposeError`]; the target is then as it was.
pub fn compose_from_rows(
    request: &ComposeRequest<'_>,
    composition: &Composition,
    parts: &[PathBuf],
) -> Result<(), ComposeError> {
    check_targets(request.picture.night, request.out, request.preview)?;
    let size = (composition.width, composition.height);
    let targets = || [Some(request.out), request.preview].into_iter().flatten();
    targets().try_for_each(|target| protect_own(&request.picture, composition, target))?;
    protect(parts.iter().map(PathBuf::as_path), targets())?;
    let digest = digest(composition);
    let mut opened: Vec<Part> = Vec::new();
    for path in parts {
        let part = Part::open(path).map_err(|why| ComposeError::Rows { path: path.clone(), why })?;
        if part.head.size != size || part.head.composition != digest {
            let why = "it is of another picture, or layout or frames changed since it was drawn".into();
            return Err(ComposeError::Rows { path: path.clone(), why });
        }
        opened.push(part);
    }
    opened.sort_by_key(|part| part.head.rows);
    let mut until = 0;
    for part in &opened {
        if part.head.rows.0 > until {
            break;
        }
        until = until.max(part.head.rows.1);
    }
    if until < size.1 {
        let why = format!("no part holds row {until} of {}", size.1);
        return Err(ComposeError::Rows { path: request.out.to_owned(), why });
    }
    let spec = spec_of(request, composition)?;
    let mut failed = None;
    super::write_with_preview(request, &spec, size, &mut |rows: Range<usize>| {
        let mut light = vec![0.0f32; 3 * size.0 * rows.len()];
        for (row, out) in rows.clone().zip(light.chunks_exact_mut(3 * size.0)) {
            let part = opened.iter_mut().find(|part| (part.head.rows.0..part.head.rows.1).contains(&row));
            let read = part
                .ok_or_else(|| "a row is missing".to_owned())
                .and_then(|part| part.row(row, out).map_err(|why| format!("{}: {why}", part.path.display())));
            if let Err(why) = read {
                failed.get_or_insert(why);
                // Fewer rows than asked for make no file.
                return Vec::new();
            }
        }
        light
    })
    .map_err(|e| match failed {
        Some(why) => ComposeError::Rows { path: request.out.to_owned(), why },
        None => e,
    })
}

/// A part that is read strip by strip.
struct Part {
    path: PathBuf,
    head: Head,
    decoder: Decoder<BufReader<File>>,
    rows_per_strip: usize,
    /// The strip that was read last.
    strip: Option<(u32, Vec<f32>)>,
}

impl Part {
    fn open(path: &Path) -> Result<Self, String> {
        let file = File::open(path).map_err(|e| e.to_string())?;
        let none = |_| "it is no part of a picture".to_owned();
        let mut decoder = Decoder::new(BufReader::new(file)).map_err(none)?.with_limits(Limits::unlimited());
        let text = decoder.get_tag_ascii_string(Tag::ImageDescription).map_err(none)?;
        let head: Head = serde_json::from_str(&text).map_err(|_| "it is no part of a picture".to_owned())?;
        let (width, height) = decoder.dimensions().map_err(|e| e.to_string())?;
        let rows = head.rows.1.saturating_sub(head.rows.0);
        if head.schema != SCHEMA || (width as usize, height as usize) != (head.size.0, rows) || rows == 0 {
            return Err("it is damaged, or of another version".into());
        }
        let rows_per_strip = decoder.chunk_dimensions().1 as usize;
        Ok(Part { path: path.to_owned(), head, decoder, rows_per_strip: rows_per_strip.max(1), strip: None })
    }

    /// A row of the whole picture, by its number there.
    fn row(&mut self, row: usize, out: &mut [f32]) -> Result<(), String> {
        let row = row - self.head.rows.0;
        let number = (row / self.rows_per_strip) as u32;
        if self.strip.as_ref().is_none_or(|(known, _)| *known != number) {
            match self.decoder.read_chunk(number).map_err(|e| e.to_string())? {
                DecodingResult::F32(values) => self.strip = Some((number, values)),
                _ => return Err("it holds no light".into()),
            }
        }
        let from = (row % self.rows_per_strip) * out.len();
        let values = self.strip.as_ref().and_then(|(_, values)| values.get(from..from + out.len()));
        out.copy_from_slice(values.ok_or("its end is missing")?);
        Ok(())
    }
}
