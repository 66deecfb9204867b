//! `moonloom layouts`: the layouts that the program brings along.

use super::outcome::{Outcome, print, say};
use super::values::make_folder;
use clap::Args;
use moonloom::write::write_text;
use std::path::PathBuf;

/// List the layouts that the program brings along, or copy them into a folder to be changed there.
#[derive(Args)]
pub struct LayoutsArgs {
    /// A folder that gets them; files that are there already stay as they are
    #[arg(long, value_name = "DIR")]
    copy: Option<PathBuf>,
}

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

/// What a layout says of itself: the first paragraph of its comment, on one line.
fn first_words(text: &str) -> String {
    let comment = text.lines().skip_while(|l| !l.trim_start().starts_with("//"));
    let lines = comment.map_while(|l| l.trim_start().strip_prefix("//")).map(str::trim);
    lines.take_while(|l| !l.is_empty()).collect::<Vec<_>>().join(" ")
}

pub fn run(args: &LayoutsArgs) -> Outcome {
    let Some(folder) = &args.copy else {
        let list: String = STOCK.iter().map(|(name, text)| format!("{name:<26} {}\n", first_words(text))).collect();
        return print(&list);
    };
    make_folder(folder)?;
    let (mut copied, mut kept) = (0, Vec::new());
    for (name, text) in STOCK {
        let path = folder.join(name);
        if path.symlink_metadata().is_ok() {
            kept.push(name);
            continue;
        }
        write_text(&path, text)?;
        copied += 1;
    }
    say(&format!("{copied} layouts copied into {}", folder.display()));
    if !kept.is_empty() {
        say(&format!("there already, and left as they are: {}", kept.join(", ")));
    }
    Ok(())
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
