//! What a person changes of a frame, the layout, or a text beside the frames; each change can be taken back, and made again.

use super::desk::{Desk, Work};
use super::steps::Step;
use crate::registration::FrameRegistration;
use std::sync::Arc;

impl Work {
    /// A change was made: what was before can be had again.
    fn done(&mut self, before: Step) {
        self.steps.done(before);
        self.version += 1;
    }

    /// Puts a step's own state in its place; what stood there comes back.
    fn swap(&mut self, step: Step) -> Option<Step> {
        match step {
            Step::Layout(name, text) => {
                let before = Step::Layout(self.layout_name.clone(), self.layout.clone());
                (self.layout_name, self.layout) = (name, text);
                Some(before)
            }
            Step::Frame(frame) => {
                let registration = Arc::make_mut(&mut self.found.as_mut()?.registration);
                let now = registration.frames.iter_mut().find(|f| f.file == frame.file)?;
                Some(Step::Frame(Box::new(std::mem::replace(now, *frame))))
            }
            // Files are not on the desk.
            Step::Beside { .. } => None,
        }
    }
}

/// Why something has to wait.
const BUSY: &str = "something is being done already: wait for it, or stop it";

impl Desk {
    /// Changes one frame of the registration; it can be taken back.
    pub fn change_frame(
        &self,
        index: usize,
        change: impl FnOnce(&mut FrameRegistration, (usize, usize)) -> Result<(), String>,
    ) -> Result<(), String> {
        let _one_at_a_time = self.one_change();
        {
            let mut work = self.work();
            if let Some(why) = &work.locked {
                return Err(why.clone());
            }
            let found = work.found.as_mut().ok_or("the frames were not looked at yet")?;
            let registration = Arc::make_mut(&mut found.registration);
            let size =
                registration.frames.get(index).map(|f| registration.size_of(f)).ok_or("there is no such frame")?;
            let mut frame = registration.frames[index].clone();
            change(&mut frame, size)?;
            let before = std::mem::replace(&mut registration.frames[index], frame);
            work.done(Step::Frame(Box::new(before)));
        }
        self.keep_registration()
    }

    /// Changes the layout; it can be taken back.
    pub fn change_layout(
        &self,
        change: impl FnOnce(&mut String, &mut String) -> Result<(), String>,
    ) -> Result<(), String> {
        let _one_at_a_time = self.one_change();
        {
            let mut work = self.work();
            let (mut name, mut text) = (work.layout_name.clone(), work.layout.clone());
            change(&mut name, &mut text)?;
            if let Some(before) = work.swap(Step::Layout(name, text)) {
                work.done(before);
            }
        }
        self.keep_layout()
    }

    /// Changes a text beside the frames, of which there may be none yet, and reads the night anew; it can be taken back.
    pub fn change_beside(
        &self,
        name: &'static str,
        change: impl FnOnce(Option<&str>) -> Result<String, String>,
    ) -> Result<(), String> {
        let _one_at_a_time = self.one_change();
        if self.job.runs() {
            return Err(BUSY.into());
        }
        let before = self.text_beside(name)?;
        let text = change(before.as_deref())?;
        self.put_beside(name, Some(&text))?;
        self.work().done(Step::Beside { name, text: before, over: Some(text) });
        self.read_night();
        Ok(())
    }

    /// One step back, or forth again; what it was about.
    pub fn step(&self, back: bool) -> Result<String, String> {
        let none = if back { "there is nothing to take back" } else { "there is nothing to do again" };
        let _one_at_a_time = self.one_change();
        let next = self.work().steps.next(back).ok_or(none)?.clone();
        let what = match next {
            Step::Beside { name, text, over } => {
                let gone = if text.is_none() { ", which was not there before" } else { "" };
                return self.step_beside(back, name, (text, over)).map(|()| format!("{name}{gone}"));
            }
            Step::Layout(..) => "the layout".to_owned(),
            Step::Frame(frame) => frame.file,
        };
        let is_layout = {
            let mut work = self.work();
            let step = work.steps.take(back).ok_or(none)?;
            let is_layout = matches!(step, Step::Layout(..));
            let before = work.swap(step).ok_or("that frame is no longer there")?;
            work.steps.put(back, before);
            work.version += 1;
            is_layout
        };
        if is_layout { self.keep_layout() } else { self.keep_registration() }?;
        Ok(what)
    }

    /// The same of a text beside the frames. What somebody else has written there since is left alone.
    fn step_beside(
        &self,
        back: bool,
        name: &'static str,
        (text, over): (Option<String>, Option<String>),
    ) -> Result<(), String> {
        if self.job.runs() {
            return Err(BUSY.into());
        }
        let now = self.text_beside(name)?;
        if now != over {
            return Err(format!("{name} was changed elsewhere since: it is left as it is"));
        }
        self.put_beside(name, text.as_deref())?;
        {
            let mut work = self.work();
            work.steps.take(back);
            work.steps.put(back, Step::Beside { name, text: now, over: text });
        }
        self.read_night();
        Ok(())
    }
}
