//! Looking for the Moon in a night's frames, and what is said of it.

use super::cache::user_cache;
use super::outcome::Progress;
use moonloom::compose::{frames_digest, keep_registration};
use moonloom::diag::Warned;
use moonloom::ingest::Night;
use moonloom::registration::{Registration, Status, clock_words};
use moonloom::solve::{ClockSource, Looks, register_with};
use std::time::Instant;

/// What looking at a night's frames gave.
pub struct Anew {
    pub found: Warned<Registration>,
    /// Of the frames as they were when that began.
    pub digest: String,
    pub seconds: f64,
}

/// Looks at every frame that is not known, though an earlier registration may be kept.
pub fn look_anew(night: &Night, clock: ClockSource, known: &Looks) -> Anew {
    let progress = Progress::new("looking at frame");
    let start = Instant::now();
    // What is looked at is what the digest says, even if a file changes meanwhile.
    let digest = frames_digest(night, |_| true);
    let found = register_with(night, clock, known, &|name| progress.step(name));
    progress.end();
    // `compose` on the folder starts from here; a cache that cannot be written costs time, and is no fault of this run.
    if clock == ClockSource::Frames
        && let Some(cache) = user_cache()
    {
        let _ = keep_registration(night, &found.value, &digest, &cache);
    }
    Anew { found, digest, seconds: start.elapsed().as_secs_f64() }
}

/// One line that says how the registration went.
pub fn summary(registration: &Registration, seconds: f64) -> String {
    let count = |s| registration.count(s);
    // Frames that the notes call the landscape's are no Moons missed.
    let landscape = registration.frames.iter().filter(|f| f.foreground && f.status() == Status::Absent).count();
    let of_the_landscape = if landscape > 0 { format!(", {landscape} of the landscape") } else { String::new() };
    let mut words = format!(
        "registered {} frame{} in {seconds:.1} s: {} measured, {} inferred, {} absent{of_the_landscape}",
        registration.frames.len(),
        if registration.frames.len() == 1 { "" } else { "s" },
        count(Status::Measured),
        count(Status::Inferred),
        count(Status::Absent) - landscape
    );
    for rig in &registration.rigs {
        if let Some(focal) = rig.focal_length_px {
            words.push_str(&format!("\n  {}x{}: {:.3}\" per pixel", rig.width, rig.height, 206_264.806 / focal));
        }
        for (k, p) in rig.pointings.iter().enumerate() {
            let from = p.from.map_or(String::new(), |i| format!(" from {}", i.to_iso_utc()));
            words.push_str(&format!(
                "{}{from} aimed at azimuth {:.2}\u{b0} altitude {:.2}\u{b0} roll {:.2}\u{b0}, residual {:.2} px over {} frames",
                if k == 0 { "," } else { "\n   " },
                p.pointing.azimuth.normalized().degrees(),
                p.pointing.altitude.degrees(),
                p.pointing.roll.degrees(),
                p.rms_px,
                p.frames
            ));
        }
        if let Some(t) = &rig.tracking {
            words.push_str(&format!(", tracked over {} stretches, residual {:.2} px", t.stretches.len(), t.rms_px));
            if let Some(w) = t.wobble {
                words.push_str(&format!(", wobble {:.1} px every {:.0} s", w.amplitude_px(), w.period_s));
            }
        }
        if let Some(m) = rig.rotation {
            words.push_str(&format!(
                ", camera at position angle {:.1}\u{b0} turning {:+.2}\u{b0} an hour",
                m.up_position_angle.degrees(),
                m.degrees_per_hour
            ));
        }
        if rig.mirrored == Some(true) {
            words.push_str(", mirrored");
        }
        if let Some(clock) = &rig.clock {
            words.push_str(&format!("\n  {} (by the Earth's shadow in {} frames)", clock_words(clock), clock.frames));
        }
    }
    words
}
