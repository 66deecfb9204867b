//! `moonloom notes`: a first `shoot.ron`, from what the frames say.

use super::outcome::{Exit, Failure, Outcome, Progress, print, say, tell};
use clap::Args;
use moonloom::camera::Mount;
use moonloom::diag::Diagnostic;
use moonloom::ingest::{Night, read_night};
use moonloom::registration::Registration;
use moonloom::solve::{ClockSource, LEAST_PITCH_UM, Suggestion, register, suggest};
use moonloom::write::write_text;
use std::path::{Path, PathBuf};

/// Write a first shoot.ron beside the frames, from what they say
///
/// What the frames record or show is filled in; what only you know stands as a comment, ready to be completed. Notes that
/// are there already are never touched.
#[derive(Args)]
pub struct NotesArgs {
    /// A folder of frames
    #[arg(value_name = "FRAMES_DIR")]
    folder: PathBuf,
    /// Where to write it; `-` prints it (default: shoot.ron in the folder)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub fn run(args: &NotesArgs) -> Outcome {
    let out = args.out.clone().unwrap_or_else(|| args.folder.join("shoot.ron"));
    let prints = out == Path::new("-");
    if !prints && out.exists() {
        let said = Diagnostic::error("notes-exist", format!("{} is there already, and stays as it is", out.display()))
            .with_help("print fresh notes with `--out -`, or give another name");
        return Err(Failure::new(Exit::BadRequest, said));
    }
    let read = read_night(&args.folder)?;
    // What is missing there is what this is for; only what cannot be read matters now.
    let unread = |d: &Diagnostic| matches!(d.code, "frame-unreadable" | "kind-not-read");
    tell(&read.diagnostics.into_iter().filter(unread).collect::<Vec<_>>());
    let night = read.value;
    let progress = Progress::new("looking at frame");
    let found = register(&night, ClockSource::Frames, &|name| progress.step(name)).value;
    progress.end();
    let text = notes(&night, &found, &suggest(&night, &found));
    if prints {
        return print(&text);
    }
    write_text(&out, &text)?;
    say(&format!("{} is written; complete what it leaves open", out.display()));
    Ok(())
}

/// The notes' text.
fn notes(night: &Night, registration: &Registration, suggestion: &Suggestion) -> String {
    let seen = registration.frames.iter().filter(|f| f.centre().is_some()).count();
    let mut out = format!(
        "// Shoot notes: what the camera did not record. A first draft from {} frames, the Moon seen in {seen} of them:\n\
         // check what is filled in, and complete what is commented out. See README.md, \"Shoot notes\".\n\
         (\n    version: 1,\n    // For titles:\n    // title: \"A night over the bay\",\n",
        night.frames.len()
    );
    out += &site(night);
    out += &clock(night);
    out += &optics(night, suggestion);
    out += &mount(suggestion);
    out += &match &suggestion.landscape {
        Some(frame) => format!(
            "    // A frame of the landscape alone; by the exposures recorded this one shows most of it:\n    foreground: [{frame:?}],\n"
        ),
        None => "    // Frames of the landscape alone:\n    // foreground: [\"…\"],\n".to_owned(),
    };
    out + ")\n"
}

// What the frames say themselves, whatever notes are there already.

fn site(night: &Night) -> String {
    match night.frames.iter().find_map(|f| f.metadata.place) {
        Some(s) => format!(
            "    // By the camera's receiver:\n    site: (latitude_deg: {:?}, longitude_deg: {:?}, elevation_m: {:?}),\n",
            s.latitude_deg, s.longitude_deg, s.elevation_m
        ),
        None => "    // Where the camera stood: degrees north and east, metres. Without it no Moon is placed on the sky:\n    \
                 // site: (latitude_deg: 0.0, longitude_deg: 0.0, elevation_m: 0),\n"
            .to_owned(),
    }
}

fn clock(night: &Night) -> String {
    let mut timed = night.frames.iter().filter(|f| f.metadata.clock_reading_s.is_some()).peekable();
    if timed.peek().is_none() {
        return "    // No frame carries a time: write them into frames.csv (columns file, utc).\n".to_owned();
    }
    if timed.all(|f| f.metadata.clock_offset_s.is_some()) {
        return "    // The frames say themselves how the camera's clock stood to UTC; seconds that it was ahead of that:\n    \
                // clock: (ahead_s: 0),\n"
            .to_owned();
    }
    "    // What the camera's clock was set to, and how many seconds it was ahead of that; until then UTC is assumed:\n    \
     // clock: (utc_offset: \"+00:00\", ahead_s: 0),\n"
        .to_owned()
}

fn optics(night: &Night, suggestion: &Suggestion) -> String {
    let asked = "    // Lens and sensor, where the frames do not say:\n    // optics: (focal_length_mm: 500, pixel_pitch_um: 4.0),\n";
    // One word for all frames: only where one lens took them.
    let [rig] = night.rigs.as_slice() else { return asked.to_owned() };
    match (rig.focal_length_mm, rig.focal_length_px, suggestion.focal_length_px) {
        // A camera without its own lens records one that it remembers.
        (Some(mm), None, Some(px)) if mm * 1000.0 / px < LEAST_PITCH_UM => format!(
            "    // By the Moon's size the {mm} mm recorded would make pixels of {:.2} micrometres, which no sensor has: another lens or a\n    \
             // telescope took these frames.\n    // optics: (focal_length_mm: 1000, pixel_pitch_um: 4.0),\n",
            mm * 1000.0 / px
        ),
        (Some(mm), None, Some(px)) => format!(
            "    // By the Moon's size in the frames and the {mm} mm recorded, within 7 %:\n    optics: (pixel_pitch_um: {:.2}),\n",
            mm * 1000.0 / px
        ),
        (Some(_), Some(_), _) => String::new(),
        _ => asked.to_owned(),
    }
}

fn mount(suggestion: &Suggestion) -> String {
    let (shown, all) = suggestion.steps;
    let why = match suggestion.mount {
        Mount::FixedTripod => format!("the Moon crosses them as fast as the sky turns, in {shown} of {all} steps"),
        Mount::Tracking => format!("the Moon stays, or wanders slowly and evenly, in {shown} of {all} steps"),
        Mount::ReaimedTripod => "the Moon stands elsewhere in each, as a hand aims".to_owned(),
        Mount::Unknown => {
            return "    // FixedTripod (nobody turned it), ReaimedTripod (level, re-aimed by hand) or Tracking:\n    \
                    // mount: FixedTripod,\n"
                .to_owned();
        }
    };
    format!(
        "    // By the frames: {why}. Or FixedTripod, ReaimedTripod, Tracking:\n    mount: {:?},\n",
        suggestion.mount
    )
}
