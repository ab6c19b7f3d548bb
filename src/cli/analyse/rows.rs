//! Files of readings and slots, row by row.

use std::collections::HashMap;
use std::io::Read;

use anyhow::Context;
use csv::ByteRecord;
use jiff::{SignedDuration, Timestamp};

use crate::domain::analysis::{Analysis, Facts, NotLater};
use crate::domain::calendar::Calendar;
use crate::domain::reading::Role;
use crate::domain::standard::SupplyUnit;
use crate::domain::stream::Sizes;

/// What is known of slots by their names.
pub(in crate::cli) type FactsBySlot = HashMap<Vec<u8>, Facts>;

/// What is wrong with a row.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(in crate::cli) enum Fault {
    #[error("it is no row of comma-separated values: {0}")]
    Csv(String),
    #[error("the slot has no name")]
    NoName,
    #[error("'{0}' is no time: write RFC 3339, like 2026-11-25T08:00:00Z, or Unix seconds")]
    At(String),
    #[error("{0} '{1}' is no whole number from -2147483648 to 2147483647")]
    Number(&'static str, String),
    #[error("'{0}' is no class: write consumed or filled")]
    Class(String),
    #[error("{0} '{1}' is no amount above zero")]
    Amount(&'static str, String),
    #[error("the slot has a row already")]
    Twice,
    #[error(transparent)]
    NotLater(#[from] NotLater),
}

/// One slot's name and all that follows from its readings.
pub(super) struct Slot {
    pub(super) name: String,
    pub(super) analysis: Analysis,
}

fn reader<R: Read>(input: R) -> csv::Reader<R> {
    csv::ReaderBuilder::new()
        .buffer_capacity(1 << 18)
        .flexible(true)
        .trim(csv::Trim::Headers)
        .from_reader(input)
}

/// Where the named columns stand.
fn columns<R: Read, const N: usize>(
    reader: &mut csv::Reader<R>,
    names: [&str; N],
) -> anyhow::Result<[Option<usize>; N]> {
    let header = reader.byte_headers().context("the first row cannot be read")?;
    let bare = |field: &[u8]| field.strip_prefix(b"\xef\xbb\xbf").unwrap_or(field).to_ascii_lowercase();
    Ok(names.map(|name| header.iter().position(|field| bare(field) == name.as_bytes())))
}

/// What a row says: the slot's name, when, and capacity and level as the device gave them.
pub(in crate::cli) type Said<'a> = (&'a [u8], Timestamp, i32, i32);

/// Reads every row of readings with its line.
///
/// # Errors
/// If the file cannot be read, or lacks a column. What is wrong with single rows goes to `tell`, with the line.
pub(in crate::cli) fn each(
    input: impl Read,
    mut take: impl FnMut(u64, Said<'_>) -> Result<(), Fault>,
    mut tell: impl FnMut(u64, Fault),
) -> anyhow::Result<()> {
    let mut reader = reader(input);
    let names = ["slot", "at", "capacity", "level"];
    let found = columns(&mut reader, names)?;
    let mut wanted = [0; 4];
    for ((name, at), wanted) in names.iter().zip(found).zip(&mut wanted) {
        *wanted = at.with_context(|| {
            format!("no column is named '{name}': the first row has to be slot,at,capacity,level")
        })?;
    }
    let [name_at, at_at, capacity_at, level_at] = wanted;
    let mut row = ByteRecord::new();
    loop {
        match reader.read_byte_record(&mut row) {
            Ok(false) => return Ok(()),
            Ok(true) => {}
            Err(fault) if fault.is_io_error() => return Err(fault).context("it cannot be read to its end"),
            Err(fault) => {
                tell(fault.position().map_or(0, csv::Position::line), Fault::Csv(fault.to_string()));
                continue;
            }
        }
        let field = |at: usize| row.get(at).unwrap_or_default();
        let name = field(name_at);
        let line = || row.position().map_or(0, csv::Position::line);
        let parsed = reading(name, field(at_at), field(capacity_at), field(level_at));
        let taken = parsed.and_then(|(at, capacity, level)| take(line(), (name, at, capacity, level)));
        if let Err(fault) = taken {
            tell(line(), fault);
        }
    }
}

/// Places by name, quick where the same name comes again and again.
#[derive(Default)]
pub(in crate::cli) struct Places {
    by_name: HashMap<Vec<u8>, usize>,
    current: Option<usize>,
    name: Vec<u8>,
}

impl Places {
    /// The place of a name: a new one comes behind all others, and is made by `make`.
    pub(in crate::cli) fn of(&mut self, name: &[u8], make: impl FnOnce()) -> usize {
        if let Some(place) = self.current.filter(|_| self.name == name) {
            return place;
        }
        let next = self.by_name.len();
        let place = *self.by_name.entry(name.to_vec()).or_insert_with(|| {
            make();
            next
        });
        self.current = Some(place);
        self.name.clear();
        self.name.extend_from_slice(name);
        place
    }
}

/// Analyses every slot, in the order in which they first appear.
///
/// # Errors
/// If the file cannot be read, or lacks a column. What is wrong with single rows goes to `tell`, with the line.
pub(super) fn analyse(
    input: impl Read,
    facts: &FactsBySlot,
    (every, calendar): (Option<SignedDuration>, &Calendar),
    tell: impl FnMut(u64, Fault),
) -> anyhow::Result<Vec<Slot>> {
    let mut slots: Vec<Slot> = Vec::new();
    let mut places = Places::default();
    let take = |_, (name, at, capacity, level): Said<'_>| {
        let place = places.of(name, || {
            let facts = facts.get(name).copied().unwrap_or_default();
            let name = String::from_utf8_lossy(name).into_owned();
            slots.push(Slot { name, analysis: Analysis::new(facts, every, calendar.clone()) });
        });
        match slots.get_mut(place) {
            Some(slot) => Ok(slot.analysis.push(at, capacity, level)?),
            None => Ok(()),
        }
    };
    each(input, take, tell)?;
    Ok(slots)
}

fn reading(name: &[u8], at: &[u8], capacity: &[u8], level: &[u8]) -> Result<(Timestamp, i32, i32), Fault> {
    if name.is_empty() {
        return Err(Fault::NoName);
    }
    Ok((moment(at)?, whole("capacity", capacity)?, whole("level", level)?))
}

/// RFC 3339, or Unix seconds with or without a part of one.
fn moment(field: &[u8]) -> Result<Timestamp, Fault> {
    if let Some(second) = integer(field) {
        return Timestamp::from_second(second).map_err(|_| Fault::At(shown(field)));
    }
    let text = std::str::from_utf8(field).map_err(|_| Fault::At(shown(field)))?.trim();
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    let seconds = text.parse::<f64>().ok().filter(|seconds| seconds.is_finite());
    let since = seconds.and_then(|seconds| SignedDuration::try_from_secs_f64(seconds).ok());
    since.and_then(|since| Timestamp::from_duration(since).ok()).ok_or_else(|| Fault::At(shown(field)))
}

fn whole(what: &'static str, field: &[u8]) -> Result<i32, Fault> {
    if let Some(number) = integer(field).and_then(|number| i32::try_from(number).ok()) {
        return Ok(number);
    }
    let text = std::str::from_utf8(field).unwrap_or_default().trim();
    text.parse().map_err(|_| Fault::Number(what, shown(field)))
}

/// A plain whole number; `None` for anything else.
fn integer(field: &[u8]) -> Option<i64> {
    let (negative, digits) = match field.split_first() {
        Some((b'-', rest)) => (true, rest),
        _ => (false, field),
    };
    if digits.is_empty() || digits.len() > 18 {
        return None;
    }
    let mut number = 0_i64;
    for digit in digits {
        if !digit.is_ascii_digit() {
            return None;
        }
        number = number * 10 + i64::from(digit - b'0');
    }
    Some(if negative { -number } else { number })
}

fn shown(field: &[u8]) -> String {
    String::from_utf8_lossy(field).chars().filter(|letter| !letter.is_control()).take(40).collect()
}

/// What a file says of slots.
///
/// # Errors
/// If the file cannot be read, or has no column of slots. What is wrong with single rows goes to `tell`.
pub(in crate::cli) fn facts(
    input: impl Read,
    mut tell: impl FnMut(u64, Fault),
) -> anyhow::Result<FactsBySlot> {
    let mut reader = reader(input);
    let [slot, class, unit, capacity, first] =
        columns(&mut reader, ["slot", "class", "unit", "capacity_ml", "first_install_ml"])?;
    let slot = slot.context("no column is named 'slot'")?;
    let mut facts = FactsBySlot::new();
    for row in reader.into_byte_records() {
        let row = match row {
            Ok(row) => row,
            Err(fault) if fault.is_io_error() => return Err(fault).context("it cannot be read to its end"),
            Err(fault) => {
                tell(fault.position().map_or(0, csv::Position::line), Fault::Csv(fault.to_string()));
                continue;
            }
        };
        let field = |at: Option<usize>| at.and_then(|at| row.get(at)).unwrap_or_default().trim_ascii();
        let name = field(Some(slot));
        let fact = fact(field(class), field(unit), field(capacity), field(first));
        let fault = match fact {
            Ok(_) if name.is_empty() => Fault::NoName,
            Ok(fact) => match facts.insert(name.to_vec(), fact) {
                None => continue,
                Some(before) => {
                    facts.insert(name.to_vec(), before);
                    Fault::Twice
                }
            },
            Err(fault) => fault,
        };
        tell(row.position().map_or(0, csv::Position::line), fault);
    }
    Ok(facts)
}

fn fact(class: &[u8], unit: &[u8], capacity: &[u8], first: &[u8]) -> Result<Facts, Fault> {
    let role = match class {
        b"" | b"consumed" => Role::Consumed,
        b"filled" => Role::Filled,
        other => return Err(Fault::Class(shown(other))),
    };
    let unit = match unit {
        b"" => SupplyUnit::Unknown,
        number => SupplyUnit::from_number(whole("unit", number)?),
    };
    let sizes =
        Sizes { full_ml: amount("capacity_ml", capacity)?, first_ml: amount("first_install_ml", first)? };
    Ok(Facts { role, unit, sizes })
}

fn amount(what: &'static str, field: &[u8]) -> Result<Option<f64>, Fault> {
    if field.is_empty() {
        return Ok(None);
    }
    let number = std::str::from_utf8(field).ok().and_then(|text| text.parse::<f64>().ok());
    match number {
        Some(number) if number > 0.0 && number.is_finite() => Ok(Some(number)),
        _ => Err(Fault::Amount(what, shown(field))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(readings: &str) -> (usize, Vec<(u64, Fault)>) {
        let mut told = Vec::new();
        let slots =
            analyse(readings.as_bytes(), &FactsBySlot::new(), (None, &Calendar::default()), |line, fault| {
                told.push((line, fault))
            });
        (slots.unwrap().len(), told)
    }

    #[test]
    fn a_bad_row_is_told_with_its_line_and_the_rest_is_read() {
        let (slots, told) = faults(
            "slot,at,capacity,level\na,2026-01-01T00:00:00Z,100,50\nb,noon,100,50\na,1767225700.5,100,49\n\
             a,1767225600,100,48\na,1767229200,100\n,1767229200,100,47\n",
        );
        assert_eq!(slots, 1);
        assert_eq!(told[0], (3, Fault::At("noon".to_owned())));
        assert_eq!(told[1], (5, Fault::NotLater(NotLater)));
        assert_eq!(told[2], (6, Fault::Number("level", String::new())));
        assert_eq!(told[3], (7, Fault::NoName));
        assert_eq!(told.len(), 4);
    }

    #[test]
    fn a_missing_column_is_named() {
        let read = analyse(
            &b"slot,time,capacity,level\n"[..],
            &FactsBySlot::new(),
            (None, &Calendar::default()),
            |_, _| {},
        );
        assert!(read.err().unwrap().to_string().contains("'at'"));
    }

    #[test]
    fn slots_are_read_with_blanks_and_in_any_order() {
        let file = "unit,slot,capacity_ml,class,first_install_ml\n19,a,775,consumed,225\n,b,,filled,\n19,c,-1,,\n15,a,1,,\n";
        let mut told = Vec::new();
        let facts = facts(file.as_bytes(), |line, fault| told.push((line, fault))).unwrap();
        assert_eq!(facts[&b"a"[..]].sizes, Sizes { full_ml: Some(775.0), first_ml: Some(225.0) });
        assert_eq!(facts[&b"b"[..]].role, Role::Filled);
        assert_eq!(told, [(4, Fault::Amount("capacity_ml", "-1".to_owned())), (5, Fault::Twice)]);
    }
}
