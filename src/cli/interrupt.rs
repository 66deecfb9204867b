//! A run that is interrupted leaves nothing half written.

use super::outcome::say;
use std::sync::mpsc::channel;
use std::time::Duration;

/// Listens for an interruption (Ctrl-C, a polite request to end, a terminal that is closed): files that are not complete are removed, and the run
/// ends with 128 and the signal's number, as shells expect.
#[cfg(unix)]
pub fn listen() {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    // A closed terminal ends a run too, unless somebody said that it should not and the system tells so.
    let hang_up = cfg!(target_os = "linux").then_some(SIGHUP);
    let heeded = [SIGINT, SIGTERM].into_iter().chain(hang_up).filter(|signal| !is_ignored(*signal));
    // Without listening a run ends as well, but leaves its unfinished file until a later one takes it away.
    let Ok(mut signals) = signal_hook::iterator::Signals::new(heeded) else { return };
    std::thread::spawn(move || {
        if let Some(signal) = signals.forever().next() {
            moonloom::write::abandon_unfinished();
            // Somebody else may hold a standard error that nobody reads.
            let (said, is_said) = channel();
            std::thread::spawn(move || {
                say("interrupted; nothing half written is left");
                let _ = said.send(());
            });
            let _ = is_said.recv_timeout(Duration::from_millis(300));
            std::process::exit(128 + signal);
        }
    });
}

/// Whether whoever started the program wants it to go on after a signal (a script's job in the background), where the
/// system says.
#[cfg(unix)]
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|l| l.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|m| u64::from_str_radix(m.trim(), 16).ok()).unwrap_or(0);
    mask >> (signal - 1) & 1 == 1
}

/// Elsewhere the system ends the run.
#[cfg(not(unix))]
pub fn listen() {}
