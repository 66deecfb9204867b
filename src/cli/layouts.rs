//! `moonloom layouts`: the layouts that the program brings along.

use super::outcome::{Outcome, print, say};
use super::values::make_folder;
use clap::Args;
use moonloom::layout::{first_words, stock};
use moonloom::write::write_text;
use std::path::PathBuf;

/// List the layouts that the program brings along, or copy them into a folder to be changed there.
#[derive(Args)]
pub struct LayoutsArgs {
    /// A folder that gets them; files that are there already stay as they are
    #[arg(long, value_name = "DIR")]
    copy: Option<PathBuf>,
}

pub fn run(args: &LayoutsArgs) -> Outcome {
    let Some(folder) = &args.copy else {
        let list: String = stock().map(|(name, text)| format!("{name:<26} {}\n", first_words(text))).collect();
        return print(&list);
    };
    make_folder(folder)?;
    let (mut copied, mut kept) = (0, Vec::new());
    for (name, text) in stock() {
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
