//! Flags, words, exit status; one file a subcommand.

mod cache;
mod check;
mod compose;
mod doctor;
mod ephemeris;
mod film;
mod frames;
mod interrupt;
mod layouts;
mod licences;
mod looking;
mod merge;
mod notes;
mod outcome;
#[cfg(feature = "page")]
mod page;
mod plan;
mod proof;
mod reference;
mod register;
mod rehearse;
mod response;
mod shell;
mod values;
mod vigil;
mod watch;

use clap::{Parser, Subcommand};
use outcome::report;
use std::process::ExitCode;

/// Turns a night of lunar eclipse frames into one honest picture.
#[derive(Parser)]
#[command(name = "moonloom", version, about, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    verb: Verb,
    /// How much memory the run may take, such as 2GB or 800MB (default: half of the machine's)
    #[arg(long, global = true, value_name = "SIZE", value_parser = values::bytes)]
    memory: Option<u64>,
}

#[derive(Subcommand)]
enum Verb {
    /// List eclipses, or plan the night of one
    Plan(plan::PlanArgs),
    /// Render the frames that given cameras would take of an eclipse
    Rehearse(rehearse::RehearseArgs),
    /// Write a first shoot.ron beside the frames, from what they say
    Notes(notes::NotesArgs),
    /// Find the Moon in every frame
    Register(register::RegisterArgs),
    /// Look at each frame as it is taken, and say what to change
    Vigil(vigil::VigilArgs),
    /// Make one registration of parts that were looked at apart
    Merge(merge::MergeArgs),
    /// Show what was found: one page to look at and to print
    Proof(proof::ProofArgs),
    /// Do the whole work in a browser
    #[cfg(feature = "page")]
    Page(page::PageArgs),
    /// Make a picture from a layout and a folder of frames
    Compose(compose::ComposeArgs),
    /// Make a steady film of the night
    Film(film::FilmArgs),
    /// Name every fault of a layout, and say what it would draw
    Check(check::CheckArgs),
    /// Render a preview again whenever a layout changes
    Watch(watch::WatchArgs),
    /// Print every field of a layout file
    LayoutReference(reference::ReferenceArgs),
    /// Recover a camera's own curve from bracketed frames
    Response(response::ResponseArgs),
    /// Print where the Moon and the Earth's shadow are
    Ephemeris(ephemeris::EphemerisArgs),
    /// List the layouts that the program brings along, or copy them
    Layouts(layouts::LayoutsArgs),
    /// Say what this machine gives the program, and check it
    Doctor(doctor::DoctorArgs),
    /// List what is inside the program and under which licences
    Licences(licences::LicencesArgs),
    /// Print what a shell needs to complete commands
    Completions(shell::CompletionsArgs),
    /// Write the manual pages
    Manual(shell::ManualArgs),
}

/// Runs the program.
pub fn run() -> ExitCode {
    #[cfg(feature = "raw")]
    // It calls itself to read camera raw, so that a damaged file cannot end the night.
    if let Some(status) = moonloom::ingest::answer_as_raw_reader() {
        return status;
    }
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // A closed pipe while printing help is no fault.
            let _ = e.print();
            return ExitCode::from(if e.use_stderr() { 2 } else { 0 });
        }
    };
    interrupt::listen();
    if let Some(bytes) = cli.memory {
        moonloom::memory::set_limit(bytes);
    }
    report(match cli.verb {
        Verb::Plan(args) => plan::run(&args),
        Verb::Rehearse(args) => rehearse::run(&args),
        Verb::Notes(args) => notes::run(&args),
        Verb::Register(args) => register::run(&args),
        Verb::Vigil(args) => vigil::run(&args),
        Verb::Merge(args) => merge::run(&args),
        Verb::Proof(args) => proof::run(&args),
        #[cfg(feature = "page")]
        Verb::Page(args) => page::run(&args),
        Verb::Compose(args) => compose::run(&args),
        Verb::Film(args) => film::run(&args),
        Verb::Check(args) => check::run(&args),
        Verb::Watch(args) => watch::run(&args),
        Verb::LayoutReference(args) => reference::run(&args),
        Verb::Response(args) => response::run(&args),
        Verb::Ephemeris(args) => ephemeris::run(&args),
        Verb::Layouts(args) => layouts::run(&args),
        Verb::Doctor(args) => doctor::run(&args),
        Verb::Licences(args) => licences::run(&args),
        Verb::Completions(args) => shell::completions(&args),
        Verb::Manual(args) => shell::manual(&args),
    })
}
