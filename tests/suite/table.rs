//! Reading the reference tables: CSV with `#` comment lines and a header.

use std::collections::HashMap;

pub struct Table {
    columns: HashMap<String, usize>,
    rows: Vec<Vec<String>>,
}

/// The value below which a share of sorted values lies; not a number where there is none.
pub fn percentile(sorted: &[f64], share: f64) -> f64 {
    let at = ((sorted.len().max(1) - 1) as f64 * share).round() as usize;
    sorted.get(at).copied().unwrap_or(f64::NAN)
}

pub struct Row<'a> {
    table: &'a Table,
    fields: &'a [String],
}

impl Table {
    pub fn read(name: &str) -> Table {
        let path = format!("{}/tests/data/reference/{name}", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
        Table::parse(&text)
    }

    pub fn parse(text: &str) -> Table {
        let mut lines = text.lines().filter(|l| !l.starts_with('#') && !l.is_empty());
        let split = |l: &str| l.split(',').map(str::to_owned).collect::<Vec<_>>();
        let header = split(lines.next().expect("a table has a header"));
        Table {
            columns: header.into_iter().enumerate().map(|(i, name)| (name, i)).collect(),
            rows: lines.map(split).collect(),
        }
    }

    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|fields| Row { table: self, fields })
    }
}

impl Row<'_> {
    pub fn text(&self, column: &str) -> &str {
        let at = *self.table.columns.get(column).unwrap_or_else(|| panic!("no column {column}"));
        &self.fields[at]
    }
    pub fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|_| panic!("{column}: {:?} is no number", self.text(column)))
    }
}

/// The largest of a series, for a printed table of worst cases.
#[derive(Default)]
pub struct Worst {
    pub value: f64,
    pub count: usize,
}

impl Worst {
    pub fn add(&mut self, error: f64) {
        assert!(error.is_finite(), "an error is not a number");
        self.value = self.value.max(error.abs());
        self.count += 1;
    }
}
