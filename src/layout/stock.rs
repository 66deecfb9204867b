//! The layouts that the program brings along: those of `layouts/`.

macro_rules! stock {
    ($($name:literal),* $(,)?) => { [$(($name, include_str!(concat!("../../layouts/", $name)))),*] };
}

/// Names and texts.
const STOCK: [(&str, &str); 10] = stock![
    "banner.ron",
    "drift-trail.ron",
    "open-sky.ron",
    "panels.ron",
    "phase-grid.ron",
    "shadow-map.ron",
    "sliver-and-copper.ron",
    "spiral.ron",
    "square-ring.ron",
    "telescope-over-jetty.ron",
];

/// Names and texts of the layouts that the program brings along.
pub fn stock() -> impl Iterator<Item = (&'static str, &'static str)> {
    STOCK.into_iter()
}

/// What a layout says of itself: the first paragraph of its comment, on one line.
pub fn first_words(text: &str) -> String {
    let comment = text.lines().skip_while(|l| !l.trim_start().starts_with("//"));
    let lines = comment.map_while(|l| l.trim_start().strip_prefix("//")).map(str::trim);
    lines.take_while(|l| !l.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_layout_of_the_folder_is_brought_along_and_says_what_it_is() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("layouts");
        let mut names: Vec<String> =
            std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
        names.retain(|n| n.ends_with(".ron"));
        names.sort();
        assert_eq!(names, STOCK.map(|s| s.0));
        assert!(STOCK.iter().all(|(_, text)| (10..160).contains(&first_words(text).len())));
    }
}
