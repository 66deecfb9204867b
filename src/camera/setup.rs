//! One camera on one mount, and what it does in the night.

use super::{Aim, Camera, Mount};
use crate::sky::{Contact, LunarEclipse};
use crate::units::{Exposure, Instant};
use serde::{Deserialize, Serialize};

/// One camera on one mount.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// What its owner calls it.
    pub name: String,
    /// Sensor and lens.
    pub camera: Camera,
    /// What holds it.
    pub mount: Mount,
    /// Where a fixed tripod points, where that is settled.
    pub aim: Option<Aim>,
    /// Focal ratio, where no exposure says another.
    pub f_number: f64,
    /// Sensitivity, where no exposure says another.
    pub iso: f64,
    /// Exposures by the share of the disc in the umbra; the last step reached counts. None where that is left open.
    pub exposures: Vec<ExposureStep>,
    /// When it fires, where that is settled.
    pub firing: Option<Firing>,
    /// Frames of the landscape without the Moon.
    pub foreground: Vec<ForegroundFrame>,
}

impl Setup {
    /// A lens of which no more is known than this; where nobody says its focal ratio, f/8 is assumed: stopped down once or twice
    /// (common practice, no source).
    pub fn of_lens(camera: Camera, f_number: Option<f64>, mount: Mount, iso: f64) -> Self {
        const F_NUMBER: f64 = 8.0;
        let focal_length_mm = camera.focal_length_mm;
        Setup {
            name: match f_number {
                Some(_) => format!("{focal_length_mm} mm"),
                None => format!("{focal_length_mm} mm (f/{F_NUMBER} assumed)"),
            },
            camera,
            mount,
            aim: None,
            f_number: f_number.unwrap_or(F_NUMBER),
            iso,
            exposures: Vec::new(),
            firing: None,
            foreground: Vec::new(),
        }
    }

    /// The exposure that is settled for a share of the disc in the umbra.
    pub fn exposure(&self, umbral_fraction: f64) -> Option<Exposure> {
        reached_exposure(&self.exposures, umbral_fraction)
    }

    /// Exposures a camera makes by itself each time it fires, stops.
    pub fn bracket_stops(&self) -> &[f64] {
        self.firing.as_ref().map_or(&[], |f| &f.bracket_stops)
    }
}

/// When a camera fires.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Firing {
    /// Minutes between frames.
    pub every_minutes: f64,
    /// Minutes before P1 (U1, for a partial eclipse) at which it starts.
    #[serde(default)]
    pub lead_minutes: f64,
    /// Minutes after P4 at which it stops.
    #[serde(default)]
    pub tail_minutes: f64,
    /// Contacts at which it fires besides.
    #[serde(default)]
    pub also_at: Vec<String>,
    /// A bracket: each time it fires once for each of these, the shutter so many stops longer.
    #[serde(default)]
    pub bracket_stops: Vec<f64>,
}

impl Firing {
    /// From the first contact to the last, so many minutes apart; a second at least.
    pub fn every(minutes: f64) -> Self {
        Firing {
            every_minutes: minutes.max(1.0 / 60.0),
            lead_minutes: 0.0,
            tail_minutes: 0.0,
            also_at: Vec::new(),
            bracket_stops: Vec::new(),
        }
    }

    /// The instants at which the shutter opens.
    pub fn instants(&self, eclipse: &LunarEclipse) -> Vec<Instant> {
        let first = eclipse.contacts.first().map_or(eclipse.greatest(), |c| c.1);
        let last = eclipse.contacts.last().map_or(eclipse.greatest(), |c| c.1);
        let start = first.plus_seconds(-60.0 * self.lead_minutes);
        let end = last.plus_seconds(60.0 * self.tail_minutes);
        let step = self.every_minutes * 60.0;
        let count = (end.seconds_since(start) / step).floor() as usize;
        let mut out: Vec<Instant> = (0..=count).map(|i| start.plus_seconds(i as f64 * step)).collect();
        for (contact, instant) in &eclipse.contacts {
            let wanted = self.also_at.iter().any(|w| w.eq_ignore_ascii_case(&contact.to_string()));
            if wanted && *contact != Contact::P1 {
                out.push(*instant);
            }
        }
        out.sort_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()));
        out
    }
}

/// One step of the exposure ladder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExposureStep {
    /// Holds from this share of the disc's area in the umbra on.
    pub from_umbral_fraction: f64,
    /// Shutter time, seconds.
    pub seconds: f64,
    /// Focal ratio.
    pub f_number: f64,
    /// Sensitivity.
    pub iso: f64,
}

/// The exposure of a ladder for a share of the disc in the umbra: its last step that is reached, else its first.
pub fn reached_exposure(ladder: &[ExposureStep], umbral_fraction: f64) -> Option<Exposure> {
    let reached = ladder.iter().rfind(|s| umbral_fraction >= s.from_umbral_fraction);
    let step = reached.or(ladder.first())?;
    Some(Exposure::new(step.seconds, step.f_number, step.iso))
}

/// A frame of the landscape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ForegroundFrame {
    /// UTC when the shutter opens.
    pub utc: String,
    /// Shutter time, seconds.
    pub seconds: f64,
    /// Focal ratio.
    pub f_number: f64,
    /// Sensitivity.
    pub iso: f64,
}
