//! What was found in a night, laid out to be looked at: the proof.
//!
//! [`Proof::of`] gathers it as data (frames with what the sky predicts for each, contacts and which frames fall where, claims
//! of the papers and what became of them, three sentences for a tired reader); `windows` cuts each frame's part out that a
//! person wants to see, `plots` draws the numbers over time, `page` writes all of it into one HTML file that needs nothing
//! else.

mod contacts;
mod frames;
mod page;
mod plots;
mod sentences;
mod windows;

pub use contacts::{ContactProof, StretchProof};
pub use frames::{Circle, FrameProof};
pub use windows::{Window, windows};

use crate::diag::{Diagnostic, Severity};
use crate::ingest::{Mount, Night};
use crate::registration::{Registration, clock_words};
use serde::Serialize;

/// A night's registration as a person looks at it.
#[derive(Clone, Debug, Serialize)]
pub struct Proof {
    /// The notes' title, or the folder's name.
    pub title: String,
    /// What was found, what to do first, what the frames serve for.
    pub sentences: [String; 3],
    /// The rigs, as in the registration.
    pub rigs: Vec<RigProof>,
    /// The frames, in the order of the night.
    pub frames: Vec<FrameProof>,
    /// The eclipse's contacts and the frames next to each; empty where no time or no eclipse is known.
    pub contacts: Vec<ContactProof>,
    /// What lies between the contacts, and how many usable frames show it.
    pub stretches: Vec<StretchProof>,
    /// What the papers say, and what the frames say of it.
    pub claims: Vec<Claim>,
    /// Everything that was said of the night, gravest first.
    pub remarks: Vec<Remark>,
}

/// A rig in numbers.
#[derive(Clone, Debug, Serialize)]
pub struct RigProof {
    /// Camera, focal length and frame size in words.
    pub name: String,
    /// Seconds of arc a pixel at the optical axis, where solved.
    pub arcsec_per_px: Option<f64>,
    /// What the shadow says of its clock, in words.
    pub clock: Option<String>,
    /// Whether its frames are mirror images.
    pub mirrored: Option<bool>,
}

/// Something that metadata or notes say.
#[derive(Clone, Debug, Serialize)]
pub struct Claim {
    /// What about.
    pub about: &'static str,
    /// What they say.
    pub said: String,
    /// What the frames say of it.
    pub found: String,
    /// What that comes to.
    pub verdict: Verdict,
}

/// What the frames say of a claim.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Verdict {
    /// They show something else.
    Contradicted,
    /// They show the same.
    BorneOut,
    /// They do not tell.
    Untested,
}

/// A message of the program.
#[derive(Clone, Debug, Serialize)]
pub struct Remark {
    /// "note", "warning" or "error".
    pub severity: &'static str,
    /// Its code.
    pub code: String,
    /// What is the matter.
    pub message: String,
    /// What to do.
    pub help: Option<String>,
}

impl Proof {
    /// Gathers what was found. `said` is what registering said of the night.
    pub fn of(night: &Night, registration: &Registration, said: &[Diagnostic]) -> Self {
        let frames = frames::gathered(night, registration);
        let (contacts, stretches) = contacts::gathered(&frames, registration);
        let remarks = remarks(said);
        Proof {
            title: title(night),
            sentences: sentences::three(&frames, &stretches, &remarks),
            rigs: rigs(night, registration),
            frames,
            contacts,
            stretches,
            claims: claims(night, registration, said),
            remarks,
        }
    }

    /// The proof as one HTML page, with the windows in the order of its frames.
    pub fn to_html(&self, windows: &[Option<Window>]) -> String {
        page::write(self, windows)
    }
}

fn title(night: &Night) -> String {
    let noted = night.notes.as_ref().and_then(|n| n.title.clone()).filter(|t| !t.trim().is_empty());
    let folder = || night.folder.canonicalize().unwrap_or_else(|_| night.folder.clone());
    noted.unwrap_or_else(|| folder().file_name().map_or("A night".into(), |n| n.to_string_lossy().into_owned()))
}

fn rigs(night: &Night, registration: &Registration) -> Vec<RigProof> {
    registration
        .rigs
        .iter()
        .enumerate()
        .map(|(i, rig)| {
            // A zoom that the frames alone tell has no rig of the night's own.
            let taken_by = night.rigs.get(i);
            let camera = taken_by.and_then(|r| r.camera_model.clone());
            let focal = taken_by.and_then(|r| r.focal_length_mm).map(|f| format!("{f:.0} mm"));
            let size = format!("{} x {}", rig.width, rig.height);
            RigProof {
                name: [camera, focal, Some(size)].into_iter().flatten().collect::<Vec<_>>().join(", "),
                arcsec_per_px: rig.focal_length_px.map(|f| ARCSEC_PER_RADIAN / f),
                clock: rig.clock.as_ref().map(clock_words),
                mirrored: rig.mirrored,
            }
        })
        .collect()
}

const ARCSEC_PER_RADIAN: f64 = 206_264.806;

fn remarks(said: &[Diagnostic]) -> Vec<Remark> {
    let mut said: Vec<&Diagnostic> = said.iter().collect();
    said.sort_by_key(|d| std::cmp::Reverse(d.severity));
    said.into_iter()
        .map(|d| Remark {
            severity: match d.severity {
                Severity::Note => "note",
                Severity::Warning => "warning",
                Severity::Error => "error",
            },
            code: d.code.to_string(),
            message: d.message.clone(),
            help: d.help.clone(),
        })
        .collect()
}

/// What the papers claim, each with the message that contradicts it, if one does.
fn claims(night: &Night, registration: &Registration, said: &[Diagnostic]) -> Vec<Claim> {
    // `held`: what the frames show where none of the messages is said.
    let claim = |about, claimed: Option<String>, codes: &[&str], held: Option<String>| {
        let claimed = claimed?;
        let (found, verdict) = match said.iter().find(|d| codes.contains(&d.code)) {
            Some(against) => (against.message.clone(), Verdict::Contradicted),
            None => held.map_or_else(
                || ("nothing speaks against it".to_owned(), Verdict::Untested),
                |held| (held, Verdict::BorneOut),
            ),
        };
        Some(Claim { about, said: claimed, found, verdict })
    };
    let solved = registration.rigs.first();
    let side = |degrees: f64, positive, negative| {
        format!("{:.2}\u{b0} {}", degrees.abs(), if degrees < 0.0 { negative } else { positive })
    };
    let site = night.notes.as_ref().and_then(|n| n.site);
    let site = site.map(|s| format!("{}, {}", side(s.latitude_deg, "N", "S"), side(s.longitude_deg, "E", "W")));
    let clock = night.frames.iter().find_map(|f| f.time).map(|t| {
        let zone = if t.zone_known { "with their zone" } else { "without a zone" };
        match night.notes.as_ref().map_or(0.0, |n| n.clock.ahead_s) {
            0.0 => format!("times {zone}"),
            ahead => format!("times {zone}, the clock {ahead:.0} s ahead"),
        }
    });
    let by_shadow = solved.and_then(|r| r.clock.as_ref()).map(|c| format!("by the Earth's shadow: {}", clock_words(c)));
    let mount = match night.mount() {
        Mount::FixedTripod => Some("a fixed tripod"),
        Mount::ReaimedTripod => Some("a tripod aimed anew by hand"),
        Mount::Tracking => Some("a mount that follows the sky"),
        Mount::Unknown => None,
    };
    let mount_held = match solved {
        Some(r) if !r.pointings.is_empty() => Some("the Moon's places lie on one aim"),
        Some(r) if r.tracking.is_some() => Some("the Moon stays where a following mount keeps it"),
        _ => None,
    };
    let focal = night.rigs.first().and_then(|r| Some((r.focal_length_mm?, r.focal_length_px?)));
    let measured = solved.and_then(|r| r.focal_length_px);
    let focal_held =
        focal.zip(measured).map(|((mm, px), found)| format!("the Moon's size says {:.1} mm", mm * found / px));
    const CLOCK: [&str; 4] = ["date-doubtful", "clock-zone-doubtful", "clock-far-off", "phase-contradicts-time"];
    [
        claim("Site", site, &["site-doubtful", "moon-below-horizon"], None),
        claim("Clock", clock, &CLOCK, by_shadow),
        claim(
            "Mount",
            mount.map(str::to_owned),
            &["mount-doubtful", "pointing-unsolved", "aim-doubtful"],
            mount_held.map(str::to_owned),
        ),
        claim("Focal length", focal.map(|(mm, _)| format!("{mm:.0} mm")), &["focal-length-doubtful"], focal_held),
    ]
    .into_iter()
    .flatten()
    .collect()
}
