//! The proof: what it shows agrees with the sky and the frames, and nothing in a frame's name becomes part of the page.

use crate::nights::{moonloom, sample, small_night, stderr, text};
use serde_json::Value;
use std::path::Path;
use tempfile::TempDir;

fn proof(frames: &Path) -> (Value, String) {
    let folder = TempDir::new().unwrap();
    let page = folder.path().join("proof.html");
    let run = moonloom(&["proof", text(frames), "--out", text(&page), "--json"]);
    assert!(run.status.success(), "{}", stderr(&run));
    (serde_json::from_slice(&run.stdout).expect("the numbers are JSON"), std::fs::read_to_string(page).unwrap())
}

fn circle(of: &Value) -> Option<(f64, f64, f64)> {
    Some((of["x"].as_f64()?, of["y"].as_f64()?, of["r"].as_f64()?))
}

/// Shares of a disc inside and outside another circle, and what a picture shows in each: mean of its brightest channel.
fn shares(picture: &image::RgbImage, limb: (f64, f64, f64), umbra: (f64, f64, f64)) -> (f64, f64, f64) {
    let (mut inside, mut outside) = ((0.0, 0.0), (0.0, 0.0));
    for (x, y, p) in picture.enumerate_pixels() {
        let at = (f64::from(x) + 0.5, f64::from(y) + 0.5);
        let within = |c: (f64, f64, f64), share: f64| (at.0 - c.0).hypot(at.1 - c.1) < share * c.2;
        if within(limb, 1.0) {
            let light = f64::from(*p.0.iter().max().unwrap());
            let part = if within(umbra, 1.0) { &mut inside } else { &mut outside };
            *part = (part.0 + 1.0, part.1 + light);
        }
    }
    (inside.0 / (inside.0 + outside.0), inside.1 / f64::max(inside.0, 1.0), outside.1 / f64::max(outside.0, 1.0))
}

#[test]
fn the_shadow_drawn_covers_what_the_sky_says_and_lies_where_the_frame_is_dark() {
    let tele = sample("tele");
    let (numbers, page) = proof(&tele);
    let frames = numbers["frames"].as_array().unwrap();
    let mut checked = 0;
    for f in frames {
        let (Some(limb), Some(umbra)) = (circle(&f["limb"]), circle(&f["umbra"])) else { continue };
        let said = f["umbral_fraction"].as_f64().unwrap();
        if !(0.2..0.8).contains(&said) {
            continue;
        }
        let picture = image::open(tele.join(f["file"].as_str().unwrap())).unwrap().into_rgb8();
        let (share, dark, bright) = shares(&picture, limb, umbra);
        println!(
            "{}: {share:.3} in the circle drawn, {said:.3} by the sky; {dark:.0} within, {bright:.0} outside",
            f["file"]
        );
        assert!((share - said).abs() < 0.01, "{}", f["file"]);
        assert!(bright > 3.0 * dark, "{}: {dark} within, {bright} outside", f["file"]);
        checked += 1;
    }
    assert!(checked >= 6, "{checked}");
    assert_eq!(page.matches("<article").count(), frames.len());
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), frames.len());
    assert!(page.matches("<figure>").count() >= 5, "radius, light, exposure, width, turn");
    // It stands by itself.
    for foreign in ["http://", "https://", "<script", "<link", "@import", "url("] {
        let page = page.replace("http://www.w3.org/2000/svg", "");
        assert!(!page.contains(foreign), "{foreign}");
    }
}

/// Contacts of the total eclipse of 2028 December 31 to the minute, UT (F. Espenak and J. Meeus, Five Millennium Catalog of Lunar
/// Eclipses, NASA/TP-2009-214173: greatest 16:52; from memory: P1 14:03, U1 15:07, U2 16:16, U3 17:28, U4 18:36, P4 19:40).
const CONTACTS: [(&str, &str); 7] = [
    ("P1", "14:03"),
    ("U1", "15:07"),
    ("U2", "16:16"),
    ("greatest", "16:52"),
    ("U3", "17:28"),
    ("U4", "18:36"),
    ("P4", "19:40"),
];

fn minutes(clock: &str) -> f64 {
    clock[..2].parse::<f64>().unwrap() * 60.0 + clock[3..5].parse::<f64>().unwrap()
}

#[test]
fn what_is_missing_is_said() {
    let folder = TempDir::new().unwrap();
    let tele = sample("tele");
    let (whole, _) = proof(&tele);
    for (contact, (name, clock)) in whole["contacts"].as_array().unwrap().iter().zip(CONTACTS) {
        let utc = contact["utc"].as_str().unwrap();
        assert_eq!(contact["name"], name);
        assert!((minutes(&utc[11..16]) - minutes(clock)).abs() <= 1.0, "{name} {utc}");
    }
    // The same night without the frames between U2 and greatest.
    for f in whole["frames"].as_array().unwrap() {
        let (file, utc) = (f["file"].as_str().unwrap(), f["utc"].as_str().unwrap());
        let at = minutes(&utc[11..16]);
        if !(minutes("16:15")..=minutes("16:52")).contains(&at) {
            std::fs::copy(tele.join(file), folder.path().join(file)).unwrap();
        }
    }
    std::fs::copy(tele.join("shoot.ron"), folder.path().join("shoot.ron")).unwrap();
    let (numbers, page) = proof(folder.path());
    let words = numbers["sentences"][2].as_str().unwrap();
    assert!(words.contains("no usable frame between U2 and greatest"), "{words}");
    assert!(page.contains("no usable frame between U2 and greatest"));
}

#[test]
fn a_hostile_name_stays_a_name() {
    let folder = TempDir::new().unwrap();
    let names = ["\"><img src=x onerror=alert(1)>.jpg", "'-->]]>&lt;script>.jpg", "\u{202e}gpj.exe\u{7}.jpg"];
    let mut frames: Vec<_> = std::fs::read_dir(small_night()).unwrap().map(|e| e.unwrap().path()).collect();
    frames.retain(|p| p.extension().is_some_and(|e| e == "jpg"));
    frames.sort();
    for (frame, name) in frames.iter().zip(names) {
        std::fs::copy(frame, folder.path().join(name)).unwrap();
    }
    let notes = std::fs::read_to_string(small_night().join("shoot.ron")).unwrap();
    let title = "title: \"</title><script>alert(2)</script>\",";
    let notes = notes.lines().map(|l| if l.trim_start().starts_with("title:") { title } else { l });
    std::fs::write(folder.path().join("shoot.ron"), notes.collect::<Vec<_>>().join("\n")).unwrap();
    let (numbers, page) = proof(folder.path());
    assert_eq!(numbers["title"], "</title><script>alert(2)</script>");
    for markup in ["<img", "<script", "]]>", "\u{202e}", "\u{7}"] {
        assert!(!page.contains(markup), "{markup:?}");
    }
    assert!(page.contains("&lt;img src=x onerror=alert(1)&gt;"));
    assert_eq!(page.matches("<article").count(), 3);
}

#[test]
fn it_replaces_pages_alone_and_wants_to_know_what_is_asked() {
    let folder = TempDir::new().unwrap();
    let run = moonloom(&["proof", text(small_night())]);
    assert_eq!(run.status.code(), Some(2), "{}", stderr(&run));
    let precious = folder.path().join("notes.html");
    let own_page = folder.path().join("index.html");
    std::fs::write(&own_page, "<!DOCTYPE html><p>a page of somebody's own").unwrap();
    let run = moonloom(&["proof", text(small_night()), "--out", text(&own_page)]);
    assert_eq!(run.status.code(), Some(2), "{}", stderr(&run));
    std::fs::write(&precious, "my own words").unwrap();
    let run = moonloom(&["proof", text(small_night()), "--out", text(&precious)]);
    assert!(!run.status.success() && stderr(&run).contains("is no page"), "{}", stderr(&run));
    assert_eq!(std::fs::read_to_string(&precious).unwrap(), "my own words");
    let frame = std::fs::read_dir(small_night())
        .unwrap()
        .map(|e| e.unwrap().path())
        .find(|p| p.extension().is_some_and(|e| e == "jpg"));
    let run = moonloom(&["proof", text(small_night()), "--out", text(&frame.unwrap())]);
    assert!(!run.status.success(), "a frame is no target");
    // From a registration file, with what was set by hand in it.
    let registration = folder.path().join("night.ron");
    assert!(moonloom(&["register", text(small_night()), "--out", text(&registration)]).status.success());
    let edited = std::fs::read_to_string(&registration).unwrap().replacen("exclude: false", "exclude: true", 1);
    std::fs::write(&registration, edited).unwrap();
    let (numbers, page) = proof(&registration);
    assert_eq!(numbers["frames"].as_array().unwrap().iter().filter(|f| f["excluded"] == true).count(), 1);
    assert!(page.contains("left out by hand"));
    // What a registration file does not keep is not said to have been tested.
    let verdicts = |numbers: &Value| -> Vec<String> {
        numbers["claims"].as_array().unwrap().iter().map(|c| c["verdict"].as_str().unwrap().to_owned()).collect()
    };
    assert!(verdicts(&numbers).iter().all(|v| v == "untested"), "{:?}", verdicts(&numbers));
    let (fresh, _) = proof(small_night());
    assert!(verdicts(&fresh).iter().any(|v| v == "borne-out"), "{:?}", verdicts(&fresh));
}

#[test]
fn lies_are_contradicted_and_other_nights_are_not_this_one() {
    let folder = TempDir::new().unwrap();
    let tele = sample("tele");
    for entry in std::fs::read_dir(&tele).unwrap().map(|e| e.unwrap().path()) {
        std::fs::copy(&entry, folder.path().join(entry.file_name().unwrap())).unwrap();
    }
    let notes = std::fs::read_to_string(tele.join("shoot.ron")).unwrap();
    let lying = notes.replacen("ahead_s: 0.0", "ahead_s: 500.0", 1);
    assert_ne!(notes, lying, "the notes speak of the clock");
    std::fs::write(folder.path().join("shoot.ron"), lying).unwrap();
    // One frame of a year before.
    std::fs::write(folder.path().join("frames.csv"), "file,utc\nt0001.jpg,2027-12-31T14:01:54Z\n").unwrap();
    let (numbers, page) = proof(folder.path());
    let clock = numbers["claims"].as_array().unwrap().iter().find(|c| c["about"] == "Clock").unwrap();
    assert_eq!(clock["verdict"], "contradicted", "{clock}");
    assert!(page.contains("contradicted"));
    let before = numbers["contacts"][0]["before"].as_array();
    assert!(before.is_none_or(|b| b[0] != "t0001.jpg"), "{before:?}");
}
