//! Three sentences that a tired person can act on.

use super::Remark;
use super::contacts::{ContactProof, StretchProof};
use super::frames::FrameProof;

/// Codes of what bends everything else, the first to be put right.
const FIRST: [&str; 13] = [
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
    "clock-zone-unknown",
    "name-not-read",
];

/// What was found; what to do first; what the frames serve for.
pub(super) fn three(
    frames: &[FrameProof],
    contacts: &[ContactProof],
    stretches: &[StretchProof],
    remarks: &[Remark],
) -> [String; 3] {
    [found(frames), to_do(frames, remarks), serves_for(frames, contacts, stretches)]
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
        (1, 1) => "The Moon was measured in the one frame".to_owned(),
        (m, n) if m == n => format!("The Moon was measured in all {n} frames"),
        (m, n) => format!("The Moon was measured in {m} of {}", frames_of(n)),
    };
    if inferred > 0 {
        words += &format!(", placed by the sky in {inferred}");
    }
    let missed = sought.iter().filter(|f| f.missed).count();
    if missed > 0 {
        words += &format!(", not found in {missed}");
    }
    if absent > missed {
        words += &format!(", and {} cannot show it (below the horizon, out of view, unreadable)", absent - missed);
    }
    words + "."
}

fn to_do(frames: &[FrameProof], remarks: &[Remark]) -> String {
    if let Some(first) = FIRST.iter().find_map(|code| remarks.iter().find(|r| r.code == *code)) {
        let help = first.help.as_ref().map_or(String::new(), |h| format!(" \u{2013} {h}"));
        return format!("First put this right: {}{help}.", first.message);
    }
    let of = |is: &dyn Fn(&FrameProof) -> bool| frames.iter().filter(|f| !f.excluded && is(f)).collect::<Vec<_>>();
    let named = |frames: &[&FrameProof]| match frames {
        [one] => one.file.clone(),
        [one, two] => format!("{} and {}", one.file, two.file),
        [first, ..] => format!("{} frames ({} is the first)", frames.len(), first.file),
        [] => String::new(),
    };
    let (missed, odd, placed) = (of(&|f| f.missed), of(&|f| f.odd_size), of(&|f| f.status == "inferred"));
    let poor = of(&|f| f.status == "measured" && !f.usable && !f.odd_size);
    let mut look_at = Vec::new();
    if !odd.is_empty() {
        look_at.push(format!("{}, where the Moon's size disagrees with all the others", named(&odd)));
    }
    if !missed.is_empty() {
        look_at.push(format!("{}, where no Moon was found", named(&missed)));
    }
    if !placed.is_empty() {
        look_at.push(format!("{}, where the sky alone says where the Moon is", named(&placed)));
    }
    if !poor.is_empty() {
        look_at.push(format!(
            "{}, which pictures pass over where better ones are near ({})",
            named(&poor),
            lacking(&poor)
        ));
    }
    if !look_at.is_empty() {
        return format!("Look at {}; leave out what you do not want.", look_at.join("; at "));
    }
    match frames.iter().filter(|f| f.excluded).count() {
        0 => "Nothing needs to be put right before a picture is made.".into(),
        1 => "Nothing needs to be put right; 1 frame was left out by hand.".into(),
        n => format!("Nothing needs to be put right; {n} frames were left out by hand."),
    }
}

/// What the poor ones lack, the commonest first.
fn lacking(poor: &[&FrameProof]) -> String {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for lacks in poor.iter().filter_map(|f| f.lacks) {
        match counts.iter_mut().find(|(word, _)| *word == lacks) {
            Some((_, n)) => *n += 1,
            None => counts.push((lacks, 1)),
        }
    }
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let words: Vec<String> = counts.iter().map(|(word, n)| format!("{n} {word}")).collect();
    if words.is_empty() { "poor in several ways".into() } else { words.join(", ") }
}

fn serves_for(frames: &[FrameProof], contacts: &[ContactProof], stretches: &[StretchProof]) -> String {
    let usable = frames.iter().filter(|f| f.usable).count();
    if usable == 0 {
        return "No frame can be used for a picture as it stands.".into();
    }
    let of_it: usize = stretches.iter().map(|s| s.usable).sum();
    let (Some(begins), Some(ends)) = (contacts.first(), contacts.last()) else {
        let why = if frames.iter().any(|f| f.instant.is_some()) {
            "no eclipse is near their times"
        } else {
            "they have no times"
        };
        return format!("{} can be used; {why}, so that nothing is known of the phases.", frames_of(usable));
    };
    let mut times: Vec<f64> =
        frames.iter().filter(|f| f.usable).filter_map(|f| Some(f.instant?.seconds_since(begins.instant))).collect();
    times.retain(|t| (0.0..ends.instant.seconds_since(begins.instant)).contains(t));
    times.sort_by(f64::total_cmp);
    let (Some(first), Some(last)) = (times.first(), times.last()) else {
        return format!(
            "{} can be used, none of them taken during the eclipse of {}.",
            frames_of(usable),
            date(begins)
        );
    };
    let elsewhere = if usable > of_it { format!(", {of_it} of them taken during the eclipse") } else { String::new() };
    let at = |seconds: f64| {
        // The contact before it, and how long after that.
        let before = contacts.iter().rfind(|c| c.instant.seconds_since(begins.instant) <= seconds).unwrap_or(begins);
        let after = seconds - before.instant.seconds_since(begins.instant);
        format!("{:.0} min after {}", after / 60.0, before.name)
    };
    let mut words = match times.len() {
        1 => format!("{} can be used{elsewhere}: {}", frames_of(usable), at(*first)),
        _ => format!("{} can be used{elsewhere}, from {} to {}", frames_of(usable), at(*first), at(*last)),
    };
    let is_inside = |s: &&StretchProof| {
        let when =
            |name: &str| contacts.iter().find(|c| c.name == name).map(|c| c.instant.seconds_since(begins.instant));
        when(&s.from).is_some_and(|t| t > *first) && when(&s.to).is_some_and(|t| t < *last)
    };
    let missing: Vec<String> = stretches
        .iter()
        .filter(is_inside)
        .filter(|s| s.usable == 0)
        .map(|s| format!("no usable frame between {} and {}", s.from, s.to))
        .collect();
    let gaps: Vec<(f64, f64)> = times.windows(2).map(|pair| (pair[1] - pair[0], pair[0])).collect();
    let mut usual: Vec<f64> = gaps.iter().map(|g| g.0).collect();
    usual.sort_by(f64::total_cmp);
    let usual = usual.get(usual.len() / 2).copied().unwrap_or(0.0);
    let gap = gaps.into_iter().max_by(|a, b| a.0.total_cmp(&b.0)).filter(|g| g.0 >= 600.0 && g.0 > 1.8 * usual);
    let gap = gap.map(|(long, from)| format!("the longest gap, {:.0} min, begins {}", long / 60.0, at(from)));
    for rest in missing.into_iter().chain(gap) {
        words += &format!("; {rest}");
    }
    words + "."
}

fn date(contact: &ContactProof) -> &str {
    contact.utc.get(..10).unwrap_or(&contact.utc)
}
