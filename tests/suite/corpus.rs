//! Frames of the world outside: photographs and nights that are not ours to ship. Where the variable `MOONLOOM_CORPUS`
//! names their folder (`photos`, `sequences`, `nights`, each with its measured circles or its truth), they are registered,
//! tables are printed, and what has been reached is held; elsewhere the tests say so and pass.

use crate::nights::text;
use crate::table::percentile;
use moonloom::ingest::{decode_brightness, read_night};
use moonloom::registration::{Registration, Status};
use moonloom::solve::register;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// The folder of one kind of frames, if it is here.
fn corpus(kind: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("MOONLOOM_CORPUS").map(|root| PathBuf::from(root).join(kind)).filter(|f| f.is_dir());
    if folder.is_none() {
        println!("no {kind} from outside here (MOONLOOM_CORPUS names none); nothing was checked");
    }
    folder
}

fn json(path: &Path) -> Value {
    let words = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", text(path)));
    serde_json::from_str(&words).unwrap_or_else(|e| panic!("{}: {e}", text(path)))
}

fn number(of: &Value, name: &str) -> Option<f64> {
    of.get(name)?.as_f64()
}

/// A circle as the corpus gives it: centre, radius, tolerance as a share of the radius.
struct Circle<'a> {
    file: &'a str,
    x: f64,
    y: f64,
    r: f64,
    tolerance: f64,
}

fn circles<'a>(list: &'a Value, usual: f64) -> impl Iterator<Item = Circle<'a>> {
    list.as_array().expect("circles are a list").iter().filter_map(move |c| {
        let tolerance = number(c, "tol").unwrap_or(usual);
        Some(Circle {
            file: c["file"].as_str()?,
            x: number(c, "x")?,
            y: number(c, "y")?,
            r: number(c, "r")?,
            tolerance,
        })
    })
}

impl Circle<'_> {
    /// How far off a found circle is, as a share of what is allowed: the worse of centre and radius. Half a pixel is ours,
    /// besides the tolerance of whoever measured the circle.
    fn off(&self, x: f64, y: f64, r: f64) -> f64 {
        (x - self.x).hypot(y - self.y).max((r - self.r).abs()) / (self.r * self.tolerance + 0.5)
    }
}

#[test]
fn photographs_show_their_moons_by_pixels_alone() {
    let Some(folder) = corpus("photos") else { return };
    let list = json(&folder.join("circles.json"));
    let (mut right, mut all) = (0, 0);
    for c in circles(&list["photos"], 0.01) {
        let image = decode_brightness(&folder.join(c.file), &Default::default()).expect("it can be decoded");
        let found = moonloom::detect::find_in_picture(&image);
        let off = found.first().map(|d| c.off(d.centre.x, d.centre.y, d.radius_px));
        println!(
            "  {:<28} r {:>6.1}  off by {} of the tolerance",
            c.file,
            c.r,
            off.map_or("(none)".into(), |o| format!("{o:.2}"))
        );
        all += 1;
        right += usize::from(off.is_some_and(|o| o <= 1.0));
    }
    println!("photographs: {right} of {all} right");
    assert_eq!(right, all);
}

fn registered(folder: &Path) -> (Registration, f64) {
    let night = read_night(folder).expect("the folder holds frames").value;
    let start = Instant::now();
    (register(&night, Default::default(), &|_| {}).value, start.elapsed().as_secs_f64())
}

fn sorted(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values
}

#[test]
fn sequences_hold_what_they_have_reached() {
    let Some(root) = corpus("sequences") else { return };
    for (name, reached) in [("tracked-total", 20), ("burnt-through-cloud", 24)] {
        let folder = root.join(name);
        let list = json(&folder.join("circles.json"));
        let (found, seconds) = registered(&folder);
        let (mut right, mut all, mut wrong) = (0, 0, Vec::new());
        for c in circles(&list["frames"], 0.02) {
            let disc = found
                .frame(c.file)
                .filter(|f| f.status() == Status::Measured)
                .and_then(|f| Some((f.centre()?, f.radius_px()?)));
            all += 1;
            match disc.map(|(p, r)| c.off(p.x, p.y, r)) {
                Some(off) if off <= 1.0 => right += 1,
                off => wrong.push(format!("{} ({})", c.file, off.map_or("missed".into(), |o| format!("{o:.1}")))),
            }
        }
        let clock = found.rigs.iter().find_map(|r| r.clock.as_ref()).map(|c| (c.ahead_s, c.sigma_s));
        println!("{name}: {right} of {all} right, {seconds:.1} s; clock {clock:?}; wrong: {}", wrong.join(", "));
        assert!(right >= reached, "{name}: {right} of {all}, {reached} were reached before");
    }
}

#[test]
fn nights_by_another_hand_hold_what_they_have_reached() {
    let Some(root) = corpus("nights") else { return };
    for (name, missing, p95) in [("sinking-telephoto", 0, 1.0), ("everything-wrong", 0, 1.0)] {
        let folder = root.join(name);
        let truth = json(&folder.join("truth.json"));
        let side = |i: usize| truth["size"][i].as_f64().expect("the truth gives the frames' size");
        let (width, height) = (side(0), side(1));
        let (found, seconds) = registered(&folder);
        // One lens: what the air makes of a setting Moon is no zoom.
        assert_eq!(found.rigs.len(), 1, "{name}");
        let (mut off, mut sigmas, mut missed, mut false_discs, mut easy) = (vec![], vec![], vec![], vec![], 0);
        for t in truth["frames"].as_array().expect("frames are a list") {
            let file = t["file"].as_str().expect("frames have names");
            let frame = found.frame(file).filter(|f| f.status() == Status::Measured);
            let (visible, hard) = (t["visible"] == true, t["hard"] == true);
            let (Some(x), Some(y), Some(r)) = (number(t, "x"), number(t, "y"), number(t, "r")) else { continue };
            // Easy is what an eye sees at once: at least half of the disc inside the frame.
            let places = (-20..=20).flat_map(|v| (-20..=20).map(move |u| (f64::from(u) / 20.0, f64::from(v) / 20.0)));
            let disc = places.filter(|(u, v)| u.hypot(*v) <= 1.0);
            let (inside, all) = disc.fold((0, 0), |(inside, all), (u, v)| {
                let (x, y) = (x + u * r, y + v * r);
                (inside + usize::from(x > 0.0 && y > 0.0 && x < width && y < height), all + 1)
            });
            let half_inside = 2 * inside >= all;
            let is_easy = visible && !hard && half_inside;
            easy += usize::from(is_easy);
            match frame.and_then(|f| Some((f.centre()?, f.centre_sigma_px()?))) {
                Some((c, _)) if !visible || (c.x - x).hypot(c.y - y) > 0.3 * r => false_discs.push(file),
                Some((c, sigma)) if is_easy => {
                    off.push((c.x - x).hypot(c.y - y) / r * 100.0);
                    sigmas.push((c.x - x).hypot(c.y - y) / sigma.max(1e-6));
                }
                None if is_easy => missed.push(file),
                _ => {}
            }
        }
        let (off, sigmas) = (sorted(off), sorted(sigmas));
        println!(
            "{name}: {} of {easy} easy frames, {seconds:.1} s; centre off {:.2} % of r (median), {:.2} % (95th percentile); error over sigma {:.2}, {:.2} (90th); missed {missed:?}; false {false_discs:?}",
            off.len(),
            percentile(&off, 0.5),
            percentile(&off, 0.95),
            percentile(&sigmas, 0.5),
            percentile(&sigmas, 0.9),
        );
        assert!(false_discs.is_empty(), "{name}: {false_discs:?} are not the Moon");
        assert!(missed.len() <= missing, "{name}: {missed:?}");
        assert!(percentile(&off, 0.95) <= p95, "{name}");
    }
}
