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

/// A tower's clock, lit, of the Moon's size, under two of six aims of a hand; the Moon goes the sky's way past it, half in shadow. Painted here,
/// with no site: nothing but the pixels and the times say which is the Moon.
#[test]
fn a_clock_of_the_moons_size_stands_still_between_two_aims_and_is_none() {
    let (width, height, radius) = (900u32, 600u32, 17.0);
    let folder = TempDir::new().unwrap();
    let mut table = String::from("file,utc,exposure_s\n");
    let mut moons: Vec<(String, f64, f64)> = Vec::new();
    for i in 0..32u32 {
        // Five minutes apart the sky goes on by 82 px; the camera was aimed anew before every seventh frame.
        let (aim, k) = (i / 6, f64::from(i % 6));
        let moon = (140.3 + 76.2 * k + 11.0 * f64::from(aim), 90.6 + 30.4 * k);
        let clock = [None, Some((690.4, 470.7)), None, Some((250.2, 480.3)), None, None][aim as usize];
        let picture = image::RgbImage::from_fn(width, height, |x, y| {
            let (x, y) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
            let cover = |(cx, cy): (f64, f64)| (radius + 0.5 - (x - cx).hypot(y - cy)).clamp(0.0, 1.0);
            let lit = 0.06 + 0.7 * (0.5 + (x - moon.0) / 10.0).clamp(0.0, 1.0);
            // Its hands.
            let hand =
                |(cx, cy): (f64, f64)| if (x - cx).abs() < 1.2 && (-12.0..2.0).contains(&(y - cy)) { 0.3 } else { 1.0 };
            let light = 0.004 + lit * cover(moon) + clock.map_or(0.0, |c| 0.6 * hand(c) * cover(c));
            let noise = f64::from(
                (x as u32).wrapping_mul(2_654_435_761).wrapping_add((y as u32).wrapping_mul(40_503) ^ i) >> 13 & 3,
            );
            let code = (255.0 * light.min(1.0).powf(1.0 / 2.2) + noise - 1.5).clamp(0.0, 255.0) as u8;
            image::Rgb([code; 3])
        });
        let name = format!("T{i:04}.png");
        picture.save(folder.path().join(&name)).unwrap();
        table.push_str(&format!("{name},2028-12-31T{:02}:{:02}:00Z,0.01\n", 13 + i / 12, 5 * (i % 12)));
        moons.push((name, moon.0, moon.1));
    }
    std::fs::write(folder.path().join("frames.csv"), table).unwrap();
    let found = registered(folder.path());
    for (name, x, y) in &moons {
        let frame = found.frame(name).unwrap();
        let centre = frame.centre().unwrap_or_else(|| panic!("{name}: {:?}", frame.reason()));
        let off = (centre.x - x).hypot(centre.y - y);
        println!("{name}: {off:.2} px off");
        assert!(off < 3.0, "{name}: {off:.1} px off at {centre:?}");
    }
}
