//! What is said of a folder of frames.

use super::{Frame, FrameTable, Night, Site};
use crate::diag::Diagnostic;
use std::path::PathBuf;

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
            .with_help("write the offset that it was set to into shoot.ron beside the frames, such as `clock: (utc_offset: \"+08:00\")`"),
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
    let strangers = |names: &mut dyn Iterator<Item = &String>, code: &'static str, what: &str| {
        let mut missing: Vec<&str> =
            names.filter(|name| !frames.iter().any(|f| f.name == **name)).map(String::as_str).collect();
        missing.dedup();
        (!missing.is_empty()).then(|| {
            Diagnostic::warning(code, format!("shoot.ron {what} that is not among the frames: {}", few(&missing)))
                .with_help("write the file's name as it is, with its ending and its capitals")
        })
    };
    if let Some(n) = notes {
        out.extend(strangers(&mut n.foreground.iter(), "foreground-missing", "names a foreground frame"));
        out.extend(strangers(&mut n.ignore.files(), "ignored-missing", "ignores a part of a frame"));
    }
    if rigs.len() > 1 {
        let sizes: Vec<String> = rigs
            .iter()
            .enumerate()
            .map(|(i, r)| {
                let count = frames.iter().filter(|f| f.rig == i).count();
                let lens = r.focal_length_mm.map(|f| format!(" at {} mm", round(f))).unwrap_or_default();
                let frames = if count == 1 { "frame" } else { "frames" };
                format!("{count} {frames} of {}x{}{lens}", r.width, r.height)
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

/// Pictures of kinds that are not read.
pub(super) fn of_unread(unread: &[(PathBuf, &'static str)], out: &mut Vec<Diagnostic>) {
    let name = |path: &PathBuf| path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let named: Vec<String> = unread.iter().map(|(path, kind)| format!("{} ({kind})", name(path))).collect();
    let named: Vec<&str> = named.iter().map(String::as_str).collect();
    if !named.is_empty() {
        out.push(
            Diagnostic::warning("kind-not-read", format!("left out, of a kind that is not read: {}", few(&named)))
                .with_help("export them as JPEG or TIFF with their EXIF kept"),
        );
    }
}

/// Notes or a table that nobody would otherwise miss before the picture is wrong.
pub(super) fn of_misnamed(misnamed: &[(PathBuf, &'static str)], out: &mut Vec<Diagnostic>) {
    out.extend(misnamed.iter().map(|(path, meant)| {
        Diagnostic::warning("name-not-read", format!("{} is not read: it is looked for as `{meant}`", path.display()))
            .with_help(format!("rename it to `{meant}`"))
    }));
}

/// Calibration frames that serve no frame, or not all.
fn of_calibration(night: &Night, out: &mut Vec<Diagnostic>) {
    let Some(masters) = night.frames.iter().find_map(|f| f.reading.masters.as_ref()) else { return };
    let (width, height) = masters.size();
    let other = |f: &&Frame| {
        let size = (f.metadata.width, f.metadata.height);
        // A sensor's frames are calibrated before they are turned upright; others are upright already.
        size != (width, height) && !(size == (height, width) && f.is_raw())
    };
    let others: Vec<&str> = night.frames.iter().filter(other).map(|f| f.name.as_str()).collect();
    if !others.is_empty() {
        out.push(
            Diagnostic::warning(
                "calibration-left-out",
                format!("dark, bias and flat frames are {width} x {height} pixels, and left out for {}", few(&others)),
            )
            .with_help("calibrate frames of one camera and size"),
        );
    }
    let bare: Vec<&str> = night
        .frames
        .iter()
        .filter(|f| !other(f) && masters.has_no_dark_of(f.metadata.exposure_time_s))
        .map(|f| f.name.as_str())
        .collect();
    if !bare.is_empty() {
        out.push(
            Diagnostic::warning(
                "dark-left-out",
                format!("no dark frame is as long as {} within a tenth, and none is subtracted there", few(&bare)),
            )
            .with_help("take darks of every exposure, or bias frames besides: with these, darks are scaled"),
        );
    }
    if others.len() < night.frames.len() {
        out.push(Diagnostic::note("calibrated", "dark, bias and flat frames are used where they fit"));
    }
}

/// Where the sidecars beside the frames and the cameras' records disagree, and who won.
pub(super) fn of_sidecars(
    night: &Night,
    table: &FrameTable,
    conflicts: &[(String, &'static str)],
    recorded: Option<Site>,
    out: &mut Vec<Diagnostic>,
) {
    for what in ["time", "exposure", "aperture", "iso", "focal length"] {
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
    of_calibration(night, out);
}

/// A focal length as a lens is called.
fn round(mm: f64) -> f64 {
    if mm < 10.0 { (mm * 10.0).round() / 10.0 } else { mm.round() }
}

/// The first names of a list and how many more.
fn few(names: &[&str]) -> String {
    let shown = names.iter().take(3).copied().collect::<Vec<_>>().join(", ");
    if names.len() > 3 { format!("{shown} and {} more", names.len() - 3) } else { shown }
}

/// Pictures that this program composed, lying among the frames: the Moons in them were photographed in other files.
pub(super) fn of_own_pictures(own: &[PathBuf], out: &mut Vec<Diagnostic>) {
    let names: Vec<String> = own.iter().filter_map(|p| Some(p.file_name()?.to_string_lossy().into_owned())).collect();
    if !names.is_empty() {
        let message = format!("{} was composed by this program and is no frame: left out", names.join(", "));
        out.push(Diagnostic::note("own-picture", message));
    }
}
