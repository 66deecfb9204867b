//! `moonloom completions` and `moonloom manual`: what a shell and a reader of manual pages want.

use super::Cli;
use super::outcome::{Exit, Failure, Outcome, print, say};
use super::values::make_folder;
use clap::{Args, CommandFactory};
use clap_complete::Shell;
use moonloom::diag::Diagnostic;
use moonloom::write::write_text;
use std::path::PathBuf;

/// Print what a shell needs to complete commands and flags.
#[derive(Args)]
pub struct CompletionsArgs {
    /// The shell
    #[arg(value_enum)]
    shell: Shell,
}

/// Write the manual pages, one a command (roff, section 1).
#[derive(Args)]
pub struct ManualArgs {
    /// The folder that gets them
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

fn text(fill: impl FnOnce(&mut Vec<u8>) -> std::io::Result<()>) -> Result<String, Failure> {
    let mut bytes = Vec::new();
    let failed = |why: String| Failure::new(Exit::Machine, Diagnostic::error("cannot-write", why));
    fill(&mut bytes).map_err(|e| failed(e.to_string()))?;
    String::from_utf8(bytes).map_err(|e| failed(e.to_string()))
}

pub fn completions(args: &CompletionsArgs) -> Outcome {
    let words = text(|out| {
        clap_complete::generate(args.shell, &mut Cli::command(), "moonloom", out);
        Ok(())
    })?;
    print(&words)
}

pub fn manual(args: &ManualArgs) -> Outcome {
    make_folder(&args.out)?;
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    let mut pages = vec![("moonloom".to_owned(), command.clone())];
    for sub in command.get_subcommands() {
        let name = format!("moonloom-{}", sub.get_name());
        pages.push((name, sub.clone()));
    }
    let count = pages.len();
    for (name, page) in pages {
        let words = text(|out| clap_mangen::Man::new(page).render(out))?;
        write_text(&args.out.join(format!("{name}.1")), &words)?;
    }
    say(&format!("{count} pages in {}", args.out.display()));
    Ok(())
}
