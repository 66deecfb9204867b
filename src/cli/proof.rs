//! `moonloom proof`: one page that shows what was found.

use super::frames::Source;
use super::looking::{Anew, look_anew, summary};
use super::outcome::{Outcome, Progress, print_json, say, strict, tell};
use super::register::some_moon;
use super::values::{may_be_replaced, wrong};
use clap::Args;
use moonloom::compose::protect_inputs;
use moonloom::proof::{Proof, is_own_page, windows};
use moonloom::solve::Looks;
use moonloom::write::write_text;
use std::path::{Path, PathBuf};

/// Show what was found: one HTML page with every frame's Moon, its limb and shadow, and the night's numbers.
#[derive(Args)]
pub struct ProofArgs {
    /// A folder of frames, or a registration made by `register`
    #[arg(value_name = "FRAMES_DIR|REGISTRATION")]
    frames: PathBuf,
    /// The page (.html); it needs no network and prints on A4
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print all numbers as JSON
    #[arg(long)]
    json: bool,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

/// Refuses what is not to be a page, and to replace what is none.
fn may_be_a_page(out: &Path) -> Outcome {
    let is_page = out.extension().is_some_and(|e| e.eq_ignore_ascii_case("html") || e.eq_ignore_ascii_case("htm"));
    if !is_page {
        return Err(wrong(format!("{} is no name of a page", out.display()), "give it the ending .html"));
    }
    may_be_replaced(out, "no page of this program", is_own_page)
}

pub fn run(args: &ProofArgs) -> Outcome {
    if args.out.is_none() && !args.json {
        return Err(wrong("nothing is asked for".into(), "name the page with --out FILE.html, or ask for --json"));
    }
    if moonloom::ingest::read_metadata(&args.frames).is_ok() {
        let message = format!("{} is a photograph", args.frames.display());
        return Err(wrong(message, "give the folder that it lies in, or a registration"));
    }
    let mut warnings = 0;
    let Source { night, registration, mut said } = Source::read(&args.frames, &mut warnings)?;
    if let Some(out) = &args.out {
        protect_inputs(&night, [out.as_path()].into_iter())?;
        may_be_a_page(out)?;
    }
    let weighed = registration.is_none();
    let registration = match registration {
        Some(registration) => registration,
        // Looked at anew, though one may be kept: what the frames say against the records is said then, and is not kept.
        None => {
            let Anew { found, seconds, .. } = look_anew(&night, Default::default(), &Looks::default());
            warnings += tell(&found.diagnostics);
            say(&summary(&found.value, seconds));
            said.extend(found.diagnostics);
            found.value
        }
    };
    let proof = Proof::of(&night, &registration, &said, weighed);
    proof.sentences.iter().for_each(|s| say(s));
    if args.json {
        print_json(&proof)?;
    }
    if let Some(out) = &args.out {
        let progress = Progress::new("showing frame");
        let windows = windows(&night, &registration, &|name| progress.step(name));
        progress.end();
        write_text(out, &proof.to_html(&windows))?;
        say(&format!("wrote {}", out.display()));
    }
    some_moon(&registration, "a page (`--out FILE.html`) shows each frame with what was rejected in it")?;
    strict(args.strict, warnings)
}
