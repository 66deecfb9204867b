//! Pictures that must not change by themselves: every shipped layout, and each blend onto a backplate, small.
//!
//! A golden says "unchanged", never "right": rightness is held by `arrangements`, `light` and `pictures`. A failure
//! writes expected | difference | actual beside the temporary pictures; `BLESS=1 cargo test golden` rewrites them
//! and fails the run, so that nobody blesses by accident.

use crate::nights::{moonloom, root, sample, stderr, text};
use image::{ImageBuffer, Rgb};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use tempfile::TempDir;

type Picture = ImageBuffer<Rgb<u16>, Vec<u16>>;

/// Sixteen-bit steps that other processors' last digits may make.
const TOLERANCE: u16 = 96;

fn workshop() -> &'static Path {
    static WORKSHOP: OnceLock<TempDir> = OnceLock::new();
    WORKSHOP.get_or_init(|| TempDir::new().unwrap()).path()
}

/// Renders a layout at 256 pixels.
fn render(layout: &Path, name: &str, frames: &[PathBuf]) -> Picture {
    let (out, cache) = (workshop().join(format!("{name}.png")), workshop().join("cache"));
    let mut arguments = vec!["compose", text(layout), text(&frames[0]), "--out", text(&out), "--longest-side", "256"];
    arguments.extend(["--cache", text(&cache)]);
    frames[1..].iter().for_each(|f| arguments.extend(["--also", text(f)]));
    let run = moonloom(&arguments);
    assert!(run.status.success(), "{name}: {}", stderr(&run));
    image::open(&out).unwrap().into_rgb16()
}

/// Compares with the kept picture; returns what is wrong.
fn compare(name: &str, picture: &Picture) -> Option<String> {
    let kept = root().join("tests/data/golden").join(format!("{name}.png"));
    if std::env::var_os("BLESS").is_some() {
        picture.save(&kept).unwrap();
        return Some(format!("{name} was blessed"));
    }
    let Ok(expected) = image::open(&kept) else { return Some(format!("{name} has no golden; BLESS=1 makes it")) };
    let expected = expected.into_rgb16();
    if expected.dimensions() != picture.dimensions() {
        return Some(format!("{name} is {:?}, was {:?}", picture.dimensions(), expected.dimensions()));
    }
    let apart = |a: &Rgb<u16>, b: &Rgb<u16>| (0..3).map(|c| a.0[c].abs_diff(b.0[c])).max().unwrap_or(0);
    let worst = expected.pixels().zip(picture.pixels()).map(|(a, b)| apart(a, b)).max().unwrap_or(0);
    if worst <= TOLERANCE {
        return None;
    }
    let (w, h) = expected.dimensions();
    let shown = Picture::from_fn(3 * w, h, |x, y| match x / w {
        0 => *expected.get_pixel(x, y),
        1 => Rgb([apart(expected.get_pixel(x - w, y), picture.get_pixel(x - w, y)).saturating_mul(8); 3]),
        _ => *picture.get_pixel(x - 2 * w, y),
    });
    let beside = std::env::temp_dir().join(format!("moonloom-golden-{name}.png"));
    shown.save(&beside).unwrap();
    Some(format!("{name} changed by up to {worst} steps: {}", beside.display()))
}

#[test]
fn every_shipped_layout_draws_what_it_drew() {
    let (wide, tele) = (sample("wide"), sample("tele"));
    let mut wrong = Vec::new();
    let mut count = 0;
    let mut layouts: Vec<PathBuf> =
        std::fs::read_dir(root().join("layouts")).unwrap().map(|e| e.unwrap().path()).collect();
    layouts.sort();
    for layout in layouts.iter().filter(|p| p.extension().is_some_and(|e| e == "ron")) {
        let name = layout.file_stem().unwrap().to_string_lossy().into_owned();
        let frames = match name.as_str() {
            "drift-trail" => vec![wide.clone()],
            "telescope-over-jetty" => vec![wide.clone(), tele.clone()],
            "sliver-and-copper" => vec![sample("bracket")],
            _ => vec![tele.clone()],
        };
        wrong.extend(compare(&name, &render(layout, &name, &frames)));
        count += 1;
    }
    assert!(count >= 8, "{count} layouts");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn each_blend_onto_a_backplate_draws_what_it_drew() {
    let mut wrong = Vec::new();
    for blend in
        ["Normal", "Multiply", "Screen", "Overlay", "Darken", "Lighten", "SoftLight", "Difference", "PlusLighter"]
    {
        let layout = workshop().join(format!("blend-{blend}.ron"));
        let words = format!(
            "(version: 2, arrangement: SkyTrack(enlarge: 14, foreground: DarkerThanSky(0.5)), \
             selection: (count: 5), light: (blend: {blend}))"
        );
        std::fs::write(&layout, words).unwrap();
        let name = format!("blend-{}", blend.to_lowercase());
        wrong.extend(compare(&name, &render(&layout, &name, &[sample("wide")])));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
