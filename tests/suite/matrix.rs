//! The truth-scored matrix: five radii, the three usual mounts, good nights and bad ones.
//!
//! `tests/data/rehearsals/matrix.ron` says what goes wrong in which. The table is printed; budgets only
//! tighten. What a budget does not cover is said beside it.

use moonloom::ingest::read_night;
use moonloom::registration::Registration;
use moonloom::score::{Score, ScoreTable};
use moonloom::simulate::{Scenario, Truth, rehearse};
use moonloom::solve::register;
use std::path::Path;
use std::sync::OnceLock;
use tempfile::TempDir;

struct Matrix {
    folder: TempDir,
    truths: Vec<Truth>,
    found: Vec<Registration>,
    scores: Vec<Score>,
}

fn matrix() -> &'static Matrix {
    static MATRIX: OnceLock<Matrix> = OnceLock::new();
    MATRIX.get_or_init(|| {
        let folder = TempDir::new().expect("a temporary folder can be made");
        let name = Path::new("matrix.ron");
        let scenario =
            Scenario::parse(name, include_str!("../data/rehearsals/matrix.ron")).unwrap_or_else(|d| panic!("{d}"));
        let truths = rehearse(&scenario, folder.path(), &|_| {}).expect("the nights are rendered");
        let found: Vec<Registration> = truths
            .iter()
            .map(|t| {
                register(
                    &read_night(&folder.path().join(&t.rig)).expect("there are frames").value,
                    Default::default(),
                    &|_| {},
                )
                .value
            })
            .collect();
        let scores: Vec<Score> = found.iter().zip(&truths).map(|(f, t)| Score::of(f, t)).collect();
        println!("{}", ScoreTable(&scores));
        Matrix { folder, truths, found, scores }
    })
}

fn score(rig: &str) -> &'static Score {
    matrix().scores.iter().find(|s| s.rig == rig).expect("the matrix has the rig")
}

#[test]
fn discs_that_show_a_sixth_of_their_limb_are_found_and_nothing_else_is() {
    let (mut shown, mut missed) = (0, 0);
    for s in &matrix().scores {
        assert!(s.false_discs.is_empty(), "{}: no Moon in {:?}", s.rig, s.false_discs);
        shown += s.shown;
        missed += s.missed.len();
    }
    println!("{} of {shown} discs found", shown - missed);
    assert!(missed * 100 <= shown, "{missed} of {shown} missed");
    assert!(matrix().scores[0].moonless >= 8, "the wide lens has frames without the Moon");
}

#[test]
fn centres_stay_within_their_budgets() {
    for s in &matrix().scores {
        let r = s.radius_px();
        let (median, most) = (s.centre_px(0.5).unwrap(), s.centre_px(0.95).unwrap());
        assert!(median <= (0.003 * r).max(0.10), "{}: median {median:.3} px", s.rig);
        assert!(most <= (0.01 * r).max(0.5), "{}: 95th percentile {most:.3} px", s.rig);
    }
}

#[test]
fn radii_are_within_a_percent_where_half_of_the_limb_shows() {
    for s in &matrix().scores {
        let worst = s.worst_radius().unwrap();
        assert!(worst <= 0.01, "{}: {:.2} %", s.rig, worst * 100.0);
    }
}

#[test]
fn plate_scales_are_within_a_thousandth() {
    for s in &matrix().scores {
        let off = s.plate_scale_off.expect("every rig of the matrix has a plate scale").abs();
        // Out of reach so far where 45-px discs alone tell the scale (no tripod's arc to measure it by):
        // an edge is placed some 0.08 px inside, whatever blur is assumed, and the camera's own curve
        // adds as much again. Two thousandths is what is held there.
        let budget = if s.rig.starts_with("45") { 2e-3 } else { 1e-3 };
        assert!(off <= budget, "{}: {:.3} %", s.rig, off * 100.0);
    }
}

#[test]
fn aims_leave_less_than_a_third_of_a_pixel() {
    for rig in ["09-fixed", "18-fixed-knocked", "250-tracked", "700-tracked"] {
        let residual = score(rig).residual_px.expect("the aim is solved");
        assert!(residual < 0.3, "{rig}: {residual:.3} px");
    }
}

#[test]
fn orientations_are_within_half_a_degree() {
    for s in matrix().scores.iter().filter(|s| s.radius_px() > 150.0) {
        let (median, most) = (s.orientation_deg(0.5).unwrap(), s.orientation_deg(0.95).unwrap());
        assert!(median <= 0.5, "{}: median {median:.2} degrees", s.rig);
        // Cloud, boughs and clipped discs leave few features: there the median alone is promised.
        assert!(most <= 0.5 || s.rig.ends_with("bad"), "{}: 95th percentile {most:.2} degrees", s.rig);
        assert!(s.discs.iter().all(|d| d.mirror_right != Some(false)), "{}: a mirror image was misread", s.rig);
    }
    assert!(matrix().truths.iter().any(|t| t.frames.iter().any(|f| f.mirrored)));
}

#[test]
fn successive_discs_do_not_jitter() {
    for rig in ["250-reaimed", "250-tracked"] {
        let jitter = score(rig).jitter_px(0.95).unwrap();
        assert!(jitter <= 0.15, "{rig}: {jitter:.3} px");
    }
}

#[test]
fn the_shadow_tells_the_clock_within_15_seconds() {
    for rig in ["250-reaimed", "250-tracked"] {
        let (off, sigma) = score(rig).clock_off_s.expect("the shadow is read");
        assert!(off.abs() <= 15.0 && sigma <= 15.0, "{rig}: {off:+.0} \u{b1} {sigma:.0} s");
        assert!(off.abs() <= 4.0 * sigma, "{rig}: {off:+.0} s is more than {sigma:.0} s allows");
    }
}

#[test]
fn a_knock_is_found_at_its_frame() {
    let at = matrix().truths.iter().position(|t| t.rig == "18-fixed-knocked").unwrap();
    let pointings = &matrix().found[at].rigs[0].pointings;
    assert_eq!(pointings.len(), 2, "{pointings:?}");
    // Knocked 170 minutes after the first frame; frames are 11 minutes apart.
    let first = moonloom::units::Instant::parse_utc(&matrix().truths[at].frames[0].utc).unwrap();
    let minutes = pointings[1].from.unwrap().seconds_since(first) / 60.0;
    assert!((169.0..=182.0).contains(&minutes), "{minutes}");
    let turned = pointings[1].pointing.azimuth.degrees() - pointings[0].pointing.azimuth.degrees();
    assert!((turned - 0.12).abs() < 0.02, "{turned}");
}

#[test]
fn lamps_and_ghosts_are_rejected_with_their_reason() {
    use moonloom::registration::RejectionReason;
    let at = matrix().truths.iter().position(|t| t.rig == "09-fixed").unwrap();
    let rejected: Vec<_> = matrix().found[at].frames.iter().flat_map(|f| &f.rejected).collect();
    let still = rejected.iter().filter(|r| r.reason == RejectionReason::DoesNotMove).count();
    println!("{} lights rejected, {still} of them for standing still", rejected.len());
    assert!(still >= 5);
    let named = |f: &&moonloom::registration::FrameRegistration| {
        f.reason().is_some_and(|r| r.contains("was rejected: it does not move with the sky"))
    };
    assert!(matrix().found[at].frames.iter().filter(named).count() >= 5, "Moonless frames name the lamp");
}

#[test]
fn the_worms_swing_and_the_drift_are_recovered() {
    let at = matrix().truths.iter().position(|t| t.rig == "250-tracked").unwrap();
    let rig = &matrix().found[at].rigs[0];
    let tracking = rig.tracking.as_ref().expect("the mount is solved");
    let wobble = tracking.wobble.expect("its swing is seen");
    assert!((wobble.period_s - 900.0).abs() < 10.0 && (wobble.amplitude_px() - 3.0).abs() < 0.3, "{wobble:?}");
    let turning = rig.rotation.expect("the camera's turn is seen");
    assert!((turning.degrees_per_hour - 0.15).abs() < 0.1, "{turning:?}");
    assert_eq!(rig.mirrored, Some(true));
}

#[test]
fn the_program_prints_the_same_table() {
    use crate::nights::{moonloom, stderr, text};
    let registration = matrix().folder.path().join("45.ron");
    let frames = matrix().folder.path().join("45-own-curve");
    let run = moonloom(&["register", text(&frames), "--out", text(&registration)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let run = moonloom(&["rehearse", "--score", text(&registration)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let table = String::from_utf8(run.stdout).unwrap();
    // The file is rounded: what is scored is what it holds.
    let kept = std::fs::read_to_string(&registration).unwrap();
    let kept = moonloom::registration::read_registration(&registration, &kept).unwrap().registration;
    let truth = matrix().truths.iter().find(|t| t.rig == "45-own-curve").unwrap();
    assert_eq!(table, ScoreTable(&[Score::of(&kept, truth)]).to_string());
}

#[test]
fn a_wrong_clock_is_said_and_put_right_only_when_asked() {
    use crate::nights::{moonloom, stderr, text};
    // The re-aimed night's frames with notes that are an hour off: forgotten summer time.
    let folder = TempDir::new().unwrap();
    let source = matrix().folder.path().join("250-reaimed");
    for entry in std::fs::read_dir(&source).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    let notes = folder.path().join("shoot.ron");
    let words = std::fs::read_to_string(&notes).unwrap().replace("+08:00", "+07:00");
    std::fs::write(&notes, words).unwrap();
    let registration = folder.path().join("r.ron");
    let said = moonloom(&["register", text(folder.path()), "--out", text(&registration)]);
    let words = stderr(&said);
    assert!(said.status.success() && words.contains("clock-far-off") && words.contains("time zone"), "{words}");
    let kept = std::fs::read_to_string(&registration).unwrap();
    let asked = moonloom(&["register", text(folder.path()), "--out", text(&registration), "--clock", "from-shadow"]);
    let words = stderr(&asked);
    assert!(asked.status.success() && words.contains("put right") && !words.contains("clock-far-off"), "{words}");
    let repaired = std::fs::read_to_string(&registration).unwrap();
    let first_utc = |text: &str| {
        let at = text.find(" utc: \"").unwrap() + 7;
        moonloom::units::Instant::parse_utc(&text[at..at + 24]).unwrap()
    };
    let shift = first_utc(&repaired).seconds_since(first_utc(&kept));
    // An hour behind in the notes, and the camera 43 s ahead besides.
    assert!((shift + 3600.0 + 43.0).abs() < 15.0, "{shift}");
}

#[test]
fn mirrored_and_turned_frames_come_to_lie_north_up() {
    use moonloom::layout::{Layout, resolve};
    let layout = "(version: 1, selection: (count: 9), arrangement: PhaseGrid(columns: 3, rows: 3, up: North))";
    let layout = Layout::parse(Path::new("north.ron"), layout).unwrap();
    for rig in ["250-tracked", "250-reaimed"] {
        let at = matrix().truths.iter().position(|t| t.rig == rig).unwrap();
        let night = read_night(&matrix().folder.path().join(rig)).unwrap().value;
        let composition = resolve(&layout, &night, &matrix().found[at]).unwrap().value;
        for p in &composition.placements {
            let truth = matrix().truths[at].frames.iter().find(|t| t.file == p.frame).unwrap();
            let [[a, b], [c, d]] = p.map.to_source;
            assert_eq!(a * d - b * c < 0.0, truth.mirrored, "{rig}: mirrored frames are mirrored back");
            // Up on the canvas is this direction of the frame, clockwise from its up.
            let north = (-b).atan2(d).to_degrees();
            let expected = if truth.mirrored { -truth.up_position_angle_deg } else { truth.up_position_angle_deg };
            let off = (north - expected + 180.0).rem_euclid(360.0) - 180.0;
            assert!(off.abs() < 0.5 || truth.umbral_fraction > 0.5, "{rig} {}: {off:.2} degrees", p.frame);
            assert!(off.abs() < 1.5, "{rig} {}: {off:.2} degrees", p.frame);
        }
    }
}
