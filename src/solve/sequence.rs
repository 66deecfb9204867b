//! The frames of one rig, where the sky says the Moon is in each, and what each shows.

use super::lunar_face::is_proved;
use super::sky_place::SkyPlace;
use crate::detect::{DiscFit, Expectation, Look, Measured, any_disc, find_discs, is_beyond_doubt};
use crate::ingest::{Channel, Frame, MEASURING_BYTES_A_PIXEL, MeasuringPlane, Night, OPEN_BYTES_A_PIXEL, Rig};
use crate::memory;
use crate::raster::{PixelPoint, PixelRect};
use crate::sky::Observer;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// What a frame showed.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) enum Seen {
    /// What was found by the pixels alone.
    Found {
        /// Discs, best first.
        discs: Vec<Look>,
        /// Lights that stand still while the camera does.
        still: Vec<DiscFit>,
        /// The part that was seen, where the file breaks off.
        told: Option<PixelRect>,
    },
    /// It could not be decoded.
    Unreadable(String),
}

impl Seen {
    pub fn discs(&self) -> &[Look] {
        match self {
            Seen::Found { discs, .. } => discs,
            Seen::Unreadable(_) => &[],
        }
    }
    /// Lights that stand still while the camera does.
    pub fn still(&self) -> &[DiscFit] {
        match self {
            Seen::Found { still, .. } => still,
            Seen::Unreadable(_) => &[],
        }
    }
    /// The same with some of its discs set aside as lights that stand still.
    pub fn without(self, still: &[bool]) -> Self {
        let Seen::Found { discs, still: mut aside, told } = self else { return self };
        let (kept, set_aside): (Vec<_>, Vec<_>) = discs.into_iter().zip(still).partition(|(_, still)| !**still);
        aside.extend(set_aside.into_iter().map(|(look, _)| look.fit));
        Seen::Found { discs: kept.into_iter().map(|(look, _)| look).collect(), still: aside, told }
    }
    pub fn fits(&self) -> impl Iterator<Item = &DiscFit> {
        self.discs().iter().map(|d| &d.fit)
    }
}

/// One rig's part of a night, or one zoom's part of a rig.
pub(super) struct Sequence<'a> {
    pub night: &'a Night,
    pub rig: &'a Rig,
    /// Its frames: indices into those of the night.
    pub indices: Vec<usize>,
    /// Where the sky says the Moon is in each.
    pub places: Vec<Option<SkyPlace>>,
    /// Seconds that were taken off the clock, by the shadow.
    pub put_right_s: f64,
}

impl<'a> Sequence<'a> {
    pub fn of(night: &'a Night, rig: usize) -> Self {
        let indices: Vec<usize> = (0..night.frames.len()).filter(|&i| night.frames[i].rig == rig).collect();
        let observer = night.observer();
        let places = indices.par_iter().map(|&i| SkyPlace::of(observer.as_ref(), &night.frames[i])).collect();
        Sequence { night, rig: &night.rigs[rig], indices, places, put_right_s: 0.0 }
    }

    /// Some of its frames, in their order.
    pub fn part(&self, members: &[usize]) -> Self {
        Sequence {
            indices: members.iter().map(|&k| self.indices[k]).collect(),
            places: members.iter().map(|&k| self.places[k]).collect(),
            ..*self
        }
    }

    /// The same with seconds taken off the clock.
    pub fn put_right(&self, ahead_s: f64) -> Self {
        let places = self.observer().map_or_else(Vec::new, |observer| self.put_right_by(&observer, ahead_s));
        Sequence { indices: self.indices.clone(), places, put_right_s: self.put_right_s + ahead_s, ..*self }
    }

    /// Where the sky has the Moon in each frame, seconds taken off the clock.
    pub fn put_right_by(&self, observer: &Observer, ahead_s: f64) -> Vec<Option<SkyPlace>> {
        let moved =
            |place: &Option<SkyPlace>| place.as_ref().map(|p| SkyPlace::at(observer, p.instant.plus_seconds(-ahead_s)));
        self.places.par_iter().map(moved).collect()
    }

    pub fn len(&self) -> usize {
        self.indices.len()
    }

    /// One of its frames.
    pub fn frame(&self, k: usize) -> &'a Frame {
        &self.night.frames[self.indices[k]]
    }

    pub fn place(&self, k: usize) -> Option<&SkyPlace> {
        self.places[k].as_ref()
    }

    pub fn observer(&self) -> Option<Observer> {
        self.night.observer()
    }

    /// Looks at those of its frames that are `wanted`; what is known of one already is taken as it is.
    ///
    /// Some frames spread over the night are looked at for discs of any size; where half of those show large ones beyond
    /// doubt, of sizes that they share, the rest need not be searched for Moons of a fraction of that.
    pub fn look(
        &self,
        known: &(dyn Fn(&Frame) -> Option<Seen> + Sync),
        wanted: &(dyn Fn(usize) -> bool + Sync),
        progress: &(dyn Fn(&str) + Sync),
    ) -> Vec<Option<Seen>> {
        const PROBES: usize = 6;
        const LEAST_SHARE: f64 = 0.3;
        let mut out: Vec<Option<Seen>> = (0..self.len()).map(|k| known(self.frame(k))).collect();
        let is_wanted = |k: usize| wanted(self.indices[k]);
        if (0..self.len()).all(|k| out[k].is_some() || !is_wanted(k)) {
            return out;
        }
        let probes: Vec<usize> = (0..self.len()).step_by(self.len().div_ceil(PROBES).max(1)).collect();
        self.look_at_some(&mut out, &probes, 0.0, progress);
        let large: Vec<f64> = probes
            .iter()
            .filter_map(|&k| out[k].as_ref()?.discs().first().filter(|first| is_beyond_doubt(&first.fit)))
            .filter(|first| is_proved(first, None))
            .map(|first| first.fit.radius_px)
            .collect();
        let least_px = if self.len() > PROBES { LEAST_SHARE * least_common(&large, probes.len()) } else { 0.0 };
        let rest: Vec<usize> = (0..self.len()).filter(|&k| is_wanted(k)).collect();
        self.look_at_some(&mut out, &rest, least_px, progress);
        out
    }

    /// Looks at those of some frames that nothing is known of yet, as many at once as memory bears.
    fn look_at_some(
        &self,
        known: &mut [Option<Seen>],
        some: &[usize],
        least_px: f64,
        progress: &(dyn Fn(&str) + Sync),
    ) {
        let new: Vec<usize> = some.iter().copied().filter(|&k| known[k].is_none()).collect();
        for at_once in new.chunks(self.at_once()) {
            let seen: Vec<Seen> = at_once.par_iter().map(|&k| self.look_at(k, least_px, progress)).collect();
            at_once.iter().zip(seen).for_each(|(&k, seen)| known[k] = Some(seen));
        }
    }

    /// How many of its frames may be open at once: all of them, unless memory is short. Rigs are looked at side by side.
    pub fn at_once(&self) -> usize {
        let is_jpeg = |k: usize| {
            let ending = self.frame(k).path.extension().unwrap_or_default();
            ending.eq_ignore_ascii_case("jpg") || ending.eq_ignore_ascii_case("jpeg")
        };
        let each = if (0..self.len()).all(is_jpeg) { MEASURING_BYTES_A_PIXEL } else { OPEN_BYTES_A_PIXEL };
        let side_by_side = self.night.rigs.len().min(rayon::current_num_threads()).max(1);
        memory::at_once((self.rig.width * self.rig.height) as u64 * each * side_by_side as u64)
    }

    fn look_at(&self, k: usize, least_px: f64, progress: &(dyn Fn(&str) + Sync)) -> Seen {
        let seen = match self.decode(k, Channel::Brightness) {
            Ok(MeasuringPlane { plane, told }) => {
                let any = any_disc(plane.width(), plane.height());
                let expected = Expectation { from_px: any.from_px.max(least_px), ..any };
                let measured = Measured::new(&plane);
                let mut discs = find_discs(&measured, &expected, MOST_DISCS);
                if least_px == 0.0 {
                    discs.extend(behind_the_first(&measured, &expected, &discs));
                }
                Seen::Found { discs, still: Vec::new(), told }
            }
            Err(why) => Seen::Unreadable(why),
        };
        progress(&self.frame(k).name);
        seen
    }

    /// Decodes one of its frames.
    pub fn decode(&self, k: usize, channel: Channel) -> Result<MeasuringPlane, String> {
        let frame = self.frame(k);
        frame.channel(channel).map_err(|why| why.to_string())
    }

    /// Whether a place lies inside the frame or at most `beyond_px` outside.
    pub fn is_in_frame(&self, at: PixelPoint, beyond_px: f64) -> bool {
        let (w, h) = (self.rig.width as f64, self.rig.height as f64);
        at.x > -beyond_px && at.y > -beyond_px && at.x < w + beyond_px && at.y < h + beyond_px
    }

    pub fn size(&self) -> (usize, usize) {
        (self.rig.width, self.rig.height)
    }
}

/// The least of those radii that another shares to a tenth; zero where they are not half of so many frames'. (The lamps of
/// a town lie on a large circle now and then, and each time on another.)
fn least_common(radii: &[f64], frames: usize) -> f64 {
    const SAME: f64 = 0.1;
    let sharers = |r: f64| radii.iter().filter(|other| (*other / r).ln().abs() < SAME).count();
    let common: Vec<f64> = radii.iter().copied().filter(|r| sharers(*r) >= 2).collect();
    if common.is_empty() || 2 * common.len() < frames { 0.0 } else { common.into_iter().fold(f64::INFINITY, f64::min) }
}

/// Smaller discs than the first, where that is a disc beyond doubt, beside which no smaller one was looked for, but does not show that
/// it is the Moon: a lit clock, a lamp's globe.
fn behind_the_first(frame: &Measured<'_>, expected: &Expectation<'_>, discs: &[Look]) -> Vec<Look> {
    const SMALLER: f64 = 0.7;
    let Some(first) = discs.first().filter(|first| is_beyond_doubt(&first.fit) && !is_proved(first, None)) else {
        return Vec::new();
    };
    let smaller = Expectation { to_px: SMALLER * first.fit.radius_px, ..*expected };
    let is_new = |look: &Look| discs.iter().all(|d| d.fit.centre.distance(look.fit.centre) > 0.5 * d.fit.radius_px);
    find_discs(frame, &smaller, MOST_DISCS).into_iter().filter(is_new).collect()
}

/// Discs kept of a frame: the Moon, a ghost of it, and the lamps of a town.
const MOST_DISCS: usize = 40;

#[cfg(test)]
mod tests {
    use super::least_common;

    #[test]
    fn large_moons_share_a_size_and_chance_circles_do_not() {
        assert_eq!(least_common(&[330.0, 326.0, 150.0], 6), 0.0);
        assert_eq!(least_common(&[330.0, 326.0, 324.0, 150.0], 6), 324.0);
        assert_eq!(least_common(&[330.0, 326.0, 60.0, 61.0], 6), 60.0);
    }
}
