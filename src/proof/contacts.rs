//! The eclipse's contacts, and what of it the frames show.

use super::frames::FrameProof;
use crate::registration::Registration;
use crate::sky::{Contact, eclipse_near, serves};
use crate::units::Instant;
use serde::Serialize;

/// A contact and the usable frames next to it.
#[derive(Clone, Debug, Serialize)]
pub struct ContactProof {
    /// P1, U1, U2, greatest, U3, U4 or P4.
    pub name: String,
    /// When, UTC (from the Earth's centre: the same everywhere).
    pub utc: String,
    #[serde(skip)]
    pub(super) instant: Instant,
    /// The last usable frame before it, and how many seconds before.
    pub before: Option<(String, f64)>,
    /// The first usable frame after it, and how many seconds after.
    pub after: Option<(String, f64)>,
}

/// What lies between two contacts.
#[derive(Clone, Debug, Serialize)]
pub struct StretchProof {
    /// The contact it begins with.
    pub from: String,
    /// The contact it ends with.
    pub to: String,
    /// Frames taken in it.
    pub frames: usize,
    /// Those of them that can be used.
    pub usable: usize,
    /// The longest time in it without a usable frame, minutes, its ends counted.
    pub longest_gap_minutes: f64,
}

/// Frames farther from the eclipse than this are of another one, or of none, hours.
pub(super) const NEAR_HOURS: f64 = 12.0;

pub(super) fn gathered(frames: &[FrameProof], registration: &Registration) -> (Vec<ContactProof>, Vec<StretchProof>) {
    let mut times: Vec<Instant> = registration.frames.iter().filter_map(|f| f.time).filter(|t| serves(*t)).collect();
    times.sort_by(|a, b| a.seconds_since(*b).total_cmp(&0.0));
    let Some(eclipse) = times.get(times.len() / 2).and_then(|middle| eclipse_near(*middle)) else {
        return (Vec::new(), Vec::new());
    };
    let greatest = eclipse.greatest();
    let is_near = |t: &Instant| t.seconds_since(greatest).abs() < NEAR_HOURS * 3600.0;
    times.retain(is_near);
    if times.is_empty() {
        return (Vec::new(), Vec::new());
    }
    let mut usable: Vec<(Instant, &str)> = frames
        .iter()
        .filter(|f| f.usable)
        .filter_map(|f| Some((f.instant.filter(is_near)?, f.file.as_str())))
        .collect();
    usable.sort_by(|a, b| a.0.seconds_since(b.0).total_cmp(&0.0));
    let contacts: Vec<ContactProof> =
        eclipse.contacts.iter().map(|(contact, instant)| beside(*contact, *instant, &usable)).collect();
    let stretches = contacts.windows(2).map(|pair| between(&pair[0], &pair[1], &times, &usable)).collect();
    (contacts, stretches)
}

fn beside(contact: Contact, instant: Instant, usable: &[(Instant, &str)]) -> ContactProof {
    let away = |f: &(Instant, &str)| (f.1.to_owned(), f.0.seconds_since(instant).abs());
    ContactProof {
        name: contact.to_string(),
        utc: instant.to_iso_utc(),
        instant,
        before: usable.iter().rfind(|f| f.0.seconds_since(instant) <= 0.0).map(away),
        after: usable.iter().find(|f| f.0.seconds_since(instant) > 0.0).map(away),
    }
}

fn between(a: &ContactProof, b: &ContactProof, times: &[Instant], usable: &[(Instant, &str)]) -> StretchProof {
    let is_in = |t: Instant| t.seconds_since(a.instant) >= 0.0 && t.seconds_since(b.instant) < 0.0;
    let inside: Vec<Instant> = usable.iter().map(|f| f.0).filter(|t| is_in(*t)).collect();
    let ends = [vec![a.instant], inside.clone(), vec![b.instant]].concat();
    let gap = ends.windows(2).map(|pair| pair[1].seconds_since(pair[0])).fold(0.0, f64::max);
    StretchProof {
        from: a.name.clone(),
        to: b.name.clone(),
        frames: times.iter().filter(|t| is_in(**t)).count(),
        usable: inside.len(),
        longest_gap_minutes: gap / 60.0,
    }
}
