//! A tripod turned in the night: which frames belong to which pointing.

use super::{FEWEST, Sighted, nearest, rough_tolerance};
use crate::sky::CameraPointing;

/// Whether most sightings of the time between a pointing's first and last frame agree with it: a
/// stretch of the night, not a lamp that passes for the Moon now and then.
pub(super) fn holds_together(pointing: &CameraPointing, sightings: &[Sighted], tolerance: f64) -> bool {
    let agrees: Vec<bool> =
        sightings.iter().map(|s| nearest(pointing, s).is_some_and(|(_, off)| off < tolerance)).collect();
    let (Some(first), Some(last)) = (agrees.iter().position(|a| *a), agrees.iter().rposition(|a| *a)) else {
        return false;
    };
    let count = agrees[first..=last].iter().filter(|a| **a).count();
    count >= FEWEST && count * 10 >= (last - first + 1) * 6
}

/// Which pointing each sighting belongs to, changing as seldom as the residuals allow (Viterbi 1967).
pub(super) fn stretches(starts: &[CameraPointing], sightings: &[Sighted]) -> Vec<usize> {
    const SWITCH: f64 = 2.0;
    let tolerance = rough_tolerance(&starts[0].lens);
    let cost =
        |s: &Sighted, p: &CameraPointing| nearest(p, s).map_or(1.0, |(_, off)| (off / tolerance).min(1.0).powi(2));
    let mut total = vec![0.0f64; starts.len()];
    let mut came_from: Vec<Vec<usize>> = Vec::new();
    for sighting in sightings {
        let best = (0..starts.len()).min_by(|&a, &b| total[a].total_cmp(&total[b])).unwrap_or(0);
        let from: Vec<usize> =
            (0..starts.len()).map(|k| if total[k] <= total[best] + SWITCH { k } else { best }).collect();
        total = (0..starts.len())
            .map(|k| {
                let change = if from[k] == k { 0.0 } else { SWITCH };
                total[from[k]] + change + cost(sighting, &starts[k])
            })
            .collect();
        came_from.push(from);
    }
    let mut label = (0..starts.len()).min_by(|&a, &b| total[a].total_cmp(&total[b])).unwrap_or(0);
    let mut labels = vec![0; sightings.len()];
    for i in (0..sightings.len()).rev() {
        labels[i] = label;
        label = came_from[i][label];
    }
    labels
}

/// Stretches numbered in the order of time; a pointing that comes back begins a stretch of its own.
pub(super) fn in_order(starts: &[CameraPointing], labels: Vec<usize>) -> Option<(Vec<CameraPointing>, Vec<usize>)> {
    let mut ordered: Vec<CameraPointing> = Vec::new();
    let mut out = Vec::with_capacity(labels.len());
    let mut before = None;
    for label in labels {
        if before != Some(label) {
            ordered.push(*starts.get(label)?);
            before = Some(label);
        }
        out.push(ordered.len() - 1);
    }
    Some((ordered, out))
}
