//! Instants: Terrestrial Time inside, UTC at the edges.
//!
//! Leap seconds are those announced up to 2017-01-01; later dates keep TAI-UTC = 37 s, as
//! every almanac of future eclipses must until another is announced. Before 1972 UTC had
//! another definition; the earliest tabulated step (10 s) is used there, which is wrong by
//! up to ten seconds against the clocks of the time and irrelevant to digital cameras.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use std::fmt;

/// The scale in which a number of seconds or a date is expressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeScale {
    /// Coordinated Universal Time, what clocks show.
    Utc,
    /// Terrestrial Time, what the ephemeris runs on.
    Tt,
}

/// An instant of time.
///
/// Kept as seconds of Terrestrial Time since J2000.0 (2000-01-01 12:00 TT); resolution is
/// better than a microsecond over several millennia.
#[derive(Clone, Copy, PartialEq, PartialOrd)]
pub struct Instant {
    tt_seconds_since_j2000: f64,
}

/// What was wrong with a written instant.
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum InstantError {
    /// The text is not an ISO 8601 date and time.
    #[error("`{text}` is not a date and time like 2028-12-31T16:52:00Z")]
    Unreadable {
        /// What was given.
        text: String,
    },
}

const TT_MINUS_TAI: f64 = 32.184;
/// Unix seconds of 2000-01-01T12:00:00.
const J2000_UNIX: f64 = 946_728_000.0;

/// Unix second from which each TAI-UTC holds (IERS Bulletin C series).
const LEAP_SECONDS: [(i64, f64); 28] = [
    (63_072_000, 10.0),
    (78_796_800, 11.0),
    (94_694_400, 12.0),
    (126_230_400, 13.0),
    (157_766_400, 14.0),
    (189_302_400, 15.0),
    (220_924_800, 16.0),
    (252_460_800, 17.0),
    (283_996_800, 18.0),
    (315_532_800, 19.0),
    (362_793_600, 20.0),
    (394_329_600, 21.0),
    (425_865_600, 22.0),
    (489_024_000, 23.0),
    (567_993_600, 24.0),
    (631_152_000, 25.0),
    (662_688_000, 26.0),
    (709_948_800, 27.0),
    (741_484_800, 28.0),
    (773_020_800, 29.0),
    (820_454_400, 30.0),
    (867_715_200, 31.0),
    (915_148_800, 32.0),
    (1_136_073_600, 33.0),
    (1_230_768_000, 34.0),
    (1_341_100_800, 35.0),
    (1_435_708_800, 36.0),
    (1_483_228_800, 37.0),
];

fn tai_minus_utc(unix_seconds: f64) -> f64 {
    let later = LEAP_SECONDS.iter().rev().find(|(start, _)| unix_seconds >= *start as f64);
    later.map_or(10.0, |(_, offset)| *offset)
}

impl Instant {
    /// From seconds of TT since J2000.0.
    pub const fn from_tt_seconds(tt_seconds_since_j2000: f64) -> Self {
        Instant { tt_seconds_since_j2000 }
    }

    /// From a UTC timestamp.
    pub fn from_utc(utc: Timestamp) -> Self {
        let unix = utc.as_second() as f64;
        let whole = unix - J2000_UNIX + tai_minus_utc(unix) + TT_MINUS_TAI;
        Instant { tt_seconds_since_j2000: whole + f64::from(utc.subsec_nanosecond()) * 1e-9 }
    }

    /// From an ISO 8601 text. Without an offset the text is taken as UTC.
    ///
    /// # Errors
    /// [`InstantError::Unreadable`] when the text is no date and time.
    ///
    /// ```
    /// use moonloom::units::Instant;
    /// let a = Instant::parse_utc("2028-12-31T16:52:00Z").unwrap();
    /// let b = Instant::parse_utc("2029-01-01T00:52:00+08:00").unwrap();
    /// assert_eq!(a, b);
    /// ```
    pub fn parse_utc(text: &str) -> Result<Self, InstantError> {
        let trimmed = text.trim();
        if let Ok(timestamp) = trimmed.parse::<Timestamp>() {
            return Ok(Instant::from_utc(timestamp));
        }
        trimmed
            .parse::<DateTime>()
            .ok()
            .and_then(|civil| TimeZone::UTC.to_timestamp(civil).ok())
            .map(Instant::from_utc)
            .ok_or_else(|| InstantError::Unreadable { text: text.to_owned() })
    }

    /// As a UTC timestamp, to the microsecond.
    ///
    /// Instants outside the calendar of `jiff` (years -9999 to 9999) are clamped to it.
    pub fn to_utc(self) -> Timestamp {
        let without_leap = self.tt_seconds_since_j2000 - TT_MINUS_TAI + J2000_UNIX;
        // The leap second depends on UTC; two rounds settle it except inside the second itself.
        let mut unix = without_leap - tai_minus_utc(without_leap);
        unix = without_leap - tai_minus_utc(unix);
        let micros = (unix * 1e6).round().clamp(-3.77e17, 2.53e17) as i64;
        Timestamp::from_microsecond(micros).unwrap_or(Timestamp::MAX)
    }

    /// Seconds of TT since J2000.0.
    pub const fn tt_seconds(self) -> f64 {
        self.tt_seconds_since_j2000
    }

    /// Julian date (TT) in two parts for the SOFA routines: the epoch J2000.0 and the days since.
    pub fn tt_julian_date(self) -> (f64, f64) {
        (2_451_545.0, self.tt_seconds_since_j2000 / 86_400.0)
    }

    /// Julian centuries of TT since J2000.0.
    pub fn julian_centuries(self) -> f64 {
        self.tt_seconds_since_j2000 / (86_400.0 * 36_525.0)
    }

    /// Julian date (UT1) in two parts, with UT1-UTC as given.
    pub fn ut1_julian_date(self, ut1_minus_utc_s: f64) -> (f64, f64) {
        let utc_unix = {
            let without_leap = self.tt_seconds_since_j2000 - TT_MINUS_TAI + J2000_UNIX;
            without_leap - tai_minus_utc(without_leap - tai_minus_utc(without_leap))
        };
        (2_451_545.0, (utc_unix - J2000_UNIX + ut1_minus_utc_s) / 86_400.0)
    }

    /// This instant moved by a number of SI seconds.
    pub fn plus_seconds(self, seconds: f64) -> Self {
        Instant { tt_seconds_since_j2000: self.tt_seconds_since_j2000 + seconds }
    }

    /// SI seconds from `earlier` to this instant.
    pub fn seconds_since(self, earlier: Instant) -> f64 {
        self.tt_seconds_since_j2000 - earlier.tt_seconds_since_j2000
    }

    /// UTC in ISO 8601 with milliseconds.
    pub fn to_iso_utc(self) -> String {
        let milliseconds = (self.to_utc().as_microsecond() as f64 / 1000.0).round() as i64;
        Timestamp::from_millisecond(milliseconds).map_or_else(|_| String::from("?"), |t| format!("{t:.3}"))
    }
}

impl fmt::Debug for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_iso_utc())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tt_is_69_184_s_ahead_of_utc_since_2017() {
        // IERS Bulletin C 52: TAI-UTC = 37 s from 2017-01-01; TT-TAI = 32.184 s by definition.
        let noon = Instant::parse_utc("2020-01-01T12:00:00Z").unwrap();
        let days = (365 * 20 + 5) as f64;
        assert!((noon.tt_seconds() - (days * 86_400.0 + 69.184)).abs() < 1e-6);
    }

    #[test]
    fn utc_survives_the_round_trip() {
        for text in ["1999-08-11T11:03:04.250Z", "2016-12-31T23:59:59.500Z", "2028-12-31T16:52:07.125Z"] {
            assert_eq!(Instant::parse_utc(text).unwrap().to_iso_utc(), text);
        }
    }

    #[test]
    fn j2000_is_at_11_58_55_816_utc() {
        // The Astronomical Almanac, section B: J2000.0 = 2000-01-01 11:58:55.816 UTC.
        assert_eq!(Instant::from_tt_seconds(0.0).to_iso_utc(), "2000-01-01T11:58:55.816Z");
    }

    #[test]
    fn nonsense_is_refused() {
        assert!(Instant::parse_utc("midnight").is_err());
    }
}
