//! What the Earth's shadow says of a camera's clock.

use serde::{Deserialize, Serialize};

/// What the shadow says of a camera's clock.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockEstimate {
    /// Seconds by which the times of the frames are ahead of UTC.
    pub ahead_s: f64,
    /// Standard deviation, seconds.
    pub sigma_s: f64,
    /// How many partial phases spoke.
    pub frames: usize,
    /// Whether partial phases before and after greatest eclipse agree on it: what one side takes for an error of the
    /// clock may be the camera's curve.
    #[serde(default)]
    pub both_sides: bool,
    /// Whether the times of this registration were put right by it.
    #[serde(default)]
    pub put_right: bool,
}

impl ClockEstimate {
    /// Seconds by which the times are still ahead, beyond doubt: nothing where they were put right.
    pub(crate) fn still_ahead_s(&self) -> f64 {
        if self.put_right || self.ahead_s.abs() <= 2.0 * self.sigma_s { 0.0 } else { self.ahead_s }
    }

    /// Whether it leaves open that the times are ahead by so many seconds.
    pub(crate) fn allows(&self, hours_s: f64) -> bool {
        /// Half of the quarter of an hour by which zones differ.
        const HALF_A_QUARTER_S: f64 = 450.0;
        (self.ahead_s - hours_s).abs() < HALF_A_QUARTER_S.max(2.0 * self.sigma_s)
    }

    /// Whether it is good enough to put a clock right by: better than a minute, and both sides of the shadow agree.
    pub fn is_sure(&self) -> bool {
        self.both_sides && self.sigma_s < 60.0
    }

    /// Whether the times are off by more than five minutes, beyond doubt.
    pub fn is_far_off(&self) -> bool {
        let sure = self.is_sure() || self.zone_slip_s().is_some();
        !self.put_right && sure && self.ahead_s.abs() > 300.0 && self.ahead_s.abs() > 4.0 * self.sigma_s
    }

    /// The offset of a time zone that the error looks like, in quarters of an hour.
    pub fn zone_slip_s(&self) -> Option<f64> {
        let quarters = (self.ahead_s / 900.0).round();
        let rest = (self.ahead_s - 900.0 * quarters).abs();
        (quarters.abs() >= 2.0 && rest < 120.0_f64.max(3.0 * self.sigma_s)).then_some(900.0 * quarters)
    }
}

/// A clock's error in words: "camera clock 43 s \u{b1} 8 s ahead of UTC".
pub fn clock_words(clock: &ClockEstimate) -> String {
    let side = if clock.ahead_s < 0.0 { "behind" } else { "ahead of" };
    let put_right = if clock.put_right { ", put right" } else { "" };
    format!("camera clock {:.0} s \u{b1} {:.0} s {side} UTC{put_right}", clock.ahead_s.abs(), clock.sigma_s.max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_right_leaves_no_quarter_open_and_a_poor_one_an_hour() {
        let read = |ahead_s, sigma_s| ClockEstimate { ahead_s, sigma_s, frames: 9, both_sides: true, put_right: false };
        assert!(!read(0.0, 20.0).allows(900.0));
        assert!(read(2800.0, 1500.0).allows(3600.0));
        assert!(read(3650.0, 20.0).allows(3600.0) && !read(0.0, 20.0).allows(3600.0));
    }
}
