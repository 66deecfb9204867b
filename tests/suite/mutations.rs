//! Texts and files that no person wrote: real ones, changed at random, never end a run by a panic, and never take for ever.
//!
//! Every run makes the same changes (the seeds are fixed). The short runs belong to the suite; `cargo test mutations --
//! --ignored` goes on for ten minutes, and `DEVELOPERS.md` keeps what it found.

use crate::nights::{numbers, root, sample, small_night};
use crate::spoilt::with_thumbnail;
use moonloom::compose::plan_picture;
use moonloom::detect::find_in_picture;
use moonloom::ingest::{Night, ShootNotes, decode_brightness, open_frame, parse_response, read_metadata, read_night};
use moonloom::layout::Layout;
use moonloom::raster::PixelRect;
use moonloom::registration::{Registration, read_registration, registration_text};
use moonloom::simulate::Scenario;
use moonloom::solve::register;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Changes of texts and bytes.
struct Mutator(Box<dyn FnMut() -> u64>);

/// What stands where numbers and words stand, and should not.
const STRANGE: [&str; 24] = [
    "0",
    "-1",
    "1",
    "1e308",
    "-1e308",
    "1e9",
    "60000",
    "0.0000001",
    "NaN",
    "inf",
    "18446744073709551615",
    "\"\"",
    "()",
    "[]",
    "[[[[",
    "))))",
    "Some(",
    "\"\\u{0}\"",
    "\"%Y%Y%Y{local:%H%M%S%f}\"",
    "true",
    "'",
    "/*",
    "r#\"",
    "\u{feff}",
];

impl Mutator {
    fn next(&mut self, below: usize) -> usize {
        ((self.0)() % below.max(1) as u64) as usize
    }

    /// Places where a word or a number begins or ends.
    fn words(text: &str) -> Vec<std::ops::Range<usize>> {
        let mut out: Vec<std::ops::Range<usize>> = Vec::new();
        for (at, c) in text.char_indices() {
            let is_word = c.is_alphanumeric() || matches!(c, '.' | '-' | '_' | '%');
            match out.last_mut() {
                Some(last) if is_word && last.end == at => last.end = at + c.len_utf8(),
                _ if is_word => out.push(at..at + c.len_utf8()),
                _ => {}
            }
        }
        out
    }

    fn text(&mut self, text: &str) -> String {
        let mut out = text.to_owned();
        for _ in 0..1 + self.next(3) {
            let words = Self::words(&out);
            if words.is_empty() {
                return out;
            }
            let (a, b) = (words[self.next(words.len())].clone(), words[self.next(words.len())].clone());
            match self.next(5) {
                0 | 1 => out.replace_range(a, STRANGE[self.next(STRANGE.len())]),
                2 => out.replace_range(a, text.get(b).unwrap_or("x")),
                3 => {
                    let (from, to) = (a.start.min(b.start), a.end.max(b.end).min(a.start.min(b.start) + 400));
                    let to = (to..out.len()).find(|t| out.is_char_boundary(*t)).unwrap_or(out.len());
                    out.replace_range(from..to, "");
                }
                _ => {
                    let piece = out[a.start.min(b.start)..a.end.max(b.end)].chars().take(400).collect::<String>();
                    out.insert_str(a.start, &piece);
                }
            }
        }
        out
    }

    fn bytes(&mut self, bytes: &[u8], other: &[u8]) -> Vec<u8> {
        let mut out = bytes.to_vec();
        for _ in 0..1 + self.next(4) {
            // Headers tell a decoder what to do: most changes are there.
            let reach = if self.next(3) == 0 { out.len() } else { out.len().min(600) };
            let at = self.next(reach);
            match self.next(6) {
                5 => {
                    // A piece of another file, or of this one once more.
                    let from = self.next(other.len());
                    let piece = other[from..(from + 1 + self.next(300)).min(other.len())].to_vec();
                    drop(out.splice(at..at, piece));
                }
                0 => out[at] ^= 1 << self.next(8),
                1 => out[at] = [0, 1, 0x7f, 0x80, 0xff][self.next(5)],
                2 => out.truncate(at.max(1)),
                3 => {
                    let end = (at + 1 + self.next(64)).min(out.len());
                    out.drain(at..end);
                    if out.is_empty() {
                        out.push(0);
                    }
                }
                _ => {
                    let end = (at + 4).min(out.len());
                    out[at..end].fill(if self.next(2) == 0 { 0xff } else { 0 });
                }
            }
        }
        out
    }
}

fn the_night() -> &'static (Night, Registration) {
    static NIGHT: OnceLock<(Night, Registration)> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let night = read_night(small_night()).expect("the night is read").value;
        let registration = register(&night, Default::default(), &|_| {}).value;
        (night, registration)
    })
}

/// What one kind of text or file is read by; gives whether it was accepted.
type Reader = fn(&str) -> bool;

fn layout(text: &str) -> bool {
    let (night, registration) = the_night();
    let (layout, faults) = Layout::examine(Path::new("layouts/mutated.ron"), text);
    assert!(faults.iter().all(|f| f.to_string().len() < 20_000), "a fault is said in more than anybody reads");
    faults.is_empty() && layout.is_some_and(|l| plan_picture(&l, night, registration, Some(400)).is_ok())
}

fn texts() -> Vec<(String, String, Reader)> {
    let read = |path: PathBuf| std::fs::read_to_string(path).expect("it is there");
    let mut out: Vec<(String, String, Reader)> = Vec::new();
    let mut layouts: Vec<PathBuf> =
        std::fs::read_dir(root().join("layouts")).unwrap().map(|e| e.unwrap().path()).collect();
    layouts.retain(|p| p.extension().is_some_and(|e| e == "ron"));
    layouts.sort();
    for path in layouts {
        out.push((path.display().to_string(), read(path), layout));
    }
    let notes: Reader = |text| ShootNotes::parse(Path::new("shoot.ron"), text).is_ok();
    out.push(("shoot.ron".into(), read(sample("wide").join("shoot.ron")), notes));
    let (_, registration) = the_night();
    let registered = registration_text(registration, ".", "0").unwrap();
    out.push(("registration".into(), registered, |text| read_registration(Path::new("r.ron"), text).is_ok()));
    let response = "value,red,green,blue\n0,0,0,0\n0.5,0.2,0.2,0.2\n1,1,1,1\n";
    out.push(("response".into(), response.into(), |text| parse_response(Path::new("r.csv"), text).is_ok()));
    let rehearsal = read(root().join("tests/data/rehearsals/town.ron"));
    let table = "file,utc,exposure_s,aperture,iso,focal_length_mm,label_offset\na.png,2028-12-31T16:52:00Z,0.01,8,400,600,+08:00\nb.png,,0.03,,,,\n";
    out.push(("frames.csv".into(), table.into(), |text| {
        static FOLDER: OnceLock<TempDir> = OnceLock::new();
        let folder = FOLDER.get_or_init(|| {
            let folder = TempDir::new().unwrap();
            for name in ["a.png", "b.png"] {
                image::GrayImage::new(8, 8).save(folder.path().join(name)).unwrap();
            }
            folder
        });
        std::fs::write(folder.path().join("frames.csv"), text).unwrap();
        read_night(folder.path()).is_ok()
    }));
    out.push(("rehearsal".into(), rehearsal, |text| Scenario::parse(Path::new("t.ron"), text).is_ok()));
    out
}

/// Changes texts for a number of rounds or a time; every one must be read or refused in a moment.
fn texts_are_read_or_refused(seed: u64, rounds: usize, until: Duration) {
    let (texts, start) = (texts(), Instant::now());
    let (mut mutator, mut accepted, mut all) = (Mutator(Box::new(numbers(seed))), 0, 0);
    while all < rounds && start.elapsed() < until {
        for (name, whole, reader) in &texts {
            let text = mutator.text(whole);
            let before = Instant::now();
            let read = catch_unwind(AssertUnwindSafe(|| reader(&text)));
            let took = before.elapsed();
            assert!(read.is_ok(), "{name} panics:\n{text}");
            // No promise of speed: a stop for what would never end.
            assert!(took < Duration::from_secs(20), "{name} takes {took:?}:\n{text}");
            accepted += usize::from(read.unwrap_or(false));
            all += 1;
        }
    }
    println!("{all} changed texts: {accepted} accepted, none ended a run ({:.0} s)", start.elapsed().as_secs_f64());
    assert!(accepted > all / 100, "the changes are so coarse that nothing is read");
}

fn files() -> Vec<PathBuf> {
    let mut out: Vec<PathBuf> = std::fs::read_dir(root().join("tests/data/frames"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e != "py" && e != "md" && e != "csv"))
        .filter(|p| p.metadata().is_ok_and(|m| m.len() < 400_000))
        .collect();
    out.push(small_night().join("n0003.jpg"));
    out.sort();
    out
}

/// Changes files; each is decoded or refused.
fn files_are_decoded_or_refused(seed: u64, rounds: usize, until: Duration) {
    let folder = TempDir::new().unwrap();
    let mut files: Vec<(PathBuf, Vec<u8>)> =
        files().into_iter().map(|p| (p.clone(), std::fs::read(p).unwrap())).collect();
    // With a small picture in its record.
    let jpeg = std::fs::read(small_night().join("n0004.jpg")).unwrap();
    let picture = image::load_from_memory(&jpeg).unwrap();
    files.push(("with-thumbnail.jpg".into(), with_thumbnail(&jpeg, &picture)));
    let start = Instant::now();
    let (mut mutator, mut decoded, mut all) = (Mutator(Box::new(numbers(seed))), 0, 0);
    while all < rounds && start.elapsed() < until {
        for (path, whole) in &files {
            let name = path.file_name().unwrap();
            let changed = folder.path().join(name);
            let other = mutator.next(files.len());
            std::fs::write(&changed, mutator.bytes(whole, &files[other].1)).unwrap();
            let before = Instant::now();
            let read = catch_unwind(AssertUnwindSafe(|| {
                let recorded = read_metadata(&changed).is_ok();
                let light = open_frame(&changed, &Default::default()).map(|frame| {
                    let (width, height) = frame.size();
                    frame.light(PixelRect { x0: -3, y0: 2, x1: width.min(40) as i64, y1: height.min(50) as i64 })
                });
                let seen = decode_brightness(&changed, &Default::default());
                // Larger ones are searched elsewhere.
                if let Some(plane) = seen.as_ref().ok().filter(|p| p.width() * p.height() < 400_000) {
                    let _ = find_in_picture(plane);
                }
                recorded && light.is_ok() && seen.is_ok()
            }));
            if read.is_err() {
                let kept = std::env::temp_dir().join(name);
                std::fs::copy(&changed, &kept).unwrap();
                panic!("{} panics; it is kept as {}", path.display(), kept.display());
            }
            // No promise of speed: a stop for what would never end.
            assert!(before.elapsed() < Duration::from_secs(60), "{} takes {:?}", path.display(), before.elapsed());
            decoded += usize::from(read.unwrap_or(false));
            all += 1;
        }
    }
    println!("{all} changed files: {decoded} decoded, none ended a run ({:.0} s)", start.elapsed().as_secs_f64());
    assert!(decoded > all / 100, "the changes are so coarse that nothing is decoded");
}

#[test]
fn changed_texts_are_read_or_refused() {
    texts_are_read_or_refused(1, 700, Duration::from_secs(30));
}

#[test]
fn changed_files_are_decoded_or_refused() {
    files_are_decoded_or_refused(2, 300, Duration::from_secs(30));
}

#[test]
#[ignore = "ten minutes; its last result stands in DEVELOPERS.md"]
fn changed_texts_are_read_or_refused_at_length() {
    texts_are_read_or_refused(31, usize::MAX, Duration::from_secs(600));
}

#[test]
#[ignore = "ten minutes; its last result stands in DEVELOPERS.md"]
fn changed_files_are_decoded_or_refused_at_length() {
    files_are_decoded_or_refused(32, usize::MAX, Duration::from_secs(600));
}
