//! The vigil: the right word after each planted fault, and none where nothing is wrong.

use crate::nights::{moonloom, sample, stderr, text};
use moonloom::camera::Mount;
use moonloom::simulate::{Scenario, rehearse};
use moonloom::vigil::{FrameReport, Kind, Vigil, Wishes};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// The text of a night of small frames.
fn scenario_text(name: &str) -> String {
    r#"(
        version: 1,
        title: "A watched night",
        site: (latitude_deg: -31.9, longitude_deg: 115.75),
        eclipse: "2028-12-31",
        utc_offset: "+08:00",
        seed: 11,
        rigs: [(
            name: "NAME",
            camera: (model: "Test camera", width_px: 360, height_px: 300, pixel_pitch_um: 51.0, focal_length_mm: 500.0),
            mount: ReaimedTripod(scatter_px: 25.0),
            frames: (every_minutes: 5.0, tail_minutes: -190.0),
            exposures: [
                (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0),
                (from_umbral_fraction: 0.6, seconds: 0.01, f_number: 8.0, iso: 200.0),
                (from_umbral_fraction: 0.999, seconds: 0.5, f_number: 5.6, iso: 1600.0),
            ],
            format: Jpeg(quality: 92),
            mishaps: (),
        )],
    )"#
    .replace("NAME", name)
}

/// A night of small frames; `change` alters its text.
fn night(folder: &Path, name: &str, change: impl Fn(String) -> String) -> PathBuf {
    let text = change(scenario_text(name));
    let scenario = Scenario::parse(Path::new("watched.ron"), &text).unwrap_or_else(|d| panic!("{d}"));
    rehearse(&scenario, folder, &|_| {}).unwrap();
    folder.join(name)
}

/// The frames of a folder by their names, which are in the order of their times.
pub fn frames(folder: &Path) -> Vec<PathBuf> {
    let mut out: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    out.retain(|p| p.extension().is_some_and(|e| e == "jpg"));
    out.sort();
    out
}

/// Takes frames one after another.
pub fn watch(paths: &[PathBuf]) -> (Vec<FrameReport>, Vigil) {
    let mut vigil = Vigil::new(Wishes::default());
    let reports = paths.iter().map(|p| vigil.take(p, None).unwrap()).collect();
    (reports, vigil)
}

/// At which frames a kind was spoken of first.
pub fn said(reports: &[FrameReport], kind: impl Fn(Kind) -> bool) -> Vec<(usize, String)> {
    let of = |(i, r): (usize, &FrameReport)| {
        r.said.advice.iter().filter(|a| kind(a.kind)).map(|a| (i, a.text.clone())).collect::<Vec<_>>()
    };
    reports.iter().enumerate().flat_map(of).collect()
}

/// Frames of one night up to a number, then those of another: what a fault in the middle of a night looks like.
fn spliced(folder: &Path, (first, then): (&Path, &Path), at: usize) -> Vec<PathBuf> {
    let spliced = folder.join("spliced");
    std::fs::create_dir_all(&spliced).unwrap();
    std::fs::copy(first.join("shoot.ron"), spliced.join("shoot.ron")).unwrap();
    let mut out = Vec::new();
    for (i, (a, b)) in frames(first).into_iter().zip(frames(then)).enumerate() {
        let to = spliced.join(format!("s{i:03}.jpg"));
        std::fs::copy(if i < at { a } else { b }, &to).unwrap();
        out.push(to);
    }
    out
}

#[test]
fn each_planted_fault_is_named_within_two_frames() {
    let folder = TempDir::new().unwrap();
    let good = night(folder.path(), "good", |t| t);
    let (reports, mut vigil) = watch(&frames(&good));
    let worth: Vec<_> = said(&reports, |k| !matches!(k, Kind::Contact(..)));
    assert!(worth.is_empty(), "{worth:?}");
    // Contacts are announced, each once: P1 lies before the first frame.
    let contacts = said(&reports, |k| matches!(k, Kind::Contact(..)));
    assert!(!contacts.is_empty() && contacts.len() <= 3, "{contacts:?}");
    // A full card: nothing comes.
    let last = reports.last().unwrap().utc.as_deref().unwrap();
    let last = moonloom::units::Instant::parse_utc(last).unwrap();
    assert!(vigil.wait(last.plus_seconds(400.0)).advice.iter().all(|a| a.kind != Kind::Silence));
    let silent = vigil.wait(last.plus_seconds(1000.0));
    assert!(silent.advice.iter().any(|a| a.kind == Kind::Silence), "{silent:?}");

    const AT: usize = 12;
    // No more frames than are watched.
    let short = |t: String| t.replace("tail_minutes: -190.0", "tail_minutes: -235.0");
    let blurred = night(folder.path(), "blurred", |t| short(t).replace("mishaps: ()", "mishaps: (defocus_px: 2.5)"));
    let windy = night(folder.path(), "windy", |t| short(t).replace("mishaps: ()", "mishaps: (dragged_px: (6, 2))"));
    let clouded = night(folder.path(), "clouded", |t| t.replace("mishaps: ()", "mishaps: (cloud: 1.0)"));
    let dark = night(folder.path(), "dark", |t| {
        short(t).replace("seconds: 0.005", "seconds: 0.0005").replace("seconds: 0.01", "seconds: 0.001")
    });
    let clipped = night(folder.path(), "clipped", |t| {
        short(t).replace("seconds: 0.005", "seconds: 0.05").replace("seconds: 0.01", "seconds: 0.1")
    });
    // A dial that was turned by two stops, though the frames are not black yet.
    let turned = night(folder.path(), "turned", |t| short(t).replace("mishaps: ()", "mishaps: (exposed_stops: -2.0)"));
    // The good frames are watched once, in the place of those of each night that goes on otherwise.
    let begun = watch(&spliced(folder.path(), (&good, &good), AT)[..AT]);
    for (with, kind, words) in [
        (turned, Kind::Dark, "is two stops under"),
        (blurred, Kind::Focus, "focus has slipped"),
        (
            windy.clone(),
            Kind::Trailing,
            "wind, or a head that gives way? Shelter the tripod, tighten it: the disc trails",
        ),
        (dark, Kind::Dark, "under"),
        (clipped, Kind::Clipped, "is clipped"),
    ] {
        let mut reports = begun.0.clone();
        let mut watched = begun.1.clone();
        let taken = spliced(folder.path(), (&good, &with), AT);
        reports.extend(taken[AT..AT + 4].iter().map(|p| watched.take(p, None).unwrap()));
        let told = said(&reports, |k| k == kind);
        assert!(
            matches!(told.first(), Some((i, text)) if (AT..AT + 2).contains(i) && text.contains(words)),
            "{kind:?}: {told:?}"
        );
        let others = said(&reports, |k| !matches!(k, Kind::Contact(..)) && k != kind);
        assert!(others.iter().all(|(i, _)| *i >= AT), "{kind:?}: {others:?}");
        std::fs::remove_dir_all(folder.path().join("spliced")).unwrap();
    }
    // Once is no wind: that frame is shaken, and nothing is said of the next.
    let jolted = spliced(folder.path(), (&good, &windy), AT);
    std::fs::copy(&frames(&good)[AT + 1], &jolted[AT + 1]).unwrap();
    let told = said(&watch(&jolted[..AT + 2]).0, |k| !matches!(k, Kind::Contact(..)));
    assert!(matches!(&told[..], [(AT, text)] if text.contains("is shaken")), "{told:?}");
    std::fs::remove_dir_all(folder.path().join("spliced")).unwrap();
    // Cloud is thin here and thick there: where it takes more than a stop and a third from two frames in a row, it is said.
    let (reports, _) = watch(&spliced(folder.path(), (&good, &clouded), AT));
    let lost = |r: &FrameReport| r.light_ratio.is_some_and(|l| l < 0.4);
    let twice = reports.windows(2).position(|w| lost(&w[0]) && lost(&w[1]));
    let told = said(&reports, |k| k == Kind::Cloud);
    assert_eq!(told.first().map(|t| t.0), twice.map(|i| i + 1), "{told:?}");
    assert!(twice.is_some(), "the rehearsed cloud is too thin to be told");
}

/// A camera's clock that is ahead, and one that is behind, as a rehearsal at sixty times real speed shows them: its files are marked
/// with the night's own time.
#[test]
fn a_rehearsed_clock_is_held_against_the_rehearsed_nights_time() {
    use moonloom::vigil::{Heard, Watch};
    let folder = TempDir::new().unwrap();
    for (name, ahead_s, words) in [("ahead", "43", "s ahead of"), ("behind", "-400", "s behind")] {
        let rehearsal = folder.path().join(format!("{name}.ron"));
        let scenario = scenario_text(name)
            .replace("mishaps: ()", &format!("mishaps: (clock_ahead_s: {ahead_s})"))
            .replace("tail_minutes: -190.0", "tail_minutes: -305.0");
        std::fs::write(&rehearsal, scenario).unwrap();
        let paced = folder.path().join(format!("{name}-paced"));
        let run = moonloom(&["rehearse", text(&rehearsal), "--out", text(&paced), "--pace", "60000"]);
        assert!(run.status.success(), "{}", stderr(&run));
        let mut watch = Watch::new(&paced.join(name), Wishes::default(), 60_000.0);
        let (mut said, mut seen) = (Vec::new(), 0);
        let started = std::time::Instant::now();
        while seen < 4 && started.elapsed().as_secs() < 60 {
            watch.look(&mut |heard, _| {
                if let Heard::Frame(report) = heard {
                    seen += 1;
                    said.extend(
                        report.said.advice.iter().filter(|a| a.kind == Kind::Clock).map(|a| (seen, a.text.clone())),
                    );
                }
            });
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        println!("{name}: {said:?} of {seen} frames");
        assert!(matches!(said.first(), Some((i, text)) if *i <= 3 && text.contains(words)), "{name}: {said:?}");
    }
}

/// Dew comes by and by; a mount that drifts carries the Moon out of the frame; both are told in time.
#[test]
fn dew_and_a_mount_that_drifts_are_named_in_time() {
    let folder = TempDir::new().unwrap();
    let often =
        |t: String| t.replace("every_minutes: 5.0, tail_minutes: -190.0", "every_minutes: 3.0, tail_minutes: -270.0");
    let wet = night(folder.path(), "wet", |t| {
        often(t).replace("mishaps: ()", "mishaps: (dew_per_hour: 1.0, from_minutes: 30.0)")
    });
    let (reports, _) = watch(&frames(&wet)[..20]);
    let asked = said(&reports, |k| !matches!(k, Kind::Contact(..)));
    println!("dew from minute 30 on: {asked:?}");
    // A third of the light is lost after twenty minutes.
    assert!(
        matches!(asked.first(), Some((i, text)) if (30..60).contains(&(3 * i)) && text.contains("dew")),
        "{asked:?}"
    );
    let drifting = night(folder.path(), "drifting", |t| {
        often(t).replace(
            "ReaimedTripod(scatter_px: 25.0)",
            "Tracking(up_position_angle_deg: 5.0, drift_px_per_hour: (160.0, 6.0))",
        )
    });
    let (reports, _) = watch(&frames(&drifting)[..20]);
    let asked = said(&reports, |k| !matches!(k, Kind::Contact(..)));
    println!("a mount that drifts: {asked:?}");
    assert!(
        matches!(asked.first(), Some((_, text)) if text.contains("re-aim within") && text.contains("right edge")),
        "{asked:?}"
    );
    // Five minutes or a frame and a half before the limb is cut.
    let leaves = reports[asked[0].0].leaves_in_minutes.unwrap();
    assert!((1.0..=5.0).contains(&leaves), "{leaves} min before");
    let standing = night(folder.path(), "standing", |t| {
        t.replace("ReaimedTripod(scatter_px: 25.0)", "Tracking(up_position_angle_deg: 5.0)")
            .replace("tail_minutes: -190.0", "tail_minutes: -270.0")
            .replace("mishaps: ()", "mishaps: (dragged_px: (5, 4), from_minutes: 40)")
    });
    let (reports, _) = watch(&frames(&standing));
    let asked = said(&reports, |k| !matches!(k, Kind::Contact(..)));
    println!("a mount whose drive stands from the ninth frame on: {asked:?}");
    let told = asked.iter().find(|(_, text)| text.contains("look at the mount's drive"));
    assert!(told.is_some_and(|(i, _)| (8..10).contains(i)), "{asked:?}");
    assert!(asked.iter().all(|(i, _)| *i >= 8), "{asked:?}");
}

#[test]
fn a_tripod_that_was_touched_and_a_moon_that_leaves_are_named() {
    let folder = TempDir::new().unwrap();
    let fixed = |t: String| {
        t.replace("ReaimedTripod(scatter_px: 25.0)", "FixedTripod(azimuth_deg: 12.0, altitude_deg: 33.0)")
            .replace(
                "width_px: 360, height_px: 300, pixel_pitch_um: 51.0, focal_length_mm: 500.0",
                "width_px: 900, height_px: 600, pixel_pitch_um: 24.0, focal_length_mm: 50.0",
            )
            .replace(
                "every_minutes: 5.0, tail_minutes: -190.0",
                "every_minutes: 6.0, lead_minutes: 0.0, tail_minutes: -120.0",
            )
    };
    let knocked = night(folder.path(), "knocked", |t| {
        fixed(t).replace("mishaps: ()", "mishaps: (knocks: [(after_minutes: 75, by_deg: (0.6, -0.4, 0.3))])")
    });
    let (reports, _) = watch(&frames(&knocked));
    let told = said(&reports, |k| k == Kind::Moved);
    let at = |i: usize| moonloom::units::Instant::parse_utc(reports[i].utc.as_deref().unwrap()).unwrap();
    let minutes = |i: usize| at(i).seconds_since(at(0)) / 60.0;
    assert!(told.len() == 1 && (75.0..88.0).contains(&minutes(told[0].0)), "{told:?}");
    // The frames say when it meets the edge: it is told before, and then it is cut or gone.
    let leaves = said(&reports, |k| k == Kind::Leaving);
    let last_whole = reports.iter().rposition(|r| r.state == "measured").unwrap();
    println!("{leaves:?} of {} frames, the last whole one {last_whole}", reports.len());
    match leaves.first() {
        Some((i, text)) => assert!(text.contains("edge") && *i + 2 >= last_whole, "{leaves:?}"),
        None => assert_eq!(last_whole, reports.len() - 1, "it left unannounced"),
    }
    let noted = moonloom::ingest::read_night(&knocked).unwrap().value.mount();
    assert_eq!(noted, Mount::FixedTripod);
}

#[test]
fn of_good_frames_hardly_one_gives_a_false_alarm() {
    let mut frames_seen = 0;
    let mut alarms: Vec<(&str, (usize, String))> = Vec::new();
    for folder in ["tele", "wide"] {
        let all = frames(&sample(folder));
        let (reports, _) = watch(&all[..all.len().min(24)]);
        frames_seen += reports.len();
        alarms.extend(said(&reports, |k| !matches!(k, Kind::Contact(..))).into_iter().map(|a| (folder, a)));
    }
    println!("{frames_seen} good frames, alarms: {alarms:?}");
    // The wide lens's exposures are for the landscape: in its first frame of totality a third of the disc is clipped, and
    // rightly named.
    let rightly =
        |(folder, (_, text)): &(&str, (usize, String))| *folder == "wide" && text.contains("of the disc is clipped");
    assert_eq!(alarms.iter().filter(|a| rightly(a)).count(), 1, "{alarms:?}");
    assert!(alarms.iter().all(rightly), "{alarms:?}");
}

#[test]
fn the_command_judges_what_is_there_and_survives_what_is_none() {
    let folder = TempDir::new().unwrap();
    let good = night(folder.path(), "good", |t| t.replace("every_minutes: 5.0", "every_minutes: 25.0"));
    let all = frames(&good);
    std::fs::write(good.join("empty.jpg"), b"").unwrap();
    std::fs::write(good.join("words.txt"), b"no frame").unwrap();
    let bytes = std::fs::read(&all[1]).unwrap();
    std::fs::write(good.join("torn.jpg"), &bytes[..bytes.len() / 20]).unwrap();
    std::fs::copy(&all[0], good.join("twin.jpg")).unwrap();
    let log = folder.path().join("night.log");
    let run = moonloom(&["vigil", text(&good), "--once", "--json", "--log", text(&log)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let lines: Vec<serde_json::Value> =
        String::from_utf8(run.stdout).unwrap().lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert!(lines.iter().all(|l| l["schema"] == "moonloom-vigil-1"));
    // The contacts stand in each frame's line, and count what has been taken.
    let contacts = |l: &serde_json::Value| l["contacts"].as_array().map_or(0, Vec::len);
    assert!(
        lines.iter().filter(|l| l["utc"].is_string()).all(|l| contacts(l) == 7),
        "P1, U1, U2, greatest, U3, U4, P4"
    );
    assert!(lines.iter().filter(|l| l["state"] == "measured").count() > all.len(), "frames and their twin");
    assert_eq!(std::fs::read_to_string(log).unwrap().lines().count(), lines.len());
    // The plan's own file tells the site and the eclipse; a file that is none is refused before a frame is looked at.
    for (rig, status) in [("sample-frames/saltbush-jetty.ron", 0), ("README.md", 2)] {
        let alone = folder.path().join(format!("alone-{status}"));
        std::fs::create_dir(&alone).unwrap();
        std::fs::copy(&all[0], alone.join("first.jpg")).unwrap();
        let run =
            moonloom(&["vigil", text(&alone), "--once", "--json", "--rig", text(&crate::nights::root().join(rig))]);
        assert_eq!(run.status.code(), Some(status), "{}", stderr(&run));
    }
    let run = moonloom(&["vigil", "nowhere", "--once"]);
    assert_eq!(run.status.code(), Some(2));
}
