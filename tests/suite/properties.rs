//! Promises that hold for any numbers.

use crate::nights::small_night;
use moonloom::blend::{DevelopedDisc, FramePixels, Renderer, develop, source_window};
use moonloom::composition::Placement;
use moonloom::detect::DiscFit;
use moonloom::ingest::{Night, read_night};
use moonloom::labels::Typeface;
use moonloom::layout::{Layout, resolve};
use moonloom::raster::{PixelPoint, Similarity};
use moonloom::registration::{Disc, FrameRegistration, Registration, Sighting, Status};
use moonloom::sky::{CameraPointing, Horizontal, Lens, Refraction};
use moonloom::solve::register;
use moonloom::units::{Angle, Exposure, Instant};
use proptest::prelude::*;
use std::path::Path;
use std::sync::{Arc, OnceLock};

proptest! {
    #[test]
    fn utc_survives_the_round_trip(seconds in -1_000_000_000i64..4_000_000_000) {
        let utc = jiff_timestamp(seconds);
        prop_assert_eq!(Instant::from_utc(utc).to_utc(), utc);
    }

    #[test]
    fn the_sky_survives_the_camera(az in -40.0..40.0f64, alt in 1.0..50.0f64, roll in -20.0..20.0f64, k1 in -0.03..0.03f64) {
        let camera = CameraPointing {
            lens: Lens { k1, ..Lens::rectilinear(3000, 2000, 1500.0) },
            azimuth: Angle::ZERO,
            altitude: Angle::from_degrees(20.0),
            roll: Angle::from_degrees(roll),
        };
        let seen = Horizontal { altitude: Angle::from_degrees(alt), azimuth: Angle::from_degrees(az) };
        let back = camera.to_sky(camera.to_pixel(seen).unwrap());
        prop_assert!((back.direction() - seen.direction()).norm() < 1e-7);
    }

    #[test]
    fn similarities_undo_themselves(x in -1e4..1e4f64, y in -1e4..1e4f64, scale in 0.01..50.0f64, turn in -4.0..4.0f64) {
        let map = Similarity {
            source_centre: PixelPoint::new(12.0, 7.0),
            target_centre: PixelPoint::new(-3.0, 900.0),
            scale,
            turn: Angle::from_radians(turn),
        };
        let p = PixelPoint::new(x, y);
        prop_assert!(map.invert(map.apply(p)).distance(p) < 1e-6);
    }

    #[test]
    fn refraction_lifts_and_never_crosses(alt in -0.9..89.0f64) {
        let air = Refraction::default();
        let lifted = air.apparent_altitude(Angle::from_degrees(alt));
        let higher = air.apparent_altitude(Angle::from_degrees(alt + 0.05));
        prop_assert!(lifted.degrees() > alt && higher.degrees() > lifted.degrees());
    }

    #[test]
    fn half_the_light_for_twice_the_time_is_the_same(seconds in 1e-4..10.0f64, n in 1.0..32.0f64, iso in 50.0..25_600.0f64) {
        let a = Exposure::new(seconds, n, iso);
        let b = Exposure::new(2.0 * seconds, n, iso / 2.0);
        prop_assert!((a.light_gain() / b.light_gain() - 1.0).abs() < 1e-12);
    }
}

fn jiff_timestamp(seconds: i64) -> jiff::Timestamp {
    jiff::Timestamp::from_second(seconds).unwrap()
}

struct Developed(Vec<Arc<DevelopedDisc>>);

impl FramePixels for Developed {
    fn disc(&self, index: usize) -> Option<Arc<DevelopedDisc>> {
        self.0.get(index).cloned()
    }
    fn gain(&self, index: usize) -> [f32; 3] {
        [1.0 + 0.1 * index as f32, 1.0, 0.9]
    }
}

#[test]
fn bands_of_any_height_give_the_same_pixels() {
    let night = read_night(small_night()).unwrap().value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    let layout = "(version: 1, canvas: (width_px: 500, height_px: 420, margin_px: 10), arrangement: PhaseGrid(columns: 3, rows: 3), labels: (text: \"{local:%H:%M}\", size_px: 16))";
    let layout = Layout::parse(Path::new("grid.ron"), layout).unwrap();
    let composition = resolve(&layout, &night, &registration).unwrap().value;
    let developed = |p: &Placement| {
        let frame = night.frame(&p.frame).unwrap().open().unwrap();
        Arc::new(develop(vec![frame.light(source_window(p, p.map.source_centre))], 1, p, &composition))
    };
    let pixels = Developed(composition.placements.iter().map(developed).collect());
    let words = Typeface::open(None).unwrap().stamps(&composition.texts);
    let renderer = Renderer::new(&composition, &pixels, &words);
    let whole = renderer.rows(0..420);
    for height in [1, 7, 64, 113] {
        let mut banded = Vec::new();
        let mut y = 0;
        while y < 420 {
            banded.extend(renderer.rows(y..(y + height).min(420)));
            y += height;
        }
        assert!(banded == whole, "bands of {height} rows");
    }
}

#[test]
fn the_order_of_the_files_changes_nothing() {
    let night = read_night(small_night()).unwrap().value;
    let mut paths: Vec<_> = night.frames.iter().map(|f| f.path.clone()).collect();
    paths.reverse();
    let reversed = moonloom::ingest::read_frames(paths).unwrap().value;
    let a = register(&night, Default::default(), &|_| {}).value;
    let b = register(&reversed, Default::default(), &|_| {}).value;
    assert_eq!(a.frames, b.frames);
}

/// A registration of a frame a minute, some of them planted bad (clipped over nine tenths), none better than the others.
fn planted(bad: &[bool]) -> Registration {
    let night = read_night(small_night()).unwrap().value;
    let mut registration = register(&night, Default::default(), &|_| {}).value;
    let good = registration.frames.iter().find(|f| f.status() == Status::Measured).unwrap().clone();
    let (start, disc) = (good.time.unwrap(), *good.disc().unwrap());
    registration.frames = bad
        .iter()
        .enumerate()
        .map(|(i, bad)| {
            let fit = DiscFit { saturated_share: if *bad { 0.9 } else { 0.0 }, disc_level: 0.5, ..disc.fit.unwrap() };
            let fit = DiscFit { centre: PixelPoint::new(160.0, 120.0), ..fit };
            FrameRegistration {
                file: format!("{i:03}"),
                time: Some(start.plus_seconds(60.0 * i as f64)),
                sighting: Sighting::Measured(Disc::from(fit)),
                light_ratio: None,
                rejected: Vec::new(),
                ..good.clone()
            }
        })
        .collect();
    registration
}

/// Which frames of a planted night a selection takes.
fn taken(registration: &Registration, selection: &str) -> Vec<usize> {
    let layout = format!(
        "(version: 2, canvas: (width: 3000, height: 3000), \
         arrangement: PhaseGrid(columns: 10, rows: 10, up: AsShot), selection: ({selection}))"
    );
    let layout = Layout::parse(Path::new("planted.ron"), &layout).unwrap();
    let placed = resolve(&layout, &Night::default(), registration).unwrap().value.placements;
    placed.iter().map(|p| p.frame.parse().unwrap()).collect()
}

#[test]
fn discs_that_nobody_would_show_are_passed_over_where_others_are_enough() {
    let mut bad = [false; 41];
    bad[14..27].fill(true);
    let registration = planted(&bad);
    let chosen = taken(&registration, "count: 5");
    assert!(chosen.len() == 5 && chosen.iter().all(|&i| !bad[i]), "{chosen:?}");
    // Whoever says how far a frame may lie from its place gets what is there, and whoever wants all gets all.
    assert!(taken(&registration, "count: 5, within_minutes: 3").iter().any(|&i| bad[i]));
    assert!(taken(&registration, "count: 30").iter().any(|&i| bad[i]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn no_chosen_frame_is_beaten_within_its_reach(bad in proptest::collection::vec(any::<bool>(), 30..70), count in 4usize..9, minutes in 4usize..9) {
        static GOOD: OnceLock<Registration> = OnceLock::new();
        let template = GOOD.get_or_init(|| planted(&[false; 70]));
        let mut registration = template.clone();
        registration.frames.truncate(bad.len());
        for (f, bad) in registration.frames.iter_mut().zip(&bad) {
            if let Sighting::Measured(Disc { fit: Some(fit), .. }) = &mut f.sighting {
                fit.saturated_share = if *bad { 0.9 } else { 0.0 };
            }
        }
        // So many, evenly spread: none bad where a good one stands as near to its place between its neighbours.
        let chosen = taken(&registration, &format!("count: {count}"));
        prop_assert_eq!(chosen.len(), count);
        let place = (bad.len() - 1) as f64 / (count - 1) as f64;
        for (k, &i) in chosen.iter().enumerate() {
            let (after, before) = (if k == 0 { -1 } else { chosen[k - 1] as i64 }, chosen.get(k + 1).map_or(bad.len(), |n| *n));
            let off = |j: usize| (j as f64 - place * k as f64).abs();
            // Far from its place only where all that is nearer is bad, or shown already.
            let mut nearer = (0..bad.len()).filter(|&j| off(j) <= place && !chosen.contains(&j));
            prop_assert!(off(i) <= place || nearer.all(|j| bad[j]), "frame {i} for place {k}");
            let better = (0..before).filter(|&j| j as i64 > after && !bad[j] && off(j) <= off(i));
            prop_assert!(!bad[i] || better.count() == 0, "{chosen:?}: {i} is bad");
        }
        // So far apart: never nearer, none bad where a good one keeps the distance to both neighbours, and none left out
        // for which there is room.
        let chosen = taken(&registration, &format!("minutes_apart: {minutes}"));
        prop_assert!(chosen.windows(2).all(|p| p[1] - p[0] >= minutes), "{chosen:?}");
        for (k, &i) in chosen.iter().enumerate() {
            let from = if k == 0 { 0 } else { chosen[k - 1] + minutes };
            let to = chosen.get(k + 1).map_or(bad.len() - 1, |n| n - minutes);
            prop_assert!(!bad[i] || (from..=to).all(|j| bad[j]), "{chosen:?}: {i} is bad");
        }
        let room = |p: &[usize]| p[1] - p[0] >= 2 * minutes;
        prop_assert!(!chosen.windows(2).any(room), "{chosen:?} leaves room");
    }
}
