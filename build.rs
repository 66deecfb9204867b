//! A digest of the sources, so that what an earlier build kept in its cache is not taken for this one's.

use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

fn collect(folder: &Path, files: &mut BTreeSet<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            collect(&path, files)
        } else {
            let _ = files.insert(path);
        }
    }
}

fn main() {
    let mut files = BTreeSet::from([PathBuf::from("Cargo.toml"), PathBuf::from("Cargo.lock")]);
    collect(Path::new("src"), &mut files);
    let mut digest = DefaultHasher::new();
    for file in &files {
        file.to_string_lossy().hash(&mut digest);
        std::fs::read(file).unwrap_or_default().hash(&mut digest);
    }
    println!("cargo:rustc-env=MOONLOOM_BUILD={:016x}", digest.finish());
    for watched in ["src", "Cargo.toml", "Cargo.lock"] {
        println!("cargo:rerun-if-changed={watched}");
    }
}
