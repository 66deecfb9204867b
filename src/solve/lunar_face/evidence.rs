//! Whether a disc that nothing else speaks for is the Moon: by its face, or by a phase of it.

use super::{Features, shows_the_moon_alike, shows_the_moon_dimly, shows_the_moon_small, shows_the_moon_softly};
use crate::detect::{Cutout, DiscFit, Look, SIDE};
use crate::raster::Plane;
use crate::solve::sky_place::SkyPlace;

/// Discs below this radius may show no face, pixels: seas are told from 30 px on in a clear frame, copper in a phone's
/// cloud is not at 43.
const LEAST_RADIUS_PX: f64 = 45.0;
/// From this radius on a clear Moon shows its face or its phase; what shows neither must at least be round all about.
const FACE_IN_CLEAR_AIR_PX: f64 = 30.0;
const WHOLE_LIMB_DEG: f64 = 270.0;
/// How much surer than every other light in the picture a small disc must be that shows no face.
const LEAD: f64 = 1.25;
/// What is smaller than this share of it is no such light: lamps over water are a quarter as large as the Moon over them (rendered).
const OF_ITS_LIKE: f64 = 0.4;
/// A planet, a star or a far lamp is burnt to a disc of less than this radius, pixels, as round as a Moon; so small a Moon is told
/// from them where no more than this share is white.
const POINT_OF_LIGHT_PX: f64 = 8.0;
const MOST_BURNT: f64 = 0.25;
/// Shares of a disc that are white: from here on a lamp is burnt, and below that a Moon beside it is not.
const BURNT: f64 = 0.1;
const UNBURNT: f64 = 0.02;
/// And its light is no more than this; a globe's middle reaches 0.96.
const NEARLY_WHITE: f32 = 0.9;

/// How sure a lone small disc must be: windows, letters and the like, rendered, reach 0.62.
const SURE: f64 = 0.65;
/// How sure it must be where the limb is seen all round: what is no Moon and small shows 200 degrees of a circle at most.
const SURE_IF_ROUND: f64 = 0.55;
const ROUND_DEG: f64 = 330.0;
/// How sure a disc must be beside which letters are no rivals: dogs' spots and the like are not (0.59).
const BEYOND_LETTERS: f64 = 0.75;
/// How sure the limb of a phase must be: a roof before a lit sky reaches a third.
const SURE_PHASE: f64 = 0.4;
/// How many of its own widths it may lie off its circle: lit windows lie by four, limbs in heavy seeing by two.
const RAGGED_PHASE: f64 = 2.5;
/// Or by this share of the radius, which the Moon's own mountains and an eclipse's faint limb beside a bright one take: a real
/// telescope's last sliver with copper lay off by a third of a percent.
const RELIEF: f64 = 0.004;
/// Roughness of a face (root mean square of its logarithms) from which it is no even ball: partly lit Moons of real
/// photographs show 0.16 to 0.22, evenly shaded balls with a camera's noise 0.07.
const ROUGH: f64 = 0.095;

/// Whether a disc shows the Moon's face, or a phase of it.
pub(in crate::solve) fn is_proved(look: &Look, place: Option<&SkyPlace>) -> bool {
    if stands_among_its_like(look) {
        return false;
    }
    let is_large = look.fit.radius_px >= FACE_IN_CLEAR_AIR_PX;
    let is_ragged = look.fit.residual_px > (RAGGED_PHASE * look.fit.edge_width_px).max(RELIEF * look.fit.radius_px);
    // What is no brighter within its limb than without is no phase.
    let is_open = is_large && !is_ragged && look.limb_step > 0.0 && look.fit.confidence() > SURE_PHASE;
    let phase = |c: &Cutout| is_open && shows_a_phase(c, &look.fit);
    (shows_the_moon_dimly(look, place) && !is_speckled(&look.fit))
        || shows_the_moon_small(look, place)
        || shows_the_moon_softly(look, place)
        || shows_the_moon_alike(look, place)
        || look.cutout.as_ref().is_some_and(phase)
}

/// Whether there is no plain sky around a disc: one shape among others, and be it as like the Moon as one of many is by chance. Nobody
/// doubts a limb like that of a Moon in torn cloud, which showed 0.25 (rendered).
fn stands_among_its_like(look: &Look) -> bool {
    const MOST_UNREST: f32 = 0.2;
    const MOST_UNREST_OF_A_DISC: f32 = 0.4;
    const NO_DOUBT: f64 = 0.9;
    let most = if look.fit.confidence() > NO_DOUBT { MOST_UNREST_OF_A_DISC } else { MOST_UNREST };
    look.unrest > most
}

/// Whether what is hardly a disc has nearly all of its light in a few specks: windows of a dark house make a limb of points, and what is
/// between them resembles any face by chance.
fn is_speckled(fit: &DiscFit) -> bool {
    const HARDLY_A_DISC: f64 = 0.7;
    /// Windows lay off by 0.8 and 0.95 of their edges' width, a sliver's limb by a third (rendered).
    const RAGGED_IF_SPECKLED: f64 = 0.6;
    const LEAST_MEAN: f32 = 0.1;
    let is_ragged = fit.residual_px > RAGGED_IF_SPECKLED * fit.edge_width_px;
    is_ragged && fit.confidence() < HARDLY_A_DISC && fit.mean_level < LEAST_MEAN * fit.disc_level
}

/// How sure a disc must be that stands behind a surer one which is no Moon: among the lamps, windows and letters of a picture one
/// or another resembles a face by chance, at a confidence of 0.36 (rendered); the Moon over a town of lamps has 0.7 and more.
const SURE_BEHIND: f64 = 0.6;
/// How sure one whose seas and finer features are turned alike, as none is by chance.
const SURE_IF_ALIKE: f64 = 0.33;

/// Whether a disc is one of many of its size: lamps out of focus, of which one or another resembles a face by chance.
fn is_one_of_many(look: &Look, all: &[Look]) -> bool {
    const MANY: usize = 5;
    const SAME: f64 = 0.1;
    let is_like =
        |l: &&Look| (l.fit.radius_px / look.fit.radius_px).ln().abs() < SAME && l.fit.confidence() > SURE_BEHIND;
    all.iter().filter(is_like).count() > MANY
}

/// Whether a disc behind a surer one that does not show that it is the Moon does.
pub(in crate::solve) fn is_proved_behind(look: &Look, all: &[Look], place: Option<&SkyPlace>) -> bool {
    let confidence = look.fit.confidence();
    let is_alike = || confidence > SURE_IF_ALIKE && !stands_among_its_like(look) && shows_the_moon_alike(look, place);
    (confidence > SURE_BEHIND && !is_one_of_many(look, all) && is_proved(look, place)) || is_alike()
}

/// Whether a disc, fitted with the Moon's size, may be the Moon by that, where nothing says where the Moon stands; if too poor a
/// limb is seen of it, it must show that it is.
pub(in crate::solve) fn may_be_by_size(look: &Look, fit: &DiscFit, place: Option<&SkyPlace>) -> bool {
    !is_doubtful(fit) || is_proved(look, place)
}

/// Whether so poor a limb is seen of a disc that its size alone does not make it the Moon: a tree's crown before a bright sky
/// leaves gaps of any size, at confidences of 0.27 to 0.42, with 120 degrees of limb that lies off its circle by twice its own
/// width (rendered). What is small is round all about, or a roof lit by a lamp: those of a town lie off their circles by 0.9 to 1.7 of
/// their widths, Moons of four to seven pixels by a fifth (two nights by another hand).
fn is_doubtful(fit: &DiscFit) -> bool {
    const SURE_BY_SIZE: f64 = 0.5;
    const LONG_ARC_DEG: f64 = 150.0;
    const RAGGED: f64 = 1.3;
    const RAGGED_IF_SMALL: f64 = 0.8;
    let (is_small, is_short) = (fit.radius_px < FACE_IN_CLEAR_AIR_PX, fit.arc_deg < LONG_ARC_DEG);
    let is_ragged = |most: f64| fit.residual_px > most * fit.edge_width_px;
    let is_poor = if is_small { is_short || is_ragged(RAGGED_IF_SMALL) } else { is_short && is_ragged(RAGGED) };
    is_poor && fit.confidence() < SURE_BY_SIZE
}

/// Whether hardly anything of a disc is clipped, so that its file says how bright it is.
pub(in crate::solve) fn is_unburnt(fit: &DiscFit) -> bool {
    fit.saturated_share < UNBURNT
}

/// Whether one frame's disc that does not show that it is the Moon may be called so where no other frame supports its size, being
/// too small to show it.
pub(in crate::solve) fn may_be_small(look: &Look, others: &[&Look]) -> bool {
    // An oval is a letter or a window until it shows that it is a low Moon.
    if look.fit.radius_px >= LEAST_RADIUS_PX || look.pressed.is_some() || stands_among_its_like(look) {
        return false;
    }
    // What shows a part of its limb without a phase is a ball or a bowl, a brush's stroke or a letter's bow.
    let is_phase = || look.cutout.as_ref().is_none_or(|c| shows_a_phase(c, &look.fit));
    if look.fit.arc_deg < WHOLE_LIMB_DEG && (look.fit.radius_px >= FACE_IN_CLEAR_AIR_PX || !is_phase()) {
        return false;
    }
    if look.fit.radius_px < POINT_OF_LIGHT_PX && look.fit.saturated_share > MOST_BURNT {
        return false;
    }
    // A lamp looks the same; among its like it is one of them. But where all others are burnt and smaller, it is lit by the Sun, not
    // by a wire.
    let is_lesser = |l: &Look| l.fit.radius_px < look.fit.radius_px && l.fit.saturated_share > BURNT;
    let is_like = |l: &Look| l.fit.radius_px > OF_ITS_LIKE * look.fit.radius_px;
    let is_lit_by_the_sun = is_unburnt(&look.fit) && look.fit.disc_level < NEARLY_WHITE;
    // What is written under a picture is none either, beside a disc surer than letters are but for the roundest.
    let may_be_over_a_line =
        is_lit_by_the_sun && look.fit.confidence() > BEYOND_LETTERS && !stands_in_a_row(look, others);
    let is_written =
        |l: &Look| may_be_over_a_line && l.fit.radius_px < look.fit.radius_px && stands_in_a_row(l, others);
    let rival = others
        .iter()
        .copied()
        .filter(|l| is_like(l) && !(is_lit_by_the_sun && (is_lesser(l) || is_written(l))))
        .filter(|l| l.fit.centre.distance(look.fit.centre) > 2.0 * look.fit.radius_px.max(l.fit.radius_px))
        .map(|l| l.fit.confidence())
        .fold(0.0, f64::max);
    let sure = if look.fit.arc_deg >= ROUND_DEG { SURE_IF_ROUND } else { SURE };
    look.fit.confidence() > (LEAD * rival).max(sure)
}

/// Whether a disc stands in a row with others of its like, as the letters of a line do. Neglected: lines along a picture's height.
fn stands_in_a_row(look: &Look, all: &[&Look]) -> bool {
    /// Letters beside it, at least; how far apart they may stand, how far off the line, and how much larger they may be, in its radii.
    const FEWEST: usize = 3;
    const APART: f64 = 40.0;
    const OFF_THE_LINE: f64 = 1.2;
    const SIZES: f64 = 0.6;
    let (at, radius) = (look.fit.centre, look.fit.radius_px);
    let is_beside = |l: &&&Look| {
        let (dx, dy) = ((l.fit.centre.x - at.x).abs(), (l.fit.centre.y - at.y).abs());
        let is_apart = dx > 0.8 * radius && dx < APART * radius;
        is_apart && dy < OFF_THE_LINE * radius && (l.fit.radius_px / radius).ln().abs() < SIZES
    };
    all.iter().filter(is_beside).count() >= FEWEST
}

/// Whether a disc is lit from one side as a phase or an eclipse lights the Moon, as its light stands or in means over some cells: before
/// a bright sky noise hides where a phase ends.
fn shows_a_phase(cutout: &Cutout, fit: &DiscFit) -> bool {
    /// Of the bright part's light: less is dark.
    const DARK: f32 = 0.12;
    /// So many times its noise lies what is bright above the dark.
    const CLEAR: f32 = 4.0;
    /// The Gaussian over which means are taken, cells.
    const MEAN_CELLS: f64 = 1.5;
    let over_sky = DARK * fit.disc_level;
    // What is dark is no darker than the sky beside it: a sky at dusk is bright, and brighter on one side than the other.
    let (sky, noise) = sky_beside(&cutout.light, cutout, fit);
    if is_lit_as_a_phase(&cutout.light, cutout, fit, sky.max(fit.sky_level) + over_sky) {
        return true;
    }
    let by_means = || {
        let means = cutout.light.blurred(MEAN_CELLS);
        let (sky, noise) = sky_beside(&means, cutout, fit);
        is_lit_as_a_phase(&means, cutout, fit, sky.max(fit.sky_level) + over_sky.max(CLEAR * noise))
    };
    CLEAR * noise > over_sky && by_means()
}

/// Where the light of a limb is looked at, radii.
const RIM: f64 = 0.9;

/// Whether what is brighter than a level is one run of the limb and the rest dark, alike on both sides of the axis; and, where it is lit
/// broadly, not as smooth as a ball.
fn is_lit_as_a_phase(light: &Plane, cutout: &Cutout, fit: &DiscFit, level: f32) -> bool {
    const SLIVER_CELLS: usize = 110;
    /// Real slivers differ by 0.34 to 0.49 of their cells from their mirror images.
    const UNLIKE_OF_A_SLIVER: f64 = 0.5;
    let at = |x: f64, y: f64| {
        let cell = cutout.cell_of(fit, x, y);
        light.sample(cell.0, cell.1)
    };
    let around: Vec<bool> = (0..72)
        .map(|k| {
            let (s, c) = (f64::from(k) * 5.0).to_radians().sin_cos();
            at(RIM * c, RIM * s) > level
        })
        .collect();
    let changes = (0..72).filter(|&k| around[k] != around[(k + 1) % 72]).count();
    let lit_limb = around.iter().filter(|l| **l).count();
    if changes > 4 || !(10..=64).contains(&lit_limb) {
        return false;
    }
    let cells: Vec<(f64, f64, bool)> = (0..SIDE * SIDE / 9)
        .map(|i| (3 * (i % (SIDE / 3)), 3 * (i / (SIDE / 3))))
        .map(|(column, row)| (column as f64 * 2.0 / SIDE as f64 - 1.0, row as f64 * 2.0 / SIDE as f64 - 1.0))
        .filter(|(x, y)| x.hypot(*y) < RIM)
        .map(|(x, y)| (x, y, at(x, y) > level))
        .collect();
    let lit = cells.iter().filter(|c| c.2).count();
    let (sx, sy) = cells.iter().filter(|c| c.2).fold((0.0, 0.0), |(sx, sy), c| (sx + c.0, sy + c.1));
    let axis = sy.atan2(sx);
    let (s, c) = (2.0 * axis).sin_cos();
    let alike = cells.iter().filter(|p| p.2 == (at(p.0 * c + p.1 * s, p.0 * s - p.1 * c) > level)).count();
    let share = lit as f64 / cells.len().max(1) as f64;
    // Of a thin sliver every other cell lies at its edge, and one end of it shows farther where the ground is bright.
    let unlike = if lit < SLIVER_CELLS { UNLIKE_OF_A_SLIVER } else { 0.3 };
    let symmetric = alike as f64 > cells.len() as f64 - unlike * (lit.min(cells.len() - lit)) as f64 - 4.0;
    let rough = share < 0.25
        || is_bitten(lit_limb as f64 / around.len() as f64, share)
        || fit.saturated_share > 0.1
        || Features::of_disc(cutout, fit).is_none_or(|f| f.roughness() > ROUGH);
    (0.01..0.93).contains(&share) && symmetric && rough && tapers(&at, &around, level)
}

/// Whether a shadow larger than the Moon bites into what is lit, by the shares of limb and disc that are; a ball's own shade bulges, as
/// the edge of a cap does.
fn is_bitten(lit_limb: f64, lit: f64) -> bool {
    /// The area, of a disc's, that a circle of 2.6 Moons' radius takes from what lies on this side of the line between the cusps:
    /// 0.085 where half of the limb is lit, 0.04 where seven tenths are.
    const BITE: f64 = 0.04;
    /// One far light never lights more than half of a ball's limb, but two rays of seventy.
    const MORE_THAN_HALF: f64 = 0.53;
    let between_cusps = std::f64::consts::TAU * lit_limb;
    lit_limb > MORE_THAN_HALF && (between_cusps - between_cusps.sin()) / std::f64::consts::TAU - lit > BITE
}

/// Whether what is lit grows thinner towards its ends, as a crescent does, whose inner edge meets the limb at the cusps; a letter's stroke
/// is as thick there as anywhere, and so is a ring. What is lit broadly hardly has ends.
fn tapers(at: &dyn Fn(f64, f64) -> f32, around: &[bool], level: f32) -> bool {
    /// Of the rays with a lit limb, those at either end, and those around the middle.
    const ENDS: f64 = 0.12;
    const MIDDLE: f64 = 0.3;
    /// How thick the ends of a letter are, of its middle, at least: 0.54 and 0.59, a crescent's 0.15 to 0.25.
    const LETTER: f64 = 0.5;
    const STEP: f64 = 0.03;
    /// What is lit so far in is no stroke.
    const THICK: f64 = 0.6;
    let count = around.len();
    // The longest run; each begins where a dark limb ends.
    let length = |begin: usize| (begin..begin + count).take_while(|k| around[k % count]).count();
    let begins = (0..count).filter(|&k| around[k] && !around[(k + count - 1) % count]);
    let Some(begin) = begins.max_by_key(|&k| length(k)) else { return true };
    let run: Vec<f64> = (begin..begin + length(begin))
        .map(|k| {
            let (s, c) = (k as f64 / count as f64 * std::f64::consts::TAU).sin_cos();
            let mut depths = (0..).map(|i| f64::from(i) * STEP).take_while(|d| *d < 2.0 * RIM);
            depths.find(|d| at((RIM - d) * c, (RIM - d) * s) <= level).unwrap_or(2.0 * RIM)
        })
        .collect();
    let mean = |some: &[f64]| some.iter().sum::<f64>() / some.len().max(1) as f64;
    let end = ((run.len() as f64 * ENDS) as usize).max(1);
    let around_middle = (run.len() as f64 * MIDDLE / 2.0) as usize;
    let middle =
        mean(&run[(run.len() / 2).saturating_sub(around_middle)..(run.len() / 2 + around_middle + 1).min(run.len())]);
    let ends = mean(&run[..end]).min(mean(&run[run.len() - end..]));
    // A shadow more than twice the Moon's size that leaves half of the limb leaves four fifths of a radius in its middle.
    let is_no_shadows = 2 * run.len() > count + count / 9;
    middle > THICK || (ends < LETTER * middle && !is_no_shadows)
}

/// The light of the sky just beside a disc, by its grid or means of that, and its noise; where the frame shows too little, what the
/// frame's cells say, without any.
fn sky_beside(light: &Plane, cutout: &Cutout, fit: &DiscFit) -> (f32, f32) {
    const FEWEST: usize = 36;
    /// A normal deviation, of the median of the absolute ones.
    const NORMAL: f32 = 1.4826;
    let mut beside: Vec<f32> = (0..144)
        .map(|k| (f64::from(k) * 2.5).to_radians().sin_cos())
        .zip([1.08, 1.14].into_iter().cycle())
        .map(|((s, c), rho)| cutout.cell_of(fit, rho * c, rho * s))
        .filter(|at| cutout.shows(*at))
        .map(|at| light.sample(at.0, at.1))
        .collect();
    if beside.len() < FEWEST {
        return (fit.sky_level, 0.0);
    }
    let middle = beside.len() / 2;
    let sky = *beside.select_nth_unstable_by(middle, f32::total_cmp).1;
    beside.iter_mut().for_each(|v| *v = (*v - sky).abs());
    (sky, NORMAL * *beside.select_nth_unstable_by(middle, f32::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Measured, any_disc, find_discs};
    use crate::raster::{CodedPlane, PixelPoint};

    #[test]
    fn a_short_ragged_limb_is_doubted_and_a_short_clean_one_is_not() {
        let short = DiscFit { arc_deg: 80.0, ..DiscFit::well_seen(PixelPoint::new(100.0, 100.0), 55.0) };
        // A gap in a tree's crown, and the cusp of a crescent behind thin cloud.
        assert!(is_doubtful(&DiscFit { residual_px: 1.9, edge_width_px: 0.66, open_share: 0.3, ..short }));
        assert!(!is_doubtful(&DiscFit { residual_px: 0.12, edge_width_px: 0.41, agreeing: 0.8, ..short }));
        // Heavy seeing, half of the limb seen.
        assert!(!is_doubtful(&DiscFit { residual_px: 1.9, edge_width_px: 0.9, arc_deg: 180.0, ..short }));
    }

    /// Discs of a frame: places, radii and light, on a dark sky; as much of each as is beyond white is white.
    fn lights(discs: &[(f64, f64, f64, f32)]) -> Vec<Look> {
        let (width, height) = (600, 400);
        let data = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 + 0.5, (i / width) as f64 + 0.5);
                let light =
                    |d: &(f64, f64, f64, f32)| d.3 * (d.2 + 0.5 - (x - d.0).hypot(y - d.1)).clamp(0.0, 1.0) as f32;
                (0.003 + discs.iter().map(light).sum::<f32>()).min(1.0)
            })
            .collect();
        let plane = CodedPlane::from_light(Plane::from_data(width, height, data).unwrap());
        find_discs(&Measured::new(&plane), &any_disc(width, height), 8)
    }

    fn may_be(look: &Look, all: &[Look]) -> bool {
        may_be_small(look, &all.iter().collect::<Vec<_>>())
    }

    #[test]
    fn a_small_moon_is_told_from_burnt_lamps_and_a_lamp_is_not_from_its_like() {
        let at =
            |looks: &[Look], x: f64| looks.iter().position(|l| (l.fit.centre.x - x).abs() < 2.0).expect("it is seen");
        let lamps = [(90.3, 350.2, 12.6, 3.0f32), (300.7, 330.4, 13.2, 3.0), (500.2, 360.8, 11.4, 3.0)];
        let looks = lights(&[&lamps[..], &[(250.4, 90.7, 17.5, 0.3)]].concat());
        assert!(may_be(&looks[at(&looks, 250.4)], &looks));
        assert!(lamps.iter().all(|l| !may_be(&looks[at(&looks, l.0)], &looks)));
        let alone = lights(&lamps);
        assert!(lamps.iter().all(|l| !may_be(&alone[at(&alone, l.0)], &alone)));
        // A planet, burnt to a few pixels.
        assert!(!may_be_small(&lights(&[(300.4, 200.6, 6.0, 3.0)])[0], &[]));
        assert!(may_be_small(&lights(&[(300.4, 200.6, 6.0, 0.3)])[0], &[]));
        // A line of round letters below it, as sure as it is, and one of those letters.
        let line: Vec<_> = (0..6).map(|i| (60.3 + 31.0 * f64::from(i), 370.4, 9.2, 0.3f32)).collect();
        let written = lights(&[&line[..], &[(450.4, 90.7, 14.5, 0.3)]].concat());
        assert!(may_be(&written[at(&written, 450.4)], &written));
        assert!(!may_be(&written[at(&written, 122.3)], &written));
    }

    #[test]
    fn the_shadow_bites_and_a_balls_own_shade_does_not() {
        let shares = |is_lit: &dyn Fn(f64, f64) -> bool| {
            let around = (0..720).map(|k| f64::from(k).to_radians() / 2.0).filter(|t| is_lit(t.cos(), t.sin())).count();
            let cells =
                || (0..200 * 200).map(|i| (f64::from(i % 200) / 100.0 - 0.995, f64::from(i / 200) / 100.0 - 0.995));
            let inside = || cells().filter(|(x, y)| x.hypot(*y) < 1.0);
            let lit = inside().filter(|(x, y)| is_lit(*x, *y)).count();
            (around as f64 / 720.0, lit as f64 / inside().count() as f64)
        };
        // The umbra, 2.6 times as large as the Moon, until half of the limb is left.
        for off in [3.0, 2.8, 2.6] {
            let (limb, lit) = shares(&|x, y| (x - off).hypot(y) > 2.6);
            assert!(is_bitten(limb, lit), "{off}: {limb} {lit}");
        }
        // A ball whose light falls below a level (Lambert's cosine), lit from in front to from behind.
        for (towards, level) in [(30f64, 0.3), (60.0, 0.3), (60.0, 0.12), (90.0, 0.12), (100.0, 0.12), (110.0, 0.12)] {
            let (sin, cos) = towards.to_radians().sin_cos();
            let light = |x: f64, y: f64| sin * x + cos * (1.0 - x * x - y * y).max(0.0).sqrt();
            let (limb, lit) = shares(&|x, y| light(x, y) > level);
            assert!(!is_bitten(limb, lit), "{towards} {level}: {limb} {lit}");
        }
    }

    /// A disc's light where it is lit, and which rays of 72 find its limb lit.
    fn tapers_where(lit: impl Fn(f64, f64) -> bool) -> bool {
        let at = |x: f64, y: f64| if lit(x, y) { 1.0 } else { 0.0 };
        let around: Vec<bool> = (0..72)
            .map(|k| {
                let (s, c) = (f64::from(k) * 5.0).to_radians().sin_cos();
                lit(0.9 * c, 0.9 * s)
            })
            .collect();
        tapers(&at, &around, 0.5)
    }

    #[test]
    fn a_crescent_tapers_and_a_letters_stroke_does_not() {
        // The Earth's shadow, 2.6 times as large as the Moon, before much and before most of it.
        for off in [2.0, 2.7, 3.2] {
            assert!(tapers_where(|x, y| x.hypot(y) < 1.0 && (x - off).hypot(y) > 2.6), "{off}");
        }
        // A C of an even stroke, and half of one.
        assert!(!tapers_where(|x, y| (0.55..1.0).contains(&x.hypot(y)) && y.atan2(x).abs() > 0.8));
        assert!(!tapers_where(|x, y| (0.55..1.0).contains(&x.hypot(y)) && y.atan2(x).abs() > 2.0));
        // A brush's stroke, thin at its ends, all but round: no shadow leaves that.
        let thickness = |x: f64, y: f64| 0.35 * ((y.atan2(x).abs() - 0.8) / 2.4).sqrt();
        assert!(!tapers_where(|x, y| x.hypot(y) < 1.0
            && y.atan2(x).abs() > 0.8
            && 1.0 - x.hypot(y) < 0.12 + thickness(x, y)));
        // A lit speck apart from a crescent does not hide it.
        assert!(tapers_where(|x, y| x.hypot(y) < 1.0 && ((x - 2.7).hypot(y) > 2.6 || (x > 0.85 && y.abs() < 0.04))));
    }
}
