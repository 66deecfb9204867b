//! Frames of one moment: brackets and runs, which become one disc.

use super::chosen::Chosen;
use super::notation::Merging;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::registration::FrameRegistration;
use crate::sky::{EarthShadow, apparent_moon, shadow_from};
use crate::units::Instant;

/// How far the shadow's edge may move over a disc within a moment, radii: what a disc of a hand's breadth shows as a soft edge (by eye). Further
/// apart, merged frames would leave a crack along it. (It moves by half an arcsecond a second, a thirtieth of a radius a
/// minute.)
const SHADOW_MAY_MOVE: f64 = 0.05;

/// How far the shadow moved over the disc between two instants while its edge lay on it, radii; zero where no site is known.
fn shadow_moved(night: &Night, a: Instant, b: Instant) -> f64 {
    let Some(observer) = night.observer() else { return 0.0 };
    let [a, b] = [a, b].map(|at| shadow_from(&observer, at, &apparent_moon(&observer, at)));
    let edge_is_on = |s: &EarthShadow| (1e-6..1.0 - 1e-6).contains(&s.umbral_fraction());
    if !edge_is_on(&a) && !edge_is_on(&b) {
        return 0.0;
    }
    (a.xi - b.xi).radians().hypot((a.eta - b.eta).radians()) / a.moon_semidiameter.radians()
}

/// Groups frames (in the order of their times) into moments; each is led by its best exposed frame. Says where the shadow
/// moved too far for frames that lie near enough in time.
pub(super) fn moments<'a>(
    chosen: Vec<Chosen<'a>>,
    night: &Night,
    merging: Merging,
) -> (Vec<Chosen<'a>>, Option<Diagnostic>) {
    let mut groups: Vec<Vec<Chosen<'a>>> = Vec::new();
    let mut parted = 0;
    for c in chosen {
        let rig = |c: &Chosen<'_>| c.registered.map(|f| f.rig);
        let near = |a: &Chosen<'_>| Some(c.instant?.seconds_since(a.instant?).abs() <= merging.within_s);
        // Two cameras may bracket at once: each frame joins the last of its own rig.
        let own = groups.iter_mut().rev().find(|g| g.first().is_some_and(|first| rig(first) == rig(&c)));
        match own.filter(|g| g.first().is_some_and(|first| near(first) == Some(true))) {
            Some(group) => {
                let first = group.first().and_then(|f| f.instant).zip(c.instant);
                if first.is_some_and(|(a, b)| shadow_moved(night, a, b) > SHADOW_MAY_MOVE) {
                    parted += 1;
                    groups.push(vec![c]);
                } else {
                    group.push(c);
                }
            }
            None => groups.push(vec![c]),
        }
    }
    let said = (parted > 0).then(|| {
        let message = format!(
            "{parted} times frames within {} s are moments of their own: the shadow's edge moved by more than a fortieth of \
             the disc between them",
            merging.within_s
        );
        Diagnostic::note("shadow-moved", message).with_help("brackets of half a minute merge without a seam")
    });
    (groups.into_iter().filter_map(|group| moment(group, night, merging)).collect(), said)
}

/// One moment: led by the longest exposure that does not clip, or by the one that clips least.
fn moment<'a>(group: Vec<Chosen<'a>>, night: &Night, merging: Merging) -> Option<Chosen<'a>> {
    let first = group.first().and_then(|c| night.frame(&c.registered?.file));
    let exposed = |f: &FrameRegistration| night.frame(&f.file)?.metadata.times_the_light_of(&first?.metadata);
    let clips = |f: &FrameRegistration| f.fit().map_or(0.0, |fit| fit.saturated_share);
    let rank = |f: &FrameRegistration| {
        let clean = clips(f) < 0.02;
        (clean, if clean { exposed(f).unwrap_or(0.0) } else { -clips(f) })
    };
    let frames: Vec<&FrameRegistration> = group.iter().filter_map(|c| c.registered).collect();
    let (at, lead) = frames.iter().enumerate().max_by(|(_, a), (_, b)| {
        let (a, b) = (rank(a), rank(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    })?;
    let others = frames.iter().enumerate().filter(|(i, _)| *i != at).map(|(_, f)| *f);
    let kept = sharpest(others.collect(), merging.sharpest_share, exposed);
    Some(Chosen { also: kept, ..Chosen::alone(lead) })
}

/// Of the frames of each exposure the sharper share.
fn sharpest<'a>(
    frames: Vec<&'a FrameRegistration>,
    share: f64,
    exposed: impl Fn(&FrameRegistration) -> Option<f64>,
) -> Vec<&'a FrameRegistration> {
    let width = |f: &FrameRegistration| f.fit().map_or(f64::INFINITY, |fit| fit.edge_width_px);
    let alike = |a: &FrameRegistration, b: &FrameRegistration| match (exposed(a), exposed(b)) {
        (Some(a), Some(b)) => (a / b).ln().abs() < 0.05,
        _ => false,
    };
    let rank = |f: &&'a FrameRegistration| {
        let equals: Vec<_> = frames.iter().filter(|o| alike(o, f)).collect();
        let sharper = equals.iter().filter(|o| width(o) < width(f)).count();
        (sharper as f64) < (share * equals.len() as f64).ceil().max(1.0)
    };
    frames.iter().copied().filter(|f| rank(f)).collect()
}
