//! Three sentences that a tired person can act on.

use super::Remark;
use super::contacts::StretchProof;
use super::frames::FrameProof;

/// Codes of what bends everything else, the first to be put right.
const FIRST: [&str; 11] = [
    "date-doubtful",
    "clock-zone-doubtful",
    "clock-far-off",
    "site-doubtful",
    "moon-below-horizon",
    "mount-doubtful",
    "focal-length-doubtful",
    "pointing-unsolved",
    "aim-doubtful",
    "phase-contradicts-time",
    "frame-unreadable",
];

/// What was found; what to do first; what the frames serve for.
pub(super) fn three(frames: &[FrameProof], stretches: &[StretchProof], remarks: &[Remark]) -> [String; 3] {
    [found(frames), to_do(frames, remarks), serves_for(frames, stretches)]
}

fn frames_of(n: usize) -> String {
    if n == 1 { "1 frame".into() } else { format!("{n} frames") }
}

fn found(frames: &[FrameProof]) -> String {
    let sought: Vec<&FrameProof> = frames.iter().filter(|f| !f.foreground).collect();
    let count = |status: &str| sought.iter().filter(|f| f.status == status).count();
    let (measured, inferred, absent) = (count("measured"), count("inferred"), count("absent"));
    let mut words = match (measured, sought.len()) {
        (_, 0) => return "There is no frame in which to look for the Moon.".into(),
        (0, _) => "The Moon was measured in no frame".to_owned(),
        (m, n) if m == n => format!("The Moon was measured in all {}", frames_of(n)),
        (m, n) => format!("The Moon was measured in {m} of {}", frames_of(n)),
    };
    if inferred > 0 {
        words += &format!(", placed by the sky in {inferred}");
    }
    if absent > 0 {
        words += &format!(", and not found in {absent}");
    }
    words + "."
}

fn to_do(frames: &[FrameProof], remarks: &[Remark]) -> String {
    if let Some(first) = FIRST.iter().find_map(|code| remarks.iter().find(|r| r.code == *code)) {
        let help = first.help.as_ref().map_or(String::new(), |h| format!(" \u{2013} {h}"));
        return format!("First put this right: {}{help}.", first.message);
    }
    let poor = frames.iter().filter(|f| f.status == "measured" && !f.usable && !f.excluded).count();
    let left_out = frames.iter().filter(|f| f.excluded).count();
    let missed: Vec<&FrameProof> = frames.iter().filter(|f| f.missed && !f.excluded).collect();
    if let Some(first) = missed.first() {
        let which = match missed.len() {
            1 => format!("{}, in which", first.file),
            n => format!("the {n} frames from {} on in which", first.file),
        };
        return format!(
            "Look at {which} no Moon was found: where you see one, it was too dim or too much covered to be measured."
        );
    }
    match (poor, left_out) {
        (0, 0) => "Nothing needs to be put right before a picture is made.".into(),
        (0, n) => format!("Nothing needs to be put right; {} left out by hand.", was(n)),
        (1, _) => format!(
            "Look at the frame that pictures pass over where a better one is near ({}), and leave it out if you do not want it.",
            lacking(frames)
        ),
        (n, _) => format!(
            "Look at the {} that pictures pass over where better ones are near ({}), and leave out what you do not want.",
            frames_of(n),
            lacking(frames)
        ),
    }
}

fn was(n: usize) -> String {
    if n == 1 { "1 frame was".into() } else { format!("{n} frames were") }
}

/// What the poor ones lack, the commonest first.
fn lacking(frames: &[FrameProof]) -> String {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for lacks in frames.iter().filter(|f| f.status == "measured" && !f.usable && !f.excluded).filter_map(|f| f.lacks) {
        match counts.iter_mut().find(|(word, _)| *word == lacks) {
            Some((_, n)) => *n += 1,
            None => counts.push((lacks, 1)),
        }
    }
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let words: Vec<String> = counts.iter().map(|(word, n)| format!("{n} {word}")).collect();
    if words.is_empty() { "poor in several ways".into() } else { words.join(", ") }
}

fn serves_for(frames: &[FrameProof], stretches: &[StretchProof]) -> String {
    let usable = frames.iter().filter(|f| f.usable).count();
    if usable == 0 {
        return "No frame can be used for a picture as it stands.".into();
    }
    if stretches.is_empty() {
        return format!("{} can be used; without times and a site nothing is known of the phases.", frames_of(usable));
    }
    let missing: Vec<String> = stretches
        .iter()
        .filter(|s| s.usable == 0)
        .map(|s| format!("no usable frame between {} and {}", s.from, s.to))
        .collect();
    let gap = stretches
        .iter()
        .filter(|s| s.usable > 0)
        .max_by(|a, b| a.longest_gap_minutes.total_cmp(&b.longest_gap_minutes));
    let longest = gap.filter(|s| s.longest_gap_minutes >= 10.0).map(|s| {
        format!("the longest time without one is {:.0} minutes, between {} and {}", s.longest_gap_minutes, s.from, s.to)
    });
    let rest: Vec<String> = missing.into_iter().chain(longest).collect();
    if rest.is_empty() {
        return format!("{} can be used, and no phase of the eclipse is missing.", frames_of(usable));
    }
    format!("{} can be used: {}.", frames_of(usable), rest.join("; "))
}
