//! The file around a video: MP4 (ISO/IEC 14496-12), with AV1 as its binding says (AV1 in ISOBMFF 1.2.0) and the record as XMP
//! (ISO 16684-1; in a `uuid` box, XMP specification part 3, 1.2.7.1).
//!
//! The pictures are written as they come, and what says where they lie at the end, so that none needs to be kept.

use mp4_atom::{
    Atom, Av01, Av1c, Co64, Codec, Colr, Dinf, Dref, DrefEntry, Encode, FourCC, Ftyp, Hdlr, Mdhd, Mdia, Minf, Moov,
    Mvhd, Stbl, Stsc, StscEntry, Stsd, Stss, Stsz, StszSamples, Stts, SttsEntry, Tkhd, Trak, Url, Visual, Vmhd,
};
use std::fs::File;
use std::io::{BufWriter, Result, Seek, SeekFrom, Write};

/// Ticks of a second in which pictures' times are told: the usual rates of pictures divide it.
pub(super) const TIMESCALE: u32 = 90_000;

/// The kind of `uuid` box that holds XMP.
const XMP_UUID: [u8; 16] =
    [0xbe, 0x7a, 0xcf, 0xcb, 0x97, 0xa9, 0x42, 0xe8, 0x9c, 0x71, 0x99, 0x94, 0x91, 0xe3, 0xaf, 0xac];

/// A video being written.
pub(super) struct Video<'a> {
    file: &'a mut BufWriter<File>,
    /// Where the box of pictures begins.
    data: u64,
    sizes: Vec<u32>,
    /// Numbers of the pictures at which one can begin, counted from 1.
    keys: Vec<u32>,
}

/// What is told of a video when all of it is known.
pub(super) struct About<'a> {
    pub size: (usize, usize),
    /// The decoder's configuration record (AV1 in ISOBMFF 1.2.0, 2.3.3).
    pub configuration: &'a [u8],
    /// Primaries, transfer and matrix (ITU-T H.273, tables 2 to 4); levels are of limited range.
    pub colour: [u16; 3],
    /// How long each picture stands.
    pub ticks: &'a [u32],
    pub xmp: Option<&'a str>,
}

impl<'a> Video<'a> {
    pub(super) fn begin(file: &'a mut BufWriter<File>) -> Result<Self> {
        let brands = [b"iso6", b"av01", b"mp41"].map(FourCC::new);
        let kind = Ftyp { major_brand: FourCC::new(b"iso6"), minor_version: 0, compatible_brands: brands.into() };
        file.write_all(&encoded(&kind)?)?;
        let data = file.stream_position()?;
        // A box whose length takes 64 bits, which is written when it is known.
        file.write_all(&[0, 0, 0, 1])?;
        file.write_all(b"mdat")?;
        file.write_all(&[0; 8])?;
        Ok(Video { file, data, sizes: Vec::new(), keys: Vec::new() })
    }

    pub(super) fn picture(&mut self, bytes: &[u8], is_key: bool) -> Result<()> {
        self.file.write_all(bytes)?;
        self.sizes.push(u32::try_from(bytes.len()).map_err(std::io::Error::other)?);
        if is_key {
            self.keys.push(self.sizes.len() as u32);
        }
        Ok(())
    }

    pub(super) fn end(self, about: &About<'_>) -> std::result::Result<(), String> {
        if self.sizes.len() != about.ticks.len() {
            return Err(format!("{} pictures were coded of {}", self.sizes.len(), about.ticks.len()));
        }
        let moov = self.index(about)?;
        self.finish(&moov, about).map_err(|e| e.to_string())
    }

    fn finish(self, moov: &Moov, about: &About<'_>) -> Result<()> {
        let end = self.file.stream_position()?;
        self.file.write_all(&encoded(moov)?)?;
        if let Some(xmp) = about.xmp {
            let length = u32::try_from(8 + XMP_UUID.len() + xmp.len()).map_err(std::io::Error::other)?;
            self.file.write_all(&length.to_be_bytes())?;
            self.file.write_all(b"uuid")?;
            self.file.write_all(&XMP_UUID)?;
            self.file.write_all(xmp.as_bytes())?;
        }
        self.file.seek(SeekFrom::Start(self.data + 8))?;
        self.file.write_all(&(end - self.data).to_be_bytes())
    }

    /// Where pictures lie, how long they stand, and what they are.
    fn index(&self, about: &About<'_>) -> std::result::Result<Moov, String> {
        let side =
            |pixels: usize| u16::try_from(pixels).map_err(|_| "a film's side is at most 65,535 pixels".to_owned());
        let (width, height) = (side(about.size.0)?, side(about.size.1)?);
        let duration = about.ticks.iter().map(|t| u64::from(*t)).sum();
        let configuration = Av1c::decode_body(&mut &*about.configuration).map_err(|e| e.to_string())?;
        let colour = Colr::Nclx {
            colour_primaries: about.colour[0],
            transfer_characteristics: about.colour[1],
            matrix_coefficients: about.colour[2],
            full_range_flag: false,
        };
        let visual = Visual { data_reference_index: 1, width, height, compressor: "AV1".into(), ..Visual::default() };
        let codec = Av01 { visual, av1c: configuration, colr: Some(colour), ..Av01::default() };
        let stbl = Stbl {
            stsd: Stsd { codecs: vec![Codec::Av01(codec)] },
            stts: Stts {
                entries: about.ticks.iter().map(|t| SttsEntry { sample_count: 1, sample_delta: *t }).collect(),
            },
            stss: Some(Stss { entries: self.keys.clone() }),
            // All of them lie one after another.
            stsc: Stsc {
                entries: vec![StscEntry {
                    first_chunk: 1,
                    samples_per_chunk: self.sizes.len() as u32,
                    sample_description_index: 1,
                }],
            },
            stsz: Stsz { samples: StszSamples::Different { sizes: self.sizes.clone() } },
            co64: Some(Co64 { entries: vec![self.data + 16] }),
            ..Stbl::default()
        };
        let minf = Minf {
            vmhd: Some(Vmhd::default()),
            dinf: Dinf { dref: Dref { entries: vec![DrefEntry::Url(Url::default())] } },
            stbl,
            ..Minf::default()
        };
        let mdia = Mdia {
            mdhd: Mdhd { timescale: TIMESCALE, duration, language: "und".into(), ..Mdhd::default() },
            hdlr: Hdlr { handler: FourCC::new(b"vide"), name: "film".into() },
            minf,
        };
        let tkhd = Tkhd {
            track_id: 1,
            duration,
            enabled: true,
            in_movie: true,
            width: width.into(),
            height: height.into(),
            ..Tkhd::default()
        };
        Ok(Moov {
            mvhd: Mvhd { timescale: TIMESCALE, duration, rate: 1.into(), next_track_id: 2, ..Mvhd::default() },
            trak: vec![Trak { tkhd, mdia, ..Trak::default() }],
            ..Moov::default()
        })
    }
}

fn encoded(what: &impl Encode) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    what.encode(&mut bytes).map_err(std::io::Error::other)?;
    Ok(bytes)
}
