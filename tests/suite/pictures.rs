//! The written pictures, measured: discs stand where they should, and the file is what it says.

use crate::nights::{moonloom, root, sample, stderr, text, truth_of};
use moonloom::ingest::{Reading, decode};
use moonloom::raster::{Kernel, LinearImage, LinearMap, PixelPoint, PixelRect, resample};
use moonloom::simulate::FrameTruth;
use std::path::PathBuf;
use std::sync::OnceLock;
use tempfile::TempDir;

/// The README's pictures, made once by the program itself; they share a cache.
struct Pictures {
    folder: TempDir,
    messages: Vec<String>,
}

fn pictures() -> &'static Pictures {
    static PICTURES: OnceLock<Pictures> = OnceLock::new();
    PICTURES.get_or_init(|| {
        let folder = TempDir::new().unwrap();
        let cache = folder.path().join("cache");
        let mut messages = Vec::new();
        for (layout, frames, out) in [
            ("drift-trail.ron", "wide", "drift-trail.tif"),
            ("phase-grid.ron", "tele", "phase-grid.tif"),
            ("shadow-map.ron", "tele", "shadow-map.png"),
        ] {
            let layout = root().join("layouts").join(layout);
            let out = folder.path().join(out);
            let run = moonloom(&[
                "compose",
                text(&layout),
                text(&sample(frames)),
                "--out",
                text(&out),
                "--cache",
                text(&cache),
                "--strict",
            ]);
            assert!(run.status.success(), "{}", stderr(&run));
            messages.push(stderr(&run));
        }
        Pictures { folder, messages }
    })
}

fn picture(name: &str) -> LinearImage {
    let path: PathBuf = pictures().folder.path().join(name);
    decode(&path, &Reading::default()).expect("the written picture reads back")
}

fn brightness(image: &LinearImage, x: i64, y: i64) -> f64 {
    if x < 0 || y < 0 || x >= image.width() as i64 || y >= image.height() as i64 {
        return 0.0;
    }
    let p = image.pixel(x as usize, y as usize);
    f64::from(p[0] + p[1] + p[2]) / 3.0
}

/// By how much one picture's disc is shifted against another's, about a place: least squares on the
/// gradient (Lucas & Kanade 1981), with the brightness ratio free. Independent of any disc finding.
fn shift(of: &LinearImage, against: &LinearImage, x: f64, y: f64, reach: f64) -> (f64, f64) {
    let rect = PixelRect::around(PixelPoint::new(x, y), reach);
    let peak = |image: &LinearImage| {
        let mut peak = 0.0f64;
        for py in rect.y0..rect.y1 {
            for px in rect.x0..rect.x1 {
                peak = peak.max(brightness(image, px, py));
            }
        }
        peak
    };
    let floor = 0.15 * peak(against);
    let mut normal = nalgebra_free::Normal::default();
    for py in rect.y0..rect.y1 {
        for px in rect.x0..rect.x1 {
            let b = brightness(against, px, py);
            if b < floor {
                continue;
            }
            let gx = (brightness(against, px + 1, py) - brightness(against, px - 1, py)) / 2.0;
            let gy = (brightness(against, px, py + 1) - brightness(against, px, py - 1)) / 2.0;
            normal.add([b, gx, gy], brightness(of, px, py));
        }
    }
    let [gain, sx, sy] = normal.solve();
    (-sx / gain, -sy / gain)
}

/// Three unknowns by Cramer's rule: small enough to stay here.
mod nalgebra_free {
    #[derive(Default)]
    pub struct Normal {
        m: [[f64; 3]; 3],
        r: [f64; 3],
    }
    impl Normal {
        pub fn add(&mut self, row: [f64; 3], value: f64) {
            for i in 0..3 {
                for j in 0..3 {
                    self.m[i][j] += row[i] * row[j];
                }
                self.r[i] += row[i] * value;
            }
        }
        pub fn solve(&self) -> [f64; 3] {
            let det = |m: &[[f64; 3]; 3]| {
                m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
                    + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
            };
            let whole = det(&self.m);
            std::array::from_fn(|k| {
                let mut m = self.m;
                (0..3).for_each(|i| m[i][k] = self.r[i]);
                det(&m) / whole
            })
        }
    }
}

/// Centre and radius of a wholly lit disc by counting the pixels above half of its median light.
fn counted(image: &LinearImage, x: f64, y: f64, reach: f64) -> (f64, f64, f64) {
    let rect = PixelRect::around(PixelPoint::new(x, y), reach);
    let mut lit: Vec<f64> = Vec::new();
    for py in rect.y0..rect.y1 {
        for px in rect.x0..rect.x1 {
            lit.push(brightness(image, px, py));
        }
    }
    lit.sort_by(f64::total_cmp);
    let level = 0.35 * lit[lit.len() * 7 / 10];
    let (mut sx, mut sy, mut n) = (0.0, 0.0, 0.0);
    for py in rect.y0..rect.y1 {
        for px in rect.x0..rect.x1 {
            if brightness(image, px, py) > level {
                sx += px as f64 + 0.5;
                sy += py as f64 + 0.5;
                n += 1.0;
            }
        }
    }
    (sx / n, sy / n, (n / std::f64::consts::PI).sqrt())
}

#[test]
fn the_drift_trails_discs_stand_where_the_moon_stood() {
    let trail = picture("drift-trail.tif");
    let truth = truth_of(&sample("wide"));
    let (mut worst, mut count) = (0.0f64, 0);
    println!("drift trail: discs in the written TIFF against the truth, px");
    for t in truth.frames.iter().filter(|t| t.moon_in_frame) {
        // The tripod did not move, so the disc must lie on the trail exactly where it lies in its
        // own frame: any shift between the two is an error of placement.
        let frame = decode(&sample("wide").join(&t.file), &Reading::default()).unwrap();
        let (x, y) = (t.x_px.unwrap(), t.y_px.unwrap());
        let (sx, sy) = shift(&trail, &frame, x, y, t.radius_px.unwrap() + 3.0);
        println!("  {:<10} shift {sx:+.3} {sy:+.3}", t.file);
        worst = worst.max(sx.hypot(sy));
        count += 1;
    }
    println!("  worst of {count}: {worst:.3} px (budget 0.5)");
    assert!(count >= 30 && worst < 0.5, "{worst}");
}

/// Near the umbra the penumbra dims one side, and counting pixels would lean away from it: only
/// frames more than forty minutes from U1 and U4 are counted.
fn evenly_lit(t: &FrameTruth) -> bool {
    let at = |text: &str| moonloom::units::Instant::parse_utc(text).unwrap();
    at(&t.utc) < at("2028-12-31T14:28:00Z") || at(&t.utc) > at("2028-12-31T19:16:00Z")
}

#[test]
fn the_whole_moons_of_the_trail_are_centred_on_the_truth() {
    let trail = picture("drift-trail.tif");
    let plate = decode(&sample("wide").join("w0001.jpg"), &Reading::default()).unwrap();
    let mut worst = 0.0f64;
    let mut count = 0;
    for t in truth_of(&sample("wide")).frames.iter().filter(|t| t.moon_in_frame) {
        if !evenly_lit(t) {
            continue;
        }
        let (x, y, r) = (t.x_px.unwrap(), t.y_px.unwrap(), t.radius_px.unwrap());
        // Against the sky of the backplate, so that only the disc counts.
        let mut disc = LinearImage::new(trail.width(), trail.height());
        let rect = PixelRect::around(PixelPoint::new(x, y), 2.0 * r);
        for py in rect.y0..rect.y1 {
            for px in rect.x0..rect.x1 {
                let (a, b) = (trail.pixel(px as usize, py as usize), plate.pixel(px as usize, py as usize));
                disc.set_pixel(px as usize, py as usize, std::array::from_fn(|c| (a[c] - b[c]).max(0.0)));
            }
        }
        let (cx, cy, _) = counted(&disc, x, y, 1.6 * r);
        worst = worst.max((cx - x).hypot(cy - y));
        count += 1;
    }
    println!("whole Moons of the trail by counting pixels: worst of {count} {worst:.3} px (budget 0.5)");
    assert!(count >= 5 && worst < 0.5, "{worst}");
}

/// The cells' centres of `layouts/phase-grid.ron`, from its own numbers.
fn cells() -> Vec<(f64, f64)> {
    let (width, height, margin) = (4200.0, 3000.0, 200.0);
    // Title and subtitle: lines of 3 % and 1.4 % of the width, one and a half lines apart, and 1.5 % of air.
    let heading = (0.030 + 0.014) * 1.5 * width + 0.015 * width;
    let label = 1.6 * 46.0;
    let (w, h) = ((width - 2.0 * margin) / 6.0, (height - 2.0 * margin - heading) / 4.0);
    (0..24)
        .map(|i| {
            let (row, column) = (f64::from(i / 6), f64::from(i % 6));
            (margin + (column + 0.5) * w, margin + heading + row * h + 0.5 * (h - label))
        })
        .collect()
}

/// The resolved placements of the phase grid, from the registration that its picture was made with.
fn grid_placements() -> Vec<serde_json::Value> {
    let cache = pictures().folder.path().join("cache");
    let layout = root().join("layouts/phase-grid.ron");
    let run =
        moonloom(&["compose", text(&layout), text(&sample("tele")), "--dry-run", "--json", "--cache", text(&cache)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let composition: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    composition["placements"].as_array().unwrap().clone()
}

#[test]
fn the_grids_discs_fill_their_cells_evenly() {
    let grid = picture("phase-grid.tif");
    let truth = truth_of(&sample("tele"));
    let number = |v: &serde_json::Value| v.as_f64().unwrap();
    let (mut worst, mut radii, mut counted_radii) = (0.0f64, Vec::new(), Vec::new());
    println!("phase grid: discs in the written TIFF against frames laid by the truth");
    for ((x, y), placement) in cells().into_iter().zip(grid_placements()) {
        let file = placement["frame"].as_str().unwrap();
        let t = truth.frames.iter().find(|t| t.file == file).unwrap();
        let m = &placement["map"]["to_source"];
        let to_source = [[number(&m[0][0]), number(&m[0][1])], [number(&m[1][0]), number(&m[1][1])]];
        // The same frame, turned and scaled alike, but with the Moon's *true* centre in the cell's:
        // any shift of the written disc against it is an error of registration or placement.
        let map = LinearMap {
            source_centre: PixelPoint::new(t.x_px.unwrap(), t.y_px.unwrap()),
            target_centre: PixelPoint::new(x, y),
            to_source,
        };
        let rect = PixelRect::around(map.target_centre, 225.0);
        let frame = decode(&sample("tele").join(file), &Reading::default()).unwrap();
        let ideal =
            LinearImage::from_data(rect.width(), rect.height(), resample(&frame, &map, rect, Kernel::Lanczos)).unwrap();
        let (cell, _) = grid.crop(rect);
        let (sx, sy) = shift(&cell, &ideal, x - rect.x0 as f64, y - rect.y0 as f64, 222.0);
        let radius = t.radius_px.unwrap() / map.reduction();
        println!("  {file}  umbra {:>4.0} %  off {sx:+.3} {sy:+.3}  radius {radius:.2}", t.umbral_fraction * 100.0);
        worst = worst.max(sx.hypot(sy));
        radii.push(radius);
        if evenly_lit(t) {
            counted_radii.push(counted(&grid, x, y, 222.0).2);
        }
    }
    let spread = |r: &[f64]| r.iter().copied().fold(0.0, f64::max) / r.iter().copied().fold(f64::MAX, f64::min) - 1.0;
    println!(
        "  worst centre {worst:.3} px (budget 0.5), radii alike within {:.3} %, counted ones within {:.3} % (budget 1 %)",
        spread(&radii) * 100.0,
        spread(&counted_radii) * 100.0
    );
    assert!(radii.len() == 24 && worst < 0.5, "{worst}");
    assert!(counted_radii.len() >= 4 && spread(&radii) < 0.01 && spread(&counted_radii) < 0.01);
}

#[test]
fn a_second_layout_renders_without_registering_again() {
    let messages = &pictures().messages;
    assert!(messages[1].contains("registered 32 frames"), "{}", messages[1]);
    assert!(messages[2].contains("using the registration kept"), "{}", messages[2]);
    assert!(!messages[2].contains("registered"), "{}", messages[2]);
}

#[test]
fn no_disc_sits_in_a_box_or_a_haze() {
    // Just outside every disc of the grid, past the feather, lies the bare background.
    let grid = picture("phase-grid.tif");
    let background = grid.pixel(20, 20);
    for (x, y) in cells() {
        for k in 0..24 {
            let (s, c) = (f64::from(k) / 24.0 * std::f64::consts::TAU).sin_cos();
            let p = grid.pixel((x + 222.0 * c) as usize, (y + 222.0 * s) as usize);
            for (value, ground) in p.iter().zip(background) {
                assert!((value - ground).abs() < 0.002, "light beside the disc at {x} {y}: {value} over {ground}");
            }
        }
    }
}

#[test]
fn the_landscape_is_left_as_it_was() {
    let trail = picture("drift-trail.tif");
    let plate = decode(&sample("wide").join("w0001.jpg"), &Reading::default()).unwrap();
    // Everything below the lowest Moon, to a 16-bit step.
    for y in (1000..2000).step_by(7) {
        for x in (0..3000).step_by(11) {
            let (a, b) = (trail.pixel(x, y), plate.pixel(x, y));
            assert!((0..3).all(|c| (a[c] - b[c]).abs() < 3e-5), "{x} {y}: {a:?} {b:?}");
        }
    }
}

#[test]
fn the_file_says_how_it_was_made() {
    let bytes = std::fs::read(pictures().folder.path().join("drift-trail.tif")).unwrap();
    let holds = |words: &str| bytes.windows(words.len()).any(|w| w == words.as_bytes());
    assert!(holds("layout drift-trail.ron") && holds("Saltbush Jetty"), "the description is in the TIFF");
}

#[test]
fn threads_change_no_bit() {
    let folder = TempDir::new().unwrap();
    let render = |threads: &str, name: &str| {
        let out = folder.path().join(name);
        let run = std::process::Command::new(env!("CARGO_BIN_EXE_moonloom"))
            .env("RAYON_NUM_THREADS", threads)
            .args(["compose", text(&root().join("layouts/shadow-map.ron")), text(&sample("tele")), "--out", text(&out)])
            .args(["--cache", text(&folder.path().join(threads))])
            .output()
            .unwrap();
        assert!(run.status.success(), "{}", stderr(&run));
        std::fs::read(&out).unwrap()
    };
    assert!(render("1", "one.png") == render("3", "three.png"), "the same bytes for one thread and for three");
}

#[test]
fn enlarged_discs_are_round_and_the_backplates_own_moon_is_taken_out() {
    use moonloom::layout::{Layout, resolve};
    let folder = tempfile::TempDir::new().unwrap();
    let out = folder.path().join("p.tif");
    let layout = folder.path().join("l.ron");
    // A backplate that shows the Moon; the discs are of other times, and three times as large.
    let words = "(version: 2, arrangement: SkyTrack(backplate: Frame(\"w0016.jpg\"), enlarge: 3), \
                 selection: (files: [\"w0005.jpg\", \"w0029.jpg\"]), light: (blend: Normal), \
                 output: (colour_space: LinearRec2020, depth: Float))";
    std::fs::write(&layout, words).unwrap();
    let run = moonloom(&["compose", text(&layout), text(&sample("wide")), "--out", text(&out)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let night = moonloom::ingest::read_night(&sample("wide")).unwrap().value;
    let registration = moonloom::solve::register(&night, Default::default(), &|_| {}).value;
    let composition = resolve(&Layout::parse(&layout, words).unwrap(), &night, &registration).unwrap().value;
    let own = composition.backplates[0].own_moon.as_ref().expect("another frame shows the sky there");
    for p in &composition.placements {
        let [[a, b], [c, d]] = p.to_disc;
        assert!((a / d - 1.0).abs() < 1e-6 && b.abs() + c.abs() < 1e-9 * a.abs().max(1.0), "no egg: {:?}", p.to_disc);
    }
    // Where the Moon stood is sky as around it.
    let picture = decode(&out, &Reading::default()).unwrap();
    let plate = decode(&night.frame("w0016.jpg").unwrap().path, &Reading::default()).unwrap();
    let level = |image: &LinearImage, reach: (f64, f64)| {
        let mut values = Vec::new();
        let far = reach.1.ceil() as i64;
        for (dx, dy) in (-far..=far).flat_map(|y| (-far..=far).map(move |x| (x, y))) {
            if (reach.0..reach.1).contains(&(dx as f64).hypot(dy as f64)) {
                let (x, y) = (own.centre_px.0 as i64 + dx, own.centre_px.1 as i64 + dy);
                values.push(f64::from(image.pixel(x as usize, y as usize)[1]));
            }
        }
        values.sort_by(f64::total_cmp);
        (values[values.len() / 2], values[values.len() - 1])
    };
    let (around, _) = level(&plate, (own.reach_px, 1.2 * own.reach_px));
    let (moon, _) = level(&plate, (0.0, 5.0));
    let (repaired, brightest) = level(&picture, (0.0, 0.6 * own.reach_px));
    println!("sky {around:.5}, its Moon {moon:.5}, repaired {repaired:.5}, at most {brightest:.5}");
    assert!(moon > 5.0 * around, "there was a Moon");
    assert!((repaired / around - 1.0).abs() < 0.15 && brightest < around + 0.3 * (moon - around));
}

/// Who watches a picture being drawn is told how far it is, and a wish to stop leaves nothing behind, whatever the kind of file.
#[test]
fn a_picture_that_is_stopped_is_not_written() {
    use moonloom::compose::{ComposeError, ComposeRequest, PictureRequest, compose};
    use moonloom::ingest::read_night;
    let folder = TempDir::new().unwrap();
    let night = read_night(crate::nights::small_night()).unwrap().value;
    let registration = moonloom::solve::register(&night, Default::default(), &|_| {}).value;
    let words =
        "(version: 2, canvas: (width: 900, height: 900), arrangement: PhaseGrid(columns: 3, rows: 3, up: North))";
    let layout = moonloom::layout::Layout::parse(std::path::Path::new("grid.ron"), words).unwrap();
    let told = std::sync::Mutex::new(Vec::new());
    let all = |done: f64| {
        told.lock().unwrap().push(done);
        true
    };
    // While its discs are developed, before they are, and when the first of its rows are drawn.
    let (until_fifth, at_once, until_half) = (|done: f64| done < 0.2, |_: f64| false, |done: f64| done <= 0.5);
    for name in ["a.tif", "a.png", "a.jpg", "a.exr"] {
        let out = folder.path().join(name);
        let picture = PictureRequest::new(&layout, &night, &registration);
        let watchers: [&moonloom::compose::Watching<'_>; 3] = [&until_fifth, &at_once, &until_half];
        for watching in watchers {
            let stopped = PictureRequest { watching: Some(watching), ..picture };
            let made = compose(&ComposeRequest { picture: stopped, out: &out, preview: None });
            assert!(matches!(made, Err(ComposeError::Stopped)), "{name}");
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "{name}");
        }
        let watched = PictureRequest { watching: Some(&all), ..picture };
        compose(&ComposeRequest { picture: watched, out: &out, preview: None }).unwrap();
        let told = std::mem::take(&mut *told.lock().unwrap());
        assert!(
            told[0] == 0.0 && told.is_sorted() && told.contains(&0.5) && told[told.len() - 1] > 0.6,
            "{name}: {told:?}"
        );
        std::fs::remove_file(&out).unwrap();
    }
}
