//! Registration against what the rehearsal knows. The table is printed; budgets only tighten.

use crate::nights::{sample, small_night, truth_of};
use crate::table::Table;
use moonloom::ingest::read_night;
use moonloom::registration::{Registration, Status};
use moonloom::solve::register;
use std::path::Path;
use std::sync::OnceLock;

fn registered(folder: &Path) -> Registration {
    register(&read_night(folder).expect("the folder holds frames").value, Default::default(), &|_| {}).value
}

pub fn registered_wide() -> &'static Registration {
    static WIDE: OnceLock<Registration> = OnceLock::new();
    WIDE.get_or_init(|| registered(&sample("wide")))
}

pub fn registered_tele() -> &'static Registration {
    static TELE: OnceLock<Registration> = OnceLock::new();
    TELE.get_or_init(|| registered(&sample("tele")))
}

/// Checks every frame against the truth: all visible Moons measured within `budget` of the radius,
/// no Moon in Moonless frames. Prints the table.
fn score(name: &str, folder: &Path, found: &Registration, budget: f64) {
    let truth = truth_of(folder);
    println!("{name}: centre and radius against the truth, in percent of the radius");
    let (mut worst, mut moons) = (0.0f64, 0);
    for t in &truth.frames {
        let f = found.frame(&t.file).unwrap_or_else(|| panic!("{} is in the registration", t.file));
        if !t.moon_in_frame {
            assert_eq!(f.status(), Status::Absent, "{}: a Moon was found in a Moonless frame", t.file);
            println!("  {:<10} no Moon, none found", t.file);
            continue;
        }
        assert_eq!(f.status(), Status::Measured, "{}: {:?}", t.file, f.reason());
        let (x, y, r) = (t.x_px.unwrap(), t.y_px.unwrap(), t.radius_px.unwrap());
        let centre = f.centre().unwrap();
        let off = (centre.x - x).hypot(centre.y - y) / r;
        let size = f.radius_px().unwrap() / r - 1.0;
        println!(
            "  {:<10} umbra {:>4.0} %  centre {:>5.2}  radius {:>+6.2}  ({:.1} px)",
            t.file,
            t.umbral_fraction * 100.0,
            off * 100.0,
            size * 100.0,
            r
        );
        worst = worst.max(off);
        moons += 1;
        assert!(size.abs() < 0.01, "{}: radius off by {:.2} %", t.file, size * 100.0);
    }
    println!("  worst centre {:.2} % of {moons} (budget {:.0} %)", worst * 100.0, budget * 100.0);
    assert!(moons >= 7 && worst <= budget, "{name}: {worst} over {budget}");
}

#[test]
fn every_moon_of_the_wide_sample_is_found_within_3_percent() {
    score("sample-frames/wide", &sample("wide"), registered_wide(), 0.03);
}

#[test]
fn every_moon_of_the_long_lens_sample_is_found_within_1_percent() {
    score("sample-frames/tele", &sample("tele"), registered_tele(), 0.01);
}

/// A quarter of an hour in brackets around U2, two thirds of it clipped or copper: nothing in it tells a phase that its times
/// contradict.
#[test]
fn brackets_around_totality_are_found_and_raise_no_alarm() {
    let folder = sample("bracket");
    let found = register(&read_night(&folder).unwrap().value, Default::default(), &|_| {});
    score("bracket", &folder, &found.value, 0.01);
    let alarms: Vec<_> = found.diagnostics.iter().map(|d| &d.code).collect();
    assert!(alarms.is_empty(), "{alarms:?}");
}

#[test]
fn a_small_night_is_found_within_1_percent() {
    score("45 px", small_night(), &registered(small_night()), 0.01);
}

#[test]
fn the_tripods_aim_is_recovered() {
    let truth = truth_of(&sample("wide"));
    let solved = registered_wide().rigs[0].pointing_at(None).copied().expect("the tripod is solved");
    let [azimuth, altitude, roll] = truth.frames[5].camera_deg;
    let off = |a: f64, b: f64| ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs();
    let p = solved.pointing;
    println!(
        "aim off by {:.4} {:.4} {:.4} degrees, plate scale by {:.3} %, residual {:.3} px",
        off(p.azimuth.degrees(), azimuth),
        off(p.altitude.degrees(), altitude),
        off(p.roll.degrees(), roll),
        (p.lens.focal_length_px / truth.focal_length_px - 1.0) * 100.0,
        solved.rms_px
    );
    // A pixel is 0.038 degree.
    assert!(off(p.azimuth.degrees(), azimuth) < 0.02 && off(p.altitude.degrees(), altitude) < 0.02);
    assert!(off(p.roll.degrees(), roll) < 0.05);
    assert!((p.lens.focal_length_px / truth.focal_length_px - 1.0).abs() < 1e-3);
    assert!(solved.rms_px < 0.3);
}

#[test]
fn a_bare_picture_is_solvable_without_site_or_time() {
    // The frames of the long lens by themselves: nothing known but the pixels.
    let truth = truth_of(&sample("tele"));
    for t in truth.frames.iter().step_by(5) {
        let image = moonloom::ingest::decode_brightness(&sample("tele").join(&t.file), &Default::default()).unwrap();
        let found = moonloom::detect::find_in_picture(&image);
        let best = found.first().unwrap_or_else(|| panic!("{}: no disc", t.file));
        let r = t.radius_px.unwrap();
        let off = (best.centre.x - t.x_px.unwrap()).hypot(best.centre.y - t.y_px.unwrap());
        println!(
            "  {} umbra {:.2}: centre {:.2} % radius {:+.2} %",
            t.file,
            t.umbral_fraction,
            off / r * 100.0,
            (best.radius_px / r - 1.0) * 100.0
        );
        assert!(off < 0.02 * r && (best.radius_px / r - 1.0).abs() < 0.02, "{}", t.file);
        let (by_centre, by_radius) = (off / best.centre_sigma_px, (best.radius_px - r).abs() / best.radius_sigma_px);
        println!("    error over sigma: centre {by_centre:.1}, radius {by_radius:.1}");
        assert!(by_centre < 2.5 && by_radius < 2.5, "{}: {by_centre:.1} {by_radius:.1}", t.file);
    }
}

/// A general-purpose library on the same frames: OpenCV's circles (`tests/data/reference/make_circles.py`,
/// pinned) beside ours, per phase. Where its smallest enclosing circle should serve (all of the limb lit) the
/// two must agree; over the whole night ours must be the nearer to the truth by far.
#[test]
fn opencvs_circles_agree_where_they_can() {
    let truth = truth_of(&sample("tele"));
    let table = Table::read("circles.csv");
    println!("off the true centre, px: ours, OpenCV's Hough transform, its enclosing circle of the brightest blob");
    let (mut ours_all, mut best_all) = (Vec::new(), Vec::new());
    for row in table.rows() {
        let t = truth.frames.iter().find(|t| t.file == row.text("file")).expect("the table is of these frames");
        let (x, y) = (t.x_px.unwrap(), t.y_px.unwrap());
        let found = registered_tele().frame(&t.file).unwrap().centre().expect("it is measured");
        let ours = (found.x - x).hypot(found.y - y);
        let off = |name: &str| {
            let number = |axis: &str| row.text(&format!("{name}_{axis}")).parse::<f64>().ok();
            Some((number("x")? - x).hypot(number("y")? - y))
        };
        let (hough, contour) = (off("hough"), off("contour").unwrap());
        let shown = hough.map_or("none".into(), |h| format!("{h:.2}"));
        println!("  {} umbra {:.2}  {ours:.2}  {shown:>6}  {contour:>6.2}", t.file, t.umbral_fraction);
        if t.umbral_fraction == 0.0 {
            let between = (found.x - row.number("contour_x")).hypot(found.y - row.number("contour_y"));
            assert!(between < 2.5, "{}: {between:.2} px from OpenCV's circle", t.file);
        }
        ours_all.push(ours);
        best_all.push(hough.unwrap_or(f64::INFINITY).min(contour));
    }
    let median = |mut v: Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    let (ours, best) = (median(ours_all), median(best_all));
    println!("  median {ours:.3} against {best:.3} of the better of its two");
    assert!(ours < 0.2 * best);
}
