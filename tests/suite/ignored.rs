//! Frames that somebody wrote on: what the notes ignore is no part of the photograph, when registering and when drawing.

use crate::nights::{sample, truth_of};
use image::Rgb;
use moonloom::compose::{ComposeRequest, PictureRequest, compose};
use moonloom::ingest::read_night;
use moonloom::layout::Layout;
use moonloom::registration::Registration;
use moonloom::solve::register;
use std::path::Path;
use tempfile::TempDir;

/// A frame around every picture, and over the left of two of three a caption, both of loud colours; no even strip that
/// shows itself.
fn write_on(index: usize, picture: &mut image::RgbImage) {
    let (width, height) = picture.dimensions();
    for (x, y, pixel) in picture.enumerate_pixels_mut() {
        let border = x < 9 || y < 9 || x + 9 >= width || y + 9 >= height;
        let caption = has_caption(index) && x < 430 && (300..700).contains(&y);
        if border || caption {
            *pixel = if (x / 17 + y / 23) % 2 == 0 { Rgb([255, 0, 255]) } else { Rgb([0, 255, 60]) };
        }
    }
}

fn has_caption(index: usize) -> bool {
    index % 3 != 1
}

const NOTES: &str = r#"(version: 1, site: (latitude_deg: -31.9, longitude_deg: 115.75), mount: ReaimedTripod,
    optics: (focal_length_mm: 500, pixel_pitch_um: 9.17)IGNORE)"#;
const IGNORE: &str = ",\n    ignore: (border_px: 12, rectangles: [(left_px: 0, top_px: 295, width_px: 440, height_px: 410, files: [FILES])])";

/// The sample frames' first dozen, copied by `change`, with these notes.
fn night(folder: &Path, notes: &str, change: impl Fn(usize, &mut image::RgbImage)) -> Registration {
    let tele = sample("tele");
    let mut table = "file,utc\n".to_owned();
    let mut captions = Vec::new();
    for (i, t) in truth_of(&tele).frames.iter().take(12).enumerate() {
        let mut picture = image::open(tele.join(&t.file)).unwrap().into_rgb8();
        change(i, &mut picture);
        let name = Path::new(&t.file).with_extension("png");
        picture.save(folder.join(&name)).unwrap();
        table += &format!("{},{}\n", name.display(), t.utc);
        captions.extend(has_caption(i).then(|| format!("{:?}", name.display().to_string())));
    }
    std::fs::write(folder.join("frames.csv"), table).unwrap();
    std::fs::write(folder.join("shoot.ron"), notes.replace("FILES", &captions.join(", "))).unwrap();
    register(&read_night(folder).unwrap().value, Default::default(), &|_| {}).value
}

fn loud_pixels(folder: &Path, registration: &Registration) -> usize {
    let layout = "(version: 2, canvas: (width: 1200, height: 900), arrangement: PhaseGrid(columns: 4, rows: 3), \
                  light: (normalization: AsShot, subtract_sky: false, blend: Normal))";
    let night = read_night(folder).unwrap().value;
    let layout = Layout::parse(Path::new("ignored.ron"), layout).unwrap_or_else(|d| panic!("{d}"));
    let beside = TempDir::new().unwrap();
    let out = beside.path().join("grid.png");
    let (layout, night, out) = (&layout, &night, out.as_path());
    let picture = PictureRequest::new(layout, night, registration);
    compose(&ComposeRequest { picture, out, preview: None }).unwrap();
    let picture = image::open(out).unwrap().into_rgb8();
    picture.pixels().filter(|p| p[1] < 60 && p[0] > 180 && p[2] > 180).count()
}

#[test]
fn what_the_notes_ignore_moves_no_disc_and_is_never_drawn() {
    let folders = [(); 3].map(|()| TempDir::new().unwrap());
    let [plain, written, ignored] = &folders;
    let honest = night(plain.path(), &NOTES.replace("IGNORE", ""), |_, _| {});
    let untold = night(written.path(), &NOTES.replace("IGNORE", ""), write_on);
    let told = night(ignored.path(), &NOTES.replace("IGNORE", IGNORE), write_on);
    let off = |found: &Registration| {
        let pairs = honest.frames.iter().zip(&found.frames);
        pairs.map(|(a, b)| a.centre().zip(b.centre()).map_or(f64::INFINITY, |(a, b)| a.distance(b))).fold(0.0, f64::max)
    };
    println!("written on, untold: worst disc {:.2} px off; told: {:.2} px off", off(&untold), off(&told));
    assert!(off(&told) < 0.5, "{}", off(&told));
    let (untold, told) = (loud_pixels(written.path(), &untold), loud_pixels(ignored.path(), &told));
    println!("loud pixels drawn: untold {untold}, told {told}");
    assert!(told == 0 && untold > 500, "{told} and {untold}");
}
