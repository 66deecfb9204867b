//! Where discs are placed, held against values that come from elsewhere: JPL's ephemeris through the published
//! projection formulas, closed forms, and the frames' own truth.

use crate::nights::{moonloom, sample, stderr, text, truth_of};
use crate::table::{Row, Table};
use moonloom::composition::{Composition, Mark};
use moonloom::ingest::{Frame, FrameMetadata, Night, Rig, Site, read_night};
use moonloom::layout::{Layout, resolve};
use moonloom::raster::PixelPoint;
use moonloom::registration::{
    Disc, FrameRegistration, Orientation, OrientationSource, Registration, RigSolution, Sighting,
};
use moonloom::solve::register;
use moonloom::units::{Angle, Instant};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A night of discs that were measured at given instants, north up, 100 px in radius, on frames of 640 x 480.
pub fn made_up(site: Site, instants: &[&str]) -> (Night, Registration) {
    let name = |i: usize| format!("m{i:03}.jpg");
    let frames = instants.iter().enumerate().map(|(i, utc)| Frame {
        path: PathBuf::from(name(i)),
        bytes: None,
        name: name(i),
        metadata: FrameMetadata { width: 640, height: 480, ..FrameMetadata::default() },
        time: Some(moonloom::ingest::CaptureTime { middle: Instant::parse_utc(utc).unwrap(), zone_known: true }),
        rig: 0,
        foreground: false,
        reading: Arc::default(),
    });
    let rig = Rig {
        width: 640,
        height: 480,
        focal_length_mm: None,
        equivalent_focal_length_mm: None,
        camera_model: None,
        focal_length_px: None,
    };
    let night = Night {
        folder: PathBuf::from("."),
        notes: None,
        frames: frames.collect(),
        rigs: vec![rig],
        set_aside: Vec::new(),
        site: Some(site),
        sidecars: Vec::new(),
    };
    let solved = RigSolution {
        width: 640,
        height: 480,
        focal_length_px: None,
        pointings: Vec::new(),
        tracking: None,
        mirrored: None,
        rotation: None,
        clock: None,
    };
    let measured = |(i, utc): (usize, &&str)| FrameRegistration {
        fingerprint: None,
        file: name(i),
        rig: 0,
        time: Instant::parse_utc(utc).ok(),
        sighting: Sighting::Measured(Disc {
            true_radius_px: None,
            centre: PixelPoint::new(320.0, 240.0),
            radius_px: 100.0,
            centre_sigma_px: 0.05,
            fit: None,
        }),
        umbral_fraction: None,
        phase_contradicted: false,
        told: None,
        orientation: Some(Orientation {
            up_position_angle: Angle::ZERO,
            mirrored: false,
            sigma: Angle::ZERO,
            source: OrientationSource::Features,
        }),
        light_ratio: None,
        rejected: Vec::new(),
        foreground: false,
        exclude: false,
        nudge: Default::default(),
    };
    let registration = Registration { rigs: vec![solved], frames: instants.iter().enumerate().map(measured).collect() };
    (night, registration)
}

/// The row's place; UT1 - UTC is taken for a shift of longitude, which is the same turn of the Earth.
fn site(row: &Row<'_>) -> Site {
    Site {
        latitude_deg: row.number("lat_deg"),
        longitude_deg: row.number("lon_deg") + row.number("ut1_utc_s") * 15.041_067 / 3600.0,
        elevation_m: row.number("elev_m"),
    }
}

fn laid(layout: &str, night: &(Night, Registration)) -> Composition {
    let layout = Layout::parse(Path::new("arrangement.ron"), layout).unwrap_or_else(|d| panic!("{d}"));
    resolve(&layout, &night.0, &night.1).unwrap_or_else(|d| panic!("{d}")).value
}

#[test]
fn discs_on_open_sky_lie_where_jpls_moon_falls_by_the_wcs_formulas() {
    let table = Table::read("positions.csv");
    // Calabretta & Greisen 2002, A&A 395, 1077: R of the native latitude theta for TAN (eq. 54), STG (55), ARC (67)
    // and ZEA (69), radians.
    type Radius = fn(f64) -> f64;
    let projections: [(&str, Radius); 4] = [
        ("Tan", |t| t.tan().recip()),
        ("Stg", |t| 2.0 * t.cos() / (1.0 + t.sin())),
        ("Arc", |t| std::f64::consts::FRAC_PI_2 - t),
        ("Zea", |t| (2.0 * (1.0 - t.sin())).sqrt()),
    ];
    let (mut worst, mut count) = (0.0f64, 0);
    for (i, row) in table.rows().enumerate() {
        if row.text("alt_refr_deg").is_empty() || row.number("alt_deg") < 8.0 {
            continue;
        }
        let (name, radius) = projections[i % 4];
        let (altitude, azimuth) = (row.number("alt_refr_deg").to_radians(), row.number("az_deg").to_radians());
        // The canvas looks a few degrees past the Moon: 30 degrees over 1200 pixels.
        let (az0, alt0) = (row.number("az_deg") + 5.0, row.number("alt_refr_deg") - 4.0);
        let night = made_up(site(&row), &[row.text("utc")]);
        let composition = laid(
            &format!(
                "(version: 2, canvas: (width: 1200, height: 900, margin: 0), \
                 arrangement: SkyTrack(backplate: Sky(projection: {name}, centre_deg: ({az0}, {alt0}), width_deg: 30)))"
            ),
            &night,
        );
        // Native coordinates about the middle, by spherical trigonometry.
        let (az0, alt0) = (az0.to_radians(), alt0.to_radians());
        let theta = (altitude.sin() * alt0.sin() + altitude.cos() * alt0.cos() * (azimuth - az0).cos()).asin();
        let right = altitude.cos() * (azimuth - az0).sin();
        let up = altitude.sin() * alt0.cos() - altitude.cos() * alt0.sin() * (azimuth - az0).cos();
        let scale = 600.0 / radius(std::f64::consts::FRAC_PI_2 - 15f64.to_radians());
        let r = scale * radius(theta) / right.hypot(up);
        let due = PixelPoint::new(600.0 + r * right, 450.0 - r * up);
        worst = worst.max(composition.placements[0].centre().distance(due));
        count += 1;
    }
    println!("open sky: {count} places of DE421 in four projections, worst {worst:.4} px at 40 px a degree");
    assert!(count > 40 && worst < 0.02, "{worst}");
}

#[test]
fn discs_of_a_shadow_map_lie_at_jpls_offsets_from_the_shadow() {
    let (positions, shadows) = (Table::read("positions.csv"), Table::read("shadow.csv"));
    let (mut worst, mut count) = (0.0f64, 0);
    for shadow in shadows.rows() {
        let same = |p: &Row<'_>| p.text("site") == shadow.text("site") && p.text("utc") == shadow.text("utc");
        let Some(place) = positions.rows().find(same) else { continue };
        let night = made_up(site(&place), &[shadow.text("utc")]);
        let layout = "(version: 2, canvas: (width: 900, height: 900, margin: 20), \
                      arrangement: ShadowMap(disc_diameter: 40, umbra_outline: true))";
        let composition = laid(layout, &night);
        let Some(Mark::Circle { x_px, y_px, radius_px, .. }) = composition.marks.first() else { panic!("an outline") };
        let disc = &composition.placements[0];
        // xi and eta are the shadow's offset from the Moon, east and north; with north up east is to the left.
        let scale = 20.0 / place.number("sd_arcsec");
        let due =
            PixelPoint::new(x_px + scale * shadow.number("xi_arcsec"), y_px + scale * shadow.number("eta_arcsec"));
        worst = worst.max(disc.centre().distance(due)).max((radius_px - scale * shadow.number("umbra_arcsec")).abs());
        assert!((disc.radius_px - 20.0).abs() < 1e-9);
        count += 1;
    }
    println!("shadow map: {count} places of DE421, worst {worst:.4} px with discs of 40 px");
    assert!(count > 20 && worst < 0.02, "{worst}");
}

const SEVEN: [&str; 7] = [
    "2028-12-31T15:00:00Z",
    "2028-12-31T15:30:00Z",
    "2028-12-31T16:00:00Z",
    "2028-12-31T16:30:00Z",
    "2028-12-31T17:30:00Z",
    "2028-12-31T18:00:00Z",
    "2028-12-31T18:30:00Z",
];

fn perth() -> Site {
    Site { latitude_deg: -31.9, longitude_deg: 115.75, elevation_m: 6.0 }
}

fn centres(c: &Composition) -> Vec<(f64, f64)> {
    c.placements.iter().map(|p| (p.centre().x, p.centre().y)).collect()
}

fn assert_near(found: &[(f64, f64)], due: &[(f64, f64)]) {
    assert_eq!(found.len(), due.len());
    for (f, d) in found.iter().zip(due) {
        assert!((f.0 - d.0).hypot(f.1 - d.1) < 0.02, "{found:?} is not {due:?}");
    }
}

#[test]
fn cells_of_a_grid_are_where_division_puts_them() {
    let night = made_up(perth(), &SEVEN);
    for (order, columns) in [("Reading", [0, 1, 2, 0, 1, 2, 0]), ("Boustrophedon", [0, 1, 2, 2, 1, 0, 0])] {
        let found = laid(
            &format!(
                "(version: 2, canvas: (width: \"120mm\", height: \"90mm\", margin: \"6mm\", dots_per_inch: 254), \
                 arrangement: PhaseGrid(columns: 3, rows: 3, order: {order}))"
            ),
            &night,
        );
        // 254 dots an inch are ten a millimetre: 1200 x 900 px, cells of 360 x 260 from (60, 60) on.
        assert_eq!((found.width, found.height), (1200, 900));
        let due: Vec<(f64, f64)> = columns
            .iter()
            .enumerate()
            .map(|(i, c)| (60.0 + (f64::from(*c) + 0.5) * 360.0, 60.0 + ((i / 3) as f64 + 0.5) * 260.0))
            .collect();
        assert_near(&centres(&found), &due);
    }
}

#[test]
fn discs_on_paths_lie_at_even_lengths_or_times() {
    let night = made_up(perth(), &SEVEN);
    let on = |along: &str, spacing: &str| {
        centres(&laid(
            &format!(
                "(version: 2, canvas: (width: 1000, height: 800, margin: 0), \
                 arrangement: Path(along: {along}, spacing: {spacing}, disc_diameter: 50))"
            ),
            &night,
        ))
    };
    let seven = |at: &dyn Fn(f64) -> (f64, f64)| (0..7).map(|i| at(f64::from(i) / 6.0)).collect::<Vec<_>>();
    let line = "Line(from: (\"10%\", \"25%\"), to: (900, 600))";
    assert_near(&on(line, "ByLength"), &seven(&|s| (100.0 + 800.0 * s, 200.0 + 400.0 * s)));
    // Half hours, with one left out: 0, 1, 2, 3, 5, 6, 7 of 7.
    let by_time: Vec<(f64, f64)> =
        [0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0].map(|h| (100.0 + 800.0 * h / 7.0, 200.0 + 400.0 * h / 7.0)).to_vec();
    assert_near(&on(line, "ByTime"), &by_time);
    let arc = "Arc(centre: (\"50%\", \"50%\"), radius: 300, from_deg: -90, to_deg: 150)";
    assert_near(
        &on(arc, "ByLength"),
        &seven(&|s| {
            let (sin, cos) = (-90.0 + 240.0 * s).to_radians().sin_cos();
            (500.0 + 300.0 * cos, 400.0 + 300.0 * sin)
        }),
    );
    // An SVG path of straight lines: three sides of a square, 600 long.
    let svg = "Svg(path: \"M 200 500 v -200 h 200 V 500\")";
    let sides = [
        (200.0, 500.0),
        (200.0, 400.0),
        (200.0, 300.0),
        (300.0, 300.0),
        (400.0, 300.0),
        (400.0, 400.0),
        (400.0, 500.0),
    ];
    assert_near(&on(svg, "ByLength"), &sides);
    // And of a cubic whose speed is even: its control points cut the line into thirds. The view box of 100 x 80 is
    // fitted onto 1000 x 800.
    let svg = "Svg(path: \"M 10 20 C 30 30 50 40 70 50\", view_box: (100, 80))";
    assert_near(&on(svg, "ByLength"), &seven(&|s| (100.0 + 600.0 * s, 200.0 + 300.0 * s)));
    // A circle is an ellipse; the quarter points of a real one are at its vertices.
    let ellipse = on("Ellipse(centre: (500, 400), radii: (400, 200), from_deg: 0, to_deg: 270)", "ByLength");
    assert_near(
        &[ellipse[0], ellipse[2], ellipse[4], ellipse[6]],
        &[(900.0, 400.0), (500.0, 600.0), (100.0, 400.0), (500.0, 200.0)],
    );
}

#[test]
fn a_spiral_keeps_its_turns_apart_and_its_discs_even() {
    let night = made_up(perth(), &SEVEN);
    let found = centres(&laid(
        "(version: 2, canvas: (width: 1000, height: 1000, margin: 0), arrangement: Path(along: \
         Spiral(centre: (500, 500), inner: 50, outer: 450, turns: 2, from_deg: 0), disc_diameter: 40))",
        &night,
    ));
    // Archimedes: r = a + b phi; arc length from the closed form (b/2)(u sqrt(1+u^2) + asinh u), u = r/b.
    let b = 400.0 / (2.0 * std::f64::consts::TAU);
    let length = |r: f64| {
        let u = r / b;
        b / 2.0 * (u * (1.0 + u * u).sqrt() + u.asinh())
    };
    let whole = length(450.0) - length(50.0);
    for (i, (x, y)) in found.iter().enumerate() {
        // The radius that lies so far along, by halving.
        let (mut low, mut high) = (50.0f64, 450.0f64);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if length(middle) - length(50.0) < whole * i as f64 / 6.0 { low = middle } else { high = middle }
        }
        let (sin, cos) = ((low - 50.0) / b).sin_cos();
        let off = (x - 500.0 - low * cos).hypot(y - 500.0 - low * sin);
        assert!(off < 0.02, "disc {i} is {off} px off");
    }
}

#[test]
fn moments_are_the_frames_nearest_to_them_and_gaps_stay_gaps() {
    let night = made_up(perth(), &SEVEN);
    let layout = |missing: &str| {
        format!(
            "(version: 2, canvas: (width: 600, height: 200, margin: 0), arrangement: PhaseGrid(columns: 6, rows: 1), \
             selection: (at: [\"greatest\", \"U1\", \"2028-12-31T18:31:00Z\"], within_minutes: 12, missing: {missing}), \
             labels: (text: \"{{local:%H:%M}}\", size: 10))"
        )
    };
    // Greatest eclipse at 16:52 UTC (NASA's Five Millennium Catalog: 16:52 TD-corrected to the minute): the nearest
    // frame is 22 minutes off. U1 was at 15:07, seven minutes from the frame of 15:00.
    let gaps = laid(&layout("Empty"), &night);
    let frames: Vec<&str> = gaps.placements.iter().map(|p| p.frame.as_str()).collect();
    assert_eq!(frames, ["m000.jpg", "m006.jpg"]);
    assert_near(&centres(&gaps), &[(150.0, 92.0), (250.0, 92.0)]);
    // Who does not say how far a frame may lie gets the nearest of totality for its greatest: 16:30, after U2 at 16:16.
    let anywhere = laid(&layout("Empty").replace("within_minutes: 12, ", ""), &night);
    let frames: Vec<&str> = anywhere.placements.iter().map(|p| p.frame.as_str()).collect();
    assert_eq!(frames, ["m003.jpg", "m006.jpg"]);
    let filled = laid(&layout("Simulated"), &night);
    assert!(filled.placements[0].simulated && filled.placements[0].frame.starts_with("simulated 2028-12-31T16:5"));
    assert!(filled.texts.iter().any(|t| t.text.ends_with("(simulated)")), "it is marked in its label");
}

/// The value of a column at a time by the cubic through the two rows before and the two after it (Lagrange).
fn lagrange(rows: &[[f64; 4]], at: f64, column: usize) -> Option<f64> {
    let after = rows.iter().position(|r| r[0] > at)?;
    let four = rows.get(after.checked_sub(2)?..after + 2)?;
    // An angle goes on through north.
    let value =
        |r: &[f64; 4]| if column == 3 { (r[3] - four[0][3] + 540.0).rem_euclid(360.0) - 180.0 } else { r[column] };
    let sum: f64 = (0..4)
        .map(|i| {
            let others = (0..4).filter(|j| *j != i);
            value(&four[i]) * others.map(|j| (at - four[j][0]) / (four[i][0] - four[j][0])).product::<f64>()
        })
        .sum();
    Some(if column == 3 { sum + four[0][3] } else { sum })
}

#[test]
fn telescope_discs_land_on_the_wide_lenss_own_moons() {
    let mut night = read_night(&sample("wide")).unwrap().value;
    let mut registration = register(&night, Default::default(), &|_| {}).value;
    let tele = read_night(&sample("tele")).unwrap().value;
    let found = register(&tele, Default::default(), &|_| {}).value;
    let names = night.join(tele);
    registration.join(found, &names);
    let both = (night, registration);
    let layout = "(version: 2, arrangement: SkyTrack(stretch: true), selection: (rig: 1))";
    let discs = laid(layout, &both);
    let (wide, tele) = (truth_of(&sample("wide")), truth_of(&sample("tele")));
    let seconds = |utc: &str| Instant::parse_utc(utc).unwrap().tt_seconds();
    // Time, place and the image's up of the wide lens's own Moons.
    let own: Vec<[f64; 4]> = wide
        .frames
        .iter()
        .filter(|w| w.moon_in_frame)
        .filter_map(|w| Some([seconds(&w.utc), w.x_px?, w.y_px?, w.up_position_angle_deg]))
        .collect();
    let (mut worst, mut worst_turn, mut count, mut slivers) = (0.0f64, 0.0f64, 0, 0);
    for p in &discs.placements {
        let t = tele.frames.iter().find(|t| t.file == p.frame).unwrap();
        // The wide frames before and after it: where their Moons stood tells where one would at its instant.
        let at = seconds(&t.utc);
        let (x, y, up) = match (lagrange(&own, at, 1), lagrange(&own, at, 2), lagrange(&own, at, 3)) {
            (Some(x), Some(y), Some(up)) => (x, y, up),
            _ => continue,
        };
        worst = worst.max(p.centre().distance(PixelPoint::new(x, y)));
        // North on the telescope's frame must come to lie as north does on the wide one.
        let turned = t.up_position_angle_deg + p.turn_rad.to_degrees() - up;
        let turned = (turned + 540.0).rem_euclid(360.0) - 180.0;
        // A last sliver shows neither seas nor the shadow's edge: how far its turn is known is said with it.
        let orientation = both.1.frame(&p.frame).and_then(|f| f.orientation).unwrap();
        if orientation.source == OrientationSource::Sequence {
            println!("  {}: a sliver, turned by the mount alone, {turned:+.2} degrees off", p.frame);
            assert!(turned.abs() < 3.0 * orientation.sigma.degrees(), "{turned}");
            slivers += 1;
        } else {
            worst_turn = worst_turn.max(turned.abs());
        }
        count += 1;
    }
    println!("telescope discs on the wide backplate: {count}, worst {worst:.3} px and {worst_turn:.2} degrees");
    assert!(count >= 25 && slivers <= 2 && worst < 0.3 && worst_turn < 0.5, "{count} {worst} {worst_turn}");
}

#[test]
fn the_command_line_joins_two_cameras() {
    let folder = tempfile::TempDir::new().unwrap();
    let layout = folder.path().join("both.ron");
    let words = "(version: 2, arrangement: SkyTrack(enlarge: 6), selection: (rig: 1, apart: \"7disc\"))";
    std::fs::write(&layout, words).unwrap();
    let (wide, tele, cache) = (sample("wide"), sample("tele"), folder.path().join("cache"));
    let arguments = ["check", text(&layout), text(&wide), "--also", text(&tele), "--cache", text(&cache)];
    let run = moonloom(&arguments);
    assert!(run.status.success(), "{}", stderr(&run));
    let table = String::from_utf8_lossy(&run.stdout).into_owned();
    assert!(table.contains("t00") && !table.contains("w00"), "{table}");
}

#[test]
fn scaling_the_picture_scales_every_placement() {
    let night = made_up(perth(), &SEVEN);
    let layout = "(version: 2, canvas: (width: 1000, height: 700), arrangement: PhaseGrid(columns: 4, rows: 2), \
                  labels: (text: \"{file}\", size: 20))";
    let (whole, half) = (laid(layout, &night), laid(layout, &night).scaled(0.5));
    assert_eq!((half.width, half.height), (500, 350));
    for (a, b) in whole.placements.iter().zip(&half.placements) {
        assert!((a.centre().x / 2.0 - b.centre().x).abs() < 1e-9 && (a.radius_px / 2.0 - b.radius_px).abs() < 1e-9);
        // A canvas point half as far out takes its light from the same source point.
        let at = |p: &moonloom::composition::Placement, k: f64| {
            p.map.source_of(PixelPoint::new(p.centre().x + 10.0 * k, p.centre().y - 4.0 * k))
        };
        assert!(at(a, 1.0).distance(at(b, 0.5)) < 1e-9);
    }
}

#[test]
fn one_night_at_several_zooms_is_one_picture() {
    use crate::nights::{moonloom, stderr, text};
    // Three focal lengths of one lens, and a wide camera whose Moon is a tenth as large.
    let rig = |name: &str, focal: f64, lead: f64| {
        format!(
            "(name: \"{name}\", camera: (model: \"Z\", width_px: 320, height_px: 240, pixel_pitch_um: 30.0, \
             focal_length_mm: {focal}), mount: ReaimedTripod(scatter_px: 20.0), \
             frames: (every_minutes: 60.0, lead_minutes: {lead}), exposures: [\
             (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0), \
             (from_umbral_fraction: 0.9, seconds: 0.3, f_number: 5.6, iso: 800.0)], format: Jpeg(quality: 92)),"
        )
    };
    let scenario = format!(
        "(version: 1, title: \"Zooms\", site: (latitude_deg: -31.9, longitude_deg: 115.75), eclipse: \"2028-12-31\", \
         utc_offset: \"+08:00\", seed: 9, rigs: [{}{}{}{}])",
        rig("a", 200.0, 0.0),
        rig("b", 300.0, 20.0),
        rig("c", 420.0, 40.0),
        rig("w", 42.0, 10.0)
    );
    let folder = tempfile::TempDir::new().unwrap();
    let scenario = moonloom::simulate::Scenario::parse(Path::new("zooms.ron"), &scenario).unwrap();
    moonloom::simulate::rehearse(&scenario, folder.path(), &|_| {}).unwrap();
    let night = folder.path().join("night");
    std::fs::create_dir(&night).unwrap();
    for rig in ["a", "b", "c", "w"] {
        for entry in std::fs::read_dir(folder.path().join(rig)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "jpg") {
                std::fs::copy(&path, night.join(path.file_name().unwrap())).unwrap();
            }
        }
    }
    let notes = std::fs::read_to_string(folder.path().join("a/shoot.ron")).unwrap();
    std::fs::write(night.join("shoot.ron"), notes).unwrap();
    let rigs_shown = |selection: &str| {
        let layout = folder.path().join("layout.ron");
        let words = format!(
            "(version: 2, canvas: (width: 900, height: 900), selection: ({selection}), \
             arrangement: PhaseGrid(columns: 5, rows: 5))"
        );
        std::fs::write(&layout, words).unwrap();
        let run = moonloom(&["compose", text(&layout), text(&night), "--dry-run", "--json"]);
        assert!(run.status.success(), "{}", stderr(&run));
        let json: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
        let placements = json["placements"].as_array().unwrap().clone();
        let times: Vec<String> = placements.iter().map(|p| p["utc"].as_str().unwrap().to_owned()).collect();
        assert!(times.is_sorted(), "all of one night in the order of time: {times:?}");
        let radii: Vec<f64> = placements.iter().map(|p| p["radius_px"].as_f64().unwrap()).collect();
        assert!(radii.iter().all(|r| (r / radii[0] - 1.0).abs() < 1e-6), "each disc by its own scale: {radii:?}");
        let mut letters: Vec<char> =
            placements.iter().map(|p| p["frame"].as_str().unwrap().chars().next().unwrap()).collect();
        let count = letters.len();
        letters.sort_unstable();
        letters.dedup();
        (letters.into_iter().collect::<String>(), count, stderr(&run))
    };
    let (shown, count, said) = rigs_shown("");
    assert_eq!(shown, "abc", "Moons a tenth as large are left out: {said}");
    assert!(count >= 15 && said.contains("other-rigs-left-out"), "{count} {said}");
    let (shown, more, said) = rigs_shown("rig: All");
    assert_eq!(shown, "abcw", "{said}");
    assert!(more > count && !said.contains("other-rigs-left-out"), "{said}");
    assert_eq!(rigs_shown("rig: 0").0.len(), 1);
}

#[test]
fn a_backplate_is_cropped_beside_the_moons_or_shown_whole_on_a_canvas_that_is_given() {
    let night = read_night(&sample("wide")).unwrap().value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    let laid = |how: &str| {
        let words = format!("(version: 2, canvas: (width: 1200, height: 1600), arrangement: SkyTrack({how}))");
        let layout = Layout::parse(Path::new("fit.ron"), &words).unwrap_or_else(|d| panic!("{d}"));
        resolve(&layout, &night, &registration).unwrap()
    };
    // A frame of 3000 x 2000 on a canvas of 1200 x 1600.
    let plain = laid("");
    assert_eq!((plain.value.width, plain.value.height), (3000, 2000));
    assert!(plain.diagnostics.iter().any(|d| d.code == "canvas-not-heeded"), "{:?}", plain.diagnostics);
    let whole = laid("fit: Whole").value;
    let plate = &whole.backplates[0];
    assert_eq!((whole.width, whole.height), (1200, 1600));
    assert!((plate.scale - 0.4).abs() < 1e-9 && (plate.corner_px.1 - 400.0).abs() < 1e-9, "{plate:?}");
    let cropped = laid("fit: Crop").value;
    let plate = &cropped.backplates[0];
    assert!((plate.scale - 0.8).abs() < 1e-9 && plate.corner_px.1.abs() < 1e-9, "{plate:?}");
    assert!(plate.corner_px.0 <= 0.0 && plate.corner_px.0 + plate.size_px.0 >= 1200.0, "the canvas is full: {plate:?}");
    // The Moons' way lies in the middle as far as the frame reaches, and every disc on the frame where it lay before.
    let span = |c: &Composition| {
        let x = |p: &moonloom::composition::Placement| p.centre().x;
        (c.placements.iter().map(x).fold(f64::MAX, f64::min), c.placements.iter().map(x).fold(f64::MIN, f64::max))
    };
    let (low, high) = span(&cropped);
    let free = plate.corner_px.0 < -1e-6 && plate.corner_px.0 + plate.size_px.0 > 1200.0 + 1e-6;
    assert!(!free || ((low + high) / 2.0 - 600.0).abs() < 1.0, "{low} {high}");
    for (a, b) in plain.value.placements.iter().zip(&cropped.placements) {
        let (x, y) = (a.centre().x * 0.8 + plate.corner_px.0, a.centre().y * 0.8 + plate.corner_px.1);
        assert!((b.centre().x - x).hypot(b.centre().y - y) < 0.01);
    }
}
