//! OpenEXR: linear light as half or single precision, scan lines in PIZ blocks.
//!
//! The file records its chromaticities, so that a reader knows the primaries without a profile.

use super::codes::Coder;
use super::{BitDepth, OutputSpec, Picture, record};
use exr::block::writer::ChunksWriter;
use exr::block::{UncompressedBlock, chunk::Chunk};
use exr::error::{Error, Result};
use exr::math::Vec2;
use exr::meta::BlockDescription;
use exr::meta::attribute::{AttributeValue, ChannelDescription, Chromaticities, LineOrder, SampleType, Text};
use exr::meta::header::Header;
use rayon::prelude::*;
use smallvec::smallvec;
use std::fs::File;
use std::io::BufWriter;

/// Rows of a PIZ block.
const BLOCK_ROWS: usize = 32;
/// Blocks of a band, so that they compress in parallel.
const BLOCKS_PER_BAND: usize = 8;

/// UTF-8 as the bytes of a text attribute.
fn text(words: &str) -> Option<Text> {
    Text::new_or_none(words.bytes().map(char::from).collect::<String>())
}

fn header(spec: &OutputSpec, (width, height): (usize, usize)) -> Header {
    let kind = if spec.depth == BitDepth::Half { SampleType::F16 } else { SampleType::F32 };
    // Channels stand in alphabetical order.
    let channels = ["B", "G", "R"].into_iter().map(|n| ChannelDescription::new(n, kind, true)).collect();
    let mut header = Header::new(Text::default(), (width, height), channels).with_encoding(
        exr::compression::Compression::PIZ,
        BlockDescription::ScanLines,
        LineOrder::Increasing,
    );
    let space = spec.file_space();
    let place = |(x, y): (f64, f64)| Vec2(x as f32, y as f32);
    header.shared_attributes.chromaticities = Some(Chromaticities {
        red: place(space.primaries[0]),
        green: place(space.primaries[1]),
        blue: place(space.primaries[2]),
        white: place(space.white),
    });
    let own = &mut header.own_attributes;
    own.layer_name = None;
    own.software_name = text(record::PROGRAM);
    own.horizontal_density = Some(spec.dots_per_inch as f32);
    if let Some(record) = &spec.record {
        own.comments = text(&record.description);
        if let (Some(name), Some(packet)) = (text("xmp"), text(&record::xmp(record))) {
            own.other.insert(name, AttributeValue::Text(packet));
        }
    }
    header
}

pub(super) fn encode(file: &mut BufWriter<File>, spec: &OutputSpec, picture: &mut Picture<'_>) -> Result<()> {
    let (width, height) = (picture.width, picture.height);
    let coder = Coder::new(spec);
    let headers = smallvec![header(spec, (width, height))];
    exr::block::write(file, headers, true, |meta, chunks| {
        let blocks: Vec<_> = exr::block::enumerate_ordered_header_block_indices(&meta.headers).collect();
        for band in blocks.chunks(BLOCKS_PER_BAND) {
            let Some((_, first)) = band.first() else { continue };
            let y0 = first.pixel_position.y();
            let y1 = (y0 + BLOCK_ROWS * BLOCKS_PER_BAND).min(height);
            let light = (picture.bands)(y0..y1);
            let light = coder.float(&light);
            let compressed: Vec<Result<(usize, Chunk)>> = band
                .par_iter()
                .map(|(index, at)| {
                    let block = UncompressedBlock::from_lines(&meta.headers[0].channels, *at, |line| {
                        let y = line.location.position.y() - y0;
                        // B, G, R in the file; red first in memory.
                        let channel = 2 - line.location.channel;
                        let row = &light[y * width * 3..(y + 1) * width * 3];
                        let written = if spec.depth == BitDepth::Half {
                            line.write_samples(|x| half::f16::from_f32(row[x * 3 + channel]))
                        } else {
                            line.write_samples(|x| row[x * 3 + channel])
                        };
                        debug_assert!(written.is_ok(), "a line holds its samples");
                    });
                    Ok((*index, block.compress_to_chunk(&meta.headers)?))
                })
                .collect();
            for chunk in compressed {
                let (index, chunk) = chunk?;
                chunks.write_chunk(index, chunk)?;
            }
        }
        Ok::<(), Error>(())
    })
}
