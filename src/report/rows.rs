//! Files of comma-separated values (RFC 4180), row by row: what is taken whole or not at all, with every bad row
//! told with its line.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::bare;

/// What is wrong with a line of a file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct RowFault {
    /// The line, counted from 1.
    pub line: u64,
    /// What is wrong there, and what would be right.
    pub what: String,
}

impl RowFault {
    /// The column that it is about, and what is wrong there: what is said of a cell begins with its column.
    #[must_use]
    pub fn at_column(&self) -> (&str, &str) {
        self.what.split_once(' ').unwrap_or((&self.what, ""))
    }
}

/// Reads one thing that did not come as a file, from cells named like a file's columns.
pub(super) fn read_one<T>(
    cells: BTreeMap<&str, String>,
    take: impl FnOnce(&mut Row<'_>) -> Option<T>,
) -> Result<T, Vec<RowFault>> {
    let mut faults = Vec::new();
    let taken = take(&mut Row { line: 1, cells, faults: &mut faults });
    taken.filter(|_| faults.is_empty()).ok_or(faults)
}

/// A file of these columns: UTF-8, rows ended by CR LF.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub(super) fn write<const N: usize>(
    columns: &[&str; N],
    rows: impl Iterator<Item = [String; N]>,
) -> Result<Vec<u8>, csv::Error> {
    let mut writer =
        csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::with_capacity(4096));
    writer.write_record(columns)?;
    for row in rows {
        writer.write_record(row)?;
    }
    writer.into_inner().map_err(|fault| csv::Error::from(fault.into_error()))
}

/// A line that is being read.
pub(super) struct Row<'a> {
    /// The line, counted from 1.
    pub(super) line: u64,
    cells: BTreeMap<&'a str, String>,
    faults: &'a mut Vec<RowFault>,
}

impl Row<'_> {
    pub(super) fn fault(&mut self, what: String) {
        self.faults.push(RowFault { line: self.line, what });
    }

    /// A cell that is not empty, without the apostrophe that [`text`] sets.
    pub(super) fn cell(&self, column: &str) -> Option<String> {
        let cell = self.cells.get(column)?;
        let bare = bare(cell).trim();
        (!bare.is_empty()).then(|| bare.to_owned())
    }

    pub(super) fn needed(&mut self, column: &str) -> Option<String> {
        let cell = self.cell(column);
        if cell.is_none() {
            self.fault(format!("{column} is empty"));
        }
        cell
    }

    pub(super) fn number<T: std::str::FromStr>(
        &mut self,
        column: &str,
        wanted: &str,
        good: impl Fn(&T) -> bool,
    ) -> Option<T> {
        let cell = self.cell(column)?;
        let plain = cell.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.' || byte == b'-');
        let number = cell.parse().ok().filter(|number| plain && good(number));
        if number.is_none() {
            self.fault(format!("{column} '{cell}' is not {wanted}"));
        }
        number
    }

    /// A day, as `2026-03-14`.
    pub(super) fn day(&mut self, column: &str) -> Option<Date> {
        let cell = self.cell(column)?;
        let plain = cell.len() == 10 && cell.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
        let day = cell.parse().ok().filter(|_| plain);
        if day.is_none() {
            self.fault(format!("{column} '{cell}' is no day: write it as 2026-03-14"));
        }
        day
    }

    pub(super) fn both<A, B>(
        &mut self,
        one: &str,
        a: Option<A>,
        other: &str,
        b: Option<B>,
    ) -> Option<(A, B)> {
        match (self.cell(one), self.cell(other)) {
            (Some(_), None) => self.fault(format!("{one} is given without {other}")),
            (None, Some(_)) => self.fault(format!("{other} is given without {one}")),
            _ => {}
        }
        a.zip(b)
    }
}

/// Reads a file row by row.
pub(super) fn read<T>(
    bytes: &[u8],
    columns: &[&'static str],
    needed: &[&str],
    mut take: impl FnMut(&mut Row<'_>) -> Option<T>,
) -> Result<Vec<T>, Vec<RowFault>> {
    let mut faults = Vec::new();
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    let head: Vec<String> = match reader.headers() {
        Ok(head) => head.iter().map(|name| name.trim().to_owned()).collect(),
        Err(fault) => return Err(vec![RowFault { line: 1, what: unreadable(&fault) }]),
    };
    let mut fault = |what: String| faults.push(RowFault { line: 1, what });
    for (at, name) in head.iter().enumerate() {
        match () {
            () if !columns.contains(&name.as_str()) => {
                fault(format!("no column is called '{name}'; they are {}", columns.join(", ")));
            }
            () if head[..at].contains(name) => fault(format!("column {name} stands twice")),
            () => {}
        }
    }
    for name in needed.iter().filter(|name| !head.iter().any(|head| head == **name)) {
        fault(format!("column {name} is missing"));
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let mut taken = Vec::new();
    let mut lines = Lines { bytes, counted: 0, line: 1 };
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(fault) => {
                let line = lines.at(fault.position());
                faults.push(RowFault { line, what: unreadable(&fault) });
                continue;
            }
        };
        let line = lines.at(record.position());
        if record.len() != head.len() {
            let what = format!("{} cells stand where {} are named", record.len(), head.len());
            faults.push(RowFault { line, what });
            continue;
        }
        let named = head.iter().map(String::as_str).zip(record.iter().map(str::to_owned));
        let mut row = Row { line, cells: named.collect(), faults: &mut faults };
        taken.extend(take(&mut row));
    }
    if faults.is_empty() { Ok(taken) } else { Err(faults) }
}

/// Which line a record begins on. The reader's own count stands before the line end that it has yet to read.
struct Lines<'a> {
    bytes: &'a [u8],
    counted: usize,
    line: u64,
}

impl Lines<'_> {
    fn at(&mut self, position: Option<&csv::Position>) -> u64 {
        let from = position.map_or(0, |position| usize::try_from(position.byte()).unwrap_or(0));
        let ends = self.bytes.iter().skip(from).take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
        let begins = (from + ends).min(self.bytes.len());
        let passed = self.bytes.get(self.counted..begins).unwrap_or_default();
        self.line += passed.iter().filter(|byte| **byte == b'\n').count() as u64;
        self.counted = self.counted.max(begins);
        self.line
    }
}

fn unreadable(fault: &csv::Error) -> String {
    match fault.kind() {
        csv::ErrorKind::Utf8 { .. } => "the text is not UTF-8: save the file as UTF-8".to_owned(),
        _ => format!("it cannot be read ({fault})"),
    }
}
