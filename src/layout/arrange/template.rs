//! Label templates: words with names in braces, such as `{local:%H:%M}` or `{umbral:.0}`.

use super::Context;
use crate::ingest::ShootNotes;
use crate::layout::select::Chosen;
use crate::layout::wanted::contact_at;
use crate::sky::{apparent_moon, shadow_from};
use crate::units::ExposureTime;

/// Names that take a format of the time.
const CLOCKS: [&str; 2] = ["local", "utc"];
/// Names that take a number of decimals, such as `.1`.
const NUMBERS: [&str; 4] = ["umbral", "magnitude", "altitude", "azimuth"];
/// Names that take nothing.
const WORDS: [&str; 3] = ["contact", "exposure", "file"];

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
            let noon = jiff::civil::date(2028, 12, 31).at(12, 0, 0, 0);
            let good = match format {
                None => CLOCKS.contains(&name) || NUMBERS.contains(&name) || WORDS.contains(&name),
                Some(f) if CLOCKS.contains(&name) => jiff::fmt::strtime::format(f, noon).is_ok(),
                Some(f) => NUMBERS.contains(&name) && decimals(f).is_some(),
            };
            if !good {
                return Err(format.map_or_else(|| name.to_owned(), |f| format!("{name}:{f}")));
            }
        }
    }
    Ok(())
}

/// How many decimals `.2` asks for.
fn decimals(format: &str) -> Option<usize> {
    format.strip_prefix('.')?.parse().ok().filter(|d| *d <= 6)
}

/// Fills a template for one disc; what is not known stays out.
pub(super) fn fill(template: &str, context: &Context<'_>, chosen: &Chosen<'_>) -> String {
    let (night, frame) = (context.night, chosen.registered.and_then(|f| context.night.frame(&f.file)));
    let offset = night
        .notes
        .as_ref()
        .and_then(ShootNotes::clock_offset_s)
        .or_else(|| frame.and_then(|f| f.metadata.clock_offset_s))
        .unwrap_or(0);
    let clock = |ahead_s: i64, format: Option<&str>| -> String {
        let Some(instant) = chosen.instant else { return String::new() };
        let shown = instant.plus_seconds(ahead_s as f64).to_utc();
        let civil = jiff::tz::TimeZone::UTC.to_datetime(shown);
        jiff::fmt::strtime::format(format.unwrap_or("%H:%M"), civil).unwrap_or_default()
    };
    let number = |value: Option<f64>, format: Option<&str>, usual: usize, unit: &str| {
        // With a format it is the bare number: whoever gives one writes the unit, too.
        let unit = if format.is_some() { "" } else { unit };
        let places = format.and_then(decimals).unwrap_or(usual);
        value.map_or(String::new(), |v| format!("{v:.places$}{unit}"))
    };
    let seen = chosen.instant.and_then(|i| Some((night.observer()?, i)));
    let seen = seen.map(|(observer, i)| {
        let seen = apparent_moon(&observer, i);
        (seen, shadow_from(&observer, i, &seen))
    });
    // A frame that shows another phase than its time says is given none.
    let contradicted = chosen.registered.is_some_and(|f| f.phase_contradicted);
    let fraction = (!contradicted)
        .then(|| chosen.registered.and_then(|f| f.umbral_fraction).or_else(|| Some(seen.as_ref()?.1.umbral_fraction())))
        .flatten();
    let one = |name: &str, format: Option<&str>| match name {
        "local" => clock(offset, format),
        "utc" => clock(0, format),
        "umbral" => number(fraction.map(|u| 100.0 * u), format, 0, " %"),
        "magnitude" => number(seen.as_ref().filter(|_| !contradicted).map(|s| s.1.umbral_magnitude()), format, 2, ""),
        "altitude" => number(seen.as_ref().map(|s| s.0.airless.altitude.degrees()), format, 0, "\u{b0}"),
        "azimuth" => number(seen.as_ref().map(|s| s.0.airless.azimuth.normalized().degrees()), format, 0, "\u{b0}"),
        "contact" if contradicted => String::new(),
        "contact" => {
            let contact = context.eclipse.zip(chosen.instant).and_then(|(e, i)| contact_at(e, i));
            contact.map_or(String::new(), |c| c.to_string())
        }
        "exposure" => frame
            .and_then(|f| f.metadata.exposure_time_s)
            .map_or(String::new(), |seconds| ExposureTime { seconds }.to_string()),
        "file" => chosen.registered.map_or(String::new(), |f| f.file.clone()),
        other => format!("{{{other}}}"),
    };
    let filled: String = pieces(template)
        .into_iter()
        .map(|piece| match piece {
            Ok(words) => words.to_owned(),
            Err((name, format)) => one(name, format),
        })
        .collect();
    // A name that says nothing leaves no gap behind.
    filled.split(' ').filter(|w| !w.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_names_and_formats_are_refused() {
        assert!(check_template("{local:%H:%M} at {altitude:.1} {contact}").is_ok());
        assert_eq!(check_template("{moonphase}"), Err("moonphase".into()));
        assert!(check_template("{umbral:%H}").is_err());
        assert!(check_template("{file:.0}").is_err());
    }
}
