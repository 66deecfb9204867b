//! Which frame shows the landscape, where nobody says.

use super::{FrameRegistration, Registration};
use crate::ingest::{Frame, Night};

/// Of a rig's whole frames the one whose exposure took in most light, and so shows most of the landscape; within a stop of that,
/// one in which no Moon was found.
pub fn landscape_of<'a>(night: &'a Night, registration: &Registration, rig: usize) -> Option<&'a Frame> {
    let of_rig = registration.frames.iter().filter(|f| f.rig == rig && !f.exclude && f.told.is_none());
    let rated: Vec<(f64, &FrameRegistration)> = of_rig
        .filter_map(|f| Some((night.frame(&f.file)?.metadata.exposure.map_or(0.0, |e| e.light_gain()), f)))
        .collect();
    let most = rated.iter().map(|r| r.0).fold(0.0, f64::max);
    let bright = rated.iter().filter(|r| r.0 >= 0.5 * most);
    let best = bright.max_by(|a, b| {
        let moonless = |f: &FrameRegistration| f.centre().is_none();
        moonless(a.1).cmp(&moonless(b.1)).then(a.0.total_cmp(&b.0))
    })?;
    night.frame(&best.1.file)
}
