//! What is told, and how: a screen on a terminal, elsewhere a line at a time.

use super::VigilArgs;
use moonloom::units::Instant;
use moonloom::vigil::{Advice, FrameReport, Said, Urgency, Vigil};
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
    /// The instant of the last frame.
    pub last: Option<Instant>,
    /// Whether the frames are of before: their lines are shown, advice comes after them.
    pub catches_up: bool,
}

impl<'a> Speaker<'a> {
    pub fn new(args: &'a VigilArgs, log: Option<std::fs::File>) -> Self {
        let on_screen = !args.json && !args.once && std::io::stdout().is_terminal();
        Speaker { args, log, on_screen, lines: Vec::new(), standing: Vec::new(), last: None, catches_up: false }
    }

    pub fn frame(&mut self, report: &FrameReport, vigil: &Vigil) {
        self.last = report.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok()).or(self.last);
        self.standing = vigil.standing().into_iter().cloned().collect();
        if self.args.json {
            self.put(&serde_json::to_string(report).unwrap_or_default());
        } else {
            self.put(&line_of(report));
        }
        self.say(&report.said);
    }

    pub fn waiting(&mut self, said: &Said, vigil: &Vigil) {
        if said.advice.is_empty() {
            return;
        }
        if self.args.json {
            let document = serde_json::json!({ "schema": "moonloom-vigil-1", "said": said });
            self.put(&document.to_string());
        }
        self.standing = vigil.standing().into_iter().cloned().collect();
        self.say(said);
    }

    /// Advice in words: a line each.
    pub fn say(&mut self, said: &Said) {
        if self.args.bell && !self.catches_up && said.advice.iter().any(|a| a.urgency == Urgency::Now) {
            let _ = std::io::stderr().write_all(b"\x07");
        }
        if self.args.json || self.catches_up {
            return;
        }
        for advice in &said.advice {
            let mark = if advice.urgency == Urgency::Now { "!!" } else { "! " };
            self.put(&format!("{mark} {}", advice.text));
        }
        for advice in &said.settled {
            self.put(&format!("-- no longer: {}", advice.text));
        }
        if self.on_screen {
            self.draw();
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

    /// The screen: what to do, the most urgent first, and the last frames below. Red spares eyes that are used to the dark.
    fn draw(&mut self) {
        const SHOWN: usize = 14;
        let plain = std::env::var_os("NO_COLOR").is_some();
        let (red, bold, end) = if plain { ("", "", "") } else { ("\x1b[31m", "\x1b[1;31m", "\x1b[0m") };
        let mut screen = String::from("\x1b[2J\x1b[H");
        match self.standing.first() {
            Some(first) => {
                let _ = writeln!(screen, "\n  {bold}{}{end}\n", first.text);
                for advice in self.standing.iter().skip(1).take(3) {
                    let _ = writeln!(screen, "  {red}{}{end}", advice.text);
                }
            }
            None => screen.push_str(&format!("\n  {red}nothing to change{end}\n")),
        }
        screen.push('\n');
        let from = self.lines.len().saturating_sub(SHOWN);
        self.lines.drain(..from);
        for line in &self.lines {
            let _ = writeln!(screen, "  {red}{line}{end}");
        }
        let mut out = std::io::stdout().lock();
        let _ = out.write_all(screen.as_bytes()).and_then(|()| out.flush());
    }
}

/// A frame on a line.
fn line_of(r: &FrameReport) -> String {
    let mut line = format!("{} {}", r.local.as_deref().unwrap_or("--:--"), r.file);
    match (r.centre_px, r.radius_px) {
        (Some((x, y)), Some(radius)) => {
            let _ = write!(line, "  Moon ({x:.0}, {y:.0}) r {radius:.0}");
        }
        _ => {
            let _ = write!(line, "  {}", r.reason.as_deref().unwrap_or("no Moon"));
        }
    }
    if let Some(share) = r.umbral_fraction.filter(|u| *u > 0.0) {
        let _ = write!(line, "  umbra {:.0} %", 100.0 * share);
    }
    if let Some((width, best)) = r.edge_width_px.zip(r.best_edge_width_px) {
        let _ = write!(line, "  limb {width:.1} px (best {best:.1})");
    }
    if let Some(clipped) = r.clipped_share.filter(|c| *c > 0.001) {
        let _ = write!(line, "  clipped {:.0} %", 100.0 * clipped);
    }
    if let Some(bright) = r.bright_part.filter(|b| *b > 0.0) {
        let _ = write!(line, "  brightest {:.1} stops under white", -bright.log2().min(0.0));
    }
    if let Some(minutes) = r.leaves_in_minutes {
        let _ = write!(line, "  leaves in {minutes:.0} min");
    }
    line
}
