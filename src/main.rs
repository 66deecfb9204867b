//! The command line of moonloom.

mod cli;

fn main() -> std::process::ExitCode {
    cli::run()
}
