//! The lie table: each claim of the records falsified on an honest night. The discs must stand as on the honest night, and
//! the lie must be named.

use crate::nights::root;
use moonloom::ingest::read_night;
use moonloom::registration::{Registration, Status};
use moonloom::simulate::{Scenario, Truth, rehearse};
use moonloom::solve::{Looks, register_with};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use tempfile::TempDir;

struct Nights {
    folder: TempDir,
    truths: Vec<Truth>,
    /// What the honest nights' frames show by their pixels alone, which no words about them change: each is looked at once.
    looks: Looks,
}

fn nights() -> &'static Nights {
    static NIGHTS: OnceLock<Nights> = OnceLock::new();
    NIGHTS.get_or_init(|| {
        let folder = TempDir::new().expect("a temporary folder can be made");
        let path = root().join("tests/data/rehearsals/lies.ron");
        let text = std::fs::read_to_string(&path).expect("the scenario is there");
        let scenario = Scenario::parse(&path, &text).unwrap_or_else(|d| panic!("{d}"));
        let truths = rehearse(&scenario, folder.path(), &|_| {}).expect("the nights are rendered");
        let mut looks = Looks::default();
        for truth in &truths {
            let night = read_night(&folder.path().join(&truth.rig)).expect("there are frames").value;
            looks.look(&night, &|_| true, &|_| {});
        }
        Nights { folder, truths, looks }
    })
}

/// A lie: the night it is told of, what in the notes becomes what, times of frames, and which frames are there.
struct Lie {
    name: &'static str,
    rig: &'static str,
    notes: &'static [(&'static str, &'static str)],
    /// Seconds by which `frames.csv` moves every frame's time.
    shift_s: Option<f64>,
    /// Which of the rig's frames the folder holds.
    frames: fn(usize, usize) -> bool,
    /// Codes of which one at least must be said, or none for a lie that does no harm.
    named: &'static [&'static str],
    /// What the help must hold.
    remedy: &'static str,
}

const ALL: fn(usize, usize) -> bool = |_, _| true;

const HONEST: Lie = Lie { name: "honest", rig: "long", notes: &[], shift_s: None, frames: ALL, named: &[], remedy: "" };

const LIES: &[Lie] = &[
    Lie {
        name: "50 mm on a long lens",
        notes: &[("focal_length_mm: None", "focal_length_mm: 50.0")],
        named: &["focal-length-doubtful"],
        remedy: "focal_length_mm: 30",
        ..HONEST
    },
    Lie {
        name: "50 mm on a telescope",
        rig: "tracked",
        notes: &[("focal_length_mm: None", "focal_length_mm: 50.0")],
        named: &["focal-length-doubtful"],
        remedy: "focal_length_mm: 42",
        ..HONEST
    },
    Lie {
        name: "200 mm on a wide lens",
        rig: "wide",
        notes: &[("focal_length_mm: None", "focal_length_mm: 200.0")],
        named: &["focal-length-doubtful"],
        remedy: "focal_length_mm: 20",
        ..HONEST
    },
    Lie {
        name: "tripod, though tracked",
        rig: "tracked",
        notes: &[("mount: Tracking", "mount: FixedTripod")],
        named: &["mount-doubtful"],
        remedy: "mount: Tracking",
        ..HONEST
    },
    Lie {
        name: "tracked, though a tripod",
        rig: "wide",
        notes: &[("mount: FixedTripod", "mount: Tracking")],
        named: &["mount-doubtful"],
        remedy: "mount: FixedTripod",
        ..HONEST
    },
    Lie {
        name: "zone 3 h off",
        notes: &[("+08:00", "+11:00")],
        named: &["clock-far-off", "clock-zone-doubtful"],
        remedy: "+08:00",
        ..HONEST
    },
    Lie {
        name: "zone 3 h off, three frames",
        notes: &[("+08:00", "+11:00")],
        frames: |i, _| (7..10).contains(&i),
        named: &["clock-far-off", "clock-zone-doubtful", "phase-contradicts-time"],
        ..HONEST
    },
    Lie {
        name: "zone an hour off on a wide tripod",
        rig: "wide",
        notes: &[("+08:00", "+07:00")],
        named: &["clock-zone-doubtful", "aim-doubtful"],
        ..HONEST
    },
    Lie {
        name: "the other hemisphere",
        notes: &[("latitude_deg: -31.9", "latitude_deg: 31.9")],
        named: &["site-doubtful"],
        remedy: "latitude_deg: -31.9",
        ..HONEST
    },
    Lie {
        name: "west, though east",
        notes: &[("longitude_deg: 115.75", "longitude_deg: -115.75")],
        named: &["moon-below-horizon"],
        remedy: "longitude_deg: 115.75",
        ..HONEST
    },
    Lie {
        name: "a year off",
        shift_s: Some(-366.0 * 86_400.0),
        named: &["date-doubtful"],
        remedy: "ahead_s: -316",
        ..HONEST
    },
    Lie {
        name: "stale time in every file",
        shift_s: Some(f64::NAN),
        named: &["same-time", "phase-contradicts-time"],
        ..HONEST
    },
    Lie { name: "the first half alone", frames: |i, n| i < n / 2, ..HONEST },
    Lie { name: "the second half alone", frames: |i, n| i >= n / 2, ..HONEST },
];

/// A folder with a rig's frames and falsified notes.
fn told(lie: &Lie) -> TempDir {
    let folder = TempDir::new().expect("a temporary folder can be made");
    let source = nights().folder.path().join(lie.rig);
    let truth = nights().truths.iter().find(|t| t.rig == lie.rig).expect("the rig is rehearsed");
    let mut table = String::from("file,utc\n");
    for (i, frame) in truth.frames.iter().enumerate() {
        if !(lie.frames)(i, truth.frames.len()) {
            continue;
        }
        std::fs::copy(source.join(&frame.file), folder.path().join(&frame.file)).expect("it can be copied");
        if let Some(shift) = lie.shift_s {
            let first = moonloom::units::Instant::parse_utc(&truth.frames[0].utc).unwrap();
            let own = moonloom::units::Instant::parse_utc(&frame.utc).unwrap();
            let said = if shift.is_nan() { first } else { own.plus_seconds(shift) };
            writeln!(table, "{},{}", frame.file, said.to_iso_utc()).unwrap();
        }
    }
    if lie.shift_s.is_some() {
        std::fs::write(folder.path().join("frames.csv"), table).unwrap();
    }
    let mut notes = std::fs::read_to_string(source.join("shoot.ron")).unwrap();
    for (honest, false_words) in lie.notes {
        assert!(notes.contains(honest), "{}: `{honest}` stands in the notes", lie.name);
        notes = notes.replace(honest, false_words);
    }
    std::fs::write(folder.path().join("shoot.ron"), notes).unwrap();
    folder
}

fn registered(folder: &Path, looks: &Looks) -> (Registration, Vec<(String, String)>) {
    let read = read_night(folder).expect("there are frames");
    let found = register_with(&read.value, Default::default(), looks, &|_| {});
    let said = read.diagnostics.iter().chain(&found.diagnostics);
    let words = said.map(|d| (d.code.to_string(), format!("{d}"))).collect();
    (found.value, words)
}

/// How many of a night's discs are right, and how many frames show one that should not.
fn score(found: &Registration, rig: &str) -> (usize, usize, Vec<String>) {
    let truth = nights().truths.iter().find(|t| t.rig == rig).unwrap();
    let (mut right, mut shown, mut wrong) = (0, 0, Vec::new());
    for t in &truth.frames {
        let Some(f) = found.frame(&t.file) else { continue };
        let measured = f.disc().filter(|_| f.status() == Status::Measured);
        if !t.moon_in_frame {
            if measured.is_some() {
                wrong.push(format!("{}: no Moon", t.file));
            }
            continue;
        }
        shown += 1;
        let (x, y, r) = (t.x_px.unwrap(), t.y_px.unwrap(), t.radius_px.unwrap());
        match measured {
            Some(d)
                if (d.centre.x - x).hypot(d.centre.y - y) < (0.01 * r).max(0.5)
                    && (d.radius_px / r - 1.0).abs() < 0.02 =>
            {
                right += 1;
            }
            Some(d) => wrong.push(format!(
                "{}: {:.1} px off, radius {:.2} of {r:.2}",
                t.file,
                (d.centre.x - x).hypot(d.centre.y - y),
                d.radius_px
            )),
            None => {}
        }
    }
    (right, shown, wrong)
}

#[test]
fn no_lie_moves_a_disc_and_each_is_named() {
    let honest: Vec<(&str, usize)> = ["long", "wide", "tracked"]
        .into_iter()
        .map(|rig| {
            let (found, said) = registered(&nights().folder.path().join(rig), &nights().looks);
            let (right, shown, wrong) = score(&found, rig);
            println!("honest {rig}: {right} of {shown} right {wrong:?}");
            let doubts: Vec<&String> = said.iter().map(|s| &s.0).filter(|c| c.contains("doubt")).collect();
            assert!(doubts.is_empty() && wrong.is_empty(), "an honest night is doubted: {doubts:?} {wrong:?}");
            assert!(right * 10 >= shown * 6, "{rig}: {right} of {shown}");
            (rig, right)
        })
        .collect();
    let (mut faults, none) = (Vec::new(), Looks::default());
    println!("{:<36} {:<9} right    named", "lie", "night");
    for lie in LIES {
        let folder = told(lie);
        let partial = (lie.frames as usize) != (ALL as usize);
        // How small a Moon is searched for depends on which frames are there: fewer are looked at anew.
        let (found, said) = registered(folder.path(), if partial { &none } else { &nights().looks });
        let (right, shown, wrong) = score(&found, lie.rig);
        let named: Vec<&str> = said.iter().map(|s| s.0.as_str()).filter(|code| lie.named.contains(code)).collect();
        println!("{:<36} {:<9} {right:>2} of {shown:<2} {}", lie.name, lie.rig, named.join(", "));
        let whole = honest.iter().find(|h| h.0 == lie.rig).unwrap().1;
        if !wrong.is_empty() || (!partial && right < whole) || (partial && right < shown) {
            faults.push(format!("{}: {right} of {shown} right, {wrong:?}", lie.name));
        }
        if !lie.named.is_empty() && named.is_empty() {
            let codes: Vec<&str> = said.iter().map(|s| s.0.as_str()).collect();
            faults.push(format!("{}: not named; said were {codes:?}", lie.name));
        }
        if !lie.remedy.is_empty() && !said.iter().any(|s| lie.named.contains(&s.0.as_str()) && s.1.contains(lie.remedy))
        {
            let words: Vec<&String> = said.iter().filter(|s| lie.named.contains(&s.0.as_str())).map(|s| &s.1).collect();
            faults.push(format!("{}: `{}` is not in {words:?}", lie.name, lie.remedy));
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

/// Two cameras in one folder: each is solved by itself.
#[test]
fn two_cameras_in_one_folder_are_two_rigs() {
    let folder = TempDir::new().unwrap();
    let mut names: Vec<PathBuf> = Vec::new();
    for rig in ["long", "tracked"] {
        let source = nights().folder.path().join(rig);
        for entry in std::fs::read_dir(&source).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "jpg") {
                std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
                names.push(path);
            }
        }
    }
    let notes = std::fs::read_to_string(nights().folder.path().join("long/shoot.ron")).unwrap();
    std::fs::write(folder.path().join("shoot.ron"), notes).unwrap();
    let (found, _) = registered(folder.path(), &Looks::default());
    for rig in ["long", "tracked"] {
        let (right, shown, wrong) = score(&found, rig);
        assert!(wrong.is_empty() && right == shown, "{rig}: {right} of {shown} {wrong:?}");
    }
}

#[test]
fn a_wide_tripods_discs_stand_as_without_a_zone_three_hours_off() {
    use crate::nights::{sample, text};
    let folder = TempDir::new().unwrap();
    for entry in std::fs::read_dir(sample("wide")).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    let notes = folder.path().join("shoot.ron");
    let words = std::fs::read_to_string(&notes).unwrap().replace("+08:00", "+05:00");
    std::fs::write(&notes, words).unwrap();
    let mut looks = Looks::default();
    let mut found = |folder: &Path| {
        let night = read_night(folder).unwrap_or_else(|e| panic!("{}: {e}", text(folder))).value;
        looks.look(&night, &|_| true, &|_| {});
        register_with(&night, Default::default(), &looks, &|_| {})
    };
    let (honest, lying) = (found(&sample("wide")).value, found(folder.path()));
    assert!(lying.diagnostics.iter().any(|d| d.code == "clock-zone-doubtful"), "{:?}", lying.diagnostics);
    let mut most = 0.0f64;
    for f in &honest.frames {
        let other = lying.value.frame(&f.file).unwrap();
        assert_eq!(f.status(), other.status(), "{}", f.file);
        if let (Some(a), Some(b)) = (f.centre(), other.centre()) {
            most = most.max(a.distance(b));
        }
    }
    println!("wide lens, zone three hours off: discs within {most:.3} px of the honest night's");
    assert!(most < 0.05, "{most}");
}
