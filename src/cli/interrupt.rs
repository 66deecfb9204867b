//! A run that is interrupted leaves nothing half written.

use super::outcome::say;

/// Listens for an interruption (Ctrl-C, or a polite request to end): files that are not complete are removed, and the run
/// ends with 128 and the signal's number, as shells expect.
#[cfg(unix)]
pub fn listen() {
    use signal_hook::consts::{SIGINT, SIGTERM};
    // Without listening a run ends as well, but leaves its unfinished file until a later one takes it away.
    let Ok(mut signals) = signal_hook::iterator::Signals::new([SIGINT, SIGTERM]) else { return };
    std::thread::spawn(move || {
        if let Some(signal) = signals.forever().next() {
            moonloom::write::abandon_unfinished();
            say("interrupted: what was not finished has been removed, all else is as it was");
            std::process::exit(128 + signal);
        }
    });
}

/// Elsewhere the system ends the run.
#[cfg(not(unix))]
pub fn listen() {}
