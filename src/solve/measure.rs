//! Each Moon once more, with what the sequence has taught: the radius, the lens, the air.
//!
//! What was kept of a frame serves where its first look was good; a frame that gave nothing, or a doubtful disc, is
//! decoded once more and searched where the solution expects the Moon.

use super::burnt;
use super::choice::{Choice, SURE_OF_SIZE};
use super::limbs::Limbs;
use super::lunar_face::may_be_by_size;
use super::moon::{CLIPPED_SHARE, Moon, OTHER_SIZE};
use super::mount::Aim;
use super::scale::TELLS_NO_SIZE;
use super::sequence::{Seen, Sequence};
use super::shape::{Flattening, SkyShape};
use super::sky_place::SkyPlace;
use super::upright::up_position_angle;
use crate::detect::{
    CONFIDENT, Cutout, DiscFit, Expectation, Look, Measured, RadiusPrior, SMALL_DISC_PX, Shading, find_discs,
    find_faint, look_at,
};
use crate::ingest::Channel;
use crate::raster::{PixelPoint, PixelRect};
use crate::registration::{Orientation, OrientationSource};
use crate::sky::Lens;
use crate::units::Angle;
use rayon::prelude::*;

/// The Moon of each frame in which it can be measured; `limbs` is where the camera puts limbs, if that was told.
pub(super) fn measure(
    sequence: &Sequence<'_>,
    seen: &[&Seen],
    choices: &[Choice],
    (aim, limbs): (&Aim, Option<&Limbs>),
) -> Vec<Option<Moon>> {
    let one = |k: usize| {
        if matches!(seen[k], Seen::Unreadable(_)) {
            return None;
        }
        let look = choices[k].chosen.and_then(|i| seen[k].discs().get(i));
        let moon = measure_one(sequence, k, (look, choices[k].expected), (aim, limbs))?;
        let Some(place) = sequence.place(k) else { return Some(moon) };
        let moon = burnt::placed(moon, place, aim, sequence.size());
        Some(Moon { fit: through_air(moon.fit, place), ..moon })
    };
    // A frame that gave nothing is opened once more.
    let mut out = Vec::with_capacity(sequence.len());
    for some in (0..sequence.len()).collect::<Vec<usize>>().chunks(sequence.at_once()) {
        out.par_extend(some.par_iter().map(|&k| one(k)));
    }
    out
}

/// With what the air of the night adds to a centre's uncertainty: a low Moon's flattening is known to a tenth, as pressure and
/// warmth go (Explanatory Supplement to the Astronomical Almanac, from memory), and half a limb goes along with half of that.
fn through_air(fit: DiscFit, place: &SkyPlace) -> DiscFit {
    let flattening = place.flattened(Angle::ZERO).ratio - 1.0;
    DiscFit { centre_sigma_px: fit.centre_sigma_px.hypot(0.05 * flattening * fit.radius_px), ..fit }
}

/// With what frames cannot tell of each other, for all of them share it: the camera's curve, the map of the Moon's face where that
/// says its part, and the air, where nobody says how
/// high the Moon stood: an arc's circle may be that of a disc pressed by as much as it is at eight degrees, and lies off its middle
/// by half of that.
pub(super) fn with_what_is_shared(sequence: &Sequence<'_>, moons: Vec<Option<Moon>>) -> Vec<Option<Moon>> {
    const HALF_PRESSED: f64 = 0.006;
    let shared = |(moon, place): (Option<Moon>, &Option<SkyPlace>)| {
        let moon = moon?;
        let pressed_px = |look: &Look| HALF_PRESSED * look.lopsided() * moon.fit.radius_px;
        let pressed_px = moon.look.as_ref().filter(|_| place.is_none()).map_or(0.0, pressed_px);
        let outside_px = moon.look.as_ref().map_or(0.0, Look::outside_px);
        // What is measured by itself has that in its numbers already.
        let outside_px = if moon.fit.radius_sigma_px < outside_px { outside_px } else { 0.0 };
        // An arc takes its circle's centre along.
        let along_px = moon.by_limb * outside_px * moon.look.as_ref().map_or(0.0, Look::lopsided);
        let shared_px = moon.drawn_px().hypot(moon.by_map_px).hypot(pressed_px).hypot(along_px);
        let centre_sigma_px = moon.fit.centre_sigma_px.hypot(shared_px);
        let radius_sigma_px = moon.fit.radius_sigma_px.hypot(outside_px);
        Some(Moon { fit: DiscFit { centre_sigma_px, radius_sigma_px, ..moon.fit }, ..moon })
    };
    moons.into_iter().zip(&sequence.places).map(shared).collect()
}

/// How sure copper through bright cloud must be: what noise and clouds made of that difference stayed below this on two nights
/// by another hand, whole, halved and recompressed.
const THROUGH_CLOUD: f64 = 0.6;
/// And how much of its limb it must show where nothing says where it is: bands of haze before a twilit sky made 145 degrees.
const HALF_ITS_LIMB_DEG: f64 = 180.0;
/// How much of the limb may be as bright without as within, where nothing was seen and nothing says where the Moon is: between the
/// crests of a ridge a bright sky made a disc that was open by 0.36 to 0.40, Moons behind cloud by 0.15 at most.
const MOST_OPEN_ANYWHERE: f64 = 0.25;
/// Least limb that is called measured, degrees.
const LEAST_LIMB_DEG: f64 = 60.0;

/// How much the Moon's size changes over a few hours of a night, as a share: from the horizon to the zenith it grows by 1.7 %
/// (the Earth's radius over the Moon's distance), a third of that one way or the other about a night's middle.
const NIGHTS_SPREAD: f64 = 0.006;

/// What the sequence knows of a disc before it is fitted again.
struct Known {
    radius: f64,
    /// Standard deviation of that radius as the sequence knows it, a share of it.
    share: f64,
    shape: SkyShape,
    place_known: bool,
}

impl Known {
    fn expectation(&self, saturated_share: f64) -> Expectation<'_> {
        // Light beyond the top of the scale spreads over the limb.
        let blooming = (3.0 * saturated_share).min(1.0);
        Expectation {
            from_px: 0.8 * self.radius,
            to_px: 2.6 * self.radius,
            shape: &self.shape,
            place_known: self.place_known,
            radius: Some(RadiusPrior { radius: self.radius, sigma: self.share * self.radius + 0.05 + blooming * 1.2 }),
        }
    }

    /// For looking through a whole frame for a disc of this size.
    fn of_this_size(&self) -> Expectation<'_> {
        let half = 0.04 + 1.0 / self.radius;
        Expectation {
            from_px: self.radius * (1.0 - half),
            to_px: self.radius * (1.0 + half),
            radius: Some(RadiusPrior { radius: self.radius, sigma: 0.5 * half * self.radius }),
            shape: &self.shape,
            place_known: false,
        }
    }
}

fn measure_one(
    sequence: &Sequence<'_>,
    k: usize,
    (look, on_way): (Option<&Look>, Option<(PixelPoint, f64)>),
    (aim, limbs): (&Aim, Option<&Limbs>),
) -> Option<Moon> {
    let toned = |look: &Look| limbs.map_or_else(|| look.clone(), |limbs| limbs.moved(look, (sequence, k), aim));
    let bare = look;
    let look = look.map(toned);
    let look = look.as_ref();
    // Without a place on the sky the size that the frames have in common still holds.
    let place = sequence.place(k);
    let (Some(focal), Some(radius)) = (aim.focal_length_px(), aim.radius_px(place)) else {
        return bare.map(|l| Moon::of_look(l, l.by_itself()));
    };
    let as_found = || bare.map(|l| Moon::of_look(l, unlike_the_others(l, radius)));
    // What is well seen and of another size stands as photographed: a glare, a low Moon, which only a place on the sky would
    // tell better; so does a Moon of a few pixels, whose glow may be as large as itself.
    let differs = |l: &Look| (l.true_radius_px() / radius - 1.0).abs() > OTHER_SIZE && l.fit.confidence() > CONFIDENT;
    if place.is_none() {
        // An oval by itself: no circle of the Moon's size lies along it.
        if look.is_some_and(|l| l.pressed.is_some()) {
            return as_found();
        }
        let is_small = radius < SMALL_DISC_PX;
        if let Some(moon) = look.filter(|_| !is_small).and_then(|l| pressed_by_the_air(sequence, k, l, radius, aim)) {
            return Some(moon);
        }
        if look.is_some_and(|l| is_small || differs(l)) || is_small && on_way.is_none() {
            return as_found();
        }
    }
    let (width, height) = sequence.size();
    // A limb must lie where the solution says the Moon is.
    // (On a mount that follows it, it has hardly moved since the frame before.)
    let leash = if aim.is_pointed() { 0.5 } else { 0.1 } * radius + 3.0;
    let leash = on_way.map_or(leash, |(_, reach)| leash.max(reach));
    let expected_at = place
        .and_then(|place| aim.expects(place))
        .or(on_way.map(|(at, _)| at))
        .filter(|at| look.is_none_or(|l| l.fit.centre.distance(*at) < leash || !aim.stands_by_itself(&l.fit, place)));
    let pointing = place.and_then(|place| aim.pointing(place));
    let lens = pointing.map_or_else(|| Lens::rectilinear(width, height, focal), |p| p.lens);
    let start = look
        .map(|l| l.fit.centre)
        .filter(|at| expected_at.is_none_or(|e| e.distance(*at) < 0.1 * radius + 3.0))
        .or(expected_at)
        .or(look.map(|l| l.fit.centre));
    let near = start.unwrap_or(PixelPoint::new(width as f64 / 2.0, height as f64 / 2.0));
    let flattening = place.and_then(|place| place.flattening(aim.mount(), pointing, near));
    // A mount that follows the Moon has hardly moved since the frame before.
    let place_known = !aim.is_pointed() && expected_at.is_some() && on_way.is_none();
    // Where only the frames tell, a disc may differ from the others as they do among themselves.
    let share = match place {
        Some(_) => aim.scale_sigma(),
        None => aim.scale_sigma().hypot(NIGHTS_SPREAD).hypot(aim.scatter()),
    };
    let known = Known { radius, share, shape: SkyShape { lens, flattening }, place_known };
    let saturated = look.map_or(0.0, |l| l.fit.saturated_share);
    // What bloom makes of limbs the curve that was told holds for the greater part.
    let is_moved = look.is_some_and(Look::is_limb_moved);
    let expected = known.expectation(if is_moved { 0.25 * saturated } else { saturated });
    // What drowns in noise is searched for by the light of a solved pointing alone: one taken from its own limb would find itself.
    let is_told = |_: &&SkyPlace| radius < SMALL_DISC_PX || pointing.is_some();
    let up = place.filter(is_told).and_then(|place| up_position_angle((place, aim), near, look));
    let shading = place.zip(up).map(|(place, up)| place.light_over(up));
    let shading = shading.as_ref().map(|s| s as Shading<'_>);
    let stray = |fit: &DiscFit| expected_at.is_some_and(|e| e.distance(fit.centre) > leash);
    // What the time says is pressed and the frame shows round was not taken then.
    let is_pressed = place.is_some_and(|place| place.flattened(Angle::ZERO).ratio > TELLS_NO_SIZE);
    if is_pressed && look.is_some_and(|l| is_round(l, radius) && !stray(&l.fit)) {
        return as_found();
    }
    // Where nothing says where the Moon is, a sixth of its limb must.
    let shows_limb = |fit: &DiscFit| expected_at.is_some() || fit.arc_deg >= LEAST_LIMB_DEG;
    if let Some(look) = look
        && let Some(fit) = look.again(&expected, shading)
        && !stray(&fit)
        && shows_limb(&fit)
        && is_settled(look, &fit, radius)
    {
        return Some(Moon::of_look(look, fit));
    }
    // A Moon below the horizon, or outside the frame by the solved aim, is not looked for where nothing was seen.
    let elsewhere = aim.is_pointed() && expected_at.is_none_or(|at| !sequence.is_in_frame(at, 0.5 * radius));
    if look.is_none() && (place.is_some_and(SkyPlace::is_below_horizon) || elsewhere) {
        return None;
    }
    // The copper of totality stands clearest in red; where nothing was seen, that is what is looked at.
    let is_in_red = look.is_none();
    let channel = if is_in_red { Channel::Red } else { Channel::Brightness };
    let plane = sequence.decode(k, channel).ok()?.plane;
    let measured = Measured::new(&plane);
    // And through bright cloud in what is redder than the cloud, where it must be beyond doubt.
    let is_copper = place.is_none_or(|p| p.shadow.umbral_fraction() > 0.9);
    let through_cloud = || {
        let copper = sequence.decode(k, Channel::Copper).ok()?.plane;
        let copper = Measured::new(&copper);
        // What was seen in the brightness did not hold: its place tells nothing.
        let found = match expected_at {
            Some(at) => look_at(&copper, &expected, at, radius, shading),
            None => find_discs(&copper, &known.of_this_size(), 1).into_iter().next(),
        };
        let least_deg = if expected_at.is_some() { LEAST_LIMB_DEG } else { HALF_ITS_LIMB_DEG };
        let look =
            found.filter(|l| !stray(&l.fit) && l.fit.arc_deg >= least_deg && l.fit.confidence() > THROUGH_CLOUD)?;
        let look = look.with_light_of(&measured);
        let fit = look.again(&expected, shading).filter(|fit| !stray(fit)).unwrap_or(look.fit);
        Some(Moon::of_look(&look, fit))
    };
    // What shows less of its limb once the Moon's size holds it was another edge: a roof's, a cloud's. (What the first look is
    // sure of still stands as photographed.)
    let refitted = |look: Look| {
        // What the curve makes of limbs was told by the brightness.
        let look = if is_in_red { look } else { toned(&look) };
        let fit = look.again(&expected, shading).filter(|fit| !stray(fit)).unwrap_or(look.fit);
        let look = look.with_cutout(&measured);
        let is_believed = expected_at.is_some() || may_be_by_size(&look, &fit, place);
        (shows_limb(&fit) && is_believed).then(|| Moon::of_look(&look, fit))
    };
    // A way that no sky tells is less sure than an aim: through cloud, what lies along it may be the cloud's edge.
    let least = if on_way.is_some() { SURE_OF_SIZE } else { 0.25 * CONFIDENT };
    let holds = |l: &Look| !stray(&l.fit) && shows_limb(&l.fit) && l.fit.confidence() > least;
    let again = match start {
        Some(at) => look_at(&measured, &expected, at, radius, shading).filter(holds),
        None => {
            let is_shut = |l: &Look| l.fit.open_share < MOST_OPEN_ANYWHERE;
            let found = find_discs(&measured, &known.of_this_size(), 1).into_iter();
            found.filter(is_shut).find(|l| l.fit.confidence() > 0.8 * CONFIDENT)
        }
    };
    if let Some(moon) = again.and_then(refitted) {
        // A zoom that the frames grouped with it do not share: its own circle lies along the limb, theirs does not.
        return if bare.is_some_and(|l| is_of_its_own_size(l, &moon.fit)) { as_found() } else { Some(moon) };
    }
    let everywhere = PixelRect::of_size(width, height);
    let area = expected_at.map_or(everywhere, |at| PixelRect::around(at, 0.6 * radius + 4.0));
    // Found anywhere in the frame it must be placed ten times as well as where it was expected.
    let most = if expected_at.is_some() { 0.12 } else { 0.015 } * radius;
    let faint = find_faint(&measured, &expected, (area, expected_at), shading)
        .filter(|fit| !stray(fit) && fit.centre_sigma_px < most)
        .map(|fit| {
            let noise = measured.sky.noise_at(fit.centre.x, fit.centre.y);
            Moon {
                fit,
                look: None,
                cutout: Cutout::take(&plane, noise, fit.centre, fit.radius_px),
                by_limb: 1.0,
                by_map_px: 0.0,
            }
        });
    // What was well seen stands as photographed, whatever the solution makes of it; so does a disc clipped far beyond its
    // limb, which no true radius fits, where it stands just where the solved aim has the Moon.
    let clipped_in_place = |fit: &DiscFit| {
        aim.is_pointed()
            && fit.saturated_share > CLIPPED_SHARE
            && fit.confidence() > 0.5 * CONFIDENT
            && expected_at.is_some_and(|e| e.distance(fit.centre) < 0.2 * fit.radius_px + 1.0)
    };
    let stands = |fit: &DiscFit| (fit.confidence() > CONFIDENT && !stray(fit)) || clipped_in_place(fit);
    faint.or_else(|| as_found().filter(|m| stands(&m.fit))).or_else(|| if is_copper { through_cloud() } else { None })
}

/// Whether a circle of the Moon's own size lies along much of a disc's limb.
fn is_round(look: &Look, radius: f64) -> bool {
    (look.true_radius_px() / radius - 1.0).abs() < 0.012
        && look.fit.arc_deg >= 150.0
        && look.fit.residual_px < 0.008 * radius + 0.3
}

/// A disc of the Moon's width that is less high than wide: a low Moon whose altitude nothing tells. The height at which the limb
/// agrees best is taken, with the zenith along one side of the frame or the other; `None` where no height does better than the
/// circle that was found.
fn pressed_by_the_air(sequence: &Sequence<'_>, k: usize, look: &Look, radius: f64, aim: &Aim) -> Option<Moon> {
    /// Widths over heights; at the horizon it is 1.2 (Explanatory Supplement to the Astronomical Almanac, from memory).
    const RATIOS: [f64; 8] = [1.03, 1.05, 1.07, 1.09, 1.12, 1.15, 1.18, 1.21];
    /// By how much less than the Moon's a circle's radius is, as a share, that is not its own limb's error.
    const LEAST_PRESSED: f64 = 0.012;
    /// A circle that lies along less of the limb tells no radius to compare.
    const LEAST_ARC_DEG: f64 = 120.0;
    /// How much better the limb must agree: half a disc's takes most shapes a little.
    const BETTER: f64 = 0.7;
    let smaller = radius - look.true_radius_px();
    let least = (LEAST_PRESSED + aim.scatter()) * radius + 0.3;
    if !(least..0.15 * radius).contains(&smaller) || look.fit.arc_deg < LEAST_ARC_DEG {
        return None;
    }
    let (width, height) = sequence.size();
    let lens = Lens::rectilinear(width, height, aim.focal_length_px()?);
    let plane = sequence.decode(k, Channel::Brightness).ok()?.plane;
    let measured = Measured::new(&plane);
    // The circle lay along the limb that is lit; the Moon's middle is further from there.
    let (x, y) = look.limb_towards();
    let start = PixelPoint::new(look.fit.centre.x - smaller * x, look.fit.centre.y - smaller * y);
    let turns = [0.0, std::f64::consts::FRAC_PI_2];
    let shapes = turns.iter().flat_map(|turn| RATIOS.map(|ratio| Flattening { zenith_turn: *turn, ratio }));
    let looks = shapes.filter_map(|flattening| {
        let shape = SkyShape { lens, flattening: Some(flattening) };
        let known = Known { radius, share: aim.scale_sigma().hypot(NIGHTS_SPREAD), shape, place_known: false };
        look_at(&measured, &known.expectation(look.fit.saturated_share), start, radius, None)
    });
    let best = looks.max_by(|a, b| a.fit.confidence().total_cmp(&b.fit.confidence()))?;
    let near = best.fit.centre.distance(look.fit.centre) < 1.5 * smaller + 0.02 * radius;
    let better =
        near && best.fit.confidence() > look.fit.confidence() && best.fit.residual_px < BETTER * look.fit.residual_px;
    better.then(|| Moon::of_look(&best.clone().with_cutout(&measured), best.fit))
}

/// A disc that stands as it was found, with what its radius tells of its centre: a circle that is smaller or larger than the Moon
/// by more than limbs err lies along a part of its limb alone (the sides of a Moon that the air presses together), and is off
/// by about as much. A clipped disc is larger all round, and so may be one of a few pixels by its glow; an oval was taken for one.
fn unlike_the_others(look: &Look, radius: f64) -> DiscFit {
    if radius < SMALL_DISC_PX || look.pressed.is_some() {
        return look.by_itself();
    }
    if look.fit.saturated_share >= CLIPPED_SHARE {
        return look.fit;
    }
    let differs = ((look.true_radius_px() - radius).abs() - 0.01 * radius).max(0.0);
    DiscFit { centre_sigma_px: look.fit.centre_sigma_px.hypot(differs), ..look.fit }
}

/// Whether a disc is well seen and not burnt, and a circle of the size that its frames have in common lies far worse along its limb
/// than its own: it is of another zoom.
fn is_of_its_own_size(look: &Look, fit: &DiscFit) -> bool {
    const LEAST_ARC_DEG: f64 = 180.0;
    const DIFFERS: f64 = 0.02;
    /// How much further off the limb the other circle lies, and by which share of the radius at least.
    const WORSE: f64 = 3.0;
    const WORSE_SHARE: f64 = 0.005;
    let differs = (look.fit.radius_px / fit.radius_px - 1.0).abs() > DIFFERS;
    let worse = fit.residual_px > WORSE * look.fit.residual_px + WORSE_SHARE * fit.radius_px;
    let is_well_seen = look.fit.confidence() > CONFIDENT && look.fit.arc_deg > LEAST_ARC_DEG;
    // A disc of a few pixels is as large as its blur makes it.
    let is_well_seen = is_well_seen && fit.radius_px > SMALL_DISC_PX;
    differs && worse && is_well_seen && look.fit.saturated_share < CLIPPED_SHARE
}

/// Whether a first look was good enough to be fitted again without its frame.
fn is_settled(look: &Look, fit: &DiscFit, radius: f64) -> bool {
    let same_size = (look.fit.rectified_radius_px / radius - 1.0).abs() < 0.012 + 0.3 / radius;
    let unmoved = look.fit.centre.distance(fit.centre) < 0.02 * radius + 0.5;
    (look.keeps_its_pixels() && !look.is_limb_moved())
        || (look.is_at_full_size() && same_size && unmoved && fit.arc_deg >= 120.0)
}

/// Moons whose places are weighed with what the aim says of them.
///
/// A small disc's centre is uncertain by the seas that its few pixels cannot resolve; the aim of a
/// tripod that many frames agree on knows better where it stands. A disc that contradicts the aim and shows half of its limb (a gust, a
/// passer-by), or stands half a radius off, keeps its own place.
pub(super) fn weighed_with_aim(sequence: &Sequence<'_>, moons: Vec<Option<Moon>>, aim: &Aim) -> Vec<Option<Moon>> {
    let weighed = |(moon, place): (Option<Moon>, &Option<SkyPlace>)| {
        let moon = moon?;
        let fit = place.as_ref().map_or(moon.fit, |place| weighed(moon.fit, place, aim));
        Some(Moon { fit, ..moon })
    };
    moons.into_iter().zip(&sequence.places).map(weighed).collect()
}

fn weighed(fit: DiscFit, place: &SkyPlace, aim: &Aim) -> DiscFit {
    /// By how much of its radius seas that a few pixels cannot resolve shift a disc.
    const SEAS: f64 = 0.012;
    /// Half a limb holds a circle by itself.
    const FIRM_ARC_DEG: f64 = 180.0;
    /// Three numbers of the aim, told twice over.
    const FEWEST_FRAMES: usize = 6;
    if fit.radius_px >= SMALL_DISC_PX || aim.agreeing_frames(place) < FEWEST_FRAMES {
        return fit;
    }
    let Some((expected, sigma)) = aim.expects(place).zip(aim.sigma_px(place)) else { return fit };
    let own = fit.centre_sigma_px.hypot(SEAS * fit.radius_px);
    // The lens may bend in ways the model does not follow.
    let aims = sigma.hypot(0.04).hypot(aim.common_px(place));
    // Further off than both can explain, one of the two is wrong. A disc that shows much of its limb was seen where it is,
    // whatever moved the camera; an arc of a Moon of a few pixels under cloud or a bough is less sure than the aim that all
    // others tell, and loses its say as the square of its distance.
    let off = fit.centre.distance(expected);
    let excess = off / (3.5 * own.hypot(aims));
    if excess > 1.0 && (fit.arc_deg > FIRM_ARC_DEG || off > 0.5 * fit.radius_px) {
        return fit;
    }
    let own = own * excess.max(1.0).powi(2);
    let disagreement = if excess > 1.0 { 0.2 * off } else { 0.0 };
    let share = own * own / (own * own + aims * aims);
    let centre = PixelPoint::new(
        fit.centre.x + share * (expected.x - fit.centre.x),
        fit.centre.y + share * (expected.y - fit.centre.y),
    );
    DiscFit { centre, centre_sigma_px: (own * aims / own.hypot(aims)).hypot(disagreement), ..fit }
}

/// On mounts that do not keep the zenith up its direction is known only with the turn; low in the sky the air's
/// flattening shifts a crescent of known radius by some thousandths of it: those are fitted once more.
pub(super) fn flattened(
    sequence: &Sequence<'_>,
    moons: Vec<Option<Moon>>,
    aim: &Aim,
    turns: &[Option<Orientation>],
) -> Vec<Option<Moon>> {
    if aim.is_pointed() || aim.keeps_level() && !is_on_its_side(sequence, turns) {
        return moons;
    }
    moons
        .into_iter()
        .enumerate()
        .map(|(k, moon)| {
            let moon = moon?;
            let fit = refit_flattened(sequence, k, &moon, aim, turns[k].as_ref()).unwrap_or(moon.fit);
            Some(Moon { fit, ..moon })
        })
        .collect()
}

/// Whether the frames of a camera that was said to stand level show the Moon turned on its side or its head: cameras that look
/// up do not know how they are held, and some never say it. (Any other turn may be a wrong clock's as well.)
fn is_on_its_side(sequence: &Sequence<'_>, turns: &[Option<Orientation>]) -> bool {
    /// Nobody levels a tripod worse than this, degrees.
    const LEVEL_DEG: f64 = 12.0;
    const FEWEST: usize = 3;
    let turned = turns.iter().zip(&sequence.places).filter_map(|(turn, place)| {
        let turn = turn.as_ref().filter(|t| t.source == OrientationSource::Features)?;
        let zenith = (turn.up_position_angle - place.as_ref()?.parallactic_angle).normalized().degrees();
        Some([90.0, 180.0, 270.0].iter().any(|side| (zenith - side).abs() < LEVEL_DEG))
    });
    let turned: Vec<bool> = turned.collect();
    let count = turned.iter().filter(|t| **t).count();
    count >= FEWEST && 5 * count >= 4 * turned.len()
}

fn refit_flattened(
    sequence: &Sequence<'_>,
    k: usize,
    moon: &Moon,
    aim: &Aim,
    turn: Option<&Orientation>,
) -> Option<DiscFit> {
    let (turn, place, focal) = (turn?, sequence.place(k)?, aim.focal_length_px()?);
    let (width, height) = sequence.size();
    let zenith = turn.up_position_angle - place.parallactic_angle;
    let zenith = if turn.mirrored { -zenith } else { zenith };
    let flattening: Flattening = place.flattened(zenith);
    let radius = focal * place.semidiameter.radians();
    let shape = SkyShape { lens: Lens::rectilinear(width, height, focal), flattening: Some(flattening) };
    let known = Known { radius, share: aim.scale_sigma(), shape, place_known: false };
    let fit = moon.look.as_ref()?.again(&known.expectation(moon.fit.saturated_share), None)?;
    let fit = through_air(fit, place);
    // What a burnt crescent makes of a circle is not undone by another one.
    let small = radius < SMALL_DISC_PX;
    let least = if small { moon.fit.centre_sigma_px } else { 0.0 };
    let fit = DiscFit { centre_sigma_px: fit.centre_sigma_px.max(least), ..fit };
    // A circle laid into a flattened disc is off by at most what the air takes of its height.
    let most = (0.02 + (flattening.ratio - 1.0)) * fit.radius_px;
    (fit.centre.distance(moon.fit.centre) < most).then_some(fit)
}
