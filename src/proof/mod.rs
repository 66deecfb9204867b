//! What was found in a night, laid out to be looked at: the proof.
//!
//! [`Proof::of`] gathers it as data (frames with what the sky predicts for each, contacts and which frames fall where, claims
//! of the records and what became of them, three sentences for a tired reader); `windows` cuts each frame's part out that a
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
pub use windows::{Window, whole_of, window_of, window_of_frame, windows};

use crate::camera::Mount;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::registration::{Registration, clock_words};
use crate::units::Angle;
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
    /// What the records say, and what the frames say of it.
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
#[serde(rename_all = "kebab-case")]
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
    /// Gathers what was found. `said` is what was said of the night; `weighed`: whether by the run that registered it, which
    /// alone weighs the records' claims (a registration file does not keep what came of that).
    pub fn of(night: &Night, registration: &Registration, said: &[Diagnostic], weighed: bool) -> Self {
        let frames = frames::gathered(night, registration);
        let (contacts, stretches) = contacts::gathered(&frames, registration);
        let remarks = remarks(said);
        Proof {
            title: title(night),
            sentences: sentences::three(&frames, &contacts, &stretches, &remarks),
            rigs: rigs(night, registration),
            frames,
            contacts,
            stretches,
            claims: claims(night, registration, said, weighed),
            remarks,
        }
    }

    /// The proof as one HTML page, with the windows in the order of its frames.
    pub fn to_html(&self, windows: &[Option<Window>]) -> String {
        page::write(self, windows)
    }
}

/// Whether a file that begins so is a page that [`Proof::to_html`] made; its first kilobyte tells.
pub fn is_own_page(beginning: &str) -> bool {
    page::is_own(beginning)
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
            let taken_by = night.rigs.get(i);
            let camera = taken_by.and_then(|r| r.camera_model.clone());
            let focal = taken_by.and_then(|r| r.focal_length_mm).map(|f| format!("{f:.0} mm"));
            let size = format!("{} x {}", rig.width, rig.height);
            RigProof {
                // What the frames alone tell has no rig of the night's own.
                name: [camera, focal, Some(size), taken_by.is_none().then(|| "another scale".into())]
                    .into_iter()
                    .flatten()
                    .collect::<Vec<_>>()
                    .join(", "),
                arcsec_per_px: rig.focal_length_px.map(|f| Angle::from_radians(1.0 / f).arcsec()),
                clock: rig.clock.as_ref().map(clock_words),
                mirrored: rig.mirrored,
            }
        })
        .collect()
}

fn remarks(said: &[Diagnostic]) -> Vec<Remark> {
    let mut said: Vec<&Diagnostic> = said.iter().collect();
    said.sort_by_key(|d| std::cmp::Reverse(d.severity));
    said.into_iter()
        .map(|d| Remark {
            severity: d.severity.word(),
            code: d.code.to_string(),
            message: d.message.clone(),
            help: d.help.clone(),
        })
        .collect()
}

/// What the records claim, each with the message that contradicts it, if one does.
fn claims(night: &Night, registration: &Registration, said: &[Diagnostic], weighed: bool) -> Vec<Claim> {
    // `held`: what the frames show where none of the messages is said.
    let claim = |about, claimed: Option<String>, codes: &[&str], held: Option<String>| {
        let claimed = claimed?;
        let (found, verdict) = match said.iter().find(|d| codes.contains(&d.code)) {
            Some(against) => (against.message.clone(), Verdict::Contradicted),
            None => held.map_or_else(
                || ("not tested by these frames".to_owned(), Verdict::Untested),
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
    let shadow = solved.and_then(|r| r.clock.as_ref());
    let by_shadow = shadow.map(|c| format!("by the Earth's shadow: {}", clock_words(c)));
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
    const CLOCK: [&str; 4] = ["date-doubtful", "clock-zone-doubtful", "clock-far-off", "phase-contradicts-time"];
    let clock = claim("Clock", clock, &CLOCK, by_shadow).map(|c| match (c.verdict, shadow) {
        // On real nights the shadow has been a minute off its own word.
        (Verdict::BorneOut, Some(s)) if s.is_sure() && s.ahead_s.abs() > (3.0 * s.sigma_s).max(120.0) => {
            Claim { verdict: Verdict::Contradicted, ..c }
        }
        (Verdict::BorneOut, Some(s)) if !s.is_sure() || s.ahead_s.abs() > (2.0 * s.sigma_s).max(30.0) => {
            Claim { verdict: Verdict::Untested, ..c }
        }
        _ => c,
    });
    let mount = claim(
        "Mount",
        mount.map(str::to_owned),
        &["mount-doubtful", "pointing-unsolved", "aim-doubtful"],
        mount_held.map(str::to_owned),
    );
    let first = [claim("Site", site, &["site-doubtful", "moon-below-horizon"], None), clock, mount];
    let all = first.into_iter().flatten().chain(focal_lengths(night, registration));
    all.map(|c| match c.verdict {
        Verdict::BorneOut if !weighed => Claim { verdict: Verdict::Untested, ..c },
        _ => c,
    })
    .collect()
}

/// What each rig's focal length is said to be, and what the Moon's size says of it.
fn focal_lengths(night: &Night, registration: &Registration) -> Vec<Claim> {
    /// How far a marked focal length may lie from the true one, a share of it: lenses breathe (common practice, no source).
    const MARKED: f64 = 0.05;
    let several = night.rigs.len() > 1;
    let rigs = night.rigs.iter().zip(&registration.rigs).enumerate();
    rigs.filter_map(|(i, (rig, solved))| {
        let (mm, px) = (rig.focal_length_mm?, rig.focal_length_px?);
        let name = if several { format!("{mm:.0} mm (camera {})", i + 1) } else { format!("{mm:.0} mm") };
        let (found, verdict) = match solved.focal_length_px.map(|measured| measured / px) {
            None => ("the Moon's size is not known well enough".to_owned(), Verdict::Untested),
            Some(ratio) => {
                let agrees = (ratio - 1.0).abs() < MARKED;
                let verdict = if agrees { Verdict::BorneOut } else { Verdict::Contradicted };
                (format!("the Moon's size says {:.1} mm", mm * ratio), verdict)
            }
        };
        Some(Claim { about: "Focal length", said: name, found, verdict })
    })
    .take(12)
    .collect()
}
