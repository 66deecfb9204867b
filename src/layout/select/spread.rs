//! Frames spread over a night, by distance or by number: each the best where there is a choice.

use super::Chooser;
use crate::layout::chosen::Chosen;
use crate::layout::notation::Arrangement;
use crate::layout::wanted;
use crate::sky::{Contact, LunarEclipse};
use crate::units::Instant;

impl<'a> Chooser<'a, '_> {
    /// As many as stand far enough apart, the better ones where there is a choice; what cannot be judged is left out.
    ///
    /// Of all chains whose neighbours are one spacing or more apart the most worthy, by dynamic programming: a disc is
    /// worth one and its quality, half a disc more deep in a mapped shadow, and loses a little for each spacing that it leaves empty before it, so that among
    /// equals the even spread wins. `apart`: the distance of two places over the least that is asked.
    pub(super) fn spaced<P>(
        &self,
        chosen: Vec<Chosen<'a>>,
        places: &[Option<P>],
        apart: impl Fn(&P, &P) -> f64,
    ) -> Vec<Chosen<'a>> {
        /// What a gap of one spacing too much costs, of a disc's worth.
        const UNEVEN: f64 = 0.2;
        /// What a disc deep in the shadow is worth besides, where the shadow is mapped: the dark and the dim of totality are rated
        /// lower than any lit disc, and a map without them has no middle.
        const DEEP: f64 = 0.5;
        let deep = self.deep(&chosen);
        // The best chain that ends at each frame, and the one before it.
        let mut best: Vec<(f64, Option<usize>)> = vec![(f64::NEG_INFINITY, None); chosen.len()];
        for i in 0..chosen.len() {
            let Some(here) = &places[i] else { continue };
            let depth = if deep[i] { DEEP } else { 0.0 };
            let worth = 1.0 + chosen[i].registered.map_or(0.0, |f| self.rate(f)) + depth;
            best[i] = (worth, None);
            for j in 0..i {
                let Some(there) = &places[j] else { continue };
                let gap = apart(there, here);
                let chain = best[j].0 + worth - UNEVEN * (gap - 1.0).clamp(0.0, 1.0);
                if gap >= 1.0 && chain > best[i].0 {
                    best[i] = (chain, Some(j));
                }
            }
        }
        let mut at = (0..chosen.len())
            .filter(|&i| best[i].0.is_finite())
            .max_by(|&a, &b| best[a].0.total_cmp(&best[b].0).then(b.cmp(&a)));
        let mut keep = vec![false; chosen.len()];
        while let Some(i) = at {
            keep[i] = true;
            at = best[i].1;
        }
        chosen.into_iter().zip(keep).filter_map(|(c, kept)| kept.then_some(c)).collect()
    }

    /// Which discs of a map of the shadow are total, or within ten minutes of the middle of a partial eclipse.
    fn deep(&self, chosen: &[Chosen<'a>]) -> Vec<bool> {
        const NEAR_S: f64 = 600.0;
        let mapped = matches!(self.arrangement, Arrangement::ShadowMap(_));
        let is_umbral = |e: &LunarEclipse| e.at(Contact::U1).is_some();
        let Some(eclipse) = wanted::eclipse_of(self.night).filter(|e| mapped && is_umbral(e)) else {
            return vec![false; chosen.len()];
        };
        let greatest = eclipse.greatest();
        let (from, until) = eclipse
            .at(Contact::U2)
            .zip(eclipse.at(Contact::U3))
            .unwrap_or_else(|| (greatest.plus_seconds(-NEAR_S), greatest.plus_seconds(NEAR_S)));
        let is_deep = |at: Instant| at.seconds_since(from) >= 0.0 && until.seconds_since(at) >= 0.0;
        chosen.iter().map(|c| c.instant.is_some_and(is_deep)).collect()
    }

    /// `count` of them, evenly spread over time (by index where times are missing), the better ones where there is a
    /// choice.
    ///
    /// Each is worth its quality, less half of the best quality for standing half a place (or `within_minutes`, where
    /// that is given) from its even place, and by the square of that distance. Of all choices in the order of time the
    /// most worthy, by dynamic programming: no frame is taken where a better one is in reach, and no two neighbours
    /// where an even spread can be had.
    pub(super) fn spread(&self, chosen: &[Chosen<'a>], poor: &[bool], count: usize) -> Vec<Chosen<'a>> {
        const AT_REACH: f64 = 0.5;
        /// A poor disc is taken for no place.
        const NEVER: f64 = -1e6;
        let all_timed = chosen.iter().all(|c| c.instant.is_some());
        let key = |i: usize| chosen[i].instant.filter(|_| all_timed).map_or(i as f64, Instant::tt_seconds);
        let (first, last) = (key(0), key(chosen.len() - 1));
        // One alone stands in the middle, and may be chosen from the middle half.
        let (start, place) = match count {
            1 => (0.5 * (first + last), 0.5 * (last - first)),
            _ => (first, (last - first) / (count - 1) as f64),
        };
        let half = (0.5 * place.abs()).max(1e-9);
        let within = self.wanted.within_minutes.filter(|_| all_timed).map(|m| m * 60.0);
        let reach = within.map_or(half, |w| w.min(half));
        let rate = |c: &Chosen<'_>| c.registered.map_or(0.0, |f| self.rate(f));
        let quality: Vec<f64> = chosen.iter().zip(poor).map(|(c, poor)| if *poor { NEVER } else { rate(c) }).collect();
        let worth = |k: usize, i: usize| {
            let off = (key(i) - start - place * k as f64) / reach;
            quality[i] - AT_REACH * off * off
        };
        // Best sum of the first k places where the k-th is frame i, and the frame of the place before.
        let mut sums: Vec<f64> = (0..chosen.len()).map(|i| worth(0, i)).collect();
        let mut before: Vec<Vec<usize>> = Vec::with_capacity(count);
        for k in 1..count {
            let mut next = vec![f64::NEG_INFINITY; chosen.len()];
            let mut from = vec![0; chosen.len()];
            let mut best = 0;
            for i in 1..chosen.len() {
                if sums[i - 1] > sums[best] {
                    best = i - 1;
                }
                (next[i], from[i]) = (sums[best] + worth(k, i), best);
            }
            sums = next;
            before.push(from);
        }
        let mut at = (0..chosen.len()).max_by(|&a, &b| sums[a].total_cmp(&sums[b])).unwrap_or(0);
        let mut out = vec![at];
        for from in before.iter().rev() {
            at = from[at];
            out.push(at);
        }
        out.into_iter().rev().map(|i| chosen[i].clone()).collect()
    }
}
