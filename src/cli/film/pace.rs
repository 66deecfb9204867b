//! How long each picture of a film stands.

use clap::ValueEnum;
use moonloom::compose::Film;
use moonloom::write::Delay;

/// What goes evenly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Pace {
    /// The night's time: a gap between photographs is a pause
    Time,
    /// The photographs: each stands as long as any other
    Photographs,
}

/// How long each picture stands, seconds: together exactly as long as the film.
pub fn durations(film: &Film, pace: Pace, seconds: f64) -> Vec<f64> {
    let steps = match pace {
        Pace::Time => film.steps_s(),
        Pace::Photographs => vec![1.0; film.pictures.len()],
    };
    let all: f64 = steps.iter().sum();
    steps.iter().map(|s| s / all * seconds).collect()
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

/// Which photograph each picture of a file shows, and for how long.
pub type Shown = Vec<(usize, Delay)>;

/// Each photograph once, as long as it stands.
pub fn once(delays: &[Delay]) -> Shown {
    delays.iter().copied().enumerate().collect()
}

/// Photographs as often as they are seen at so many pictures a second, each as long as any other.
#[cfg(feature = "video")]
pub fn at_rate(counts: &[usize], rate: f64) -> Shown {
    // Whole rates exactly, others as far as sixteen bits tell them.
    let parts = [1, 1000, 100].into_iter().find(|p| {
        let of = rate * f64::from(*p);
        of < 65_535.0 && ((of - of.round()).abs() < 1e-9 || *p > 1)
    });
    let parts: u16 = parts.unwrap_or(100);
    let delay = Delay { parts, of_a_second: (rate * f64::from(parts)).round() as u16 };
    counts.iter().enumerate().flat_map(|(k, n)| std::iter::repeat_n((k, delay), *n)).collect()
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

    #[cfg(feature = "video")]
    #[test]
    fn pictures_of_a_rate_are_alike() {
        let shown = at_rate(&[2, 0, 1], 24.0);
        let delay = Delay { parts: 1, of_a_second: 24 };
        assert_eq!(shown, [(0, delay), (0, delay), (2, delay)]);
        assert_eq!(at_rate(&[1], 23.976)[0].1, Delay { parts: 1000, of_a_second: 23_976 });
        assert_eq!(at_rate(&[1], 119.88)[0].1, Delay { parts: 100, of_a_second: 11_988 });
    }
}
