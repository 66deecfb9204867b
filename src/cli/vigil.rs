//! `moonloom vigil`: look at each frame as it is taken, and say what to change.
//!
//! The folder is asked a few times a second what is new in it: that works on network shares and cards, where a system's own
//! notices do not reach.

mod arrivals;
mod speaker;

use super::outcome::{Failure, Outcome, say, tell};
use super::values::{site, wrong};
use arrivals::{FileState, has_its_end, new_files, state_of, stem};
use clap::Args;
use moonloom::diag::Warned;
use moonloom::ingest::{NightError, read_night};
use moonloom::sky::eclipse_within;
use moonloom::units::Instant;
use moonloom::vigil::{Said, Vigil, Wishes};
use speaker::Speaker;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant as Moment};

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
        noon.and_then(|noon| eclipse_within(noon, 1.5)).ok_or_else(|| {
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

/// The state of a file when it was last asked, and since when it is so.
struct Growing {
    state: FileState,
    since: Moment,
}

/// Since when a file is as it is, by this machine's clock.
fn since(growing: &Growing) -> Instant {
    let now = Instant::from_utc(jiff::Timestamp::now());
    now.plus_seconds(-growing.since.elapsed().as_secs_f64())
}

struct Watch<'a> {
    args: &'a VigilArgs,
    vigil: Vigil,
    speaker: Speaker<'a>,
    /// Names without their endings: of a raw file and its JPEG one is enough.
    taken: BTreeSet<String>,
    /// What could not be taken as it was: looked at again when it changes.
    refused: BTreeMap<PathBuf, FileState>,
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
                    self.take(&frame.path, None);
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
    fn take(&mut self, path: &Path, arrived: Option<Instant>) -> bool {
        if self.taken.contains(&stem(path)) {
            return false;
        }
        let before = state_of(path);
        match self.vigil.take(path, arrived) {
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
        let mut notes_state = state_of(&notes);
        loop {
            // With other notes what was refused may do.
            if state_of(&notes) != notes_state {
                notes_state = state_of(&notes);
                self.refused.clear();
            }
            let mut whole = Vec::new();
            let there = new_files(&self.args.folder, &self.taken);
            growing.retain(|path, _| there.iter().any(|(p, _)| p == path));
            for (path, look) in there.into_iter().filter(|(path, look)| self.refused.get(path) != Some(look)) {
                match growing.get(&path) {
                    Some(g) if g.state == look => {
                        let stood = g.since.elapsed();
                        if look.0 > 0 && (stood > PATIENCE || (stood >= STANDS && has_its_end(&path))) {
                            whole.push((look.1, path));
                        }
                    }
                    _ => drop(growing.insert(path, Growing { state: look, since: Moment::now() })),
                }
            }
            whole.sort();
            for (_, path) in whole {
                let arrived = growing.remove(&path).filter(|_| self.args.pace == 1.0).map(|g| since(&g));
                if self.take(&path, arrived) {
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
