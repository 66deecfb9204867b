//! Light that is right from the frames to the picture: merged brackets, even discs, white, air, lift.

use crate::nights::{moonloom, stderr, text, truth_of};
use moonloom::blend::{develop, source_window};
use moonloom::compose::{ComposeError, ComposeRequest, FilmPicture, PictureRequest, compose, plan_film};
use moonloom::composition::{Composition, Placement};
use moonloom::diag::Diagnostic;
use moonloom::ingest::{Night, Reading, decode, parse_response, read_night};
use moonloom::layout::{Layout, resolve};
use moonloom::raster::{ColourMatrix, LinearImage, PixelPoint, PixelRect, RgbSpace};
use moonloom::registration::Registration;
use moonloom::simulate::{FrameTruth, Scenario, rehearse};
use moonloom::sky::{Extinction, MOON_COLOUR};
use moonloom::solve::register;
use std::collections::BTreeMap;
use std::path::Path;
use tempfile::TempDir;

/// A long lens over the whole eclipse; what a test changes is put in for the words in capitals.
const NIGHT: &str = r#"(
    version: 1,
    title: "Light",
    site: (latitude_deg: -31.9, longitude_deg: 115.75),
    eclipse: "2028-12-31",
    utc_offset: "+08:00",
    seed: 5,
    rigs: [(
        name: "night",
        camera: (model: "Test camera", width_px: 300, height_px: 260, pixel_pitch_um: 20.0, focal_length_mm: 300.0, blur_px: 1.0, CAMERA),
        mount: ReaimedTripod(scatter_px: 12.0),
        frames: (FRAMES),
        exposures: EXPOSURES,
        format: FORMAT,
    )],
)"#;

const SHORT: &str = "[(from_umbral_fraction: 0.0, seconds: 0.0015, f_number: 8.0, iso: 100.0)]";
/// A photographer's ladder: a stop here, a third of one there, ten in all.
const LADDER: &str = "[
    (from_umbral_fraction: 0.0, seconds: 0.0025, f_number: 8.0, iso: 100.0),
    (from_umbral_fraction: 0.3, seconds: 0.004, f_number: 8.0, iso: 100.0),
    (from_umbral_fraction: 0.7, seconds: 0.01, f_number: 8.0, iso: 125.0),
    (from_umbral_fraction: 0.95, seconds: 0.033333, f_number: 7.1, iso: 200.0),
    (from_umbral_fraction: 0.9999, seconds: 0.5, f_number: 5.6, iso: 800.0),
]";

fn rehearsed(folder: &Path, changes: [(&str, &str); 4]) -> (Night, Registration) {
    rehearsed_of(NIGHT, folder, changes)
}

fn rehearsed_of(night: &str, folder: &Path, changes: [(&str, &str); 4]) -> (Night, Registration) {
    let text = changes.iter().fold(night.to_owned(), |text, (word, with)| text.replace(word, with));
    let scenario = Scenario::parse(Path::new("light.ron"), &text).unwrap_or_else(|d| panic!("{d}"));
    rehearse(&scenario, folder, &|_| {}).unwrap();
    let night = read_night(&folder.join("night")).unwrap().value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    (night, registration)
}

/// Draws a layout of a night, and reads the picture back as light.
fn drawn(
    folder: &Path,
    (night, registration): (&Night, &Registration),
    layout: &str,
) -> (LinearImage, Composition, Vec<Diagnostic>) {
    let layout = Layout::parse(Path::new("light-layout.ron"), layout).unwrap_or_else(|d| panic!("{d}"));
    let out = folder.join("picture.tif");
    let picture = PictureRequest::new(&layout, night, registration);
    let request = ComposeRequest { picture, out: &out, preview: None };
    let (composition, diagnostics) = compose(&request).unwrap();
    (decode(&out, &Reading::default()).unwrap(), composition, diagnostics)
}

/// Lays the night out on a grid, every disc at its own size, and reads the picture back as light.
fn grid(
    folder: &Path,
    night: &(Night, Registration),
    light: &str,
    columns: usize,
) -> (LinearImage, Composition, Vec<Diagnostic>) {
    let rows = night.0.frames.len().div_ceil(columns);
    let layout = format!(
        "(version: 1, canvas: (width_px: {}, height_px: {}, margin_px: 10, background: \"black\"), \
         arrangement: PhaseGrid(columns: {columns}, rows: {rows}, disc_diameter_px: 140), light: ({light}), \
         output: (colour_space: LinearRec2020, depth: Float))",
        columns * 190 + 20,
        rows * 190 + 20
    );
    drawn(folder, (&night.0, &night.1), &layout)
}

/// Mean over a circle, its edge's pixels by their share.
fn patch(image: &LinearImage, at: PixelPoint, reach: f64) -> [f64; 3] {
    let (window, rect) = image.crop(PixelRect::around(at, reach + 1.0));
    let (mut sum, mut weight) = ([0.0; 3], 0.0);
    for (i, p) in window.data().chunks_exact(3).enumerate() {
        let x = (rect.x0 + (i % window.width()) as i64) as f64 + 0.5 - at.x;
        let y = (rect.y0 + (i / window.width()) as i64) as f64 + 0.5 - at.y;
        let w = (reach + 0.5 - x.hypot(y)).clamp(0.0, 1.0);
        (0..3).for_each(|c| sum[c] += w * f64::from(p[c]));
        weight += w;
    }
    sum.map(|s| s / weight)
}

/// How far each patch of each merged disc lies from the truth, a share of it: by moment, patch and colour; with the
/// stops that they span. `seed` draws the noise (and the hand that re-aims).
fn off_the_truth(seed: u64) -> (BTreeMap<(usize, usize, usize), f64>, f64) {
    const BRACKETS: &str = "every_minutes: 31.0, bracket_stops: [0, 2.5, 5, 7.5, 10]";
    let (folder, known_folder) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let other = |words: &str| words.replace("seed: 5", &format!("seed: {seed}"));
    let night = rehearsed_of(
        &other(NIGHT),
        folder.path(),
        [("CAMERA", "glow: 0.0"), ("FRAMES", BRACKETS), ("EXPOSURES", SHORT), ("FORMAT", "Dng")],
    );
    // The truth: the same frames through a camera without noise, in floats.
    let known = rehearsed_of(
        &other(NIGHT),
        known_folder.path(),
        [
            ("CAMERA", "glow: 0.0, full_well: 5e12, read_noise: 0.0"),
            ("FRAMES", BRACKETS),
            ("EXPOSURES", SHORT),
            ("FORMAT", "FloatTiff"),
        ],
    );
    let truth = truth_of(&known_folder.path().join("night"));
    let light = "normalization: Photometric(stop_height: 1.0), even_level: 1.0, blend: Normal, merge: (within_s: 40)";
    let (picture, composition, _) = grid(folder.path(), &night, light, 4);
    assert!(composition.placements.iter().any(|p| p.also.len() == 4), "five frames a moment");
    let (mut off, mut range) = (BTreeMap::new(), (f64::INFINITY, 0.0f64));
    for (moment, p) in composition.placements.iter().enumerate() {
        // The moment's own frames, the longest exposure first: a place's light is that of the longest which is not clipped
        // there. While a bracket is taken the shadow moves on by a third of a pixel, on its edge three percent of the light.
        let apart = |t: &FrameTruth| {
            let seconds = |utc: &str| moonloom::units::Instant::parse_utc(utc).unwrap().tt_seconds();
            (seconds(&t.utc) - seconds(&p.utc)).abs()
        };
        let mut of_moment: Vec<_> = truth.frames.iter().filter(|t| apart(t) < 60.0).collect();
        of_moment.sort_by(|a, b| b.exposure_s.total_cmp(&a.exposure_s));
        assert_eq!(of_moment.len(), 5, "{}", p.frame);
        let exposures: Vec<_> = of_moment
            .iter()
            .map(|t| {
                let frame = known.0.frame(&t.file).unwrap();
                let gain = frame.metadata.exposure.unwrap().light_gain() * moonloom::sky::SATURATION_PER_LIGHT_GAIN;
                (*t, decode(&frame.path, &frame.reading).unwrap(), gain)
            })
            .collect();
        let longest = exposures[0].2;
        for i in 0..49 {
            let (x, y) = (f64::from(i % 7 - 3) * 0.25, f64::from(i / 7 - 3) * 0.25);
            if x.hypot(y) > 0.85 {
                continue;
            }
            let seen = |(t, image, _): &(&FrameTruth, LinearImage, f64), dx: f64, dy: f64| {
                let r = t.radius_px.unwrap();
                let at = PixelPoint::new(t.x_px.unwrap() + x * r + dx, t.y_px.unwrap() + y * r + dy);
                patch(image, at, 0.05 * r)
            };
            let is_clear = |e: &&(&FrameTruth, LinearImage, f64)| seen(e, 0.0, 0.0).iter().all(|v| *v < 0.7);
            let Some(exposure) = exposures.iter().find(is_clear) else { continue };
            let gain = exposure.2;
            let here = seen(exposure, 0.0, 0.0);
            // On the edge of the umbra a tenth of a pixel is a tenth of the light.
            let steep = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)].map(|(dx, dy)| seen(exposure, dx, dy)[0]);
            if steep.iter().any(|v| (v / here[0] - 1.0).abs() > 0.05) {
                continue;
            }
            let known = here.map(|v| v / gain);
            let centre = p.centre();
            let found = patch(
                &picture,
                PixelPoint::new(centre.x + x * p.radius_px, centre.y + y * p.radius_px),
                0.05 * p.radius_px,
            );
            for c in 0..3 {
                // The copper's blue is a hundredth of its red: what noise leaves of it is no measure.
                // Below a fiftieth of full scale in the longest exposure photon noise alone is a percent of a patch.
                if known[c] * longest > 0.02 {
                    off.insert((moment, i as usize, c), found[c] / known[c] - 1.0);
                    range = (range.0.min(known[c]), range.1.max(known[c]));
                }
            }
        }
    }
    (off, (range.1 / range.0).log2())
}

#[test]
fn brackets_over_ten_stops_give_the_true_radiance_within_three_percent() {
    // A patch's photon noise is up to a percent, and among six hundred one lies three or four of that off: the mean of
    // two nights, alike but for the noise, is what is held.
    let ((one, stops), (other, _)) = (off_the_truth(5), off_the_truth(6));
    let worst_of = |off: &mut dyn Iterator<Item = f64>| off.fold(0.0f64, |worst, v| worst.max(v.abs()));
    let both: Vec<f64> = one.iter().filter_map(|(key, a)| Some((a + other.get(key)?) / 2.0)).collect();
    let worst = worst_of(&mut both.iter().copied());
    println!(
        "merged brackets: {} patches over {stops:.1} stops, worst {:.2} % from the truth (one night alone {:.2} and {:.2} %)",
        both.len(),
        100.0 * worst,
        100.0 * worst_of(&mut one.values().copied()),
        100.0 * worst_of(&mut other.values().copied()),
    );
    assert!(both.len() > 300 && stops > 10.0);
    assert!(worst < 0.03, "{worst}");
}

/// A re-aimed lens whose Moon is cut by every edge: what lies beyond a frame's edge was photographed by nobody.
#[test]
fn nothing_is_shown_beyond_a_frames_edge() {
    let folder = TempDir::new().unwrap();
    let (night, registration) = rehearsed_of(
        &NIGHT.replace("scatter_px: 12.0", "scatter_px: 75.0"),
        folder.path(),
        [
            ("CAMERA", "glow: 0.02"),
            ("FRAMES", "every_minutes: 11.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 92)"),
        ],
    );
    let arrangements = [
        "PhaseGrid(columns: 8, rows: 5, disc_diameter: 90)",
        "Path(along: Spiral(centre: (\"50%\", \"50%\"), inner: \"44%\", outer: \"12%\", turns: 2, from_deg: -90), \
         spacing: ByLength, disc_diameter: 68, up: North)",
        "ShadowMap(up: North, umbra_outline: false)",
    ];
    let lights = [
        "normalization: Even, even_level: 0.8",
        "normalization: AsShot, subtract_sky: false, blend: Normal",
        "normalization: Photometric(stop_height: 0.3), shadow_lift: 0.6, blend: Normal",
        "sharpening: Deconvolution(rounds: 10), blend: Normal, merge: (within_s: 1500)",
    ];
    let mut beyond = 0usize;
    // Every treatment on the grid; every other arrangement with half of them.
    let pairs = (0..arrangements.len()).flat_map(|a| (0..lights.len()).map(move |l| (a, l)));
    for (a, l) in pairs.filter(|(a, l)| *a == 0 || (a + l) % 2 == 0) {
        let (arrangement, light) = (arrangements[a], lights[l]);
        let layout = format!(
            "(version: 2, canvas: (width: 900, height: 825, background: \"#35506b\"), arrangement: {arrangement}, \
             light: ({light}), output: (colour_space: LinearRec2020, depth: Float))"
        );
        let (picture, composition, _) = drawn(folder.path(), (&night, &registration), &layout);
        let background = picture.pixel(0, 0);
        let (width, height) = (300.0, 260.0);
        for y in 0..picture.height() {
            for x in 0..picture.width() {
                let at = PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5);
                let near = |p: &&Placement| (at.x - p.centre().x).hypot(at.y - p.centre().y) < 1.6 * p.radius_px;
                let mut over = composition.placements.iter().filter(near).peekable();
                let seen = |p: &Placement| {
                    let from = p.map.source_of(at);
                    from.x > 0.0 && from.y > 0.0 && from.x < width && from.y < height
                };
                if over.peek().is_some() && !over.any(seen) {
                    beyond += 1;
                    assert_eq!(picture.pixel(x, y), background, "{arrangement} {light} at {at:?}");
                }
            }
        }
    }
    println!("beyond the frames' edges: {beyond} pixels, each the canvas's own");
    assert!(beyond > 100_000, "{beyond}");
}

fn developed(night: &Night, p: &Placement, composition: &Composition) -> moonloom::blend::DevelopedDisc {
    let frame = night.frame(&p.frame).unwrap().open().unwrap();
    develop(vec![frame.light(source_window(p, p.map.source_centre))], 1, p, composition)
}

#[test]
fn the_sky_around_a_disc_is_subtracted_to_a_five_hundredth_of_full_scale() {
    let folder = TempDir::new().unwrap();
    // A glowing lens under a moonlit sky.
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.03"),
            ("FRAMES", "every_minutes: 24.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 92)"),
        ],
    );
    let layout = "(version: 1, arrangement: PhaseGrid(columns: 8, rows: 4))";
    let layout = Layout::parse(Path::new("sky.ron"), layout).unwrap();
    let composition = resolve(&layout, &night.0, &night.1).unwrap().value;
    let mut worst = 0.0f64;
    for p in &composition.placements {
        let disc = developed(&night.0, p, &composition);
        let centre = PixelPoint::new(p.map.source_centre.x - disc.origin.x, p.map.source_centre.y - disc.origin.y);
        let (mut sum, mut count) = ([0.0f64; 3], 0.0);
        for (i, pixel) in disc.image.data().chunks_exact(3).enumerate() {
            let (x, y) =
                ((i % disc.image.width()) as f64 + 0.5 - centre.x, (i / disc.image.width()) as f64 + 0.5 - centre.y);
            let d = x.hypot(y) / p.source_radius_px;
            if (1.12..1.5).contains(&d) {
                (0..3).for_each(|c| sum[c] += f64::from(pixel[c]));
                count += 1.0;
            }
        }
        worst = sum.iter().fold(worst, |w, s| w.max((s / count).abs()));
    }
    println!("sky left around {} discs: {:.3} % of full scale at most", composition.placements.len(), 100.0 * worst);
    assert!(worst < 0.002, "{worst}");
}

/// The 98th percentile of a laid disc's brightest channel.
fn bright_part(picture: &LinearImage, p: &Placement) -> f64 {
    bright_part_of(picture, p.centre(), p.radius_px)
}

fn bright_part_of(picture: &LinearImage, c: PixelPoint, radius_px: f64) -> f64 {
    let (window, rect) = picture.crop(PixelRect::around(c, radius_px));
    let mut values: Vec<f32> = Vec::new();
    for (i, v) in window.data().chunks_exact(3).enumerate() {
        let (x, y) = (
            (rect.x0 + (i % window.width()) as i64) as f64 + 0.5 - c.x,
            (rect.y0 + (i / window.width()) as i64) as f64 + 0.5 - c.y,
        );
        if x.hypot(y) < 0.97 * radius_px {
            values.push(v[0].max(v[1]).max(v[2]));
        }
    }
    values.sort_by(f32::total_cmp);
    f64::from(values[(values.len() - 1) * 98 / 100])
}

#[test]
fn even_discs_never_step_by_more_than_three_percent() {
    let folder = TempDir::new().unwrap();
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.01"),
            ("FRAMES", "every_minutes: 8.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 92)"),
        ],
    );
    let (picture, composition, diagnostics) =
        grid(folder.path(), &night, "normalization: Even, even_level: 0.5, blend: Normal", 8);
    // Some last slivers leave nothing to be raised but the steps of eight bits: those are named, and stay darker.
    let held: String = diagnostics.iter().filter(|d| d.code == "lift-held").map(|d| d.message.clone()).collect();
    let (held, even): (Vec<&Placement>, Vec<&Placement>) =
        composition.placements.iter().partition(|p| held.contains(&p.frame));
    println!("held darker: {:?}", held.iter().map(|p| (&p.frame, bright_part(&picture, p))).collect::<Vec<_>>());
    assert!(held.len() <= 8 && held.iter().all(|p| bright_part(&picture, p) < 0.5), "{} are held", held.len());
    let levels: Vec<f64> = even.iter().map(|p| bright_part(&picture, p)).collect();
    let worst = levels.windows(2).map(|p| (p[1] / p[0] - 1.0).abs()).fold(0.0, f64::max);
    println!(
        "even: {} discs from {:.3} to {:.3}, largest step {:.2} %",
        levels.len(),
        levels.iter().copied().fold(9.0, f64::min),
        levels.iter().copied().fold(0.0, f64::max),
        100.0 * worst
    );
    assert!(levels.len() >= 35 && worst < 0.03, "{worst}: {levels:?}");
    // A film of the night is as even.
    let layout = "(version: 2, canvas: (width: 190, height: 190, margin: 10, background: \"black\"), \
        arrangement: PhaseGrid(columns: 1, rows: 1, disc_diameter: 140), light: (even_level: 0.5, blend: Normal))";
    let layout = Layout::parse(Path::new("film.ron"), layout).unwrap_or_else(|d| panic!("{d}"));
    let request = PictureRequest::new(&layout, &night.0, &night.1);
    let mut film = plan_film(&request).unwrap().value;
    let (size, planned) = ((film.width, film.height), film.pictures.clone());
    let mut levels = Vec::new();
    let take = |k: usize, light: Vec<f32>| -> Result<(), ComposeError> {
        let p = &planned[k];
        let picture = LinearImage::from_data(size.0, size.1, light).unwrap();
        levels.push(bright_part_of(&picture, PixelPoint::new(p.centre_px.0, p.centre_px.1), p.radius_px));
        Ok(())
    };
    film.draw(&request, take).unwrap();
    let is_held = |p: &FilmPicture| p.lift.is_some_and(|l| l.stops < l.asked_stops + 0.9f64.log2());
    let even: Vec<f64> = levels.iter().zip(&film.pictures).filter(|(_, p)| !is_held(p)).map(|(l, _)| *l).collect();
    let worst = even.windows(2).map(|p| (p[1] / p[0] - 1.0).abs()).fold(0.0, f64::max);
    println!("a film of it: {} even pictures, largest step {:.2} %", even.len(), 100.0 * worst);
    assert!(even.len() >= 35 && worst < 0.03, "{worst}: {even:?}");
}

#[test]
fn air_is_fitted_and_white_anchored_on_the_moon() {
    let folder = TempDir::new().unwrap();
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.0"),
            ("FRAMES", "every_minutes: 12.0, lead_minutes: 80.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Dng"),
        ],
    );
    let light = "normalization: Photometric(stop_height: 1.0), even_level: 1.0, blend: Normal, atmosphere: Fitted, white_balance: Moon";
    let (picture, composition, diagnostics) = grid(folder.path(), &night, light, 6);
    let said = diagnostics.iter().find(|d| d.code == "extinction").map(|d| d.message.clone()).unwrap_or_default();
    println!("{said}; rehearsed with {:?}", Extinction::default().magnitudes);
    let numbers: Vec<f64> =
        said.split(|c: char| !c.is_ascii_digit() && c != '.').filter_map(|w| w.parse().ok()).collect();
    assert!(numbers.len() >= 3, "the fit is said: {diagnostics:?}");
    // The rehearsal dims light of sRGB's primaries; seen in Rec. 2020 its channels mix.
    let mix = ColourMatrix::new(RgbSpace::SRGB.to(&RgbSpace::WORKING));
    let seen = |airmass: f64| mix.apply(Extinction::default().transmission(airmass).map(|t| t as f32));
    for (c, found) in numbers.iter().take(3).enumerate() {
        let put_in = -2.5 * f64::from(seen(3.0)[c] / seen(2.0)[c]).log10();
        assert!((found - put_in).abs() < 0.02, "{said}: {put_in:.3} was put in");
    }
    // With the air removed the uneclipsed Moon is as bright low as high, and has the Moon's colour.
    let uneclipsed: Vec<&Placement> =
        composition.placements.iter().filter(|p| p.sky.is_some_and(|s| s.penumbral_fraction == 0.0)).collect();
    let levels: Vec<[f64; 3]> = uneclipsed.iter().map(|p| patch(&picture, p.centre(), 0.6 * p.radius_px)).collect();
    let green: Vec<f64> = levels.iter().map(|l| l[1]).collect();
    let spread = green.iter().copied().fold(0.0, f64::max) / green.iter().copied().fold(9.0, f64::min);
    println!("{} uneclipsed discs differ by {:.1} % with the air removed", levels.len(), 100.0 * (spread - 1.0));
    assert!(levels.len() >= 4 && spread < 1.05, "{green:?}");
    for l in &levels {
        assert!(
            (l[0] / l[1] / MOON_COLOUR[0] - 1.0).abs() < 0.03 && (l[2] / l[1] / MOON_COLOUR[2] - 1.0).abs() < 0.03,
            "{l:?}"
        );
    }
}

#[test]
fn white_is_the_moons_own_whatever_the_cameras_curve() {
    let folder = TempDir::new().unwrap();
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.0, processing: (contrast: 0.4, shoulder: 0.4)"),
            ("FRAMES", "every_minutes: 9.0, lead_minutes: 0.0, tail_minutes: 40.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 95)"),
        ],
    );
    let air = Extinction::default().magnitudes;
    let light = format!(
        "normalization: Even, blend: Normal, white_balance: Moon, atmosphere: Removed(magnitudes: ({}, {}, {}))",
        air[0], air[1], air[2]
    );
    let (picture, composition, diagnostics) = grid(folder.path(), &night, &light, 6);
    assert!(diagnostics.iter().all(|d| d.code != "no-white"), "{diagnostics:?}");
    let mut compared = 0;
    let high = |p: &&Placement| p.sky.is_some_and(|s| s.penumbral_fraction == 0.0 && s.airmass < 4.0);
    for p in composition.placements.iter().filter(high) {
        let lit = patch(&picture, p.centre(), 0.85 * p.radius_px);
        let off = [0, 2].map(|c| lit[c] / lit[1] / MOON_COLOUR[c] - 1.0);
        println!("{}: red {:+.1} %, blue {:+.1} % of the Moon's own", p.frame, 100.0 * off[0], 100.0 * off[1]);
        assert!(off.iter().all(|o| o.abs() < 0.03), "{}: {lit:?}", p.frame);
        compared += 1;
    }
    assert!(compared >= 2, "{compared}");
}

#[test]
fn air_and_white_that_a_night_does_not_tell_are_kept_and_said() {
    let folder = TempDir::new().unwrap();
    // Two uneclipsed discs, low over the horizon.
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.0"),
            ("FRAMES", "every_minutes: 100.0, lead_minutes: 0.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 95)"),
        ],
    );
    let light = |how: &str| format!("normalization: AsShot, blend: Normal, {how}");
    let plain = grid(folder.path(), &night, &light("atmosphere: Kept"), 6).0;
    let (fitted, _, said) = grid(folder.path(), &night, &light("atmosphere: Fitted"), 6);
    let said = said.iter().find(|d| d.code == "extinction-not-fitted").expect("it is said");
    assert!(said.message.contains("is kept"), "{}", said.message);
    assert_eq!(plain, fitted, "nothing is assumed of the air");
    // The shadow's discs alone: no Moon to anchor white on.
    let eclipsed = |how: &str| {
        let words = format!(
            "(version: 2, canvas: (width: 500, height: 300), selection: (from: \"U1\", to: \"U4\"), \
             arrangement: PhaseGrid(columns: 4, rows: 2), light: (normalization: AsShot, blend: Normal, {how}), \
             output: (colour_space: LinearRec2020, depth: Float))"
        );
        drawn(folder.path(), (&night.0, &night.1), &words)
    };
    let (shot, _, _) = eclipsed("white_balance: AsShot");
    let (kept, _, said) = eclipsed("white_balance: Moon");
    let said = said.iter().find(|d| d.code == "no-white").expect("it is said");
    assert!(said.message.contains("no uneclipsed"), "{}", said.message);
    assert_eq!(shot, kept);
}

#[test]
fn a_white_that_no_camera_has_is_refused() {
    let folder = TempDir::new().unwrap();
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.0"),
            ("FRAMES", "every_minutes: 60.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 95)"),
        ],
    );
    // A deep red filter over the lens: what is red of the picture stays.
    for frame in &night.0.frames {
        let mut picture = image::open(&frame.path).unwrap().into_rgb8();
        picture.pixels_mut().for_each(|p| (p.0[1], p.0[2]) = (p.0[1] / 2, p.0[2] / 3));
        picture.save(&frame.path).unwrap();
    }
    let night = read_night(&folder.path().join("night")).unwrap().value;
    // The times went with the EXIF; the truth puts them back.
    let times: String = truth_of(&folder.path().join("night"))
        .frames
        .iter()
        .map(|t| format!("{},{},{},{},{}\n", t.file, t.utc, t.exposure_s, t.f_number, t.iso))
        .collect();
    std::fs::write(folder.path().join("night/frames.csv"), format!("file,utc,exposure_s,aperture,iso\n{times}"))
        .unwrap();
    let night = read_night(&night.folder).unwrap().value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    let (_, _, said) = grid(folder.path(), &(night, registration), "blend: Normal, white_balance: Moon", 6);
    let said = said.iter().find(|d| d.code == "no-white").expect("it is said");
    assert!(said.message.contains("too far from its own"), "{}", said.message);
}

#[test]
fn the_lift_shows_sliver_and_copper_in_one_disc() {
    let folder = TempDir::new().unwrap();
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", "glow: 0.0"),
            ("FRAMES", "every_minutes: 112.0, bracket_stops: [0, 3, 6, 9]"),
            ("EXPOSURES", SHORT),
            ("FORMAT", "Dng"),
        ],
    );
    let darkest = |lift: f64| {
        let light =
            format!("normalization: Even, even_level: 0.6, blend: Normal, merge: (within_s: 60), shadow_lift: {lift}");
        let (picture, composition, _) = grid(folder.path(), &night, &light, 2);
        let p = &composition.placements[1];
        let disc = patch(&picture, p.centre(), 0.3 * p.radius_px);
        disc[0]
    };
    let (plain, lifted) = (darkest(0.0), darkest(0.6));
    println!("middle of the umbra beside a last sliver of 0.6: {plain:.5} as it is, {lifted:.3} lifted");
    assert!(plain < 0.01, "{plain}");
    assert!((0.03..0.6).contains(&lifted), "{lifted}");
}

#[test]
fn a_cameras_own_curve_is_recovered_from_its_brackets() {
    let folder = TempDir::new().unwrap();
    let camera = "glow: 0.0, processing: (contrast: 0.6)";
    let night = rehearsed(
        folder.path(),
        [
            ("CAMERA", camera),
            ("FRAMES", "every_minutes: 60.0, bracket_stops: [-1, 0, 1, 2, 3, 4, 5]"),
            ("EXPOSURES", SHORT),
            ("FORMAT", "Jpeg(quality: 95)"),
        ],
    );
    drop(night);
    let out = folder.path().join("response.csv");
    let run = moonloom(&["response", text(&folder.path().join("night")), "--out", text(&out)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let found = parse_response(&out, &std::fs::read_to_string(&out).unwrap()).unwrap();
    // The curve that the camera was given: an S of `contrast` on the sRGB code (simulate::Processing).
    let given = moonloom::simulate::Processing { contrast: 0.6, ..Default::default() };
    let light_of = |value: f64| {
        let (mut low, mut high) = (0.0f64, 1.0f64);
        for _ in 0..40 {
            let middle = (low + high) / 2.0;
            if f64::from(given.curve(middle as f32)) < value { low = middle } else { high = middle }
        }
        f64::from(moonloom::raster::TransferFunction::Srgb.decode(low as f32))
    };
    let scale = f64::from(found[1][140]) / light_of(140.0 / 255.0);
    let mut worst = 0.0f64;
    for code in (40..236).step_by(7) {
        let off = f64::from(found[1][code]) / (light_of(code as f64 / 255.0) * scale) - 1.0;
        worst = worst.max(off.abs());
    }
    println!("the camera's curve comes back within {:.1} % between 16 and 92 % of its scale", 100.0 * worst);
    assert!(worst < 0.05, "{worst}");
}

/// What real JPEGs do around second contact: one exposure a disc, the sliver clipped, the umbra at the bottom of eight bits.
/// Four tone curves.
#[test]
fn clipped_slivers_are_white_and_what_eight_bits_cannot_tell_stays_dark() {
    let through = "[
        (from_umbral_fraction: 0.0, seconds: 0.004, f_number: 8.0, iso: 100.0),
        (from_umbral_fraction: 0.6, seconds: 0.25, f_number: 8.0, iso: 200.0),
        (from_umbral_fraction: 0.9999, seconds: 0.12, f_number: 8.0, iso: 200.0),
    ]";
    let curves =
        ["()", "(contrast: 0.35, sharpening: 0.5)", "(shoulder: 0.6, smoothing: 0.5)", "(toe: 0.25, sharpening: 0.5)"];
    for curve in curves {
        let folder = TempDir::new().unwrap();
        let camera = format!("glow: 0.004, processing: {curve}");
        let night = rehearsed(
            folder.path(),
            [
                ("CAMERA", &camera),
                ("FRAMES", "every_minutes: 14.0"),
                ("EXPOSURES", through),
                ("FORMAT", "Jpeg(quality: 85)"),
            ],
        );
        let (picture, composition, diagnostics) =
            grid(folder.path(), &night, "normalization: Even, even_level: 0.55, blend: Normal", 6);
        let held: String = diagnostics.iter().filter(|d| d.code == "lift-held").map(|d| d.message.clone()).collect();
        let (mut clipped, mut held_discs, mut darkest_white) = (0, 0, 1.0f32);
        for p in &composition.placements {
            held_discs += usize::from(held.contains(&p.frame));
            let lift = p.lift.expect("evened discs say by how much they were raised");
            assert_eq!(lift.stops < lift.asked_stops + 0.9f64.log2(), held.contains(&p.frame), "{}: {lift:?}", p.frame);
            let frame = night.0.frame(&p.frame).unwrap();
            let source = frame.open().unwrap().whole();
            // What is clipped in all channels, with all around it, comes out as paper white.
            let (w, h) = (source.width() as i64, source.height() as i64);
            let is_white = |x: i64, y: i64| {
                (0..w).contains(&x)
                    && (0..h).contains(&y)
                    && source.pixel(x as usize, y as usize).iter().all(|v| *v > 0.98)
            };
            let (c, reach) = (p.centre(), 0.9 * p.radius_px);
            let rect = PixelRect::around(c, reach);
            for (x, y) in (rect.y0..rect.y1).flat_map(|y| (rect.x0..rect.x1).map(move |x| (x, y))) {
                let at = PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5);
                let from = p.map.source_of(at);
                let around = |d: i64| (-d..=d).flat_map(move |dy| (-d..=d).map(move |dx| (dx, dy)));
                let clips = |(dx, dy): (i64, i64)| is_white(from.x as i64 + dx, from.y as i64 + dy);
                if at.distance(c) < reach && around(3).all(clips) {
                    let shown = picture.pixel(x as usize, y as usize);
                    darkest_white = darkest_white.min(shown[0].min(shown[1]).min(shown[2]));
                    clipped += 1;
                }
            }
        }
        println!(
            "curve {curve}: {clipped} clipped pixels, the darkest at {darkest_white:.3}; {held_discs} discs held: {held}"
        );
        assert!(clipped > 50 && darkest_white > 0.95, "{curve}: clipped light at {darkest_white}");
        assert!(held_discs > 0, "{curve}: nothing is held");
        // True ratios show nothing of what the file's lowest numbers do not tell: two stops a stop would be confetti.
        if curve == "()" {
            let light = "normalization: Photometric(stop_height: 0.2), even_level: 0.55, blend: Normal";
            let (picture, composition, _) = grid(folder.path(), &night, light, 6);
            let (mut dark, mut brightest) = (0, 0.0f32);
            for p in &composition.placements {
                let source = night.0.frame(&p.frame).unwrap().open().unwrap().whole();
                let rect = PixelRect::around(p.centre(), 0.9 * p.radius_px);
                for (x, y) in (rect.y0..rect.y1).flat_map(|y| (rect.x0..rect.x1).map(move |x| (x, y))) {
                    let at = PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5);
                    let from = p.map.source_of(at);
                    let inside = from.x > 3.0 && from.y > 3.0 && from.x < 297.0 && from.y < 257.0;
                    if at.distance(p.centre()) < 0.9 * p.radius_px && inside {
                        let around = (-2..=2).flat_map(|dy| (-2..=2).map(move |dx| (dx, dy)));
                        let code =
                            |(dx, dy)| source.pixel((from.x as i64 + dx) as usize, (from.y as i64 + dy) as usize);
                        if around.map(code).all(|p| p.iter().all(|v| *v < 1.5 / 255.0 / 12.92)) {
                            let shown = picture.pixel(x as usize, y as usize);
                            brightest = brightest.max(shown[0]).max(shown[1]).max(shown[2]);
                            dark += 1;
                        }
                    }
                }
            }
            println!(
                "in true ratios {dark} pixels of the lowest number, the brightest shown at {brightest:.3} of white"
            );
            assert!(dark > 1000 && brightest < 0.02, "{dark} {brightest}");
        }
        // Whatever is not held is even.
        for p in composition.placements.iter().filter(|p| !held.contains(&p.frame)) {
            let level = bright_part(&picture, p);
            assert!(level > 0.5, "{curve} {}: {level:.3}", p.frame);
        }
    }
}

/// A strip of paper white pasted along the lower edge, as copies for the web have it, across some of the discs.
#[test]
fn a_pasted_strip_is_no_part_of_a_disc() {
    const STRIP: u32 = 26;
    let folder = TempDir::new().unwrap();
    let (night, _) = rehearsed_of(
        &NIGHT.replace("scatter_px: 12.0", "scatter_px: 60.0"),
        folder.path(),
        [
            ("CAMERA", "glow: 0.01"),
            ("FRAMES", "every_minutes: 25.0"),
            ("EXPOSURES", LADDER),
            ("FORMAT", "Jpeg(quality: 92)"),
        ],
    );
    for frame in &night.frames {
        let mut picture = image::open(&frame.path).unwrap().into_rgb8();
        let (w, h) = picture.dimensions();
        (h - STRIP..h).for_each(|y| (0..w).for_each(|x| picture.put_pixel(x, y, image::Rgb([255; 3]))));
        let mut file = std::fs::File::create(&frame.path).unwrap();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut file, 92).encode_image(&picture).unwrap();
    }
    let night = read_night(&folder.path().join("night")).unwrap().value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    let layout = "(version: 2, canvas: (width: 1200, height: 1000, background: \"#35506b\"), \
        arrangement: PhaseGrid(columns: 5, rows: 4, up: AsShot), light: (even_level: 0.8, blend: Normal), \
        output: (colour_space: LinearRec2020, depth: Float))";
    let (picture, composition, _) = drawn(folder.path(), (&night, &registration), layout);
    let (background, mut pasted) = (picture.pixel(0, 0), 0);
    for p in &composition.placements {
        let rect = PixelRect::around(p.centre(), p.radius_px);
        for (x, y) in (rect.y0..rect.y1).flat_map(|y| (rect.x0..rect.x1).map(move |x| (x, y))) {
            let at = PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5);
            if at.distance(p.centre()) < p.radius_px && p.map.source_of(at).y > f64::from(260 - STRIP) {
                pasted += 1;
                assert_eq!(picture.pixel(x as usize, y as usize), background, "{} at {at:?}", p.frame);
            }
        }
    }
    println!("pasted over: {pasted} pixels of discs, each the canvas's own");
    assert!(composition.placements.len() >= 10 && pasted > 1000, "{} discs, {pasted}", composition.placements.len());
}

#[test]
fn a_persons_nudges_change_one_frame_and_outlive_a_new_registration() {
    use crate::nights::copy_of_small_night;
    let (folder, elsewhere) = (copy_of_small_night(), TempDir::new().unwrap());
    let file = folder.path().join("r.ron");
    let run = moonloom(&["register", text(folder.path()), "--out", text(&file)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let layout = folder.path().join("layout.ron");
    std::fs::write(
        &layout,
        "(version: 2, canvas: (width: 600, height: 500), selection: (count: 4), light: (blend: Normal), \
         arrangement: PhaseGrid(columns: 2, rows: 2, up: AsShot), output: (colour_space: LinearRec2020, depth: Float))",
    )
    .unwrap();
    let dry = || {
        let run = moonloom(&["compose", text(&layout), text(&file), "--dry-run", "--json"]);
        assert!(run.status.success(), "{}", stderr(&run));
        serde_json::from_slice::<serde_json::Value>(&run.stdout).unwrap()["placements"].clone()
    };
    let out = elsewhere.path().join("p.tif");
    let drawn = || {
        let run = moonloom(&["compose", text(&layout), text(&file), "--out", text(&out)]);
        assert!(run.status.success(), "{}", stderr(&run));
        decode(&out, &Reading::default()).unwrap()
    };
    let (plain, before) = (drawn(), dry());
    let name = before[0]["frame"].as_str().unwrap().to_owned();
    let words = std::fs::read_to_string(&file).unwrap();
    let at = words.find(&format!("file: \"{name}\"")).unwrap();
    let (head, tail) = words.split_at(at);
    let set = tail.replacen("exclude: false,", "exclude: false, gain_stops: -1, white: (1.2, 0.8), turn_deg: 10,", 1);
    std::fs::write(&file, format!("{head}{set}")).unwrap();
    let (nudged, after) = (drawn(), dry());
    let turned = after[0]["turn_rad"].as_f64().unwrap() - before[0]["turn_rad"].as_f64().unwrap();
    assert!((turned.to_degrees() - 10.0).abs() < 1e-6, "{turned}");
    assert_eq!(before[1], after[1], "the others stay");
    let centre = &after[0]["map"]["canvas_centre_px"];
    let at = PixelPoint::new(centre[0].as_f64().unwrap(), centre[1].as_f64().unwrap());
    let reach = 0.6 * after[0]["radius_px"].as_f64().unwrap();
    let (a, b) = (patch(&plain, at, reach), patch(&nudged, at, reach));
    for (c, factor) in [0.5 * 1.2, 0.5, 0.5 * 0.8].into_iter().enumerate() {
        assert!((b[c] / a[c] / factor - 1.0).abs() < 0.02, "{a:?} became {b:?}");
    }
    // Registered anew into the same file, what was set stays.
    let run = moonloom(&["register", text(folder.path()), "--out", text(&file)]);
    assert!(run.status.success() && stderr(&run).contains("settings-kept"), "{}", stderr(&run));
    assert_eq!(dry(), after);
    // A number that cannot be meant is refused.
    let words = std::fs::read_to_string(&file).unwrap().replace("gain_stops: -1", "gain_stops: 99");
    std::fs::write(&file, words).unwrap();
    let run = moonloom(&["compose", text(&layout), text(&file), "--dry-run"]);
    assert!(!run.status.success() && stderr(&run).contains("gain_stops"), "{}", stderr(&run));
}
