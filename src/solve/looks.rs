//! What frames showed by their pixels alone, kept: so that no frame is looked at twice, and a night may be looked at by several.
//!
//! Looking is nine tenths of registering, and each frame is looked at by itself; solving the night needs all of them, and opens
//! again only those that showed nothing. [`Looks::at_part`] looks at every n-th frame, on a machine of its own if need be; put
//! together ([`Looks::join`]), they register ([`super::register_with`]) to the same as one run: each part looks at the same few
//! frames first, from which it learns how small a Moon need be searched for.
//!
//! A file of them holds numbers as they are, not rounded, in Postcard's wire format 1.0.

use super::sequence::{Seen, Sequence};
use crate::detect::{DiscFit, Look, Smear};
use crate::ingest::{Frame, Night};
use crate::raster::PixelPoint;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// How a file of looks begins: its kind, and the version of what is in it.
const HEAD: &str = "moonloom looks 9, of version ";

/// Bytes of the digest at its end.
const DIGEST: usize = 32;

/// What frames showed, by their names.
#[derive(Clone, Default, Serialize, Deserialize)]
pub struct Looks {
    /// The folder of the frames, as whoever wrote them down called it.
    pub folder: String,
    of_frames: BTreeMap<String, Kept>,
}

#[derive(Clone, Serialize, Deserialize)]
struct Kept {
    /// Of the file as it was.
    fingerprint: Option<String>,
    /// How it was read.
    reading: String,
    seen: Seen,
}

/// Looks that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LooksError {
    /// It is something else.
    #[error("it is no file of looks")]
    NoLooks,
    /// Another version of the program wrote it.
    #[error("another version of the program wrote it")]
    OtherVersion,
    /// Its end is missing, or it was changed.
    #[error("it is damaged")]
    Damaged,
    /// Frames that nobody looked at, or that changed since.
    #[error("{} of the night's frames were not looked at, or changed since: {}", .0.len(), .0.first().map_or("", String::as_str))]
    Missing(Vec<String>),
}

/// How a frame is read, as far as it changes what is seen in it. Masters are told by the frames that they were made of, which a
/// night's digest holds.
fn reading_of(frame: &Frame) -> String {
    let r = &frame.reading;
    let response = r.response.as_ref().map(|r| r.iter().flatten().map(|v| f64::from(*v)).sum::<f64>());
    format!("{:?} {response:?} {} {:?} {:?}", r.transfer, r.masters.is_some(), r.repair_hot_pixels, r.ignored)
}

impl Looks {
    /// Looks at every `of`-th frame of a night from the `part`-th on, counted from 1.
    pub fn at_part(night: &Night, (part, of): (usize, usize), progress: &(dyn Fn(&str) + Sync)) -> Self {
        let mut looks = Looks::default();
        let is_of_part = |i: usize| i % of.max(1) + 1 == part;
        looks.look(night, &is_of_part, progress);
        // Those that all parts begin with are kept by the part that they belong to.
        let own = |name: &str| night.frames.iter().position(|f| f.name == name).is_some_and(is_of_part);
        looks.of_frames.retain(|name, _| own(name));
        looks
    }

    /// Looks at the frames of a night that are wanted and not known yet, by their numbers; and at the few from which it is learnt
    /// how small a Moon need be searched for.
    pub fn look(&mut self, night: &Night, wanted: &(dyn Fn(usize) -> bool + Sync), progress: &(dyn Fn(&str) + Sync)) {
        // Before any is looked at: a file that changes meanwhile is then another.
        let prints: Vec<Option<String>> = night.frames.par_iter().map(Frame::fingerprint).collect();
        let looked_at: Vec<Vec<(usize, Seen)>> = (0..night.rigs.len())
            .into_par_iter()
            .map(|rig| {
                let sequence = Sequence::of(night, rig);
                let seen = sequence.look(&|frame| self.of(frame), wanted, progress);
                seen.into_iter().enumerate().filter_map(|(k, seen)| Some((sequence.indices[k], seen?))).collect()
            })
            .collect();
        for (i, seen) in looked_at.into_iter().flatten() {
            let frame = &night.frames[i];
            let kept = Kept { fingerprint: prints[i].clone(), reading: reading_of(frame), seen };
            self.of_frames.insert(frame.name.clone(), kept);
        }
    }

    /// What is known of a frame, if it is still the same file and read alike.
    pub(super) fn of(&self, frame: &Frame) -> Option<Seen> {
        if self.of_frames.is_empty() {
            return None;
        }
        let kept = self.of_frames.get(&frame.name)?;
        (kept.fingerprint == frame.fingerprint() && kept.reading == reading_of(frame)).then(|| kept.seen.clone())
    }

    /// Whether a frame's limb near a place is wider in one direction; `None` where nothing tells.
    pub fn smear_of(&self, frame: &Frame, near: PixelPoint) -> Option<Smear> {
        let seen = &self.of_frames.get(&frame.name)?.seen;
        let away = |look: &Look| look.fit.centre.distance(near);
        let disc = seen.discs().iter().min_by(|a, b| away(a).total_cmp(&away(b)))?;
        disc.smear.filter(|_| away(disc) < 0.3 * disc.fit.radius_px)
    }

    /// The disc of a frame that its pixels alone are surest of.
    pub fn surest_of(&self, frame: &Frame) -> Option<DiscFit> {
        let seen = &self.of_frames.get(&frame.name)?.seen;
        seen.fits().copied().max_by(|a, b| a.confidence().total_cmp(&b.confidence()))
    }

    /// How many frames are known.
    pub fn len(&self) -> usize {
        self.of_frames.len()
    }

    /// Whether none is.
    pub fn is_empty(&self) -> bool {
        self.of_frames.is_empty()
    }

    /// These and those of another part.
    pub fn join(&mut self, other: Looks) {
        self.of_frames.extend(other.of_frames);
    }

    /// Whether every frame of a night is known.
    ///
    /// # Errors
    /// [`LooksError::Missing`], with those that are not.
    pub fn cover(&self, night: &Night) -> Result<(), LooksError> {
        let missing: Vec<String> = night
            .frames
            .par_iter()
            .filter(|frame| {
                let kept = self.of_frames.get(&frame.name);
                kept.is_none_or(|k| k.fingerprint != frame.fingerprint() || k.reading != reading_of(frame))
            })
            .map(|frame| frame.name.clone())
            .collect();
        if missing.is_empty() { Ok(()) } else { Err(LooksError::Missing(missing)) }
    }

    /// Whether a file that begins so is one of looks, of whatever version.
    pub fn is_begun_by(bytes: &[u8]) -> bool {
        bytes.starts_with(HEAD.as_bytes())
    }

    /// As the bytes of a file.
    ///
    /// # Errors
    /// A sentence, where memory does not hold them.
    pub fn to_bytes(&self) -> Result<Vec<u8>, String> {
        let head = format!("{HEAD}{}\n", env!("CARGO_PKG_VERSION")).into_bytes();
        let mut bytes = postcard::to_extend(self, head).map_err(|e| e.to_string())?;
        let digest = Sha256::digest(&bytes);
        bytes.extend_from_slice(&digest);
        Ok(bytes)
    }

    /// From the bytes of a file.
    ///
    /// # Errors
    /// [`LooksError`].
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, LooksError> {
        let rest = bytes.strip_prefix(HEAD.as_bytes()).ok_or(LooksError::NoLooks)?;
        let own = format!("{}\n", env!("CARGO_PKG_VERSION"));
        let body = rest.strip_prefix(own.as_bytes()).ok_or(LooksError::OtherVersion)?;
        let (_, digest) = bytes.split_at_checked(bytes.len().saturating_sub(DIGEST)).ok_or(LooksError::Damaged)?;
        let body = body.len().checked_sub(DIGEST).map(|length| &body[..length]).ok_or(LooksError::Damaged)?;
        if Sha256::digest(&bytes[..bytes.len() - DIGEST])[..] != *digest {
            return Err(LooksError::Damaged);
        }
        postcard::from_bytes(body).map_err(|_| LooksError::Damaged)
    }
}
