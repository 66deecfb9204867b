//! How long each picture of a film stands, and what fills its gaps.

use clap::ValueEnum;
use moonloom::compose::Film;
use moonloom::layout::Gaps;
use moonloom::write::Delay;

/// A gap is longer than so many usual steps.
const GAP: f64 = 2.5;
/// Pictures a second of a cross-fade, where nobody says.
const SMOOTH: f64 = 25.0;

/// What is shown for a while: a photograph, or something between it and the next one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    pub picture: usize,
    /// How much of it is the next one; zero of a photograph.
    pub next_share: f32,
    /// How long it stands.
    pub seconds: f64,
}

impl Shown {
    pub fn is_faded(&self) -> bool {
        self.next_share > 0.0
    }
}

/// What goes evenly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Pace {
    /// The night's time: a gap between photographs is a pause
    Time,
    /// The photographs: each stands as long as any other
    Photographs,
}

/// What is shown, and for how long: together exactly as long as the film.
pub fn shown(film: &Film, pace: Pace, gaps: Gaps, (seconds, rate): (f64, Option<f64>)) -> Vec<Shown> {
    let steps = match pace {
        Pace::Time => film.steps_s(),
        Pace::Photographs => vec![1.0; film.pictures.len()],
    };
    filled(&steps, gaps, (seconds, rate))
}

/// What four steps of five between photographs do not exceed: within brackets the night hardly goes on.
fn usual_step(between: &[f64]) -> f64 {
    let mut usual: Vec<f64> = between.iter().copied().filter(|s| *s > 0.0).collect();
    usual.sort_by(f64::total_cmp);
    usual.get(usual.len().saturating_sub(1) * 4 / 5).copied().unwrap_or(f64::INFINITY)
}

/// Why a film that was to be cross-faded is not.
pub fn no_gap(film: &Film, pace: Pace) -> String {
    if pace == Pace::Photographs {
        return "nothing is cross-faded: with --pace photographs no photograph waits for the next".to_owned();
    }
    let steps = film.steps_s();
    let between = &steps[..steps.len().saturating_sub(1)];
    let longest = between.iter().copied().fold(0.0, f64::max);
    if longest <= 0.0 {
        return "nothing is cross-faded: there is no time between the photographs".to_owned();
    }
    format!(
        "nothing is cross-faded: the longest time between two photographs, {longest:.0} s, is no more than {GAP} times the usual {:.0} s",
        usual_step(between)
    )
}

/// The same of the night's steps, the last picture's own among them.
fn filled(steps: &[f64], gaps: Gaps, (seconds, rate): (f64, Option<f64>)) -> Vec<Shown> {
    let between = steps.len().saturating_sub(1);
    let usual = usual_step(&steps[..between]);
    let is_gap = |k: usize| k < between && steps[k] > GAP * usual;
    let cut = |k: usize| if is_gap(k) { usual } else { steps[k] };
    // A full sheet stands for a share of what is shown of the night.
    let whole: f64 = steps[..between].iter().sum();
    let shortened = if whole > 0.0 { (0..between).map(cut).sum::<f64>() / whole } else { 1.0 };
    let stands = |k: usize| match gaps {
        Gaps::Cut if k < between => cut(k),
        Gaps::Cut => (steps[k] * shortened).max(usual.min(steps[k])),
        Gaps::Held | Gaps::CrossFaded => steps[k],
    };
    let all: f64 = (0..steps.len()).map(stands).sum();
    let in_film = |step: f64| step / all * seconds;
    let mut out = Vec::with_capacity(steps.len());
    for (k, step) in steps.iter().enumerate() {
        let photograph = |of: f64| Shown { picture: k, next_share: 0.0, seconds: in_film(of) };
        if gaps != Gaps::CrossFaded || !is_gap(k) {
            out.push(photograph(stands(k)));
            continue;
        }
        out.push(photograph(usual));
        let fade = in_film(step - usual);
        let count = (fade * rate.unwrap_or(SMOOTH)).round().max(1.0) as usize;
        out.extend((1..=count).map(|i| Shown {
            picture: k,
            next_share: i as f32 / (count + 1) as f32,
            seconds: fade / count as f64,
        }));
    }
    out
}

/// Times that end where the film's own does, so that no rounding adds up: in thousandths of a second, or coarser where those would
/// not fit sixteen bits.
pub fn delays(durations: &[f64]) -> Vec<Delay> {
    let (mut until, mut told) = (0.0, 0.0);
    durations
        .iter()
        .map(|d| {
            until += d;
            let left: f64 = until - told;
            let of_a_second = [1000, 100, 10, 1].into_iter().find(|of| left * f64::from(*of) < 65_535.0).unwrap_or(1);
            let parts = (left * f64::from(of_a_second)).round().clamp(1.0, 65_535.0);
            told += parts / f64::from(of_a_second);
            Delay { parts: parts as u16, of_a_second }
        })
        .collect()
}

/// How often each picture is written at so many a second.
pub fn repeats(durations: &[f64], rate: f64) -> Vec<usize> {
    let (mut until, mut told) = (0.0, 0usize);
    durations
        .iter()
        .map(|d| {
            until += d * rate;
            let count = (until.round() as usize).saturating_sub(told);
            told += count;
            count
        })
        .collect()
}

/// Which of what is shown each picture of a file is, and for how long.
pub type Pictures = Vec<(Shown, Delay)>;

/// Each once, as long as it stands.
pub fn once(shown: &[Shown], delays: &[Delay]) -> Pictures {
    shown.iter().copied().zip(delays.iter().copied()).collect()
}

/// Each as often as it is seen at so many pictures a second, each as long as any other.
#[cfg(feature = "video")]
pub fn at_rate(shown: &[Shown], counts: &[usize], rate: f64) -> Pictures {
    // Whole rates exactly, others as far as sixteen bits tell them.
    let parts = [1, 1000, 100].into_iter().find(|p| {
        let of = rate * f64::from(*p);
        of < 65_535.0 && ((of - of.round()).abs() < 1e-9 || *p > 1)
    });
    let parts: u16 = parts.unwrap_or(100);
    let delay = Delay { parts, of_a_second: (rate * f64::from(parts)).round() as u16 };
    shown.iter().zip(counts).flat_map(|(s, n)| std::iter::repeat_n((*s, delay), *n)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn delays_and_repeats_add_up_to_the_film() {
        let durations = vec![0.33337; 60];
        let ms: u32 = delays(&durations).iter().map(|d| u32::from(d.parts)).sum();
        assert_eq!(ms, 20_002);
        assert_eq!(repeats(&durations, 25.0).iter().sum::<usize>(), 500);
        // A picture that is seen for less than one is not written.
        assert_eq!(repeats(&[0.01, 0.01, 0.1], 25.0), [0, 1, 2]);
        let long = delays(&[100.0, 0.5]);
        assert_eq!(long[0], Delay { parts: 10_000, of_a_second: 100 });
        assert_eq!(delays(&[90.4]), [Delay { parts: 9040, of_a_second: 100 }]);
    }

    #[test]
    fn a_gap_is_held_cut_or_cross_faded_and_the_film_lasts_as_long() {
        let steps = [60.0, 60.0, 600.0, 60.0, 60.0];
        let of = |gaps| filled(&steps, gaps, (21.0, Some(10.0)));
        for gaps in [Gaps::Held, Gaps::Cut, Gaps::CrossFaded] {
            assert!((of(gaps).iter().map(|s| s.seconds).sum::<f64>() - 21.0).abs() < 1e-9, "{gaps:?}");
        }
        assert_eq!(of(Gaps::Held).iter().map(|s| s.seconds).collect::<Vec<_>>(), [1.5, 1.5, 15.0, 1.5, 1.5]);
        assert!(of(Gaps::Cut).iter().all(|s| (s.seconds - 4.2).abs() < 1e-9 && !s.is_faded()));
        let faded = of(Gaps::CrossFaded);
        let between: Vec<&Shown> = faded.iter().filter(|s| s.is_faded()).collect();
        assert_eq!(between.len(), 135, "13.5 s at ten a second");
        assert!(between.iter().all(|s| s.picture == 2));
        assert!(between.windows(2).all(|w| w[0].next_share < w[1].next_share) && between[134].next_share < 1.0);
        assert_eq!(faded.iter().filter(|s| !s.is_faded()).map(|s| s.picture).collect::<Vec<_>>(), [0, 1, 2, 3, 4]);
        // A full sheet that stands for a fifth does so of what is left.
        let fills = [60.0, 60.0, 7200.0, 60.0, 1845.0];
        let cut = filled(&fills, Gaps::Cut, (10.0, None));
        assert!((cut[4].seconds - 2.0).abs() < 0.01, "{cut:?}");
        // Brackets are no gaps.
        let brackets: Vec<f64> = (0..30).map(|k| if k % 3 == 2 { 296.0 } else { 2.0 }).collect();
        assert!(filled(&brackets, Gaps::CrossFaded, (9.0, None)).iter().all(|s| !s.is_faded()));
        // Without gaps nothing is made up.
        assert!(filled(&[60.0; 9], Gaps::CrossFaded, (9.0, None)).iter().all(|s| !s.is_faded()));
    }

    #[cfg(feature = "video")]
    #[test]
    fn pictures_of_a_rate_are_alike() {
        let of = |picture: usize| Shown { picture, next_share: 0.0, seconds: 1.0 };
        let pictures = at_rate(&[of(0), of(1), of(2)], &[2, 0, 1], 24.0);
        let delay = Delay { parts: 1, of_a_second: 24 };
        assert_eq!(pictures, [(of(0), delay), (of(0), delay), (of(2), delay)]);
        assert_eq!(at_rate(&[of(0)], &[1], 23.976)[0].1, Delay { parts: 1000, of_a_second: 23_976 });
        assert_eq!(at_rate(&[of(0)], &[1], 119.88)[0].1, Delay { parts: 100, of_a_second: 11_988 });
    }
}
