//! The layouts that come with the program.

use crate::nights::root;
use moonloom::layout::Layout;

#[test]
fn every_layout_parses_and_has_its_preview() {
    let mut count = 0;
    for entry in std::fs::read_dir(root().join("layouts")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "ron") {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        Layout::parse(&path, &text).unwrap_or_else(|d| panic!("{d}"));
        assert!(text.starts_with("//"), "{} opens with its use", path.display());
        assert!(path.with_extension("jpg").exists(), "{} has a preview beside it", path.display());
        count += 1;
    }
    assert!(count >= 3);
}
