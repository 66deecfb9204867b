//! Runs that are killed, disks that are full, frames that go away while they are used.

#![cfg(unix)]

use crate::nights::{copy_of_small_night, moonloom, numbers, small_night, stderr, text};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

fn grid(folder: &Path) -> PathBuf {
    let path = folder.join("grid.ron");
    let layout =
        "(version: 2, canvas: (width: 900, height: 900, margin: 20), arrangement: PhaseGrid(columns: 3, rows: 3))";
    std::fs::write(&path, layout).unwrap();
    path
}

/// What lies in a folder beside some names.
fn others(folder: &Path, known: &[&str]) -> Vec<String> {
    let names = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned());
    names.filter(|n| !known.contains(&n.as_str())).collect()
}

/// Runs the program where no file may grow beyond so many blocks of 512 bytes: writing more fails as on a full disk.
fn on_a_full_disk(blocks: usize, args: &[&str]) -> Output {
    Command::new("sh")
        .args(["-c", &format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\""), env!("CARGO_BIN_EXE_moonloom")])
        .args(args)
        .output()
        .unwrap()
}

#[test]
fn a_full_disk_leaves_the_earlier_file_and_nothing_else() {
    let folder = TempDir::new().unwrap();
    let (layout, out, cache) = (grid(folder.path()), folder.path().join("p.tif"), folder.path().join("cache"));
    let args = ["compose", text(&layout), text(small_night()), "--out", text(&out), "--cache", text(&cache)];
    // With all the room it takes, for how much that is and for a cache that is warm.
    assert!(moonloom(&args).status.success());
    let whole = std::fs::read(&out).unwrap();
    let blocks = whole.len() / 512;
    assert!(blocks > 100, "the picture is too small to tell anything");
    for room in [0, 1, blocks / 3, blocks - 1] {
        std::fs::write(&out, "an earlier picture").unwrap();
        let run = on_a_full_disk(room, &args);
        assert_eq!(run.status.code(), Some(3), "{room} blocks: {}", stderr(&run));
        assert!(stderr(&run).contains("p.tif") && stderr(&run).contains("help:"), "{}", stderr(&run));
        assert_eq!(std::fs::read_to_string(&out).unwrap(), "an earlier picture", "{room} blocks");
        assert!(others(folder.path(), &["grid.ron", "p.tif", "cache"]).is_empty());
    }
    // A cache that cannot be written is no fault of the picture's.
    std::fs::remove_dir_all(&cache).unwrap();
    let run = on_a_full_disk(blocks + 2, &args);
    assert!(run.status.success(), "{}", stderr(&run));
    assert!(std::fs::read(&out).unwrap() == whole);
    let registration = folder.path().join("r.ron");
    let run = on_a_full_disk(1, &["register", text(small_night()), "--out", text(&registration)]);
    assert_eq!(run.status.code(), Some(3), "{}", stderr(&run));
    assert!(!registration.exists());
}

#[test]
fn frames_that_go_away_are_named_and_the_others_drawn() {
    let folder = copy_of_small_night();
    let at = |name: &str| folder.path().join(name);
    let (registration, out) = (at("r.ron"), at("p.png"));
    assert!(moonloom(&["register", text(folder.path()), "--out", text(&registration)]).status.success());
    std::fs::remove_file(at("n0003.jpg")).unwrap();
    std::fs::remove_file(at("n0005.jpg")).unwrap();
    assert!(Command::new("mkfifo").arg(at("n0005.jpg")).status().unwrap().success());
    let run = moonloom(&["compose", text(&grid(folder.path())), text(&registration), "--out", text(&out), "--json"]);
    assert!(run.status.success(), "{}", stderr(&run));
    for name in ["n0003.jpg", "n0005.jpg"] {
        assert!(stderr(&run).contains(name), "{name}: {}", stderr(&run));
    }
    assert!(String::from_utf8_lossy(&run.stdout).contains("n0004.jpg"));
}

#[test]
fn ten_thousand_files_beside_the_frames_are_passed_over() {
    let folder = copy_of_small_night();
    for i in 0..10_000 {
        std::fs::write(folder.path().join(format!("note-{i}.txt")), "a word").unwrap();
    }
    let start = Instant::now();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    assert!(run.status.success(), "{}", stderr(&run));
    // No promise of speed: a stop for what grows with the square of their number.
    assert!(start.elapsed() < Duration::from_secs(60));
}

#[test]
#[ignore = "ten minutes; its last result stands in DEVELOPERS.md"]
fn killed_at_any_moment_nothing_is_half_written() {
    let folder = TempDir::new().unwrap();
    let (layout, cache) = (grid(folder.path()), folder.path().join("cache"));
    let (picture, registration) = (folder.path().join("p.tif"), folder.path().join("r.ron"));
    let compose = ["compose", text(&layout), text(small_night()), "--out", text(&picture), "--cache", text(&cache)];
    let register = ["register", text(small_night()), "--out", text(&registration)];
    let timed = |args: &[&str]| {
        let start = Instant::now();
        assert!(moonloom(args).status.success());
        start.elapsed()
    };
    let (lasting, registering) = (timed(&compose), timed(&register));
    let (whole, text_of) = (std::fs::read(&picture).unwrap(), std::fs::read(&registration).unwrap());
    let mut random = numbers(0x5eed);
    let mut moment = move || (random() % 1000) as f64 / 1000.0;
    let (mut killed, mut replaced) = (0, 0);
    for round in 0..300 {
        // Two out of three compose, every other of them from nothing kept: then the cache is being written.
        let (args, lasts, target, complete): (&[&str], _, _, _) = match round % 3 {
            2 => (&register, registering, &registration, &text_of),
            _ => (&compose, lasting, &picture, &whole),
        };
        if round % 3 == 0 {
            let _ = std::fs::remove_dir_all(&cache);
        }
        std::fs::write(target, "an earlier file").unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_moonloom"))
            .env("XDG_CACHE_HOME", folder.path().join("user"))
            .args(args)
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(lasts.mul_f64(1.1 * moment()));
        // SIGKILL: nothing can be done about it at that moment.
        let _ = child.kill();
        killed += usize::from(child.wait().unwrap().code().is_none());
        let left = std::fs::read(target).unwrap();
        assert!(left == b"an earlier file" || left == *complete, "round {round}: {} bytes", left.len());
        replaced += usize::from(left == *complete);
    }
    println!("300 runs, {killed} of them killed; {replaced} targets replaced, each by the whole file");
    // Whatever is kept by now, the picture is the same.
    assert!(moonloom(&compose).status.success());
    assert!(std::fs::read(&picture).unwrap() == whole);
}
