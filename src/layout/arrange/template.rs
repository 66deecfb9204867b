//! Label templates: `{local:%H:%M}`, `{utc:%H:%M}`, `{umbral}`, `{altitude}`, `{exposure}`, `{file}`.

use crate::ingest::{Night, ShootNotes};
use crate::layout::select::Chosen;
use crate::sky::ApparentPosition;
use crate::units::ExposureTime;

const NAMES: [&str; 6] = ["local", "utc", "umbral", "altitude", "exposure", "file"];

/// The pieces of a template: plain words, or a name with its format.
fn pieces(template: &str) -> Vec<Result<&str, (&str, Option<&str>)>> {
    let mut out = Vec::new();
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        let Some(close) = rest[open..].find('}').map(|c| c + open) else { break };
        if open > 0 {
            out.push(Ok(&rest[..open]));
        }
        let inner = &rest[open + 1..close];
        out.push(Err(inner.split_once(':').map_or((inner, None), |(name, format)| (name, Some(format)))));
        rest = &rest[close + 1..];
    }
    if !rest.is_empty() {
        out.push(Ok(rest));
    }
    out
}

/// Names the first unknown piece.
pub(in crate::layout) fn check_template(template: &str) -> Result<(), String> {
    if template.matches('{').count() != template.matches('}').count() {
        return Err(template.rsplit('{').next().unwrap_or("").to_owned());
    }
    for piece in pieces(template) {
        if let Err((name, format)) = piece {
            let bad_format = format.is_some_and(|f| {
                let noon = jiff::civil::date(2028, 12, 31).at(12, 0, 0, 0);
                !matches!(name, "local" | "utc") || jiff::fmt::strtime::format(f, noon).is_err()
            });
            if !NAMES.contains(&name) || bad_format {
                return Err(format.map_or_else(|| name.to_owned(), |f| format!("{name}:{f}")));
            }
        }
    }
    Ok(())
}

/// Fills a template for one disc; what is not known stays out.
pub(super) fn fill(template: &str, night: &Night, chosen: &Chosen<'_>, seen: Option<&ApparentPosition>) -> String {
    let offset = night
        .notes
        .as_ref()
        .and_then(ShootNotes::clock_offset_s)
        .or_else(|| night.frame(&chosen.registered.file).and_then(|f| f.metadata.clock_offset_s))
        .unwrap_or(0);
    let clock = |ahead_s: i64, format: Option<&str>| -> String {
        let Some(instant) = chosen.instant else { return String::new() };
        let shown = instant.plus_seconds(ahead_s as f64).to_utc();
        let civil = jiff::tz::TimeZone::UTC.to_datetime(shown);
        jiff::fmt::strtime::format(format.unwrap_or("%H:%M"), civil).unwrap_or_default()
    };
    pieces(template)
        .into_iter()
        .map(|piece| match piece {
            Ok(words) => words.to_owned(),
            Err(("local", format)) => clock(offset, format),
            Err(("utc", format)) => clock(0, format),
            Err(("umbral", _)) => {
                chosen.registered.umbral_fraction.map_or(String::new(), |u| format!("{:.0} %", u * 100.0))
            }
            Err(("altitude", _)) => {
                seen.map_or(String::new(), |s| format!("{:.0}\u{b0}", s.airless.altitude.degrees()))
            }
            Err(("exposure", _)) => night
                .frame(&chosen.registered.file)
                .and_then(|f| f.metadata.exposure_time_s)
                .map_or(String::new(), |seconds| ExposureTime { seconds }.to_string()),
            Err(("file", _)) => chosen.registered.file.clone(),
            Err((name, _)) => format!("{{{name}}}"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_names_and_formats_are_refused() {
        assert!(check_template("{local:%H:%M} at {altitude}").is_ok());
        assert_eq!(check_template("{moonphase}"), Err("moonphase".into()));
        assert!(check_template("{umbral:%H}").is_err());
    }
}
