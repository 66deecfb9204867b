//! Where a file's white lies below the top of its scale.
//!
//! Some cameras' curves end at code 235 or so, and pictures that were faded, scaled or graded below that. What lies there is as burnt as
//! what ends at 255, and is told by being even: of a lit Moon that is not burnt a tenth lies near its brightest light, of a burnt one most.

/// The darkest plateau that is taken for white.
const LEAST: f32 = 0.6;
/// A plateau's light differs by no more than this share.
const EVEN: f32 = 0.95;
/// Share of the lit part (half as bright as the brightest and more) that lies on the plateau, and of the disc that is lit.
const MOST_OF_LIT: f64 = 0.6;
const LEAST_LIT: f64 = 0.03;

/// From where on a disc's light, linear, is that of a plateau, if there is one. An even disc is one: nothing says that it is not burnt.
pub(crate) fn plateau(mut light: Vec<f32>) -> Option<f32> {
    let rank = light.len().checked_sub(1)? * 99 / 100;
    let brightest = *light.select_nth_unstable_by(rank, f32::total_cmp).1;
    let count = |from: f32| light.iter().filter(|v| **v >= from * brightest).count() as f64;
    let lit = count(0.5);
    let is_plateau = brightest >= LEAST && lit >= LEAST_LIT * light.len() as f64 && count(EVEN) >= MOST_OF_LIT * lit;
    is_plateau.then_some(EVEN * brightest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_even_and_bright_is_white_and_seas_are_not() {
        let disc = |burnt: usize, white: f32| -> Vec<f32> {
            let light = |i: usize| if i < burnt { white + 0.004 * (i % 3) as f32 } else { 0.02 };
            (0..1000).map(light).collect()
        };
        // A sliver and half a disc, white at code 220.
        for burnt in [60, 500] {
            let from = plateau(disc(burnt, 0.72)).expect("it is white");
            assert!((0.6..0.72).contains(&from), "{from}");
        }
        // Copper, a grey half, a speck, nothing.
        assert!(plateau(disc(500, 0.3)).is_none() && plateau(disc(20, 0.9)).is_none() && plateau(vec![]).is_none());
        // A Moon in good light, its seas two thirds as bright as its highlands.
        assert!(plateau((0..1000).map(|i| 0.55 + 0.35 * (i * 7919 % 101) as f32 / 101.0).collect()).is_none());
    }
}
