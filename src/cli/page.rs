//! `moonloom page`: the whole work in a browser.

use super::cache::user_cache;
use super::outcome::{Exit, Failure, Outcome, say};
use super::values::wrong;
use clap::Args;
use moonloom::diag::Diagnostic;
use moonloom::page::{PageRequest, serve};
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// Do the whole work in a browser: frames, picture, night, vigil.
///
/// The page is served to this machine alone, under an address with a key that is printed and opened. What it writes (shoot.ron,
/// frames.csv, registration.ron, layouts, pictures) goes into the folder of the frames. Ctrl-C ends it.
#[derive(Args)]
pub struct PageArgs {
    /// The folder of the frames
    #[arg(value_name = "FRAMES_DIR")]
    folder: PathBuf,
    /// Another camera's folder of the same night: its discs stand in the pictures (repeatable)
    #[arg(long, value_name = "FRAMES_DIR")]
    also: Vec<PathBuf>,
    /// A layout to begin with (default: the one that was worked on here, else a grid of the phases)
    #[arg(long, value_name = "FILE.ron")]
    layout: Option<PathBuf>,
    /// The port (default: any that is free)
    #[arg(long, value_name = "NUMBER", default_value_t = 0)]
    port: u16,
    /// Print the address and open no browser
    #[arg(long)]
    no_browser: bool,
}

pub fn run(args: &PageArgs) -> Outcome {
    if !args.folder.is_dir() {
        return Err(wrong(format!("{} is no folder", args.folder.display()), "name the folder of the frames"));
    }
    if let Some(also) = args.also.iter().find(|also| !also.is_dir()) {
        return Err(wrong(format!("{} is no folder", also.display()), "name another camera's folder of frames"));
    }
    let request = PageRequest {
        folder: args.folder.clone(),
        also: args.also.clone(),
        layout: args.layout.clone(),
        port: args.port,
        cache: user_cache(),
    };
    let ready = |address: &str| {
        say(&format!("the page is at {address}\ninterrupt to end"));
        if !args.no_browser {
            open_browser(address);
        }
    };
    serve(&request, ready).map_err(|e| {
        let help = "name another port with --port, or leave it out; check that the folder and the layout can be read";
        let message = format!("the page cannot be served: {e}");
        Failure::new(Exit::Machine, Diagnostic::error("page-unserved", message).with_help(help))
    })
}

/// As each system opens an address; where that fails, it stands in the terminal.
fn open_browser(address: &str) {
    let mut command = if cfg!(target_os = "windows") {
        let mut command = Command::new("cmd");
        command.args(["/C", "start", ""]);
        command
    } else if cfg!(target_os = "macos") {
        Command::new("open")
    } else {
        Command::new("xdg-open")
    };
    let _ = command.arg(address).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
}
