//! The plan's timetable beside the night: what comes, and which contacts that are past were photographed.

use super::Vigil;
use super::judged::Judged;
use crate::sky::{Refraction, apparent_moon};
use crate::units::Instant;
use serde::Serialize;

/// A frame within so many seconds of a contact shows it.
const SHOWS_S: f64 = 180.0;

/// A contact of the eclipse, as the night stands.
#[derive(Clone, Debug, Serialize)]
pub struct ContactRow {
    /// `P1` to `P4`, or `greatest`.
    pub contact: String,
    /// When it is, UTC.
    pub utc: String,
    /// The same by the local clock, hours and minutes.
    pub local: String,
    /// Minutes until then; below zero it is past.
    pub minutes: f64,
    /// Height of the Moon over the horizon then, degrees; null where the site is not known.
    pub altitude_deg: Option<f64>,
    /// Frames within three minutes of it in which the Moon was measured.
    pub frames: usize,
}

impl Vigil {
    /// Each contact of the eclipse that is watched, as it stands at an instant; empty where no eclipse is near, or
    /// the zone of the camera's clock is not known.
    pub fn timetable(&self, now: Instant) -> Vec<ContactRow> {
        let contacts = self.eclipse().filter(|_| self.zone_is_known).into_iter().flat_map(|e| &e.contacts);
        let row = |(contact, at): &(crate::sky::Contact, Instant)| ContactRow {
            contact: contact.to_string(),
            utc: at.to_iso_utc(),
            local: super::hours_and_minutes(&self.zone, *at),
            minutes: at.seconds_since(now) / 60.0,
            altitude_deg: self
                .observer
                .map(|o| apparent_moon(&o, *at).refracted(Refraction::default()).altitude.degrees()),
            frames: self.judged.iter().filter(|j| shows(j, *at)).count(),
        };
        contacts.map(row).collect()
    }
}

fn shows(judged: &Judged, contact: Instant) -> bool {
    judged.fit.is_some() && judged.at.is_some_and(|at| at.seconds_since(contact).abs() <= SHOWS_S)
}
