//! Templates: words with names in braces. Of a disc's label, such as `{local:%H:%M}` or `{umbral:.0}`; of a sheet's
//! heading, such as `{eclipse}, {date}`.

use super::Context;
use crate::ingest::Night;
use crate::layout::chosen::Chosen;
use crate::layout::wanted::contact_at;
use crate::sky::{LunarEclipse, apparent_moon, shadow_from};
use crate::units::{ExposureTime, Instant};

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

/// A template with each name replaced by what `one` makes of it and of its format.
fn with_names(template: &str, one: impl Fn(&str, Option<&str>) -> String) -> String {
    let piece = |piece| match piece {
        Ok(words) => str::to_owned(words),
        Err((name, format)) => one(name, format),
    };
    pieces(template).into_iter().map(piece).collect()
}

/// Whether braces come in pairs; else what follows the last one.
fn paired(template: &str) -> Result<(), String> {
    if template.matches('{').count() == template.matches('}').count() {
        return Ok(());
    }
    Err(template.rsplit('{').next().unwrap_or("").to_owned())
}

/// Names the first piece of a heading that is unknown.
pub(in crate::layout) fn check_heading(template: &str) -> Result<(), String> {
    paired(template)?;
    for (name, format) in pieces(template).into_iter().filter_map(Result::err) {
        let noon = jiff::civil::date(2028, 12, 31).at(12, 0, 0, 0);
        let good = match (name, format) {
            ("night" | "eclipse" | "date" | "site", None) => true,
            ("date", Some(f)) => jiff::fmt::strtime::format(f, noon).is_ok(),
            _ => false,
        };
        if !good {
            return Err(format.map_or_else(|| name.to_owned(), |f| format!("{name}:{f}")));
        }
    }
    Ok(())
}

/// Fills a heading for a night. A name of which nothing is known leaves no trace between commas; where nothing is left,
/// there is no heading.
pub(in crate::layout) fn heading(template: &str, night: &Night, eclipse: Option<&LunarEclipse>) -> Option<String> {
    if !template.contains('{') {
        // A person's own words stay as they are.
        return Some(template.to_owned()).filter(|t| !t.trim().is_empty());
    }
    let notes = night.notes.as_ref();
    let taken = night.frames.iter().find_map(|f| Some(f.time?.middle));
    let date = |format: Option<&str>| {
        let instant = eclipse.map(LunarEclipse::greatest).or(taken);
        instant.map_or(String::new(), |i| civil(i, night.label_offset_s(), format.unwrap_or("%-d %B %Y")))
    };
    let kind = || eclipse.map(|e| format!("{} lunar eclipse", e.kind));
    let one = |name: &str, format: Option<&str>| match name {
        "night" => notes
            .and_then(|n| n.title.clone())
            .or_else(|| eclipse.map(|_| "a night in the Earth's shadow".to_owned()))
            .unwrap_or_default(),
        "eclipse" => kind().unwrap_or_default(),
        "date" => date(format),
        "site" => notes.and_then(|n| n.site).map_or(String::new(), |site| {
            let part = |deg: f64, signs: [&str; 2]| format!("{:.1}\u{b0} {}", deg.abs(), signs[usize::from(deg < 0.0)]);
            format!("{}, {}", part(site.latitude_deg, ["N", "S"]), part(site.longitude_deg, ["E", "W"]))
        }),
        other => format!("{{{other}}}"),
    };
    let filled = with_names(template, one);
    // What stood between two names has nothing to part where one of them is empty.
    let parts = filled.split(", ").map(str::trim).filter(|part| !part.is_empty());
    let filled = parts.collect::<Vec<_>>().join(", ");
    let mut letters = filled.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect())
}

/// An instant by a clock so many seconds ahead of UTC.
fn civil(instant: Instant, ahead_s: i64, format: &str) -> String {
    let shown = instant.plus_seconds(ahead_s as f64).to_utc();
    let civil = jiff::tz::TimeZone::UTC.to_datetime(shown);
    jiff::fmt::strtime::format(format, civil).unwrap_or_default()
}

/// Names the first unknown piece.
pub(in crate::layout) fn check_template(template: &str) -> Result<(), String> {
    paired(template)?;
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
    let offset = frame.map_or_else(|| night.label_offset_s(), |f| night.label_offset_of_s(f));
    let clock = |ahead_s: i64, format: Option<&str>| -> String {
        chosen.instant.map_or(String::new(), |i| civil(i, ahead_s, format.unwrap_or("%H:%M")))
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
    let filled = with_names(template, one);
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
        assert!(check_heading("{night}: {eclipse}, {date:%Y}, {site}").is_ok());
        assert_eq!(check_heading("{file}"), Err("file".into()));
    }

    #[test]
    fn a_heading_says_what_is_known_and_no_more() {
        let night = Night::default();
        assert_eq!(heading("{eclipse}, {date}, {site}", &night, None), None);
        assert_eq!(heading("Copper, {date}", &night, None).as_deref(), Some("Copper"));
        assert_eq!(heading("of one night, ", &night, None).as_deref(), Some("of one night, "));
        let greatest = Instant::parse_utc("2028-12-31T16:52:00Z").unwrap();
        let eclipse = crate::sky::eclipse_near(greatest).unwrap();
        let filled = heading("{eclipse}, {date}", &night, Some(&eclipse));
        assert_eq!(filled.as_deref(), Some("Total lunar eclipse, 31 December 2028"));
        assert_eq!(heading("{night}", &night, Some(&eclipse)).as_deref(), Some("A night in the Earth's shadow"));
    }
}
