//! What stands on the horizon.

/// What stands on the horizon: azimuths and altitudes in degrees, by rising azimuth.
#[derive(Clone, Debug, Default)]
pub struct HorizonProfile {
    /// (azimuth, altitude), degrees.
    pub points: Vec<(f64, f64)>,
}

/// A line of a horizon file that is none.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: `{text}` is not `azimuth,altitude`")]
pub struct HorizonFault {
    /// Counted from 1.
    pub line: u64,
    /// What stands there.
    pub text: String,
}

impl HorizonProfile {
    /// Reads `azimuth,altitude` lines in degrees (RFC 4180); a first line of words names the columns, and what begins with `#` is
    /// left out.
    ///
    /// # Errors
    /// [`HorizonFault`], the first.
    pub fn parse(text: &str) -> Result<Self, HorizonFault> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .from_reader(text.as_bytes());
        let mut points = Vec::new();
        for (number, row) in reader.records().enumerate() {
            let (line, row) = match row {
                Ok(row) => (row.position().map_or(0, csv::Position::line), row),
                Err(e) => {
                    return Err(HorizonFault {
                        line: e.position().map_or(0, csv::Position::line),
                        text: e.to_string(),
                    });
                }
            };
            let words: Vec<&str> = row.iter().map(str::trim).collect();
            let numbers: Option<Vec<f64>> = words.iter().map(|v| v.parse().ok()).collect();
            match numbers.as_deref() {
                Some([azimuth, altitude]) if altitude.abs() <= 90.0 && azimuth.abs() <= 720.0 => {
                    points.push((azimuth.rem_euclid(360.0), *altitude));
                }
                _ if number == 0 && !words.concat().contains(|c: char| c.is_ascii_digit()) => {}
                _ => return Err(HorizonFault { line, text: words.join(",") }),
            }
        }
        points.sort_by(|a: &(f64, f64), b| a.0.total_cmp(&b.0));
        Ok(HorizonProfile { points })
    }

    /// Altitude of the profile at an azimuth, by straight lines between its points, all round.
    pub fn altitude_deg(&self, azimuth_deg: f64) -> f64 {
        let Some(first) = self.points.first() else { return 0.0 };
        let at = azimuth_deg.rem_euclid(360.0);
        let after = self.points.iter().position(|p| p.0 > at);
        let (a, b) = match after {
            Some(0) | None => {
                let last = self.points[self.points.len() - 1];
                (
                    (last.0 - 360.0 * f64::from(u8::from(after == Some(0))), last.1),
                    (first.0 + 360.0 * f64::from(u8::from(after.is_none())), first.1),
                )
            }
            Some(i) => (self.points[i - 1], self.points[i]),
        };
        if b.0 - a.0 < 1e-9 { a.1 } else { a.1 + (b.1 - a.1) * (at - a.0) / (b.0 - a.0) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_goes_all_round() {
        let profile = HorizonProfile { points: vec![(10.0, 2.0), (90.0, 6.0), (350.0, 4.0)] };
        assert!((profile.altitude_deg(50.0) - 4.0).abs() < 1e-9);
        assert!((profile.altitude_deg(0.0) - 3.0).abs() < 1e-9, "{}", profile.altitude_deg(0.0));
        assert!((profile.altitude_deg(355.0) - 3.5).abs() < 1e-9);
        assert_eq!(HorizonProfile::default().altitude_deg(123.0), 0.0);
    }

    #[test]
    fn a_file_is_read_or_its_line_is_named() {
        let read = HorizonProfile::parse("azimuth,altitude\n# hill\n-10, 2\n90,6\n").unwrap();
        assert_eq!(read.points, [(90.0, 6.0), (350.0, 2.0)]);
        let fault = HorizonProfile::parse("0,1\n10,\n").unwrap_err();
        assert_eq!((fault.line, fault.text.as_str()), (2, "10,"));
        assert!(HorizonProfile::parse("0,91\n").is_err());
    }
}
