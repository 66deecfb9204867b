//! `moonloom layout-reference`: every field of a layout file.

use super::outcome::{Outcome, print, print_json};
use clap::Args;
use moonloom::layout::{reference_text, schema};

/// Print every field of a layout file: what it means, what it takes, what holds when it is left out.
#[derive(Args)]
pub struct ReferenceArgs {
    /// As JSON Schema (draft 2020-12)
    #[arg(long)]
    json: bool,
}

pub fn run(args: &ReferenceArgs) -> Outcome {
    if args.json {
        return print_json(&schema());
    }
    print(&reference_text())
}
