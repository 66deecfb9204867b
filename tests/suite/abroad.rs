//! Nights abroad: four eclipses (two of them partial) seen from both hemispheres, three seeds each, under shadows that are
//! not the program's own and through cameras of four tone curves. What holds on the matrix's one night must hold there.

use crate::table::percentile;
use moonloom::ingest::read_night;
use moonloom::registration::{OrientationSource, Registration, Status};
use moonloom::score::{LIMB_PROMISED, Score, ScoreTable};
use moonloom::simulate::{Scenario, Truth, rehearse};
use moonloom::sky::{Observer, apparent_moon, eclipse_near};
use moonloom::solve::register;
use moonloom::units::Instant;
use std::path::Path;
use std::sync::OnceLock;
use tempfile::TempDir;

/// Latitude, longitude, zone and the time near greatest eclipse.
const PLACES: [(f64, f64, &str, &str); 4] = [
    // Total, high in the south-west of a northern sky.
    (51.5, -0.1, "+01:00", "2015-09-28T02:47:00Z"),
    // Total, high in the north-east of a southern one.
    (-33.9, 18.4, "+02:00", "2018-07-27T20:22:00Z"),
    // All but total, far north.
    (61.2, -149.9, "-09:00", "2021-11-19T09:03:00Z"),
    // Two thirds partial, setting in the south.
    (-31.9, 115.75, "+08:00", "2019-07-16T21:31:00Z"),
];

/// Tone curve, sharpening and noise reduction of the camera that a seed gets.
const CAMERAS: [&str; 4] = [
    "(sharpening: 0.3)",
    "(contrast: 0.35, sharpening: 0.6, smoothing: 0.4, fringe_px: 0.6)",
    "(shoulder: 0.6, sharpening: 0.4, smoothing: 0.5)",
    "(toe: 0.25, sharpening: 0.8, smoothing: 0.3)",
];

fn scenario(place: usize, seed: usize) -> String {
    let (latitude, longitude, zone, greatest) = PLACES[place];
    let observer = Observer::new(latitude, longitude, 50.0).unwrap();
    let eclipse = eclipse_near(Instant::parse_utc(greatest).unwrap()).expect("there is an eclipse");
    let moon = apparent_moon(&observer, eclipse.greatest()).airless;
    let (azimuth, altitude) = (moon.azimuth.normalized().degrees(), moon.altitude.degrees());
    let date = &greatest[..10];
    let camera = CAMERAS[(place + seed) % 4];
    let name = |rig: &str| format!("{}-{seed}-{rig}", &date[..4]);
    let (wide, mid, long) = (name("wide"), name("mid"), name("long"));
    let danjon = [1.4, 2.2, 3.0][seed];
    let exposures = "[
        (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0),
        (from_umbral_fraction: 0.5, seconds: 0.02, f_number: 8.0, iso: 200.0),
        (from_umbral_fraction: 0.95, seconds: 0.25, f_number: 5.6, iso: 800.0),
        (from_umbral_fraction: 0.999, seconds: 0.5, f_number: 5.6, iso: 1600.0),
    ]";
    format!(
        r#"(
            version: 1,
            title: "Abroad",
            site: (latitude_deg: {latitude}, longitude_deg: {longitude}, elevation_m: 50.0),
            eclipse: "{date}",
            utc_offset: "{zone}",
            danjon: {danjon},
            shadow: Drawn,
            seed: {seed},
            rigs: [
                (
                    name: "{wide}",
                    camera: (model: "W", width_px: 900, height_px: 660, pixel_pitch_um: 14.0, focal_length_mm: 21.0, processing: {camera}),
                    mount: FixedTripod(azimuth_deg: {azimuth}, altitude_deg: {altitude}, roll_deg: 0.8),
                    frames: (every_minutes: 20.0, lead_minutes: 2.0),
                    exposures: {exposures},
                    format: Jpeg(quality: 90),
                    mishaps: (cloud: 0.1, lamps: 4, hot_pixels: 10),
                ),
                (
                    name: "{mid}",
                    camera: (model: "M", width_px: 560, height_px: 420, pixel_pitch_um: 31.0, focal_length_mm: 300.0, processing: {camera}),
                    mount: ReaimedTripod(scatter_px: 80.0, roll_scatter_deg: 1.0),
                    frames: (every_minutes: 25.0, lead_minutes: 3.0),
                    exposures: {exposures},
                    format: Jpeg(quality: 88),
                    mishaps: (cloud: 0.15, covered: 0.1, cut: 0.1, ghost: 0.002, shaken: 0.1, clock_ahead_s: 31.0),
                ),
                (
                    name: "{long}",
                    camera: (model: "L", width_px: 640, height_px: 480, pixel_pitch_um: 15.5, focal_length_mm: 500.0, seeing_arcsec: 2.0, processing: {camera}),
                    mount: ReaimedTripod(scatter_px: 50.0, roll_scatter_deg: 0.8),
                    frames: (every_minutes: 25.0, lead_minutes: 1.0),
                    exposures: {exposures},
                    format: Jpeg(quality: 88),
                    mishaps: (cloud: 0.1, cut: 0.1, clock_ahead_s: -64.0, daylight: 0.0005),
                ),
            ],
        )"#
    )
}

struct Abroad {
    truths: Vec<Truth>,
    found: Vec<Registration>,
    scores: Vec<Score>,
}

fn abroad() -> &'static Abroad {
    static ABROAD: OnceLock<Abroad> = OnceLock::new();
    ABROAD.get_or_init(|| {
        let mut nights = Abroad { truths: Vec::new(), found: Vec::new(), scores: Vec::new() };
        for (place, seed) in (0..PLACES.len()).flat_map(|p| (0..3).map(move |s| (p, s))) {
            let folder = TempDir::new().expect("a temporary folder can be made");
            let scenario =
                Scenario::parse(Path::new("abroad.ron"), &scenario(place, seed)).unwrap_or_else(|d| panic!("{d}"));
            for truth in rehearse(&scenario, folder.path(), &|_| {}).expect("the nights are rendered") {
                let night = read_night(&folder.path().join(&truth.rig)).expect("there are frames").value;
                let found = register(&night, Default::default(), &|_| {}).value;
                nights.scores.push(Score::of(&found, &truth));
                nights.found.push(found);
                nights.truths.push(truth);
            }
        }
        println!("{}", ScoreTable(&nights.scores));
        for s in &nights.scores {
            if !s.missed.is_empty() || !s.false_discs.is_empty() {
                println!("{}: missed {:?}, false {:?}", s.rig, s.missed, s.false_discs);
            }
        }
        nights
    })
}

#[test]
fn moons_abroad_are_found_and_nothing_else_is() {
    let (mut shown, mut missed) = (0, 0);
    for s in &abroad().scores {
        assert!(s.false_discs.is_empty(), "{}: no Moon in {:?}", s.rig, s.false_discs);
        (shown, missed) = (shown + s.shown, missed + s.missed.len());
    }
    println!("abroad: {} of {shown} discs found", shown - missed);
    assert!(missed * 100 <= shown, "{missed} of {shown} missed");
}

#[test]
fn discs_abroad_stay_within_the_matrixs_budgets() {
    // A night has a dozen discs a camera: the twelve nights of one lens are judged together.
    for lens in ["wide", "mid", "long"] {
        let nights: Vec<&Score> = abroad().scores.iter().filter(|s| s.rig.ends_with(lens)).collect();
        let discs = || nights.iter().flat_map(|s| s.discs.iter().map(move |d| (&s.rig, d)));
        let promised = || discs().filter(|(_, d)| d.limb_shown >= LIMB_PROMISED);
        let r = promised().map(|(_, d)| d.radius_px).sum::<f64>() / promised().count().max(1) as f64;
        let mut off: Vec<f64> = promised().map(|(_, d)| d.centre_px()).collect();
        off.sort_by(f64::total_cmp);
        let (median, most) = (percentile(&off, 0.5), percentile(&off, 0.95));
        println!(
            "abroad, {lens}: r {r:.0} px, {} discs, centre off {median:.3} px (median), {most:.3} px (95th percentile)",
            off.len()
        );
        for (rig, d) in promised().filter(|(_, d)| d.centre_px() > (0.01 * r).max(0.5)) {
            println!(
                "  {rig} {}: {:?} px, limb {:.2}, umbra {:.2}",
                d.file, d.centre_off_px, d.limb_shown, d.umbral_fraction
            );
        }
        // Weaker than on the matrix at 7 px (0.10 px there): a Moon of a few pixels, partial in all its frames, is pulled
        // towards its lit side by a camera's own curve.
        assert!(median <= (0.003 * r).max(0.15), "{lens}: median {median:.3} px");
        assert!(most <= (0.01 * r).max(0.5), "{lens}: 95th percentile {most:.3} px");
    }
}

/// Errors over their stated standard deviations, sorted.
fn told<'a>(of: impl Fn(&Registration, &Truth) -> Vec<f64> + 'a) -> Vec<f64> {
    let a = abroad();
    let mut out: Vec<f64> = a.found.iter().zip(&a.truths).flat_map(|(f, t)| of(f, t)).map(f64::abs).collect();
    out.sort_by(f64::total_cmp);
    out
}

#[test]
fn stated_errors_abroad_are_honest() {
    let discs =
        |found: &Registration,
         truth: &Truth,
         one: &dyn Fn(&moonloom::registration::FrameRegistration, &moonloom::simulate::FrameTruth) -> Option<f64>|
         -> Vec<f64> {
            let promised = truth.frames.iter().filter(|t| t.moon_in_frame && t.limb_shown >= LIMB_PROMISED);
            promised.filter_map(|t| one(found.frame(&t.file).filter(|f| f.status() == Status::Measured)?, t)).collect()
        };
    let centres = told(|f, t| {
        discs(f, t, &|f, t| {
            let c = f.centre()?;
            // Along one axis: the stated sigma is one of an axis.
            Some(((c.x - t.x_px?).hypot(c.y - t.y_px?)) / 2f64.sqrt() / f.centre_sigma_px()?)
        })
    });
    let radii = told(|f, t| discs(f, t, &|f, t| Some((f.radius_px()? - t.radius_px?) / f.fit()?.radius_sigma_px)));
    let turns_by = |is_meant: &dyn Fn(OrientationSource) -> bool| {
        told(|f, t| {
            discs(f, t, &|f, t| {
                let o = f.orientation.filter(|o| is_meant(o.source))?;
                let off = (o.up_position_angle.degrees() - t.up_position_angle_deg + 180.0).rem_euclid(360.0) - 180.0;
                Some(off / o.sigma.degrees())
            })
        })
    };
    let turns = turns_by(&|source| source != OrientationSource::Sequence);
    let clocks = told(|f, t| {
        f.rigs.iter().filter_map(|r| r.clock.as_ref()).map(|c| (c.ahead_s - t.clock_ahead_s) / c.sigma_s).collect()
    });
    println!("error over stated sigma abroad: median and 90th percentile");
    for (name, values) in [("centre", &centres), ("radius", &radii), ("turn", &turns), ("clock", &clocks)] {
        println!("  {name:<7} {:>5.2} {:>5.2}  of {}", percentile(values, 0.5), percentile(values, 0.9), values.len());
    }
    for source in [
        OrientationSource::Pointing,
        OrientationSource::Features,
        OrientationSource::Shadow,
        OrientationSource::Sequence,
    ] {
        let values = turns_by(&|s| s == source);
        if let (Some(_), count) = (values.first(), values.len()) {
            let (median, most) = (percentile(&values, 0.5), percentile(&values, 0.9));
            println!("  turn by {source:?}: {median:.2} {most:.2}  of {count}");
        }
    }
    for (name, values) in [("centre", &centres), ("radius", &radii), ("turn", &turns), ("clock", &clocks)] {
        assert!(percentile(values, 0.5) <= 1.2 && percentile(values, 0.9) <= 2.5, "{name}");
    }
}
