//! What was said: each advice once, again when it was ignored for long, taken back when it was heeded.

use crate::units::Instant;
use serde::Serialize;

/// How urgent an advice is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Urgency {
    /// The picture is being lost.
    Now,
    /// Within minutes.
    Soon,
    /// When there is time.
    Later,
}

/// What an advice is about: of each kind one holds at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// No Moon in the frames.
    NoMoon,
    /// A Moon of too few pixels.
    TooSmall,
    /// The Moon leaves the frame, or the frame's edge cuts it.
    Leaving,
    /// The tripod was moved.
    Moved,
    /// Focus.
    Focus,
    /// A shaken frame.
    Shaken,
    /// Dew on the lens.
    Dew,
    /// The disc trails.
    Trailing,
    /// The lit part is clipped.
    Clipped,
    /// What is to be seen lies too deep.
    Dark,
    /// Cloud.
    Cloud,
    /// A contact that comes; `true`: at once.
    Contact(&'static str, bool),
    /// The clock.
    Clock,
    /// A claim of the records.
    Claim(&'static str),
    /// No frame comes.
    Silence,
}

impl Kind {
    /// How long it may be ignored, minutes, before it is said again; `None`: it is said once.
    fn patience_minutes(self) -> Option<f64> {
        match self {
            Kind::Leaving => Some(4.0),
            Kind::NoMoon | Kind::Silence | Kind::Focus | Kind::Dew | Kind::Clipped | Kind::Dark | Kind::Trailing => {
                Some(12.0)
            }
            Kind::TooSmall
            | Kind::Moved
            | Kind::Shaken
            | Kind::Cloud
            | Kind::Contact(..)
            | Kind::Clock
            | Kind::Claim(_) => None,
        }
    }

    /// Whether it is about the night, whichever camera's frame says it.
    fn is_of_the_night(self) -> bool {
        matches!(self, Kind::Contact(..) | Kind::Claim(_) | Kind::Silence)
    }

    /// Whether it speaks of one moment, and is then over.
    pub fn passes(self) -> bool {
        matches!(self, Kind::Moved | Kind::Shaken | Kind::Contact(..) | Kind::Claim(_))
    }
}

/// One advice.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// What it is about.
    pub kind: Kind,
    /// How urgent.
    pub urgency: Urgency,
    /// What to do, and why, in one line.
    pub text: String,
}

impl Advice {
    /// An advice.
    pub fn new(kind: Kind, urgency: Urgency, text: impl Into<String>) -> Self {
        Advice { kind, urgency, text: text.into() }
    }
}

/// What a frame says.
#[derive(Default)]
pub(super) struct Verdict {
    pub advice: Vec<Advice>,
    /// Kinds of which it tells neither that they hold nor that they do not.
    pub untold: Vec<Kind>,
}

/// What is to be said now.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Said {
    /// Advice that is new, or was ignored for long; the most urgent first.
    pub advice: Vec<Advice>,
    /// What holds no longer: it was heeded, or it passed.
    pub settled: Vec<Advice>,
}

#[derive(Clone, Debug)]
struct Standing {
    advice: Advice,
    /// Whose frames it is about; none of what is about the night.
    camera: Option<String>,
    told: Option<Instant>,
}

/// What was said so far.
#[derive(Clone, Default)]
pub(super) struct Memory {
    standing: Vec<Standing>,
    /// Contacts that were announced: each once.
    announced: Vec<Kind>,
}

impl Memory {
    /// After a frame: all that holds by it; nothing else holds any longer, but for kinds of which the frame tells nothing.
    pub fn say(&mut self, Verdict { advice, untold }: Verdict, camera: &str, at: Option<Instant>) -> Said {
        let mut said = Said::default();
        let still = |s: &Standing| {
            let kind = s.advice.kind;
            s.camera.as_deref().is_some_and(|of| of != camera)
                || kind.passes()
                || untold.contains(&kind)
                || advice.iter().any(|a| a.kind == kind)
        };
        let (kept, gone): (Vec<Standing>, Vec<Standing>) =
            std::mem::take(&mut self.standing).into_iter().partition(still);
        self.standing = kept.into_iter().filter(|s| !s.advice.kind.passes()).collect();
        said.settled = gone.into_iter().map(|s| s.advice).collect();
        advice.into_iter().for_each(|a| self.one(a, Some(camera), at, &mut said));
        said.advice.sort_by_key(|a| a.urgency);
        said
    }

    /// Between frames: some more, and what held before holds still.
    pub fn say_more(&mut self, advice: Vec<Advice>, now: Instant) -> Said {
        let mut said = Said::default();
        advice.into_iter().for_each(|a| self.one(a, None, Some(now), &mut said));
        said.advice.sort_by_key(|a| a.urgency);
        said
    }

    fn one(&mut self, advice: Advice, camera: Option<&str>, at: Option<Instant>, said: &mut Said) {
        let camera = camera.filter(|_| !advice.kind.is_of_the_night()).map(str::to_owned);
        if let Kind::Contact(..) = advice.kind {
            if self.announced.contains(&advice.kind) {
                return;
            }
            self.announced.push(advice.kind);
            // What is said at once stands for what was said before.
            self.standing.retain(
                |s| !matches!((s.advice.kind, advice.kind), (Kind::Contact(a, _), Kind::Contact(b, _)) if a == b),
            );
        }
        match self.standing.iter_mut().find(|s| s.advice.kind == advice.kind && s.camera == camera) {
            Some(standing) => {
                let ignored = standing.told.zip(at).map(|(told, at)| at.seconds_since(told) / 60.0);
                let is_graver = advice.urgency < standing.advice.urgency;
                standing.advice = advice.clone();
                let patience = advice.kind.patience_minutes();
                if is_graver || patience.zip(ignored).is_some_and(|(patience, ignored)| ignored > patience) {
                    standing.told = at;
                    said.advice.push(advice);
                }
            }
            None => {
                self.standing.push(Standing { advice: advice.clone(), camera, told: at });
                said.advice.push(advice);
            }
        }
    }

    /// What holds still, the most urgent first.
    pub fn standing(&self) -> Vec<&Advice> {
        let mut out: Vec<&Advice> = self.standing.iter().map(|s| &s.advice).collect();
        out.sort_by_key(|a| a.urgency);
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: f64) -> Option<Instant> {
        Some(Instant::from_tt_seconds(9e8 + 60.0 * minutes))
    }

    #[test]
    fn an_advice_is_given_once_again_when_ignored_and_taken_back_when_heeded() {
        let mut memory = Memory::default();
        let nothing = Verdict::default;
        let focus = || Verdict { advice: vec![Advice::new(Kind::Focus, Urgency::Soon, "focus")], ..nothing() };
        assert_eq!(memory.say(focus(), "a", at(0.0)).advice.len(), 1);
        assert!(memory.say(focus(), "a", at(5.0)).advice.is_empty(), "said already");
        assert_eq!(memory.say(focus(), "a", at(13.0)).advice.len(), 1, "ignored for long");
        let graver = Verdict { advice: vec![Advice::new(Kind::Focus, Urgency::Now, "focus")], ..nothing() };
        assert_eq!(memory.say(graver, "a", at(13.2)).advice.len(), 1, "it has become urgent");
        let untold = Verdict { untold: vec![Kind::Focus], ..nothing() };
        assert!(memory.say(untold, "a", at(13.5)).settled.is_empty(), "it may hold still");
        let heeded = memory.say(nothing(), "a", at(14.0));
        assert_eq!((heeded.advice.len(), heeded.settled.len()), (0, 1));
        assert!(memory.standing().is_empty());
        // Another camera's frames say nothing of this one's.
        assert_eq!(memory.say(focus(), "a", at(14.2)).advice.len(), 1);
        assert!(memory.say(nothing(), "b", at(14.4)).settled.is_empty());
        assert_eq!(memory.say(nothing(), "a", at(14.6)).settled.len(), 1);
        // A contact is announced once, whatever comes between.
        let contact = || vec![Advice::new(Kind::Contact("U2", true), Urgency::Now, "U2 in 3 min")];
        assert_eq!(memory.say_more(contact(), at(15.0).unwrap()).advice.len(), 1);
        assert!(memory.say(nothing(), "a", at(15.5)).settled.is_empty(), "it passes, and is not heeded");
        assert!(memory.say_more(contact(), at(16.0).unwrap()).advice.is_empty());
    }
}
