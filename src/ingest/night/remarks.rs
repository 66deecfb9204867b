//! What is said of a folder of frames.

use super::{FrameTable, Night, Site};
use crate::diag::Diagnostic;

/// What the frames lack, or have twice.
pub(super) fn of_frames(night: &Night, out: &mut Vec<Diagnostic>) {
    let (frames, rigs, notes) = (&night.frames, &night.rigs, night.notes.as_ref());
    let untimed: Vec<&str> = frames.iter().filter(|f| f.time.is_none()).map(|f| f.name.as_str()).collect();
    if !untimed.is_empty() {
        out.push(
            Diagnostic::warning("frame-without-time", format!("no time is recorded in {}", few(&untimed)))
                .with_help("such frames have no place on the sky; re-export them with their EXIF kept"),
        );
    }
    if frames.iter().any(|f| f.time.is_some_and(|t| !t.zone_known)) {
        out.push(
            Diagnostic::warning(
                "clock-zone-unknown",
                "nobody says what zone the camera's clock was set to; UTC is assumed",
            )
            .with_help("write `clock: (utc_offset: \"+08:00\")` into shoot.ron beside the frames"),
        );
    }
    if night.site.is_none() {
        out.push(
            Diagnostic::note(
                "site-unknown",
                "no site is given: the Moon is found in the frames, but not placed on the sky",
            )
            .with_help("write `site: (latitude_deg: …, longitude_deg: …)` into shoot.ron beside the frames"),
        );
    }
    let missing: Vec<&str> = notes
        .map(|n| {
            n.foreground.iter().filter(|name| !frames.iter().any(|f| f.name == **name)).map(String::as_str).collect()
        })
        .unwrap_or_default();
    if !missing.is_empty() {
        out.push(
            Diagnostic::warning(
                "foreground-missing",
                format!("shoot.ron names a foreground frame that is not in the folder: {}", few(&missing)),
            )
            .with_help("write the file's name as it is, with its ending and its capitals"),
        );
    }
    if rigs.len() > 1 {
        let sizes: Vec<String> = rigs
            .iter()
            .enumerate()
            .map(|(i, r)| {
                format!("{} frames of {}x{}", frames.iter().filter(|f| f.rig == i).count(), r.width, r.height)
            })
            .collect();
        out.push(Diagnostic::note(
            "several-rigs",
            format!("the frames come from {} rigs ({}); each is solved by itself", rigs.len(), sizes.join(", ")),
        ));
    }
    for pair in frames.windows(2) {
        if let (Some(a), Some(b)) = (pair[0].time, pair[1].time)
            && pair[0].rig == pair[1].rig
            && (a.middle.seconds_since(b.middle)).abs() < 1e-3
        {
            out.push(Diagnostic::warning(
                "same-time",
                format!("{} and {} carry the same time", pair[0].name, pair[1].name),
            ));
        }
    }
}

/// Where the papers beside the frames and the cameras' records disagree, and who won.
pub(super) fn of_papers(
    night: &Night,
    table: &FrameTable,
    conflicts: &[(String, &'static str)],
    recorded: Option<Site>,
    out: &mut Vec<Diagnostic>,
) {
    for what in ["time", "exposure", "aperture", "iso"] {
        let names: Vec<&str> = conflicts.iter().filter(|(_, w)| *w == what).map(|(n, _)| n.as_str()).collect();
        if !names.is_empty() {
            out.push(Diagnostic::note(
                "sources-disagree",
                format!(
                    "{} and the camera disagree on the {what} of {}; the table wins",
                    table.path.display(),
                    few(&names)
                ),
            ));
        }
    }
    let strangers = table.strangers(|name| night.frame(name).is_some());
    if !strangers.is_empty() {
        out.push(
            Diagnostic::warning(
                "table-without-frame",
                format!("{} speaks of frames that are not in the folder: {}", table.path.display(), few(&strangers)),
            )
            .with_help("write the files' names as they are, with their endings and their capitals"),
        );
    }
    if let (Some(used), Some(recorded)) = (night.site, recorded)
        && let (Ok(a), Ok(b)) = (used.observer(), recorded.observer())
        && a.kilometres_from(&b) > 5.0
    {
        out.push(
            Diagnostic::note(
                "sources-disagree",
                format!(
                    "shoot.ron and the camera's receiver disagree on the site by {:.0} km; shoot.ron wins",
                    a.kilometres_from(&b)
                ),
            )
            .with_help("the Moon shifts by a fiftieth of its width for every hundred kilometres"),
        );
    }
    if night.frames.iter().any(|f| f.reading.masters.is_some()) {
        out.push(Diagnostic::note("calibrated", "dark, bias and flat frames are used where they fit in size"));
    }
}

/// The first names of a list and how many more.
fn few(names: &[&str]) -> String {
    let shown = names.iter().take(3).copied().collect::<Vec<_>>().join(", ");
    if names.len() > 3 { format!("{shown} and {} more", names.len() - 3) } else { shown }
}
