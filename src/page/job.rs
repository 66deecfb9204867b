//! Work that takes a while: one at a time, with how far it has come, and a way to stop it.

use serde::Serialize;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// How far a job has come.
#[derive(Clone, Debug, Default, Serialize)]
pub(super) struct Progress {
    /// What is done; empty where nothing is.
    pub what: String,
    /// How much of it.
    pub done: usize,
    /// Of so much.
    pub of: usize,
    /// What it came to, when it has ended.
    pub ended: Option<String>,
    /// Whether it failed.
    pub failed: bool,
    /// Whether it heeds a wish to stop.
    pub can_stop: bool,
    /// Whether it has no steps: `done` counts hundredths.
    pub has_no_steps: bool,
}

/// The job that runs, if one does.
#[derive(Default)]
pub(super) struct Job {
    progress: Mutex<Progress>,
    runs: AtomicBool,
    stops: AtomicBool,
}

impl Job {
    /// Begins a job; `false` where another runs.
    pub fn begin(&self, what: &str, of: usize, can_stop: bool) -> bool {
        if self.runs.swap(true, Ordering::AcqRel) {
            return false;
        }
        self.stops.store(false, Ordering::Release);
        *self.lock() = Progress { what: what.to_owned(), of, can_stop, ..Progress::default() };
        true
    }

    /// One step further.
    pub fn step(&self) {
        self.lock().done += 1;
    }

    /// So much is done of what has no steps, 0 to 1.
    pub fn reach(&self, share: f64) {
        let mut progress = self.lock();
        (progress.done, progress.of, progress.has_no_steps) = ((100.0 * share) as usize, 100, true);
    }

    /// Ends it with a sentence.
    pub fn end(&self, result: Result<String, String>) {
        let mut progress = self.lock();
        progress.failed = result.is_err();
        progress.ended = Some(result.unwrap_or_else(|why| why));
        self.runs.store(false, Ordering::Release);
    }

    pub fn stop(&self) {
        self.stops.store(true, Ordering::Release);
    }

    pub fn is_stopped(&self) -> bool {
        self.stops.load(Ordering::Acquire)
    }

    pub fn runs(&self) -> bool {
        self.runs.load(Ordering::Acquire)
    }

    pub fn progress(&self) -> Progress {
        self.lock().clone()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Progress> {
        // A job that panicked has left its progress as it was.
        self.progress.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}
