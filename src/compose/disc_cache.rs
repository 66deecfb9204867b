//! Developed discs kept from run to run: content-keyed, bounded, safe to delete.
//!
//! A key covers all that a disc's pixels depend on: the program's own build, the frames' files, the sidecars beside
//! them, the place in the frame and the treatment. What is kept is exact, so a kept disc and a new one give the
//! same picture, and it ends in a digest of itself. A file that does not read is made anew; one that cannot be written is no
//! fault.

use super::kept::{build, stamp, stamp_frame};
use crate::blend::{DevelopedDisc, DiscMeasure, Photographed, Step};
use crate::composition::{Companion, Composition, Placement, ShadowOnDisc, Sharpening};
use crate::ingest::{Night, Site};
use crate::raster::{LinearImage, PixelPoint};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Bytes that kept discs may take; the oldest go first.
const LARGEST: u64 = 2 << 30;
const MAGIC: &[u8; 8] = b"mldisc12";
/// Length of the digest at a file's end.
const DIGEST: usize = 32;

/// What a disc's pixels depend on beside the files.
#[derive(Serialize)]
struct Request<'a> {
    frame: &'a str,
    also: &'a [Companion],
    centre_px: (f64, f64),
    radius_px: f64,
    stretch: f64,
    edge_width_px: Option<f64>,
    block_px: usize,
    margin_px: f64,
    subtract_sky: bool,
    shadow_lift: f32,
    sharpening: Sharpening,
    shadow: Option<&'a ShadowOnDisc>,
    grades: &'a [Vec<f32>],
    /// When and from where it is painted, where no camera saw it.
    painted: Option<(&'a str, Option<&'a Site>)>,
}

/// A folder of kept discs.
pub(super) struct DiscCache {
    folder: PathBuf,
    sidecars: [u8; 32],
}

impl DiscCache {
    /// In a cache folder.
    pub(super) fn open(cache: &Path, night: &Night) -> Option<Self> {
        let folder = cache.join("discs");
        std::fs::create_dir_all(&folder).ok()?;
        let mut hash = Sha256::new();
        hash.update(build());
        super::words_beside(night).iter().for_each(|words| hash.update(words));
        night.set_aside.iter().for_each(|path| stamp(&mut hash, path));
        Some(DiscCache { folder, sidecars: hash.finalize().into() })
    }

    /// Where a placement's disc is kept.
    pub(super) fn path(&self, p: &Placement, margin_px: f64, composition: &Composition, night: &Night) -> PathBuf {
        let request = Request {
            frame: &p.frame,
            also: &p.also,
            centre_px: (p.map.source_centre.x, p.map.source_centre.y),
            radius_px: p.source_radius_px,
            // The lens's stretch: the same at every size of the picture, but for its last digits.
            stretch: (p.map.reduction() * p.radius_px * 1e6).round(),
            edge_width_px: p.edge_width_px,
            block_px: p.block_px(),
            margin_px,
            subtract_sky: p.subtract_sky,
            shadow_lift: composition.development.shadow_lift,
            sharpening: composition.development.sharpening,
            shadow: p.shadow.as_ref(),
            grades: p.shadow.as_ref().map_or(&[], |s| &s.grades),
            painted: p.simulated.then_some((p.utc.as_str(), night.site.as_ref())),
        };
        let mut hash = Sha256::new();
        hash.update(self.sidecars);
        // A request that could not be written down would share its key with none: its frames still tell it apart.
        hash.update(serde_json::to_vec(&request).unwrap_or_default());
        for name in std::iter::once(&p.frame).chain(p.also.iter().map(|c| &c.frame)) {
            if let Some(frame) = night.frame(name) {
                hash.update(frame.path.to_string_lossy().as_bytes());
                stamp_frame(&mut hash, frame);
            }
        }
        let name: String = hash.finalize().iter().take(16).map(|b| format!("{b:02x}")).collect();
        self.folder.join(format!("{name}.disc"))
    }

    /// A kept disc.
    pub(super) fn read(path: &Path) -> Option<DevelopedDisc> {
        let bytes = std::fs::read(path).ok()?;
        let (bytes, digest) = bytes.split_at_checked(bytes.len().checked_sub(DIGEST)?)?;
        if Sha256::digest(bytes).as_slice() != digest {
            return None;
        }
        let (head, body) = bytes.split_at_checked(MAGIC.len() + 8 + 16 + 40 + 4 + 32 + 4 + 4 + 16 + 4)?;
        let head = head.strip_prefix(MAGIC)?;
        let whole = |at: usize| Some(u32::from_le_bytes(head.get(at..at + 4)?.try_into().ok()?) as usize);
        let number = |at: usize| Some(f64::from_le_bytes(head.get(at..at + 8)?.try_into().ok()?));
        let single = |at: usize| Some(f32::from_le_bytes(head.get(at..at + 4)?.try_into().ok()?));
        let (width, height) = (whole(0)?, whole(4)?);
        let light = body.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
        let measure = DiscMeasure {
            bright: [single(24)?, single(28)?, single(32)?],
            mean: [single(36)?, single(40)?, single(44)?],
            saturated_share: single(48)?,
            saturated_from: single(52)?,
            step: Step { below: single(56)?, above: single(60)? },
            smallest_step: single(100)?,
            dark: single(104)?,
            tinted_share: single(108)?,
            mottle: [single(112)?, single(116)?, single(120)?],
            unshown_share: single(124)?,
        };
        Some(DevelopedDisc {
            image: LinearImage::from_data(width, height, light)?,
            block_px: whole(64)?,
            origin: PixelPoint::new(number(8)?, number(16)?),
            photographed: Photographed { left: number(68)?, top: number(76)?, right: number(84)?, bottom: number(92)? },
            measure,
        })
    }

    /// Keeps a disc.
    pub(super) fn write(path: &Path, disc: &DevelopedDisc) {
        let mut bytes = Vec::with_capacity(MAGIC.len() + 160 + disc.image.data().len() * 4);
        bytes.extend_from_slice(MAGIC);
        bytes.extend((disc.image.width() as u32).to_le_bytes());
        bytes.extend((disc.image.height() as u32).to_le_bytes());
        bytes.extend(disc.origin.x.to_le_bytes());
        bytes.extend(disc.origin.y.to_le_bytes());
        disc.measure.bright.iter().chain(&disc.measure.mean).for_each(|v| bytes.extend(v.to_le_bytes()));
        let m = &disc.measure;
        [m.saturated_share, m.saturated_from, m.step.below, m.step.above]
            .iter()
            .for_each(|v| bytes.extend(v.to_le_bytes()));
        bytes.extend((disc.block_px as u32).to_le_bytes());
        let seen = &disc.photographed;
        [seen.left, seen.top, seen.right, seen.bottom].iter().for_each(|v| bytes.extend(v.to_le_bytes()));
        bytes.extend(m.smallest_step.to_le_bytes());
        [m.dark, m.tinted_share].iter().chain(&m.mottle).for_each(|v| bytes.extend(v.to_le_bytes()));
        bytes.extend(m.unshown_share.to_le_bytes());
        disc.image.data().iter().for_each(|v| bytes.extend(v.to_le_bytes()));
        let digest = Sha256::digest(&bytes);
        bytes.extend_from_slice(&digest);
        // Another run may read it at this moment; one that cannot be written is made anew next time.
        let _ = crate::write::write_kept(path, &bytes);
    }

    /// Lets the oldest go until the rest fits.
    pub(super) fn trim(&self) {
        let entries = std::fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut files: Vec<(SystemTime, u64, PathBuf)> = entries
            .filter_map(|e| {
                let m = e.metadata().ok()?;
                Some((m.modified().ok()?, m.len(), e.path()))
            })
            .collect();
        let mut total: u64 = files.iter().map(|f| f.1).sum();
        files.sort();
        for (_, length, path) in files {
            if total <= LARGEST {
                break;
            }
            if std::fs::remove_file(path).is_ok() {
                total -= length;
            }
        }
    }
}
