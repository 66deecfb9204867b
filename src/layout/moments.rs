//! Frames of one moment: brackets and runs, which become one disc.

use super::notation::Merging;
use super::select::Chosen;
use crate::ingest::Night;
use crate::registration::FrameRegistration;

/// Groups frames (in the order of their times) into moments; each is led by its best exposed frame.
pub(super) fn moments<'a>(chosen: Vec<Chosen<'a>>, night: &Night, merging: Merging) -> Vec<Chosen<'a>> {
    let mut groups: Vec<Vec<Chosen<'a>>> = Vec::new();
    for c in chosen {
        let rig = |c: &Chosen<'_>| c.registered.map(|f| f.rig);
        let near = |a: &Chosen<'_>| Some(c.instant?.seconds_since(a.instant?).abs() <= merging.within_s);
        // Two cameras may bracket at once: each frame joins the last of its own rig.
        let own = groups.iter_mut().rev().find(|g| g.first().is_some_and(|first| rig(first) == rig(&c)));
        match own.filter(|g| g.first().is_some_and(|first| near(first) == Some(true))) {
            Some(group) => group.push(c),
            None => groups.push(vec![c]),
        }
    }
    groups.into_iter().filter_map(|group| moment(group, night, merging)).collect()
}

/// One moment: led by the longest exposure that does not burn, or by the one that burns least.
fn moment<'a>(group: Vec<Chosen<'a>>, night: &Night, merging: Merging) -> Option<Chosen<'a>> {
    let first = group.first().and_then(|c| night.frame(&c.registered?.file));
    let exposed = |f: &FrameRegistration| night.frame(&f.file)?.metadata.times_the_light_of(&first?.metadata);
    let burns = |f: &FrameRegistration| f.fit().map_or(0.0, |fit| fit.saturated_share);
    let rank = |f: &FrameRegistration| {
        let clean = burns(f) < 0.02;
        (clean, if clean { exposed(f).unwrap_or(0.0) } else { -burns(f) })
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
