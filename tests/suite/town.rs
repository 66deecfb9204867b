//! Moonrise over a town: a burnt Moon in its own glare, and a hundred lamps that look just like it.

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

fn score(found: &Registration, truth: &Truth) -> Score {
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
        if off < 0.25 * disc.radius_px.max(2.0 * t.radius_px.unwrap()) {
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

#[test]
fn over_a_town_the_burnt_moon_is_found_and_no_lamp() {
    let folder = TempDir::new().unwrap();
    let path = root().join("tests/data/rehearsals/town.ron");
    let scenario = Scenario::parse(&path, &std::fs::read_to_string(&path).unwrap()).unwrap_or_else(|d| panic!("{d}"));
    rehearse(&scenario, folder.path(), &|_| {}).unwrap();
    let noted = folder.path().join("town");
    let truth = truth_of(&noted);
    // Pixels alone: no site, no lens, no time.
    let bare = folder.path().join("bare");
    std::fs::create_dir(&bare).unwrap();
    for t in &truth.frames {
        let picture = image::open(noted.join(&t.file)).unwrap();
        picture.save(bare.join(&t.file).with_extension("png")).unwrap();
    }
    let frames = truth.frames.len();
    for (words, folder, fewest) in [("with notes", &noted, frames), ("bare", &bare, frames * 3 / 5)] {
        let score = score(&registered(folder), &truth);
        println!(
            "town, {words}: {} of {frames} right ({} of them inferred), {} absent, wrong: {:?}",
            score.right, score.inferred, score.absent, score.wrong
        );
        assert!(score.wrong.is_empty(), "{words}: {:?}", score.wrong);
        assert!(score.right >= fewest, "{words}: {} of {frames}", score.right);
        assert!(score.inferred * 5 <= frames, "{words}: {} inferred", score.inferred);
    }
}
