//! What is told, and how: a screen on a terminal, elsewhere a line at a time.

use super::VigilArgs;
use crate::cli::outcome::{Failure, tell};
use moonloom::units::Instant;
use moonloom::vigil::{Advice, ContactRow, FrameReport, Heard, Said, Urgency, Vigil, Watch};
use std::fmt::Write as _;
use std::io::{IsTerminal, Write as _};

/// Says what is to be said: on a terminal as a screen, elsewhere a line at a time.
pub struct Speaker<'a> {
    args: &'a VigilArgs,
    log: Option<std::fs::File>,
    on_screen: bool,
    /// Lines of the last frames, for the screen.
    lines: Vec<String>,
    standing: Vec<Advice>,
    /// What the screen shows.
    shown: String,
    /// Whether the frames are of before: their lines are shown, advice comes after them.
    pub catches_up: bool,
}

impl<'a> Speaker<'a> {
    pub fn new(args: &'a VigilArgs, log: Option<std::fs::File>) -> Self {
        let on_screen = !args.json && !args.once && std::io::stdout().is_terminal();
        Speaker {
            args,
            log,
            on_screen,
            lines: Vec::new(),
            standing: Vec::new(),
            shown: String::new(),
            catches_up: false,
        }
    }

    pub fn hear(&mut self, heard: Heard, vigil: &Vigil) {
        self.standing = vigil.standing().into_iter().cloned().collect();
        match heard {
            Heard::Frame(report) => {
                let line = if self.args.json { json(&WithContacts::of(&report, vigil)) } else { report.line() };
                self.put(&line);
                self.say(&report.said);
            }
            Heard::Meanwhile(said) => {
                if self.args.json && !said.advice.is_empty() {
                    self.put(&json(&serde_json::json!({ "schema": "moonloom-vigil-1", "said": said })));
                }
                self.say(&said);
            }
            Heard::Trouble(e) => {
                let diagnostic = *Failure::from(e).diagnostic;
                if self.on_screen {
                    self.put(&diagnostic.message);
                } else {
                    tell(&[diagnostic]);
                }
            }
            _ => {}
        }
    }

    /// Advice in words: a line each.
    fn say(&mut self, said: &Said) {
        if self.args.bell && !self.catches_up && said.advice.iter().any(|a| a.urgency == Urgency::Now) {
            let _ = std::io::stderr().write_all(b"\x07");
        }
        if self.args.json || self.catches_up {
            return;
        }
        for advice in &said.advice {
            self.put(&format!("{} {}", mark(advice), advice.text));
        }
        for advice in &said.settled {
            self.put(&format!("-- no longer: {}", advice.text));
        }
    }

    fn put(&mut self, line: &str) {
        if let Some(log) = &mut self.log {
            let _ = writeln!(log, "{line}");
        }
        if self.on_screen {
            self.lines.push(line.to_owned());
            return;
        }
        let mut out = std::io::stdout().lock();
        // Somebody who no longer listens ends it.
        if writeln!(out, "{line}").and_then(|()| out.flush()).is_err() {
            std::process::exit(0);
        }
    }

    /// Draws the screen anew, where there is one and something on it has changed.
    pub fn show(&mut self, watch: &Watch) {
        if !self.on_screen {
            return;
        }
        // With what stands above them they fit into twenty-four rows, though advice takes two or three.
        const FRAMES: usize = 8;
        let surplus = self.lines.len().saturating_sub(FRAMES);
        self.lines.drain(..surplus);
        let timetable = watch.reached().map_or(Vec::new(), |now| watch.vigil().timetable(now));
        let screen = screen(&self.standing, &timetable, &self.lines, std::env::var_os("NO_COLOR").is_none());
        if screen != self.shown {
            let mut out = std::io::stdout().lock();
            let _ = out.write_all(screen.as_bytes()).and_then(|()| out.flush());
            self.shown = screen;
        }
    }
}

/// A frame in numbers, and the eclipse's contacts as they stand at its time.
#[derive(serde::Serialize)]
struct WithContacts<'a> {
    #[serde(flatten)]
    report: &'a FrameReport,
    contacts: Vec<ContactRow>,
}

impl<'a> WithContacts<'a> {
    fn of(report: &'a FrameReport, vigil: &Vigil) -> Self {
        let at = report.utc.as_deref().and_then(|utc| Instant::parse_utc(utc).ok());
        WithContacts { report, contacts: at.map_or(Vec::new(), |at| vigil.timetable(at)) }
    }
}

fn json(document: &impl serde::Serialize) -> String {
    serde_json::to_string(document).unwrap_or_default()
}

/// Never by colour alone: what cannot wait is marked twice.
fn mark(advice: &Advice) -> &'static str {
    if advice.urgency == Urgency::Now { "!!" } else { "! " }
}

/// The screen: what to do, the most urgent first, then the night's contacts, and the last frames below. Red on black spares eyes that
/// are used to the dark. Each line clears what stood there before, so that nothing flickers.
fn screen(standing: &[Advice], timetable: &[ContactRow], frames: &[String], in_colour: bool) -> String {
    let (red, bright, urgent, end) = match in_colour {
        true => ("\x1b[0;31;40m", "\x1b[0;1;31;40m", "\x1b[0;1;7;31;40m", "\x1b[0m"),
        false => ("\x1b[0m", "\x1b[0;1m", "\x1b[0;1;7m", "\x1b[0m"),
    };
    const CLEARED: &str = "\x1b[K\r\n";
    let mut screen = format!("\x1b[H{red}{CLEARED}");
    match standing.first() {
        Some(first) => {
            let style = if first.urgency == Urgency::Now { urgent } else { bright };
            let _ = write!(screen, "  {style} {} {} {red}{CLEARED}{CLEARED}", mark(first), first.text);
            for advice in standing.iter().skip(1).take(3) {
                let _ = write!(screen, "   {} {}{CLEARED}", mark(advice), advice.text);
            }
        }
        None => {
            let _ = write!(screen, "  {bright} nothing to change {red}{CLEARED}");
        }
    }
    screen.push_str(CLEARED);
    for line in contacts(timetable) {
        let _ = write!(screen, "   {line}{CLEARED}");
    }
    screen.push_str(CLEARED);
    for line in frames {
        // What does not fit into the width is cut (the beginning tells most): the last column holds what was written there last, and is
        // emptied.
        let _ = write!(screen, "\x1b[2K\x1b[?7l   {line}\x1b[999C\x1b[K\x1b[?7h\r\n");
    }
    screen + "\x1b[J" + end
}

/// The contacts: those that are past with the frames that show them, the next one with the minutes until then. In lines that fit into
/// eighty columns.
fn contacts(timetable: &[ContactRow]) -> Vec<String> {
    const WIDEST: usize = 76;
    let next = timetable.iter().position(|r| r.minutes > 0.0);
    let words = timetable.iter().enumerate().map(|(i, row)| {
        let name = format!("{} {}", row.contact, row.local);
        match row.frames {
            _ if Some(i) == next => format!("{name} in {}", how_long(row.minutes)),
            _ if row.minutes > 0.0 => name,
            0 => format!("{name} (no frame)"),
            1 => format!("{name} (1 frame)"),
            n => format!("{name} ({n} frames)"),
        }
    });
    let mut lines = Vec::<String>::new();
    for words in words {
        match lines.last_mut().filter(|line| line.len() + 2 + words.len() <= WIDEST) {
            Some(line) => *line += &format!("  {words}"),
            None => lines.push(words),
        }
    }
    lines
}

fn how_long(minutes: f64) -> String {
    let minutes = minutes.ceil() as i64;
    if minutes < 60 { format!("{minutes} min") } else { format!("{} h {:02} min", minutes / 60, minutes % 60) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use moonloom::vigil::Kind;

    fn row(contact: &str, minutes: f64, frames: usize) -> ContactRow {
        let (utc, local) = ("2028-12-31T16:00:00Z".into(), "00:00".into());
        ContactRow { contact: contact.into(), utc, local, minutes, altitude_deg: None, frames }
    }

    #[test]
    fn the_screen_says_first_what_cannot_wait_then_what_comes() {
        let advice = [
            Advice::new(Kind::Leaving, Urgency::Now, "re-aim within 4 min"),
            Advice::new(Kind::Focus, Urgency::Soon, "focus has slipped"),
        ];
        let rows = [row("U1", -30.0, 0), row("U2", 34.2, 0), row("U3", 90.0, 0), row("P4", 200.0, 0)];
        let plain = screen(&advice, &rows, &["00:00 f.jpg".into()], false);
        let at = |words: &str| plain.find(words).unwrap_or_else(|| panic!("{words} in {plain}"));
        assert!(at("!! re-aim") < at("!  focus") && at("!  focus") < at("U1 00:00 (no frame)"));
        assert!(at("U2 00:00 in 35 min") < at("U3 00:00  P4") && at("P4") < at("f.jpg"));
        // One colour at most, and none where none is wanted.
        assert!(!plain.contains("31m") && screen(&[], &rows, &[], true).contains("31;40m"));
        assert!(screen(&[], &[], &[], false).contains("nothing to change"));
        assert_eq!(how_long(125.5), "2 h 06 min");
    }
}
