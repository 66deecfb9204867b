//! The README's words are true.

use crate::nights::root;

#[test]
fn the_readmes_commands_are_the_ones_that_ci_runs() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let ci = std::fs::read_to_string(root().join(".ci/run")).unwrap();
    assert!(
        readme.contains(
            "cargo run --release -- compose layouts/drift-trail.ron sample-frames/wide --out drift-trail.tif"
        )
    );
    assert!(ci.contains("compose layouts/drift-trail.ron sample-frames/wide --out"));
    assert!(readme.contains("\ncargo test\n") && ci.contains("cargo test"));
}

#[test]
fn every_file_the_readme_names_exists() {
    for document in ["README.md", "DEVELOPERS.md", "sample-frames/README.md"] {
        let text = std::fs::read_to_string(root().join(document)).unwrap();
        for (at, _) in text.match_indices("](") {
            let target: String = text[at + 2..].chars().take_while(|c| *c != ')').collect();
            if !target.contains("://") && !target.starts_with('#') {
                let base = root().join(document);
                assert!(base.parent().unwrap().join(&target).exists(), "{document} points to {target}");
            }
        }
    }
}

#[test]
fn the_sample_frames_stay_within_14_megabytes() {
    let mut total = 0;
    for folder in ["wide", "tele"] {
        for entry in std::fs::read_dir(root().join("sample-frames").join(folder)).unwrap() {
            total += entry.unwrap().metadata().unwrap().len();
        }
    }
    assert!(total <= 14_000_000, "{total} bytes");
}
