//! What is written down of each frame.

use super::aim::Aim;
use super::light_ratio;
use super::rejection::Choice;
use super::sequence::{Looked, Moon, Roll};
use super::{FrameRegistration, Status};

/// Why a frame has no Moon, when the clock says so.
pub(super) const BELOW_HORIZON: &str = "the Moon is below the horizon";

impl Roll<'_> {
    /// One entry a frame, with its index in the night.
    pub fn entries(
        &self,
        looked: &[Looked],
        moons: &[Option<Moon>],
        choices: Vec<Choice>,
        aim: &Aim,
    ) -> Vec<(usize, FrameRegistration)> {
        let mut entries: Vec<(usize, FrameRegistration)> = choices
            .into_iter()
            .enumerate()
            .map(|(k, choice)| {
                let mut entry = self.entry(k, &looked[k], moons[k].as_ref(), aim);
                entry.rejected = choice.rejected;
                name_rejected(&mut entry);
                (self.indices[k], entry)
            })
            .collect();
        light_ratio::scale(&mut entries);
        entries
    }

    fn entry(&self, k: usize, looked: &Looked, moon: Option<&Moon>, aim: &Aim) -> FrameRegistration {
        let (frame, place) = (self.frame(k), self.places[k].as_ref());
        let mut out = FrameRegistration {
            file: frame.name.clone(),
            rig: frame.rig,
            status: Status::Absent,
            utc: frame.time.map(|t| t.middle.plus_seconds(-self.put_right_s).to_iso_utc()),
            centre: None,
            radius_px: None,
            centre_sigma_px: None,
            umbral_fraction: place.map(|p| p.shadow.umbral_fraction()),
            orientation: None,
            light_ratio: None,
            fit: None,
            rejected: Vec::new(),
            foreground: frame.foreground,
            exclude: false,
            reason: None,
        };
        if let Looked::Unreadable(why) = looked {
            out.reason = Some(why.clone());
            return out;
        }
        if let Some(Moon { fit, .. }) = moon {
            out.status = Status::Measured;
            out.centre = Some(fit.centre);
            out.radius_px = Some(fit.radius_px);
            out.centre_sigma_px = Some(fit.centre_sigma_px);
            out.fit = Some(*fit);
            out.light_ratio = light_ratio::of(frame, place, fit);
            return out;
        }
        let Some(place) = place else {
            out.reason = Some("no disc was found".into());
            return out;
        };
        if place.is_below_horizon() {
            out.reason = Some(BELOW_HORIZON.into());
            return out;
        }
        match aim.infers(place) {
            Some((at, sigma_px, radius)) => {
                if self.is_in_frame(at, radius) {
                    out.status = Status::Inferred;
                    out.centre = Some(at);
                    out.radius_px = Some(radius);
                    out.centre_sigma_px = Some(sigma_px);
                    out.reason = Some("no limb was found where the Moon stands".into());
                } else {
                    out.reason = Some("the Moon is outside the frame".into());
                }
            }
            None if aim.is_pointed() => out.reason = Some("the Moon is outside the frame".into()),
            None => out.reason = Some("no disc of the Moon's size was found".into()),
        }
        out
    }
}

/// Where no Moon was measured, the brightest light that was taken for one is named with what it is.
fn name_rejected(entry: &mut FrameRegistration) {
    if let (Status::Absent, Some(reason), Some(light)) = (entry.status, &mut entry.reason, entry.rejected.first())
        && reason.as_str() != BELOW_HORIZON
    {
        let (x, y) = (light.centre.x, light.centre.y);
        reason.push_str(&format!("; a light at ({x:.0}, {y:.0}) was rejected: {}", light.reason));
    }
}
