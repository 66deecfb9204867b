//! What can be taken back, and made again.

use crate::registration::FrameRegistration;

/// Steps that can be taken back.
const MOST_STEPS: usize = 200;

/// Something that a person changed, as it was before.
#[derive(Clone)]
pub(super) enum Step {
    /// A layout's name and text.
    Layout(String, String),
    /// One frame of the registration.
    Frame(Box<FrameRegistration>),
    /// A file beside the frames, by its name: the text that it gets (`None`: it is taken away), and the one that it had when this step
    /// was made; another is somebody else's.
    Beside { name: &'static str, text: Option<String>, over: Option<String> },
}

/// The steps on either side of now.
#[derive(Default)]
pub(super) struct Steps {
    pub undo: Vec<Step>,
    pub redo: Vec<Step>,
}

impl Steps {
    /// A change was made: what was before can be had again.
    pub fn done(&mut self, before: Step) {
        self.undo.push(before);
        let surplus = self.undo.len().saturating_sub(MOST_STEPS);
        self.undo.drain(..surplus);
        self.redo.clear();
    }

    /// The step that is next on one side.
    pub fn next(&self, back: bool) -> Option<&Step> {
        if back { self.undo.last() } else { self.redo.last() }
    }

    /// Takes the next step from one side.
    pub fn take(&mut self, back: bool) -> Option<Step> {
        if back { self.undo.pop() } else { self.redo.pop() }
    }

    /// What was before such a step is the next one on the other side.
    pub fn put(&mut self, back: bool, before: Step) {
        if back { self.redo.push(before) } else { self.undo.push(before) }
    }

    /// Frames were looked at anew: as they were found before is no step, it would bring back what was found then.
    pub fn forget_frames(&mut self) {
        let is_kept = |step: &Step| !matches!(step, Step::Frame(_));
        self.undo.retain(is_kept);
        self.redo.retain(is_kept);
    }
}
