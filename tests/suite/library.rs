//! What a program that builds on the library may rely on: nights from memory, and a registration that its file gives back whole.

use crate::nights::sample;
use moonloom::compose::{PictureRequest, render};
use moonloom::ingest::{FrameInMemory, Night, NightError, ShootNotes, night_in_memory, read_night};
use moonloom::layout::Layout;
use moonloom::registration::{Registration, read_registration, registration_text};
use moonloom::solve::{ClockSource, register};
use std::path::Path;

/// Every fourth of the sample frames of the long lens, from the disk and from memory.
fn nights() -> (Night, Night) {
    let folder = sample("tele");
    let on_disk = read_night(&folder).unwrap().value;
    let names: Vec<String> = on_disk.frames.iter().step_by(4).map(|f| f.name.clone()).collect();
    let some = moonloom::ingest::read_frames(names.iter().map(|n| folder.join(n)).collect()).unwrap().value;
    let text = std::fs::read_to_string(folder.join("shoot.ron")).unwrap();
    let notes = ShootNotes::parse(Path::new("shoot.ron"), &text).unwrap();
    let frames = names.iter().map(|name| {
        let bytes = std::fs::read(folder.join(name)).unwrap();
        FrameInMemory { name: name.clone(), bytes: bytes.into() }
    });
    let in_memory = night_in_memory(frames.collect(), Some(notes)).unwrap().value;
    (some, in_memory)
}

fn registered(night: &Night) -> Registration {
    register(night, ClockSource::Frames, &|_| {}).value
}

#[test]
fn a_night_in_memory_is_the_night_on_the_disk() {
    let (on_disk, in_memory) = nights();
    let (there, here) = (registered(&on_disk), registered(&in_memory));
    assert!(there.frames.len() >= 6 && there.frames.iter().all(|f| f.fit().is_some()));
    assert_eq!(there, here);
    let layout = "(version: 2, canvas: (width: 400, height: 300), arrangement: PhaseGrid(columns: 4, rows: 2))";
    let layout = Layout::parse(Path::new("l.ron"), layout).unwrap();
    let drawn = |night: &Night, found: &Registration| {
        render(&PictureRequest::new(&layout, night, found)).unwrap().light.data().to_vec()
    };
    assert!(drawn(&on_disk, &there) == drawn(&in_memory, &here), "the pictures differ");
}

#[test]
fn what_is_no_frame_in_memory_is_said() {
    let file = |name: &str, bytes: &[u8]| FrameInMemory { name: name.into(), bytes: bytes.into() };
    let empty = night_in_memory(Vec::new(), None).unwrap_err();
    assert!(matches!(empty, NightError::Empty { .. }) && empty.to_string().contains("in memory"), "{empty}");
    let torn = night_in_memory(vec![file("a.jpg", b"\xff\xd8\xff\xe0 and no more")], None).unwrap_err();
    assert!(torn.to_string().contains("a.jpg"), "{torn}");
    // Camera raw is read by a process of its own, which wants a file.
    let raw = night_in_memory(vec![file("a.raf", b"FUJIFILMCCD-RAW 0201FF389502")], None).unwrap_err();
    assert!(raw.to_string().contains("from files alone"), "{raw}");
}

#[test]
fn a_registrations_file_gives_it_back_whole() {
    for folder in ["tele", "wide"] {
        let found = registered(&read_night(&sample(folder)).unwrap().value);
        let text = registration_text(&found, folder, "digest").unwrap();
        let back = read_registration(Path::new("r.ron"), &text).unwrap();
        assert_eq!(back.registration, found, "{folder}");
        assert_eq!((back.frames_folder.as_str(), back.frames_digest.as_str()), (folder, "digest"));
        assert_eq!(registration_text(&back.registration, folder, "digest").unwrap(), text, "{folder}");
    }
}
