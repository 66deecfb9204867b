//! The camera's clock, from where the shadow's edge lies on all discs of a rig.
//!
//! Before greatest eclipse the shadow's axis draws near, after it moves away: an error of where the edge is seen moves
//! both sides apart, an error of the clock moves both the same way. Where the edge is seen depends on the camera's
//! curve, the exposure and the air, so it is solved for with the clock: a power by which the curve stretches light, an
//! enlargement of the umbra, and how much of a frame's brightness is its exposure (pictures that were each brought to their
//! brightness by a curve of their own look alike at every exposure). Half a night tells the two apart poorly, and its sigma says so.

use super::edge::ShadowEdge;
use crate::registration::ClockEstimate;
use crate::sky::{Danjon, Observer, ShadowLight};
use crate::solve::sky_place::SkyPlace;
use crate::units::{Angle, Instant};
use nalgebra::{Matrix4, Vector2, Vector4};
use rayon::prelude::*;

/// Logarithm of the power by which cameras' curves stretch light around the penumbra, and its spread: an S-shaped curve
/// of a half makes 1.3, a picture of high contrast 2 (common practice, no source).
const CONTRAST: (f64, f64) = (0.1, 0.4);
/// Spread of the umbra's enlargement: published ones differ by a percent and a half of its radius (Danjon's rule against
/// Chauvenet's), 0.04 radii of the Moon.
const ENLARGEMENT_SIGMA: f64 = 0.04;
/// How far a frame's brightness moves its edge: as much as an exposure under one curve would, or not at all where each
/// picture was brought to its brightness by a curve of its own. Both are met; the frames say which.
const BY_EXPOSURE: (f64, f64) = (0.8, 0.4);

/// The light of the shadow against the distance from its axis, in radii of the Moon, tabulated.
struct Law {
    from: f64,
    /// Rises with the distance.
    light: Vec<f64>,
}

const LAW_STEP: f64 = 0.01;

impl Law {
    fn of(place: &SkyPlace) -> Self {
        let (unit, shadow) = (place.semidiameter.radians(), &place.shadow);
        let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
        let from = (shadow.umbra_radius.radians() / unit - 2.0).max(0.0);
        let count = ((shadow.penumbra_radius.radians() / unit + 2.5 - from) / LAW_STEP) as usize;
        let at =
            |i: usize| light.radiance(Angle::from_radians((from + i as f64 * LAW_STEP) * unit)).iter().sum::<f64>();
        let mut light: Vec<f64> = (0..count).map(at).collect();
        // Beyond the penumbra it stays as it is; a table that is searched must not fall.
        for i in 1..light.len() {
            light[i] = light[i].max(light[i - 1]);
        }
        Law { from, light }
    }

    fn light(&self, distance: f64) -> f64 {
        let x = ((distance - self.from) / LAW_STEP).clamp(0.0, (self.light.len() - 2) as f64);
        let (i, t) = (x as usize, x - x.floor());
        self.light[i] * (1.0 - t) + self.light[i + 1] * t
    }

    /// The distance at which light reaches a level.
    fn distance(&self, light: f64) -> f64 {
        let i = self.light.partition_point(|l| *l < light).clamp(1, self.light.len() - 1);
        let (a, b) = (self.light[i - 1], self.light[i]);
        let t = if b > a { ((light - a) / (b - a)).clamp(0.0, 1.0) } else { 0.0 };
        self.from + (i as f64 - 1.0 + t) * LAW_STEP
    }

    /// Where the edge is seen on a disc whose centre is `distance` from the axis, at a share of the bright part's light, the
    /// curve stretching light by a power: radii from the centre towards the axis. The brightest part lies 0.8 radii
    /// beyond the centre.
    fn edge(&self, distance: f64, share: f64, power: f64) -> f64 {
        distance - self.distance(share.powf(1.0 / power) * self.light(distance + 0.8))
    }
}

/// Where the axis was from the Moon's centre, in its radii to the east and north, tabulated and interpolated by cubics: within
/// 2e-4 radii of what the sky says. (Its distance has a kink where it is least.)
struct AxisOffsets {
    start: Instant,
    offsets: Vec<Vector2<f64>>,
}

const TABLE_STEP_S: f64 = 900.0;
/// Clocks are looked for this far off: the widest pair of zones is fourteen hours apart.
const FARTHEST_S: f64 = 14.6 * 3600.0;

impl AxisOffsets {
    fn new(observer: &Observer, (from, to): (Instant, Instant), reach_s: f64) -> Self {
        let start = from.plus_seconds(-reach_s - 2.0 * TABLE_STEP_S);
        let count = ((to.seconds_since(start) + reach_s) / TABLE_STEP_S) as usize + 4;
        let offsets = (0..count)
            .into_par_iter()
            .map(|i| {
                let place = SkyPlace::at(observer, start.plus_seconds(i as f64 * TABLE_STEP_S));
                Vector2::new(place.shadow.xi.radians(), place.shadow.eta.radians()) / place.semidiameter.radians()
            })
            .collect();
        AxisOffsets { start, offsets }
    }

    /// When the Moon's centre was nearest to the axis.
    fn nearest_to_axis(&self) -> Instant {
        const PARTS: usize = 4;
        let instant = |i: usize| self.start.plus_seconds((i as f64 / PARTS as f64 + 1.0) * TABLE_STEP_S);
        let distance = |i: &usize| self.at(instant(*i)).0;
        let all = 0..PARTS * self.offsets.len().saturating_sub(3);
        instant(all.min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0))
    }

    /// Distance and its slope (per second) at an instant, by Catmull and Rom's cubics.
    fn at(&self, instant: Instant) -> (f64, f64) {
        let x = instant.seconds_since(self.start) / TABLE_STEP_S;
        let i = (x.floor() as usize).clamp(1, self.offsets.len() - 3);
        let t = x - i as f64;
        let [a, b, c, d] = [-1, 0, 1, 2].map(|k: isize| self.offsets[i.saturating_add_signed(k)]);
        let (m0, m1) = ((c - a) / 2.0, (d - b) / 2.0);
        let k3 = 2.0 * (b - c) + m0 + m1;
        let k2 = 3.0 * (c - b) - 2.0 * m0 - m1;
        let offset = b + t * (m0 + t * (k2 + t * k3));
        let rate = (m0 + t * (2.0 * k2 + t * 3.0 * k3)) / TABLE_STEP_S;
        let distance = offset.norm();
        (distance, offset.dot(&rate) / distance.max(f64::MIN_POSITIVE))
    }
}

/// What is solved together.
#[derive(Clone, Copy, Debug)]
struct Unknowns {
    ahead_s: f64,
    /// Logarithm of the power.
    contrast: f64,
    enlargement: f64,
    /// How much of a frame's brightness is its exposure, 0..1.
    by_exposure: f64,
}

impl Unknowns {
    /// Before anything is known of a rig but a time.
    fn at(ahead_s: f64, contrast: f64) -> Self {
        Unknowns { ahead_s, contrast, enlargement: 0.0, by_exposure: BY_EXPOSURE.0 }
    }
}

/// A rig's edges, and what they are compared with.
pub(super) struct Comparison<'a> {
    law: Law,
    /// The umbra's radius, in radii of the Moon.
    umbra: f64,
    table: AxisOffsets,
    edges: &'a [ShadowEdge],
    /// The share of the bright part's light at which the usual edge was traced, logarithm.
    usual_share: f64,
}

impl<'a> Comparison<'a> {
    /// With all times that a slip of zones can reach.
    pub fn new(observer: &Observer, edges: &'a [ShadowEdge]) -> Option<Self> {
        Comparison::within(observer, edges, FARTHEST_S)
    }

    /// With times up to `reach_s` before the first edge and after the last one.
    pub fn within(observer: &Observer, edges: &'a [ShadowEdge], reach_s: f64) -> Option<Self> {
        let from = edges.iter().map(|m| m.instant).min_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()))?;
        let to = edges.iter().map(|m| m.instant).max_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()))?;
        let table = AxisOffsets::new(observer, (from, to), reach_s);
        // The shadow's size changes little within a night: it is taken at greatest eclipse.
        let there = SkyPlace::at(observer, table.nearest_to_axis());
        let umbra = there.shadow.umbra_radius.radians() / there.semidiameter.radians();
        let mut shares: Vec<f64> = edges.iter().map(|e| e.share.ln()).collect();
        shares.sort_by(f64::total_cmp);
        Some(Comparison { law: Law::of(&there), umbra, table, edges, usual_share: shares[shares.len() / 2] })
    }

    /// How far an edge lies from where it is expected, its time being ahead by so much; `None` where none can be then.
    pub fn off(&self, edge: &ShadowEdge, ahead_s: f64) -> Option<f64> {
        self.off_by_curve(edge, Unknowns::at(ahead_s, 0.4))
    }

    /// The same under whichever curve, within a sigma of the usual ones, brings it nearest; zero where one brings it there.
    pub fn least_off(&self, edge: &ShadowEdge, ahead_s: f64) -> Option<f64> {
        let off = |contrast: f64| self.off_by_curve(edge, Unknowns::at(ahead_s, contrast));
        let (soft, hard) = (off(CONTRAST.0 - CONTRAST.1)?, off(CONTRAST.0 + CONTRAST.1)?);
        // What changes its sign between the two is none at all.
        Some(if soft * hard <= 0.0 { 0.0 } else { soft.abs().min(hard.abs()).copysign(soft) })
    }

    fn off_by_curve(&self, edge: &ShadowEdge, u: Unknowns) -> Option<f64> {
        self.crosses(edge, u).then(|| edge.place - self.modelled(edge, u).0)
    }

    /// The time within a reach that makes the edges agree best: its cost, and how far ahead their times are then.
    pub fn best_within(&self, reach_s: f64) -> Option<(f64, f64)> {
        let steps = (reach_s / 120.0) as i64;
        (-steps..=steps)
            .flat_map(|i| [0.1, 0.8].map(|contrast| (i, contrast)))
            .map(|(i, contrast)| {
                let ahead_s = i as f64 * 120.0;
                (self.cost(Unknowns::at(ahead_s, contrast)), ahead_s)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn modelled(&self, edge: &ShadowEdge, u: Unknowns) -> (f64, f64) {
        let (distance, slope) = self.table.at(edge.instant.plus_seconds(-u.ahead_s));
        let share = self.usual_share + u.by_exposure * (edge.share.ln() - self.usual_share);
        (self.law.edge(distance, share.exp(), u.contrast.exp()) - u.enlargement, slope)
    }

    /// Whether an edge can cross the disc then: within the umbra what is traced is the copper's own shading.
    fn crosses(&self, edge: &ShadowEdge, u: Unknowns) -> bool {
        let (distance, _) = self.table.at(edge.instant.plus_seconds(-u.ahead_s));
        distance > self.umbra - 0.85 && distance < self.umbra + 1.2
    }

    /// Misfit of the edges: sums of squares where they are small, logarithms where frames have gone wrong.
    fn cost(&self, u: Unknowns) -> f64 {
        let misfit: f64 = self
            .edges
            .iter()
            .map(|e| {
                let off = (e.place - self.modelled(e, u).0) / (3.0 * spread(e));
                // An edge where none can be is as bad as one a dozen sigmas off.
                if self.crosses(e, u) { (1.0 + off * off).ln() } else { (1.0f64 + 16.0).ln() }
            })
            .sum();
        9.0 * misfit + ((u.contrast - CONTRAST.0) / CONTRAST.1).powi(2) + (u.enlargement / ENLARGEMENT_SIGMA).powi(2)
    }

    /// How evenly the edges speak of both sides of greatest eclipse: the lighter side's weight over the heavier's.
    fn balance(&self, edges: &[&ShadowEdge], u: Unknowns) -> f64 {
        let greatest = self.table.nearest_to_axis();
        let side = |first: bool| -> f64 {
            edges
                .iter()
                .filter(|e| (e.instant.plus_seconds(-u.ahead_s).seconds_since(greatest) < 0.0) == first)
                .map(|e| spread(e).powi(-2))
                .sum()
        };
        let (a, b) = (side(true), side(false));
        a.min(b) / a.max(b).max(1e-9)
    }

    /// How fast the axis's distance changes where edges cross, radii a second: the median.
    fn usual_slope(&self, u: Unknowns) -> f64 {
        let mut slopes: Vec<f64> =
            self.edges.iter().filter(|e| self.crosses(e, u)).map(|e| self.modelled(e, u).1.abs()).collect();
        slopes.sort_by(f64::total_cmp);
        slopes.get(slopes.len() / 2).copied().unwrap_or(0.0).max(1e-5)
    }

    /// What neighbouring frames share of their misfit (one exposure, one curve, the same seas), as seconds: a side of the
    /// shadow is one observation of it.
    fn shared_s(&self, u: Unknowns) -> f64 {
        let mut offs: Vec<f64> =
            self.edges.iter().filter(|e| self.crosses(e, u)).map(|e| (e.place - self.modelled(e, u).0).abs()).collect();
        offs.sort_by(f64::total_cmp);
        let off = 1.4826 * offs.get(offs.len() / 2).copied().unwrap_or(0.0);
        // Two sides, and on each the misfit keeps its sign over some third of the frames.
        off / self.usual_slope(u) / 2.5
    }

    /// Gauss-Newton on all four, with their standard deviations from the scatter.
    fn converge(&self, start: Unknowns) -> Option<(Unknowns, f64)> {
        let mut u = start;
        let mut sigma_s = f64::INFINITY;
        for _ in 0..40 {
            let priors = Vector4::new(0.0, CONTRAST.1.powi(-2), ENLARGEMENT_SIGMA.powi(-2), BY_EXPOSURE.1.powi(-2));
            let mut normal = Matrix4::from_diagonal(&priors);
            let off_priors = [0.0, CONTRAST.0 - u.contrast, -u.enlargement, BY_EXPOSURE.0 - u.by_exposure];
            let mut gradient = Vector4::from(off_priors).component_mul(&priors);
            let (mut chi, mut weights) = (0.0, 0.0);
            for e in self.edges.iter().filter(|e| self.crosses(e, start)) {
                let (here, _) = self.modelled(e, u);
                let by_time = (self.modelled(e, Unknowns { ahead_s: u.ahead_s + 5.0, ..u }).0 - here) / 5.0;
                let by_contrast = (self.modelled(e, Unknowns { contrast: u.contrast + 0.02, ..u }).0 - here) / 0.02;
                let by_exposure =
                    (self.modelled(e, Unknowns { by_exposure: u.by_exposure + 0.02, ..u }).0 - here) / 0.02;
                let off = e.place - here;
                let scaled = off / (2.0 * spread(e));
                let robust = 1.0 / (1.0 + scaled * scaled);
                let w = robust / spread(e).powi(2);
                let row = Vector4::new(by_time, by_contrast, -1.0, by_exposure);
                normal += row * row.transpose() * w;
                gradient += row * (w * off);
                (chi, weights) = (chi + w * off * off, weights + robust);
            }
            let inverse = normal.try_inverse()?;
            let step = inverse * gradient;
            u.ahead_s += step.x.clamp(-300.0, 300.0);
            u.contrast = (u.contrast + step.y.clamp(-0.2, 0.2)).clamp(-1.0, 1.6);
            u.enlargement += step.z.clamp(-0.1, 0.1);
            u.by_exposure = (u.by_exposure + step.w.clamp(-0.2, 0.2)).clamp(0.0, 1.0);
            sigma_s = (inverse[(0, 0)] * (chi / (weights - 4.0_f64).max(1.0)).max(1.0)).sqrt();
            if step.x.abs() < 0.01 && step.y.abs() < 1e-4 && step.z.abs() < 1e-5 && step.w.abs() < 1e-3 {
                break;
            }
        }
        (u.ahead_s.abs() < FARTHEST_S && sigma_s < 3600.0).then_some((u, sigma_s.hypot(self.shared_s(u))))
    }
}

/// What an edge is good to: its own scatter, and what the curve's shape leaves beyond a power.
fn spread(edge: &ShadowEdge) -> f64 {
    // Near totality the copper's own light, and a sliver that clips, move the edge; at the limb its chords are short.
    let deep = 0.6 * (-0.45 - edge.place).max(0.0) + 0.1 * (edge.place - 0.4).max(0.0);
    edge.sigma.hypot(0.02).hypot(deep)
}

/// Fewest edges that tell a clock.
const FEWEST: usize = 5;

/// The clock that makes the traced edges agree with the ephemeris; `None` from fewer than five, or where no time within a
/// day of zones makes them agree.
///
/// # Accuracy
/// The suite's table: within some seconds from a whole sequence of partial phases of a 250-px disc.
pub(super) fn estimate(observer: &Observer, edges: &[ShadowEdge]) -> Option<ClockEstimate> {
    if edges.len() < FEWEST {
        return None;
    }
    let comparison = Comparison::new(observer, edges)?;
    let steps = (FARTHEST_S / 120.0) as i64;
    let trial = |(i, contrast): (i64, f64)| {
        let u = Unknowns::at(i as f64 * 120.0, contrast);
        (comparison.cost(u), u)
    };
    let trials: Vec<(i64, f64)> =
        (-steps..=steps).flat_map(|i| [-0.2, 0.1, 0.4, 0.8].map(|contrast| (i, contrast))).collect();
    let (_, coarse) = trials
        .into_par_iter()
        .map(trial)
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.ahead_s.abs().total_cmp(&b.1.ahead_s.abs())))?;
    let (found, sigma_s) = comparison.converge(coarse)?;
    let agrees = |e: &&ShadowEdge| {
        comparison.crosses(e, found) && (e.place - comparison.modelled(e, found).0).abs() < 4.0 * spread(e)
    };
    let agreeing: Vec<&ShadowEdge> = edges.iter().filter(agrees).collect();
    if agreeing.len() < FEWEST || agreeing.len() * 2 < edges.len() {
        return None;
    }
    let balance = comparison.balance(&agreeing, found);
    // What one side takes for time may be the umbra's size, and the other takes it the other way: of sides that weigh a and
    // b, (a - b) / (a + b) of it is left.
    let one_sided = ENLARGEMENT_SIGMA / comparison.usual_slope(found) * (1.0 - balance) / (1.0 + balance);
    Some(ClockEstimate {
        ahead_s: found.ahead_s,
        sigma_s: sigma_s.hypot(one_sided),
        frames: agreeing.len(),
        both_sides: balance > 0.2,
        put_right: false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_of_distances_is_the_skys_also_where_the_moon_is_nearest() {
        let observer = Observer::new(-31.9, 115.75, 6.0).unwrap();
        let from = Instant::parse_utc("2028-12-31T14:00:00Z").unwrap();
        let table = AxisOffsets::new(&observer, (from, from.plus_seconds(20_000.0)), 3600.0);
        let mut worst = 0.0f64;
        for i in 0..80 {
            let instant = from.plus_seconds(257.0 * f64::from(i));
            let place = SkyPlace::at(&observer, instant);
            let truth = place.shadow.separation().radians() / place.semidiameter.radians();
            worst = worst.max((table.at(instant).0 - truth).abs());
        }
        assert!(worst < 2e-4, "{worst}");
        let nearest = table.nearest_to_axis();
        let (before, after) = (nearest.plus_seconds(-300.0), nearest.plus_seconds(300.0));
        assert!(table.at(nearest).0 < table.at(before).0.min(table.at(after).0));
    }
}
