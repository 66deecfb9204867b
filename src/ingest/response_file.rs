//! A camera's response as a table: light over the file's values, a column a channel.
//!
//! CSV with the columns `value` (0..1, rising), `red`, `green`, `blue` (relative light). `moonloom response`
//! writes it from bracketed frames; a measured one may be written by hand.

use crate::diag::{Diagnostic, Span};
use serde::Deserialize;
use std::path::Path;

/// Even steps of the file's value at which a response is kept.
pub const STEPS: usize = 256;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    value: f32,
    red: f32,
    green: f32,
    blue: f32,
}

/// Reads a response: light of [`STEPS`] even steps of the file's value, the whitest value's light 1.
///
/// # Errors
/// A [`Diagnostic`] that names what is wrong.
pub fn parse_response(path: &Path, text: &str) -> Result<[Vec<f32>; 3], Box<Diagnostic>> {
    let fault = |line: usize, message: String| {
        let span = Span::at(path, text, line, 1, 1);
        let help = "columns: value (0 to 1, rising), red, green, blue (light, rising)";
        Box::new(Diagnostic::error("response-table", message).with_span(span).with_help(help))
    };
    let mut rows: Vec<Row> = Vec::new();
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(text.as_bytes());
    for row in reader.deserialize::<Row>() {
        rows.push(row.map_err(|e| fault(e.position().map_or(1, |p| p.line() as usize), e.to_string()))?);
    }
    let rises = rows
        .windows(2)
        .all(|p| p[1].value > p[0].value && channels(&p[1]).iter().zip(channels(&p[0])).all(|(b, a)| *b >= a));
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Err(fault(1, "it holds no row".into())) };
    let finite = rows.iter().flat_map(channels).all(f32::is_finite);
    if rows.len() < 2
        || !rises
        || !finite
        || first.value > 0.05
        || last.value > 1.05
        || last.value < 0.95
        || channels(last).iter().any(|v| *v <= 0.0)
    {
        return Err(fault(2, "its values do not rise from 0 to 1".into()));
    }
    Ok(std::array::from_fn(|c| {
        let light = |value: f32| {
            let after = rows.partition_point(|r| r.value <= value).clamp(1, rows.len() - 1);
            let (a, b) = (&rows[after - 1], &rows[after]);
            let part = ((value - a.value) / (b.value - a.value)).clamp(0.0, 1.0);
            channels(a)[c] + (channels(b)[c] - channels(a)[c]) * part
        };
        (0..STEPS).map(|i| light(i as f32 / (STEPS - 1) as f32) / channels(last)[c]).collect()
    }))
}

fn channels(row: &Row) -> [f32; 3] {
    [row.red, row.green, row.blue]
}

/// A response as the table that [`parse_response`] reads.
pub fn response_text(response: &[Vec<f32>; 3]) -> String {
    let mut out = String::from("value,red,green,blue\n");
    let steps = response[0].len();
    let [red, green, blue] = response;
    for (i, ((red, green), blue)) in red.iter().zip(green).zip(blue).enumerate() {
        let value = i as f32 / (steps - 1) as f32;
        out.push_str(&format!("{value:.6},{red:.7},{green:.7},{blue:.7}\n"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read() {
        let curve: Vec<f32> = (0..STEPS).map(|i| (i as f32 / 255.0).powf(2.2)).collect();
        let response = [curve.clone(), curve.clone(), curve];
        let read = parse_response(Path::new("r.csv"), &response_text(&response)).unwrap();
        for (a, b) in read[1].iter().zip(&response[1]) {
            assert!((a - b).abs() < 1e-5);
        }
    }

    #[test]
    fn a_falling_table_is_refused() {
        let text = "value,red,green,blue\n0,0,0,0\n0.5,0.4,0.4,0.4\n1,0.3,1,1\n";
        assert!(parse_response(Path::new("r.csv"), text).unwrap_err().message.contains("rise"));
    }
}
