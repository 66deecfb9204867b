//! The pixels that a composition needs, when it needs them.
//!
//! All discs are developed once to be measured, for their evening goes by all of them. They stay in memory as
//! long as there is room, the others are developed again when the writer comes to their rows, and each is let go
//! when it has passed its last: a poster of forty discs holds those of one row of cells.

use super::backdrop::Backdrop;
use super::disc_cache::DiscCache;
use super::simulated;
use super::{ComposeError, Watching};
use crate::blend::{
    Borne, Clipped, DevelopedDisc, FramePixels, develop, disc_rows, most_lift, normalise, source_window,
};
use crate::composition::{Composition, Gain, Lift, Placement};
use crate::diag::Diagnostic;
use crate::ingest::{Night, OPEN_BYTES_A_PIXEL, OpenFrame};
use crate::memory;
use crate::raster::{LinearImage, PixelPoint, PixelRect, Plane};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::Path;
use std::sync::{Arc, Mutex};

/// Developed discs that may stay in memory until they are drawn, bytes.
const ROOM: usize = 256 << 20;

/// How many pixels of a disc's own image beyond its limb can be drawn: its feather and the kernel's reach. A power of two,
/// so that pictures of nearly one size share what is kept.
fn margin_px(p: &Placement) -> f64 {
    let reduction = (p.map.reduction() / p.block_px() as f64).max(1.0);
    ((p.feather_px + 8.0) * reduction).log2().ceil().exp2()
}

/// The discs of placements that share a frame, by their index, or why they cannot be had.
type Group = Result<Vec<(usize, DevelopedDisc)>, String>;

/// The pixels of a composition's frames.
pub(super) struct Discs<'a> {
    composition: &'a Composition,
    night: &'a Night,
    backdrops: Vec<Option<Backdrop>>,
    cache: Option<DiscCache>,
    ready: Vec<Option<Arc<DevelopedDisc>>>,
    /// Discs that cannot be had.
    missing: Vec<bool>,
    gains: Vec<[f32; 3]>,
    most_raised: Vec<f32>,
    lifts: Vec<Option<Lift>>,
    /// From where on each disc is white.
    clipped: Vec<Option<Clipped>>,
    /// The sky behind each disc.
    behind: Vec<Option<[f32; 3]>>,
    diagnostics: Vec<Diagnostic>,
    /// What frames said of themselves when they were opened.
    remarks: Mutex<BTreeSet<String>>,
}

impl<'a> Discs<'a> {
    /// Opens the backplates, and develops and measures every disc; whoever watches is told which share of them, 0 to 1, and may
    /// stop it.
    pub(super) fn open(
        composition: &'a Composition,
        night: &'a Night,
        (cache, watching): (Option<&Path>, Option<&Watching<'_>>),
        diagnostics: &mut Vec<Diagnostic>,
    ) -> Result<Self, ComposeError> {
        let backdrops =
            composition.backplates.iter().map(|plate| Backdrop::open(plate, night)).collect::<Result<_, _>>()?;
        let cache = cache.and_then(|folder| DiscCache::open(folder, night));
        let count = composition.placements.len();
        let mut discs = Discs {
            composition,
            night,
            backdrops,
            cache,
            ready: vec![None; count],
            missing: vec![false; count],
            gains: vec![[1.0; 3]; count],
            most_raised: vec![f32::INFINITY; count],
            lifts: Vec::new(),
            clipped: vec![None; count],
            behind: vec![None; count],
            diagnostics: Vec::new(),
            remarks: Mutex::default(),
        };
        let measures = discs.measure_all(watching, diagnostics)?;
        if let Some(cache) = &discs.cache {
            cache.trim();
        }
        if measures.iter().all(Option::is_none) {
            return Err(ComposeError::NoDisc);
        }
        discs.behind = composition.placements.iter().map(|p| discs.sky_behind_disc(p)).collect();
        let settled = normalise(composition, &measures);
        discs.gains = settled.gains;
        discs.most_raised = settled.most_raised;
        discs.lifts = settled.lifts;
        discs.clipped = settled.clipped;
        for index in 0..composition.placements.len() {
            discs.ready[index] = discs.ready[index].take().map(|disc| discs.on_paper(index, disc));
        }
        diagnostics.extend(settled.diagnostics);
        Ok(discs)
    }

    /// The sky behind a disc, if its backplate shows even sky there: a little over its brighter part.
    fn sky_behind_disc(&self, p: &Placement) -> Option<[f32; 3]> {
        let c = p.centre();
        let plates = self.composition.backplates.iter().zip(&self.backdrops);
        let (plate, backdrop) = plates.rev().find(|(b, _)| {
            let (x, y) = (c.x - b.corner_px.0, c.y - b.corner_px.1);
            x >= 0.0 && y >= 0.0 && x < b.size_px.0 && y < b.size_px.1
        })?;
        let at = PixelPoint::new((c.x - plate.corner_px.0) / plate.scale, (c.y - plate.corner_px.1) / plate.scale);
        let reach = (p.radius_px / plate.scale).max(3.0);
        backdrop.as_ref()?.even_sky(at, reach).map(|most| most.map(|v| v * plate.gain))
    }

    /// Develops every disc once; keeps the first that there is room for.
    fn measure_all(
        &mut self,
        watching: Option<&Watching<'_>>,
        diagnostics: &mut Vec<Diagnostic>,
    ) -> Result<Vec<Option<Borne>>, ComposeError> {
        let mut measures = vec![None; self.composition.placements.len()];
        let mut room = ROOM.min(usize::try_from(memory::limit() / 4).unwrap_or(ROOM));
        // A few at a time: what there is no room for goes at once.
        let groups: Vec<Vec<usize>> = self.by_frame();
        let at_once = self.at_once().min(2 * rayon::current_num_threads());
        for (chunk, some) in groups.chunks(at_once).enumerate() {
            let done = (chunk * at_once) as f64 / groups.len() as f64;
            if watching.is_some_and(|goes_on| !goes_on(done)) {
                return Err(ComposeError::Stopped);
            }
            let lifted = |(index, disc): (usize, DevelopedDisc)| {
                let most_lift = most_lift(&disc, &self.composition.placements[index].in_blocks(disc.block_px));
                (index, disc, most_lift)
            };
            let measured =
                |indices: &Vec<usize>| Ok(self.develop_group(indices)?.into_iter().map(lifted).collect::<Vec<_>>());
            let developed: Vec<Result<_, String>> = some.par_iter().map(measured).collect();
            for (group, indices) in developed.into_iter().zip(some) {
                match group {
                    Ok(list) => {
                        for (index, disc, most_lift) in list {
                            measures[index] = Some(Borne { measure: disc.measure, most_lift });
                            let bytes = size_of_val(disc.image.data());
                            if bytes <= room {
                                room -= bytes;
                                self.ready[index] = Some(Arc::new(disc));
                            }
                        }
                    }
                    Err(why) => {
                        indices.iter().for_each(|i| self.missing[*i] = true);
                        let message = format!("a disc is left out: {why}");
                        diagnostics.push(Diagnostic::warning("disc-left-out", message));
                    }
                }
            }
        }
        Ok(measures)
    }

    /// How many frames may be open at once.
    fn at_once(&self) -> usize {
        let largest = self.night.rigs.iter().map(|r| (r.width * r.height) as u64).max().unwrap_or(1);
        memory::at_once(OPEN_BYTES_A_PIXEL * largest)
    }

    /// Placements that share their leading frame, which is then opened once.
    fn by_frame(&self) -> Vec<Vec<usize>> {
        let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (index, p) in self.composition.placements.iter().enumerate() {
            groups.entry(&p.frame).or_default().push(index);
        }
        let mut groups: Vec<Vec<usize>> = groups.into_values().collect();
        groups.sort();
        groups
    }

    /// The discs of placements that share their leading frame: kept ones are read, the others developed.
    fn develop_group(&self, indices: &[usize]) -> Group {
        let mut lead: Option<OpenFrame> = None;
        let mut out = Vec::with_capacity(indices.len());
        for index in indices {
            let p = &self.composition.placements[*index];
            let kept = self.cache.as_ref().map(|c| c.path(p, margin_px(p), self.composition, self.night));
            let disc = match kept.as_deref().and_then(DiscCache::read) {
                Some(disc) => disc,
                None => {
                    let disc = if p.simulated {
                        let painted = simulated::paint(p, self.night, self.composition);
                        painted.ok_or_else(|| format!("{} cannot be painted without a site", p.frame))?
                    } else {
                        if lead.is_none() {
                            lead = Some(self.frame(&p.frame)?);
                        }
                        let Some(frame) = &lead else { continue };
                        self.develop_one(frame, p)?
                    };
                    let disc = disc.trimmed(&p.in_blocks(p.block_px()), margin_px(p));
                    if let Some(path) = &kept {
                        DiscCache::write(path, &disc);
                    }
                    disc
                }
            };
            out.push((*index, disc));
        }
        Ok(out)
    }

    fn frame(&self, name: &str) -> Result<OpenFrame, String> {
        let frame = self.night.frame(name).ok_or_else(|| format!("{name} is not among the frames"))?;
        let open = frame.open().map_err(|e| e.to_string())?.of_disc();
        if let (Some(remark), Ok(mut remarks)) = (&open.remark, self.remarks.lock()) {
            remarks.insert(format!("{name}: {remark}"));
        }
        Ok(open)
    }

    fn develop_one(&self, lead: &OpenFrame, p: &Placement) -> Result<DevelopedDisc, String> {
        let block_px = p.block_px();
        let in_blocks = p.in_blocks(block_px);
        let cut = |frame: &OpenFrame, centre: PixelPoint| {
            let window = source_window(&in_blocks, centre).enlarged(block_px);
            let centre = PixelPoint::new(centre.x * block_px as f64, centre.y * block_px as f64);
            frame.light_in_blocks(frame.photographed_around(window, centre, p.source_radius_px), block_px)
        };
        let mut cut_outs = vec![cut(lead, in_blocks.map.source_centre)];
        let mut developed = in_blocks.clone();
        developed.also.retain(|companion| match self.frame(&companion.frame) {
            Ok(frame) => {
                cut_outs.push(cut(&frame, PixelPoint::new(companion.centre_px.0, companion.centre_px.1)));
                true
            }
            // The moment is told by its other frames.
            Err(why) => {
                if let Ok(mut remarks) = self.remarks.lock() {
                    remarks.insert(format!("{why}; its moment is merged without it"));
                }
                false
            }
        });
        Ok(develop(cut_outs, block_px, &developed, self.composition))
    }

    /// A disc as the sheet will show it, once all discs are settled: evened ones end at white.
    fn on_paper(&self, index: usize, disc: Arc<DevelopedDisc>) -> Arc<DevelopedDisc> {
        match self.composition.placements[index].gain {
            Gain::ToLevel(_) => Arc::new(Arc::unwrap_or_clone(disc).on_paper(self.gains[index], self.clipped[index])),
            Gain::Factor(_) => disc,
        }
    }

    /// Has the discs of some rows in memory, and lets those above go.
    pub(super) fn make_ready(&mut self, rows: &Range<usize>) {
        let height = self.composition.height;
        let mut wanted = Vec::new();
        for (index, p) in self.composition.placements.iter().enumerate() {
            let touches = disc_rows(p, height);
            if touches.end <= rows.start {
                self.ready[index] = None;
            } else if touches.start < rows.end && self.ready[index].is_none() && !self.missing[index] {
                wanted.push(index);
            }
        }
        let mut developed: Vec<(usize, Group)> = Vec::with_capacity(wanted.len());
        for some in wanted.chunks(self.at_once()) {
            developed.par_extend(some.par_iter().map(|i| (*i, self.develop_group(&[*i]))));
        }
        for (index, disc) in developed {
            match disc {
                Ok(list) => {
                    for (i, disc) in list {
                        self.ready[i] = Some(self.on_paper(i, Arc::new(disc)));
                    }
                }
                Err(why) => {
                    self.missing[index] = true;
                    self.diagnostics.push(Diagnostic::warning("disc-left-out", format!("a disc is left out: {why}")));
                }
            }
        }
    }

    /// By how much each disc was raised, and what arose while drawing.
    pub(super) fn finish(self) -> (Vec<Option<Lift>>, Vec<Diagnostic>) {
        let remarks = self.remarks.into_inner().unwrap_or_default();
        let mut out = self.diagnostics;
        out.extend(remarks.into_iter().map(|remark| Diagnostic::warning("frame-remark", remark)));
        (self.lifts, out)
    }
}

impl FramePixels for Discs<'_> {
    fn disc(&self, index: usize) -> Option<Arc<DevelopedDisc>> {
        self.ready.get(index)?.clone()
    }
    fn gain(&self, index: usize) -> [f32; 3] {
        self.gains.get(index).copied().unwrap_or([1.0; 3])
    }
    fn most_raised(&self, index: usize) -> f32 {
        self.most_raised.get(index).copied().unwrap_or(f32::INFINITY)
    }
    fn backplate(&self, index: usize, rect: PixelRect) -> Option<(LinearImage, PixelRect)> {
        Some(self.backdrops.get(index)?.as_ref()?.light(rect))
    }
    fn sky_behind(&self, index: usize) -> Option<[f32; 3]> {
        *self.behind.get(index)?
    }
    fn shows(&self, index: usize, rect: PixelRect) -> Option<(Plane, PixelRect)> {
        self.backdrops.get(index)?.as_ref()?.shows(rect)
    }
}
