//! Moonrise over a town: a clipped Moon in its own glare, and a hundred lamps that look just like it.

use crate::nights::{root, truth_of};
use moonloom::ingest::{Night, read_night};
use moonloom::registration::Registration;
use moonloom::simulate::{Scenario, Truth, rehearse};
use moonloom::solve::register;
use std::path::Path;
use tempfile::TempDir;

/// Frames whose disc stands where the Moon does, frames that show something else, and the rest.
struct Score {
    right: usize,
    wrong: Vec<String>,
    absent: usize,
    inferred: usize,
}

/// `round`: whether the disc as seen is; where blooming makes it a spindle, a circle in it may lie off its middle, and the
/// true Moon need only lie inside.
fn score(found: &Registration, truth: &Truth, round: bool) -> Score {
    let mut score = Score { right: 0, wrong: Vec::new(), absent: 0, inferred: 0 };
    for frame in &found.frames {
        let stem = |name: &str| name.split('.').next().unwrap_or_default().to_owned();
        let t = truth.frames.iter().find(|t| stem(&t.file) == stem(&frame.file)).unwrap();
        let Some(disc) = frame.disc() else {
            score.absent += 1;
            continue;
        };
        // The true disc lies inside the disc as seen, near its middle.
        let off = (disc.centre.x - t.x_px.unwrap()).hypot(disc.centre.y - t.y_px.unwrap());
        score.inferred += usize::from(frame.status() != moonloom::registration::Status::Measured);
        let moon = t.radius_px.unwrap();
        let near = 0.25 * disc.radius_px.max(2.0 * moon);
        if off < if round { near } else { near.max(disc.radius_px - moon) } {
            score.right += 1;
        } else {
            score.wrong.push(format!("{} {off:.1} px off at {:?}", frame.file, disc.centre));
        }
    }
    score
}

fn registered(folder: &Path) -> Registration {
    let night: Night = read_night(folder).unwrap().value;
    register(&night, Default::default(), &|_| {}).value
}

/// Pixels alone: no site, no lens, no time.
fn bared(noted: &Path, bare: &Path, truth: &Truth) {
    std::fs::create_dir(bare).unwrap();
    for t in &truth.frames {
        let picture = image::open(noted.join(&t.file)).unwrap();
        picture.save(bare.join(&t.file).with_extension("png")).unwrap();
    }
}

/// Clipped ten stops over: the disc as seen is three times the Moon, and the Moon inside it is told by the scale.
fn the_true_moon_is_known_inside(found: &Registration, truth: &Truth) {
    let mut worst = 0.0f64;
    for (frame, t) in found.frames.iter().zip(&truth.frames) {
        let disc = frame.disc().unwrap();
        let share = disc.moon_radius_px() / t.radius_px.unwrap() - 1.0;
        worst = worst.max(share.abs());
    }
    println!("  the Moon inside its glare: radius within {:.2} %", 100.0 * worst);
    assert!(worst < 0.02, "{worst}");
}

#[test]
fn over_a_town_the_clipped_moon_is_found_and_no_lamp() {
    let folder = TempDir::new().unwrap();
    let path = root().join("tests/data/rehearsals/town.ron");
    let scenario = Scenario::parse(&path, &std::fs::read_to_string(&path).unwrap()).unwrap_or_else(|d| panic!("{d}"));
    rehearse(&scenario, folder.path(), &|_| {}).unwrap();
    // Where blooming draws a streak through every light, fewer show a limb: a quarter may be inferred, bare half are found.
    for (rig, round, most_inferred, fewest_bare) in [("town", true, 4, 14), ("streaks", false, 6, 12)] {
        let noted = folder.path().join(rig);
        let truth = truth_of(&noted);
        let bare = folder.path().join(format!("{rig}-bare"));
        bared(&noted, &bare, &truth);
        let frames = truth.frames.len();
        for (words, folder, fewest) in [("with notes", &noted, frames), ("bare", &bare, fewest_bare)] {
            let found = registered(folder);
            let score = score(&found, &truth, round);
            println!(
                "{rig}, {words}: {} of {frames} right ({} of them inferred), {} absent, wrong: {:?}",
                score.right, score.inferred, score.absent, score.wrong
            );
            assert!(score.wrong.is_empty(), "{rig} {words}: {:?}", score.wrong);
            assert!(score.right >= fewest, "{rig} {words}: {} of {frames}", score.right);
            assert!(score.inferred <= most_inferred, "{rig} {words}: {} inferred", score.inferred);
            if folder == &noted {
                the_true_moon_is_known_inside(&found, &truth);
            }
        }
    }
}
