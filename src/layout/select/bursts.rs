//! Frames of one moment, of which one is shown: a bracket's exposures, a burst of a held shutter.
//!
//! Where a layout merges them they are one disc already (`moments`); where it names them it gets each.

use super::Chooser;
use crate::diag::Diagnostic;
use crate::layout::chosen::Chosen;

/// Frames of one burst follow each other within this, seconds: a bracket to half a minute (common practice, no source).
const CLOSE_S: f64 = 30.0;
/// And within this share of the pause before and after them: a timer that fires evenly makes no burst, however quick it is.
const OF_THE_PAUSE: f64 = 1.0 / 3.0;
/// From a burst's first frame to its last, seconds: in a minute the shadow moves a thirtieth of a radius, which nobody tells
/// apart in two discs side by side.
const LONGEST_S: f64 = 60.0;

impl<'a> Chooser<'a, '_> {
    /// Of each burst (frames in the order of their times) its best; says how many stand for how many.
    pub(super) fn one_of_each_burst(&self, chosen: Vec<Chosen<'a>>) -> (Vec<Chosen<'a>>, Option<Diagnostic>) {
        let rig = |c: &Chosen<'_>| c.registered.map(|f| f.rig);
        let mut rigs: Vec<_> = chosen.iter().map(rig).collect();
        rigs.sort_unstable();
        rigs.dedup();
        let mut is_left_out = vec![false; chosen.len()];
        let (mut frames, mut count) = (0, 0);
        for one in rigs {
            let timed = |i: &usize| rig(&chosen[*i]) == one && chosen[*i].instant.is_some();
            let of_rig: Vec<usize> = (0..chosen.len()).filter(timed).collect();
            let times: Vec<f64> = of_rig.iter().filter_map(|&i| Some(chosen[i].instant?.tt_seconds())).collect();
            for burst in bursts(&times) {
                let rate = |i: usize| chosen[i].registered.map_or(0.0, |f| self.rate(f));
                let members = &of_rig[burst];
                (frames, count) = (frames + members.len(), count + 1);
                // Of equals the first.
                let best = members.iter().copied().rev().max_by(|&a, &b| rate(a).total_cmp(&rate(b)));
                members.iter().filter(|i| Some(**i) != best).for_each(|&i| is_left_out[i] = true);
            }
        }
        let said = (count > 0).then(|| {
            let (moments, each) = if count == 1 { ("moment", "its best") } else { ("moments", "the best of each") };
            Diagnostic::note(
                "one-of-a-burst",
                format!("{frames} frames are brackets or bursts of {count} {moments}: {each} is shown"),
            )
            .with_help(
                "`light: (merge: (within_s: 30))` joins a bracket into one disc; `selection: (files: …)` shows any",
            )
        });
        (chosen.into_iter().zip(is_left_out).filter_map(|(c, out)| (!out).then_some(c)).collect(), said)
    }
}

/// Runs of two or more times, seconds and in order, that stand close together and apart from the others.
fn bursts(times: &[f64]) -> Vec<std::ops::Range<usize>> {
    let mut out = Vec::new();
    let mut start = 0;
    for end in 1..=times.len() {
        if end < times.len() && times[end] - times[end - 1] <= CLOSE_S {
            continue;
        }
        out.extend(parted(times, start..end));
        start = end;
    }
    out
}

/// The bursts of a run whose frames all follow each other closely: itself, or what its longest pauses part it into.
fn parted(times: &[f64], run: std::ops::Range<usize>) -> Vec<std::ops::Range<usize>> {
    if run.len() < 2 {
        return Vec::new();
    }
    let gap = |i: usize| times[i] - times[i - 1];
    let inside = || run.start + 1..run.end;
    let longest = inside().map(gap).fold(0.0, f64::max);
    let before = if run.start > 0 { gap(run.start) } else { f64::INFINITY };
    let after = if run.end < times.len() { gap(run.end) } else { f64::INFINITY };
    // A night that is one burst stands apart from nothing.
    let pause = before.min(after);
    let stands_apart = pause.is_finite() && longest <= OF_THE_PAUSE * pause;
    if stands_apart && times[run.end - 1] - times[run.start] <= LONGEST_S {
        return vec![run];
    }
    // Frames of one instant, and no others: nothing parts them.
    if longest <= 0.0 {
        return Vec::new();
    }
    // Evenly fired frames have no pause among them.
    let shortest = inside().map(gap).fold(f64::INFINITY, f64::min);
    if shortest > OF_THE_PAUSE * longest {
        return Vec::new();
    }
    let mut out = Vec::new();
    let mut start = run.start;
    for end in inside().filter(|&i| gap(i) > 0.5 * longest).chain([run.end]) {
        out.extend(parted(times, start..end));
        start = end;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::bursts;

    #[test]
    fn brackets_stand_together_and_a_quick_timer_makes_none() {
        // Three exposures every six minutes; a pair at the end.
        let brackets: Vec<f64> = (0..4).flat_map(|k| [0.0, 6.0, 12.0].map(|s| 360.0 * f64::from(k) + s)).collect();
        assert_eq!(bursts(&brackets), [0..3, 3..6, 6..9, 9..12]);
        // A bracket every half minute: its own frames lie closer than the pause.
        let quick: Vec<f64> = (0..3).flat_map(|k| [0.0, 2.0, 4.0].map(|s| 28.0 * f64::from(k) + s)).collect();
        assert_eq!(bursts(&quick), [0..3, 3..6, 6..9]);
        let timer: Vec<f64> = (0..200).map(|k| 10.0 * f64::from(k)).collect();
        assert!(bursts(&timer).is_empty());
        // The same with a frame missing, and with a timer that wanders.
        let gappy: Vec<f64> = timer.iter().copied().filter(|t| *t != 500.0).collect();
        assert!(bursts(&gappy).is_empty());
        let minutes: Vec<f64> = (0..50).map(|k| 60.0 * f64::from(k) + f64::from(k % 3)).collect();
        assert!(bursts(&minutes).is_empty());
        // One frame alone, none at all, and two whose shutters opened in one second.
        assert!(bursts(&[1.0]).is_empty() && bursts(&[]).is_empty());
        assert!(bursts(&[0.0, 300.0, 300.0, 600.0]).into_iter().eq([(1, 3)].map(|(a, b)| a..b)));
        assert!(bursts(&[0.0, 0.0]).is_empty() && bursts(&[5.0; 4]).is_empty());
        assert!(bursts(&[5.0, 5.0, 90.0]).into_iter().eq([(0, 2)].map(|(a, b)| a..b)));
        // A burst that goes on for minutes is a film, and a whole night of one burst is meant so.
        let film: Vec<f64> = (0..100).map(f64::from).chain([500.0]).collect();
        assert!(bursts(&film).is_empty() && bursts(&[0.0, 1.0, 2.0]).is_empty());
    }
}
