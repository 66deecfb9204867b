//! The directions around a centre in which something was seen.

use std::f64::consts::TAU;

/// How many there are, of five degrees each.
pub(super) const COUNT: usize = 72;

/// Sectors around a centre, marked or not.
pub(super) struct Sectors([bool; COUNT]);

impl Sectors {
    pub fn none() -> Self {
        Sectors([false; COUNT])
    }

    /// The one in which an offset lies.
    pub fn of(x: f64, y: f64) -> usize {
        (((y.atan2(x) / TAU).rem_euclid(1.0) * COUNT as f64) as usize).min(COUNT - 1)
    }

    pub fn mark(&mut self, x: f64, y: f64) {
        self.0[Self::of(x, y)] = true;
    }

    pub fn degrees(&self) -> f64 {
        self.0.iter().filter(|marked| **marked).count() as f64 * 360.0 / COUNT as f64
    }
}
