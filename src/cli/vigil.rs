//! `moonloom vigil`: look at each frame as it is taken, and say what to change.
//!
//! The folder is asked a few times a second what is new in it: that works on network shares and cards, where a system's own
//! notices do not reach.

use super::outcome::{Failure, Outcome, say, tell};
use super::values::{site, wrong};
use clap::Args;
use moonloom::diag::Warned;
use moonloom::ingest::{NightError, read_night};
use moonloom::sky::eclipse_near;
use moonloom::units::Instant;
use moonloom::vigil::{Advice, FrameReport, Said, Urgency, Vigil, Wishes};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::io::{IsTerminal, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant as Moment, SystemTime};

/// Look at each frame as it is taken, and say what to change.
///
/// The folder is the one that a tethered camera or a wireless card fills. Nothing is written into it, and no camera is
/// controlled. Ctrl-C ends it.
#[derive(Args)]
pub struct VigilArgs {
    /// The folder that fills with frames
    folder: PathBuf,
    /// The site, where no shoot.ron beside the frames says it: latitude and longitude in degrees
    #[arg(long, value_name = "LAT,LON[,ELEV]", allow_hyphen_values = true)]
    site: Option<String>,
    /// The eclipse of this UTC date (default: the one nearest to the frames)
    #[arg(long, value_name = "YYYY-MM-DD")]
    eclipse: Option<String>,
    /// How far a disc may trail during an exposure, pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 2.0, value_parser = trail)]
    trail: f64,
    /// Judge the frames that are there, in the order of their times, and end
    #[arg(long)]
    once: bool,
    /// How many times faster than real a rehearsal's frames come (`rehearse --pace`)
    #[arg(long, value_name = "TIMES", default_value_t = 1.0, value_parser = pace)]
    pace: f64,
    /// One JSON document a line
    #[arg(long)]
    json: bool,
    /// Append every line to a file as well
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Ring the terminal's bell with each urgent advice
    #[arg(long)]
    bell: bool,
}

fn trail(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (0.1..=1000.0).contains(v)).ok_or_else(|| "0.1 to 1000".to_owned())
}

/// A pace, as many times real time.
pub fn pace(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (0.1..=100_000.0).contains(v)).ok_or_else(|| "0.1 to 100000".to_owned())
}

/// Between two looks into the folder.
const PAUSE: Duration = Duration::from_millis(250);
/// A file that has not grown for so long is whole if its end is there.
const STANDS: Duration = Duration::from_millis(240);
/// A file that does not grow, and still lacks its end, is given up after this.
const PATIENCE: Duration = Duration::from_secs(10);

pub fn run(args: &VigilArgs) -> Outcome {
    if !args.folder.is_dir() {
        return Err(wrong(format!("{} is no folder", args.folder.display()), "name the folder that fills with frames"));
    }
    let eclipse = args.eclipse.as_deref().map(|date| {
        let noon = Instant::parse_utc(&format!("{date}T12:00:00Z")).ok();
        let near =
            |noon: &Instant| eclipse_near(*noon).filter(|e| e.greatest().seconds_since(*noon).abs() < 1.5 * 86_400.0);
        noon.as_ref().and_then(near).ok_or_else(|| {
            wrong(format!("there is no lunar eclipse near {date}"), "`moonloom plan --list 2025..2035` lists them")
        })
    });
    let wishes = Wishes {
        observer: args.site.as_deref().map(site).transpose()?,
        eclipse: eclipse.transpose()?,
        trail_px: Some(args.trail),
    };
    let log = args.log.as_deref().map(open_log).transpose()?;
    let mut watch = Watch {
        args,
        vigil: Vigil::new(wishes),
        speaker: Speaker::new(args, log),
        taken: BTreeSet::new(),
        refused: BTreeMap::new(),
    };
    watch.take_what_is_there()?;
    if args.once {
        return Ok(());
    }
    say(&format!("watching {}; interrupt to end", args.folder.display()));
    watch.go_on()
}

fn open_log(path: &Path) -> Result<std::fs::File, Failure> {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    if !["log", "txt", "jsonl"].contains(&ending.as_str()) {
        return Err(wrong(format!("{} is no name of a log", path.display()), "end it in .log, .txt or .jsonl"));
    }
    std::fs::OpenOptions::new().append(true).create(true).open(path).map_err(|e| Failure::reading(path, &e))
}

/// A file's length and when it was changed.
type Look = (u64, Option<SystemTime>);

fn look_of(path: &Path) -> Option<Look> {
    let meta = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?;
    Some((meta.len(), meta.modified().ok()))
}

/// How a file looked when it was last asked, and since when it looks so.
struct Growing {
    look: Look,
    since: Moment,
}

struct Watch<'a> {
    args: &'a VigilArgs,
    vigil: Vigil,
    speaker: Speaker<'a>,
    /// Names without their endings: of a raw file and its JPEG one is enough.
    taken: BTreeSet<String>,
    /// What could not be taken as it was: looked at again when it changes.
    refused: BTreeMap<PathBuf, Look>,
}

impl Watch<'_> {
    /// The frames that are there already, by their times.
    fn take_what_is_there(&mut self) -> Outcome {
        // What was to be said of frames that were taken before this began is past.
        self.speaker.catches_up = !self.args.once;
        match read_night(&self.args.folder) {
            Ok(Warned { value: night, diagnostics }) => {
                tell(&diagnostics);
                for frame in &night.frames {
                    self.take(&frame.path);
                }
            }
            Err(NightError::Empty { .. }) => {}
            Err(e) if self.args.once => return Err(e.into()),
            Err(e) => drop(tell(&[*Failure::from(e).diagnostic])),
        }
        self.speaker.catches_up = false;
        let standing = self.vigil.standing().into_iter().cloned().collect();
        if !self.args.once {
            self.speaker.say(&Said { advice: standing, settled: Vec::new() });
        }
        Ok(())
    }

    /// Whether it was a frame.
    fn take(&mut self, path: &Path) -> bool {
        if self.taken.contains(&stem(path)) {
            return false;
        }
        let before = look_of(path);
        match self.vigil.take(path) {
            Ok(report) => {
                self.taken.insert(stem(path));
                self.speaker.frame(&report, &self.vigil);
                return report.utc.is_some();
            }
            // Nothing that this program composed, no notes and no text is a frame.
            Err(NightError::Empty { .. }) => {}
            Err(e) => drop(tell(&[*Failure::from(e).diagnostic])),
        }
        self.refused.extend(before.map(|look| (path.to_owned(), look)));
        false
    }

    /// Waits for frames, and takes each when it is whole.
    fn go_on(&mut self) -> Outcome {
        let mut growing: BTreeMap<PathBuf, Growing> = BTreeMap::new();
        let mut last: Option<(Instant, Moment)> = None;
        let notes = self.args.folder.join("shoot.ron");
        let mut notes_look = look_of(&notes);
        loop {
            // With other notes what was refused may do.
            if look_of(&notes) != notes_look {
                notes_look = look_of(&notes);
                self.refused.clear();
            }
            let mut whole = Vec::new();
            let there = new_files(&self.args.folder, &self.taken);
            growing.retain(|path, _| there.iter().any(|(p, _)| p == path));
            for (path, look) in there.into_iter().filter(|(path, look)| self.refused.get(path) != Some(look)) {
                match growing.get(&path) {
                    Some(g) if g.look == look => {
                        let stood = g.since.elapsed();
                        if look.0 > 0 && (stood > PATIENCE || (stood >= STANDS && has_its_end(&path))) {
                            whole.push((look.1, path));
                        }
                    }
                    _ => drop(growing.insert(path, Growing { look, since: Moment::now() })),
                }
            }
            whole.sort();
            for (_, path) in whole {
                growing.remove(&path);
                if self.take(&path) {
                    last = self.speaker.last.map(|at| (at, Moment::now()));
                }
            }
            if let Some((at, arrived)) = last {
                let now = at.plus_seconds(arrived.elapsed().as_secs_f64() * self.args.pace);
                let said = self.vigil.wait(now);
                self.speaker.waiting(&said, &self.vigil);
            }
            std::thread::sleep(PAUSE);
        }
    }
}

/// A file's name without its ending.
fn stem(path: &Path) -> String {
    path.file_stem().map(|s| s.to_string_lossy().to_lowercase()).unwrap_or_default()
}

/// Endings of what lies beside frames and is none.
const BESIDE: [&str; 8] = ["ron", "csv", "json", "txt", "xmp", "tmp", "part", "log"];

/// Files that were not taken yet, and how each looks.
fn new_files(folder: &Path, taken: &BTreeSet<String>) -> Vec<(PathBuf, Look)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter_map(|entry| {
            let path = entry.path();
            let name = path.file_name()?.to_string_lossy().into_owned();
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            let look = look_of(&path)?;
            let is_new = !name.starts_with('.') && !BESIDE.contains(&ending.as_str()) && !taken.contains(&stem(&path));
            is_new.then_some((path, look))
        })
        .collect()
}

/// Whether a file's end is there: of a JPEG its last marker behind its scan (ITU-T T.81, B.1.1.3; a small picture in its record
/// has one of its own), of anything else that it has not been changed for two seconds.
fn has_its_end(path: &Path) -> bool {
    const STILL: Duration = Duration::from_secs(2);
    let Ok(bytes) = std::fs::read(path) else { return false };
    let Some(mut rest) = bytes.strip_prefix(&[0xff, 0xd8]) else {
        let changed = std::fs::metadata(path).and_then(|m| m.modified()).ok().and_then(|t| t.elapsed().ok());
        return changed.is_none_or(|age| age >= STILL);
    };
    // Segment by segment to where the scan starts.
    loop {
        let [0xff, marker, high, low, ..] = *rest else { return false };
        let length = 2 + usize::from(u16::from_be_bytes([high, low]));
        let Some(after) = rest.get(length..) else { return false };
        rest = after;
        if marker == 0xda {
            break;
        }
    }
    rest.windows(2).any(|w| w == [0xff, 0xd9])
}

/// Says what is to be said: on a terminal as a screen, elsewhere a line at a time.
struct Speaker<'a> {
    args: &'a VigilArgs,
    log: Option<std::fs::File>,
    on_screen: bool,
    /// Lines of the last frames, for the screen.
    lines: Vec<String>,
    standing: Vec<Advice>,
    /// The instant of the last frame.
    last: Option<Instant>,
    /// Whether the frames are of before: their lines are shown, advice comes after them.
    catches_up: bool,
}

impl<'a> Speaker<'a> {
    fn new(args: &'a VigilArgs, log: Option<std::fs::File>) -> Self {
        let on_screen = !args.json && !args.once && std::io::stdout().is_terminal();
        Speaker { args, log, on_screen, lines: Vec::new(), standing: Vec::new(), last: None, catches_up: false }
    }

    fn frame(&mut self, report: &FrameReport, vigil: &Vigil) {
        self.last = report.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok()).or(self.last);
        self.standing = vigil.standing().into_iter().cloned().collect();
        if self.args.json {
            self.put(&serde_json::to_string(report).unwrap_or_default());
        } else {
            self.put(&line_of(report));
        }
        self.say(&report.said);
    }

    fn waiting(&mut self, said: &Said, vigil: &Vigil) {
        if said.advice.is_empty() {
            return;
        }
        if self.args.json {
            let document = serde_json::json!({ "schema": "moonloom-vigil-1", "said": said });
            self.put(&document.to_string());
        }
        self.standing = vigil.standing().into_iter().cloned().collect();
        self.say(said);
    }

    /// Advice in words: a line each.
    fn say(&mut self, said: &Said) {
        if self.args.bell && !self.catches_up && said.advice.iter().any(|a| a.urgency == Urgency::Now) {
            let _ = std::io::stderr().write_all(b"\x07");
        }
        if self.args.json || self.catches_up {
            return;
        }
        for advice in &said.advice {
            let mark = if advice.urgency == Urgency::Now { "!!" } else { "! " };
            self.put(&format!("{mark} {}", advice.text));
        }
        for advice in &said.settled {
            self.put(&format!("-- no longer: {}", advice.text));
        }
        if self.on_screen {
            self.draw();
        }
    }

    fn put(&mut self, line: &str) {
        if let Some(log) = &mut self.log {
            let _ = writeln!(log, "{line}");
        }
        if self.on_screen {
            self.lines.push(line.to_owned());
            return;
        }
        let mut out = std::io::stdout().lock();
        // Somebody who no longer listens ends it.
        if writeln!(out, "{line}").and_then(|()| out.flush()).is_err() {
            std::process::exit(0);
        }
    }

    /// The screen: what to do, the most urgent first, and the last frames below. Red spares eyes that are used to the dark.
    fn draw(&mut self) {
        const SHOWN: usize = 14;
        let plain = std::env::var_os("NO_COLOR").is_some();
        let (red, bold, end) = if plain { ("", "", "") } else { ("\x1b[31m", "\x1b[1;31m", "\x1b[0m") };
        let mut screen = String::from("\x1b[2J\x1b[H");
        match self.standing.first() {
            Some(first) => {
                let _ = writeln!(screen, "\n  {bold}{}{end}\n", first.text);
                for advice in self.standing.iter().skip(1).take(3) {
                    let _ = writeln!(screen, "  {red}{}{end}", advice.text);
                }
            }
            None => screen.push_str(&format!("\n  {red}nothing to change{end}\n")),
        }
        screen.push('\n');
        let from = self.lines.len().saturating_sub(SHOWN);
        self.lines.drain(..from);
        for line in &self.lines {
            let _ = writeln!(screen, "  {red}{line}{end}");
        }
        let mut out = std::io::stdout().lock();
        let _ = out.write_all(screen.as_bytes()).and_then(|()| out.flush());
    }
}

/// A frame on a line.
fn line_of(r: &FrameReport) -> String {
    let mut line = format!("{} {}", r.local.as_deref().unwrap_or("--:--"), r.file);
    match (r.centre_px, r.radius_px) {
        (Some((x, y)), Some(radius)) => {
            let _ = write!(line, "  Moon ({x:.0}, {y:.0}) r {radius:.0}");
        }
        _ => {
            let _ = write!(line, "  {}", r.reason.as_deref().unwrap_or("no Moon"));
        }
    }
    if let Some(share) = r.umbral_fraction.filter(|u| *u > 0.0) {
        let _ = write!(line, "  umbra {:.0} %", 100.0 * share);
    }
    if let Some((width, best)) = r.edge_width_px.zip(r.best_edge_width_px) {
        let _ = write!(line, "  limb {width:.1} px (best {best:.1})");
    }
    if let Some(clipped) = r.clipped_share.filter(|c| *c > 0.001) {
        let _ = write!(line, "  clipped {:.0} %", 100.0 * clipped);
    }
    if let Some(bright) = r.bright_part.filter(|b| *b > 0.0) {
        let _ = write!(line, "  light {:+.1} stops", bright.log2());
    }
    if let Some(minutes) = r.leaves_in_minutes {
        let _ = write!(line, "  leaves in {minutes:.0} min");
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jpeg_that_is_still_written_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("f.jpg");
        // A record that holds a small picture with an end of its own, a scan, and its end.
        let (record, scan) = ([0xff, 0xe1, 0, 6, 0xff, 0xd8, 0xff, 0xd9], [0xff, 0xda, 0, 2, 1, 2, 3]);
        let begun = [&[0xff, 0xd8][..], &record, &scan].concat();
        for length in 0..begun.len() {
            std::fs::write(&path, &begun[..length]).unwrap();
            assert!(length < 2 || !has_its_end(&path), "after {length} bytes");
        }
        std::fs::write(&path, [&begun[..], &[0xff, 0xd9, 0, 0]].concat()).unwrap();
        assert!(has_its_end(&path));
        std::fs::write(&path, b"II*\0").unwrap();
        assert!(!has_its_end(&path), "it has just been written");
        let old = SystemTime::now() - Duration::from_secs(3);
        std::fs::File::options().write(true).open(&path).unwrap().set_modified(old).unwrap();
        assert!(has_its_end(&path));
        assert!(!has_its_end(&folder.path().join("gone.jpg")));
        let taken = BTreeSet::from(["f".to_owned()]);
        std::fs::write(folder.path().join("F.DNG"), b"raw").unwrap();
        std::fs::write(folder.path().join("g.jpg"), b"").unwrap();
        std::fs::write(folder.path().join(".h.jpg"), b"").unwrap();
        let new = new_files(folder.path(), &taken);
        assert_eq!(new.iter().map(|n| stem(&n.0)).collect::<Vec<_>>(), ["g"], "a pair is one frame");
    }
}
