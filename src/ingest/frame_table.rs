//! `frames.csv`: what is known of single frames better than by the cameras, a line a frame.
//!
//! Columns by name, in any order, all but the first optional: `file`, `utc` (when the shutter opened),
//! `exposure_s`, `aperture` (focal ratio), `iso`, `focal_length_mm` (a zoom's, where the camera keeps none), `label_offset`
//! (the zone that its label tells). An empty cell says nothing.

use super::FrameMetadata;
use super::notes::parse_offset;
use crate::diag::{Diagnostic, Span};
use crate::units::Instant;
use serde::Deserialize;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// The table's name in a folder of frames.
pub(super) const NAME: &str = "frames.csv";

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    file: String,
    #[serde(default)]
    utc: Option<String>,
    #[serde(default)]
    exposure_s: Option<f64>,
    #[serde(default)]
    aperture: Option<f64>,
    #[serde(default)]
    iso: Option<f64>,
    #[serde(default)]
    focal_length_mm: Option<f64>,
    #[serde(default)]
    label_offset: Option<String>,
}

/// What the table says of one frame.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Entry {
    /// Seconds since 1970.
    pub begins_unix_s: Option<f64>,
    exposure_s: Option<f64>,
    aperture: Option<f64>,
    iso: Option<f64>,
    /// Focal length, millimetres.
    pub focal_length_mm: Option<f64>,
    /// Seconds that the zone of its label is ahead of UTC.
    label_offset_s: Option<i64>,
}

/// The frames that a table speaks of.
#[derive(Clone, Debug, Default)]
pub(super) struct FrameTable {
    pub path: PathBuf,
    entries: HashMap<String, Entry>,
}

impl FrameTable {
    /// Reads and checks a table.
    pub(super) fn parse(path: &Path, text: &str) -> Result<Self, Box<Diagnostic>> {
        let fault = |line: usize, message: String, help: &str| {
            let shown = text.lines().nth(line.saturating_sub(1)).unwrap_or("");
            let span = Span::at(path, text, line, 1, shown.chars().count().max(1));
            Box::new(Diagnostic::error("frame-table", message).with_span(span).with_help(help))
        };
        let mut reader =
            csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(text.as_bytes());
        let mut entries = HashMap::new();
        const COLUMNS: [&str; 7] = ["file", "utc", "exposure_s", "aperture", "iso", "focal_length_mm", "label_offset"];
        let help = "columns: file, utc, exposure_s, aperture, iso, focal_length_mm, label_offset; leave a cell empty for nothing";
        let broken = |e: csv::Error| fault(e.position().map_or(1, |p| p.line() as usize), e.to_string(), help);
        let headers = reader.headers().map_err(broken)?.clone();
        if let Some(unknown) = headers.iter().find(|h| !COLUMNS.contains(h)) {
            let first = text.lines().position(|l| !l.starts_with('#')).map_or(1, |i| i + 1);
            let help = if unknown.contains(';') { "part the columns by commas, not semicolons" } else { help };
            return Err(fault(first, format!("the column `{unknown}` is not known"), help));
        }
        // A cell that cannot be read is named by its column.
        let unread = |e: csv::Error| match e.kind() {
            csv::ErrorKind::Deserialize { err, .. } => {
                let column = err.field().and_then(|i| headers.get(i as usize)).unwrap_or("the line");
                let line = e.position().map_or(1, |p| p.line() as usize);
                fault(
                    line,
                    format!("`{column}`: {}", err.kind()),
                    "numbers are written like 0.004, seconds not as 1/250",
                )
            }
            _ => broken(e),
        };
        for record in reader.records() {
            let record = record.map_err(unread)?;
            let line = record.position().map_or(1, |p| p.line() as usize);
            let row: Row = record.deserialize(Some(&headers)).map_err(unread)?;
            let ranges = [
                ("exposure_s", row.exposure_s, 1e-6..=1e5),
                ("aperture", row.aperture, 0.3..=1000.0),
                ("iso", row.iso, 1.0..=1e7),
                ("focal_length_mm", row.focal_length_mm, 0.5..=50_000.0),
            ];
            for (name, value, range) in ranges {
                if let Some(value) = value.filter(|v| !range.contains(v)) {
                    let help = format!("give {} to {}, or nothing", range.start(), range.end());
                    return Err(fault(line, format!("`{name}` of {} is {value}", row.file), &help));
                }
            }
            let begins_unix_s = match row.utc.filter(|t| !t.is_empty()) {
                Some(utc) => Some(unix_seconds(&utc).ok_or_else(|| {
                    fault(line, format!("`{utc}` is no UTC instant"), "write it like 2028-12-31T16:52:00.25Z")
                })?),
                None => None,
            };
            let label_offset_s = match row.label_offset.filter(|o| !o.is_empty()) {
                Some(offset) => Some(parse_offset(&offset).ok_or_else(|| {
                    fault(line, format!("`{offset}` is not an offset from UTC"), "write it like +08:00, or Z for UTC")
                })?),
                None => None,
            };
            let entry = Entry {
                begins_unix_s,
                exposure_s: row.exposure_s,
                aperture: row.aperture,
                iso: row.iso,
                focal_length_mm: row.focal_length_mm,
                label_offset_s,
            };
            if entries.insert(row.file.clone(), entry).is_some() {
                return Err(fault(
                    line,
                    format!("{} stands in the table twice", row.file),
                    "keep one of the two lines",
                ));
            }
        }
        Ok(FrameTable { path: path.to_owned(), entries })
    }

    /// What it says of a frame.
    pub(super) fn entry(&self, name: &str) -> Option<&Entry> {
        self.entries.get(name)
    }

    /// Names that no frame of the folder has.
    pub(super) fn strangers(&self, known: impl Fn(&str) -> bool) -> Vec<&str> {
        let mut out: Vec<&str> = self.entries.keys().map(String::as_str).filter(|n| !known(n)).collect();
        out.sort_unstable();
        out
    }
}

/// The text of a `frames.csv` that says when a frame's shutter opened; comments and whatever else it says stay. `None` stands for no table.
///
/// # Errors
/// A [`Diagnostic`], where the instant is none or the table cannot be read.
pub fn set_frame_time(text: Option<&str>, file: &str, utc: &str) -> Result<String, Box<Diagnostic>> {
    let end_of_line = if text.is_some_and(|t| t.contains("\r\n")) { "\r\n" } else { "\n" };
    let mut lines: Vec<String> = text.unwrap_or("").lines().map(str::to_owned).collect();
    let is_row = |line: &&mut String| !line.trim().is_empty() && !line.starts_with('#');
    if !lines.iter_mut().any(|line| is_row(&line)) {
        lines.push("file,utc".into());
    }
    let mut rows = lines.iter_mut().filter(is_row);
    let mut names = rows.next().map(|header| cells(header)).unwrap_or_default();
    let place = |names: &[String], name: &str| names.iter().position(|n| n == name);
    let of_file = place(&names, "file").unwrap_or(0);
    let time = place(&names, "utc").unwrap_or(names.len());
    let is_new_column = time == names.len();
    let mut is_known = false;
    for row in rows {
        let mut values = cells(row);
        let is_it = values.get(of_file).is_some_and(|f| f == file);
        if is_it || is_new_column {
            values.resize(values.len().max(time + 1), String::new());
            if is_it {
                utc.clone_into(&mut values[time]);
            }
            *row = line_of(&values);
        }
        is_known |= is_it;
    }
    if is_new_column {
        names.push("utc".into());
        if let Some(header) = lines.iter_mut().find(is_row) {
            *header = line_of(&names);
        }
    }
    if !is_known {
        let mut values = vec![String::new(); names.len()];
        (values[of_file], values[time]) = (file.to_owned(), utc.to_owned());
        lines.push(line_of(&values));
    }
    let text = lines.join(end_of_line) + end_of_line;
    FrameTable::parse(Path::new(NAME), &text).map(|_| text)
}

/// The cells of one line.
fn cells(line: &str) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).trim(csv::Trim::All).from_reader(line.as_bytes());
    let record = reader.records().next().and_then(Result::ok).unwrap_or_default();
    record.iter().map(str::to_owned).collect()
}

/// A line of cells, quoted where they must be.
fn line_of(cells: &[String]) -> String {
    // A name that begins as a comment does is quoted.
    let mut writer = csv::WriterBuilder::new().comment(Some(b'#')).from_writer(Vec::new());
    // Into memory nothing can go wrong.
    let _ = writer.write_record(cells);
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8_lossy(&bytes).trim_end_matches(['\r', '\n']).to_owned()
}

fn unix_seconds(utc: &str) -> Option<f64> {
    let instant = Instant::parse_utc(utc).ok()?;
    Some(instant.to_utc().as_microsecond() as f64 / 1e6)
}

impl Entry {
    /// Puts the table's words into a frame's metadata; returns what they contradict, by name.
    pub(super) fn apply(&self, metadata: &mut FrameMetadata) -> Vec<&'static str> {
        let mut conflicts = Vec::new();
        let fields = [
            ("exposure", self.exposure_s, &mut metadata.exposure_time_s),
            ("aperture", self.aperture, &mut metadata.f_number),
            ("iso", self.iso, &mut metadata.iso),
            ("focal length", self.focal_length_mm, &mut metadata.focal_length_mm),
        ];
        for (name, said, recorded) in fields {
            if let Some(said) = said {
                // Cameras round: a third of a stop's tenth is no contradiction.
                if recorded.is_some_and(|r| (said / r).ln().abs() > 0.025) {
                    conflicts.push(name);
                }
                *recorded = Some(said);
            }
        }
        metadata.label_offset_s = self.label_offset_s;
        metadata.complete_exposure();
        conflicts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_fills_and_overrides_and_says_where_it_contradicts() {
        let text = "file,utc,exposure_s,aperture,iso,focal_length_mm\n\
                    t1.fits,2028-12-31T16:52:00Z,0.5,,,\nt2.fits,,,6.3,100,420\n";
        let table = FrameTable::parse(Path::new("frames.csv"), text).unwrap();
        let mut metadata = FrameMetadata { exposure_time_s: Some(2.0), iso: Some(100.0), ..FrameMetadata::default() };
        assert_eq!(table.entry("t1.fits").unwrap().apply(&mut metadata), ["exposure"]);
        assert_eq!(metadata.exposure_time_s, Some(0.5));
        assert!(table.entry("t2.fits").unwrap().apply(&mut metadata).is_empty());
        assert!(metadata.exposure.is_some() && metadata.focal_length_mm == Some(420.0));
        assert_eq!(table.strangers(|n| n == "t1.fits"), ["t2.fits"]);
    }

    #[test]
    fn a_frames_time_is_written_and_the_rest_stays() {
        let at = "2028-12-31T16:52:00Z";
        let with = |text, file| set_frame_time(text, file, at).unwrap();
        assert_eq!(with(None, "a.jpg"), format!("file,utc\na.jpg,{at}\n"));
        let text = "# mine, and true\nfile,iso\na.jpg,100\n\"b,c.jpg\",200\n";
        let once = with(Some(text), "b,c.jpg");
        assert_eq!(once, format!("# mine, and true\nfile,iso,utc\na.jpg,100,\n\"b,c.jpg\",200,{at}\n"));
        let again = set_frame_time(Some(&once), "b,c.jpg", "2028-12-31T16:53:00Z").unwrap();
        assert_eq!(again, once.replace("16:52", "16:53"));
        assert!(with(Some(&once), "d.jpg").ends_with(&format!("d.jpg,,{at}\n")));
        assert_eq!(
            with(Some("# nothing yet\r\n"), "#9.jpg"),
            format!("# nothing yet\r\nfile,utc\r\n\"#9.jpg\",{at}\r\n")
        );
        assert!(with(Some("file,iso\n\"#9.jpg\",100\n"), "b.jpg").contains("\"#9.jpg\",100,\n"));
        assert!(set_frame_time(None, "a.jpg", "at noon").unwrap_err().message.contains("at noon"));
        assert!(set_frame_time(Some("file,shutter\n"), "a.jpg", at).is_err());
    }

    #[test]
    fn a_bad_line_is_pointed_at() {
        let text = "file,exposure_s\nt1.fits,-3\n";
        let fault = FrameTable::parse(Path::new("frames.csv"), text).unwrap_err();
        assert_eq!(fault.span.unwrap().line, 2);
        let text = "file,shutter\nt1.fits,3\n";
        assert!(FrameTable::parse(Path::new("frames.csv"), text).is_err());
    }
}
