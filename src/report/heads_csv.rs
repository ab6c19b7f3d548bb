//! Print heads as comma-separated values (RFC 4180), out and in.
//!
//! The first row names the columns. What is written has all of them in this order; what is read may have them
//! in any order and leave out those that are not starred. A file is taken whole or not at all, and every bad
//! row is told with its line. A head that is known by its machine, position and first day is put right.
//!
//! | column | what it holds |
//! | --- | --- |
//! | `machine` * | the machine's name |
//! | `position` * | the head's place in it, 1 to 64, as its maker counts |
//! | `in_on` * | the day it went in: `2026-03-14` |
//! | `out_on` | the day it came out; empty while it is in |
//! | `part` | the number of its part in the catalogue |
//! | `warranty_until` | the date stamped on it |
//! | `limit_ml` | ink after which its warranty ends; empty: what its part holds, or 1200 ml (common practice, no source) |
//! | `before_ml` | ink that had gone through it before the machine was watched; empty: 0 |
//! | `who`, `why` | who wrote it down, and why; empty: who brings the file in |

use std::collections::BTreeMap;

pub use super::rows::RowFault;
use super::rows::{Row, read, write};
use super::text;
use crate::domain::plumbing::Position;
use crate::store::heads::HeadRow;
use crate::usecase::heads::{Entry, EntryRow, MOST_ML};

/// The columns of a file of heads.
pub const HEAD_COLUMNS: [&str; 10] = [
    "machine",
    "position",
    "in_on",
    "out_on",
    "part",
    "warranty_until",
    "limit_ml",
    "before_ml",
    "who",
    "why",
];

/// Heads as the bytes of a file: UTF-8, rows ended by CR LF.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn write_heads(heads: &[HeadRow]) -> Result<Vec<u8>, csv::Error> {
    let optional = |day: Option<jiff::civil::Date>| day.map(|day| day.to_string()).unwrap_or_default();
    let rows = heads.iter().map(|HeadRow { device_name, head, .. }| {
        [
            text(device_name),
            head.position.to_string(),
            head.in_on.to_string(),
            optional(head.out_on),
            text(head.part.as_deref().unwrap_or_default()),
            optional(head.warranty_until),
            head.limit_ml.to_string(),
            head.before_ml.to_string(),
            text(&head.who),
            text(&head.why),
        ]
    });
    write(&HEAD_COLUMNS, rows)
}

/// The heads of a file.
///
/// # Errors
/// Every line that is wrong.
pub fn read_heads(bytes: &[u8]) -> Result<Vec<EntryRow>, Vec<RowFault>> {
    let mut lines = BTreeMap::new();
    read(bytes, &HEAD_COLUMNS, &["machine", "position", "in_on"], |row| {
        let read = entry(row)?;
        let key = (read.machine.clone(), read.entry.position, read.entry.in_on);
        if let Some(before) = lines.insert(key, row.line) {
            row.fault(format!("the same head stands on line {before} too"));
        }
        Some(read)
    })
}

fn entry(row: &mut Row<'_>) -> Option<EntryRow> {
    let machine = row.needed("machine");
    let position = row.needed("position").and_then(|cell| {
        let plain = cell.bytes().all(|byte| byte.is_ascii_digit());
        let position = cell.parse().ok().filter(|_| plain).and_then(Position::new);
        if position.is_none() {
            row.fault(format!("position '{cell}' is not a number from 1 to 64"));
        }
        position
    });
    let in_on = row.needed("in_on").and_then(|_| row.day("in_on"));
    let ml = |least: f64| move |ml: &f64| (least..=MOST_ML).contains(ml);
    let limit_ml = row.number("limit_ml", "a number of millilitres above 0", ml(f64::MIN_POSITIVE));
    let before_ml = row.number("before_ml", "a number of millilitres not below 0", ml(0.0));
    let (out_on, warranty_until) = (row.day("out_on"), row.day("warranty_until"));
    Some(EntryRow {
        line: row.line,
        machine: machine?,
        entry: Entry {
            position: position?,
            part: row.cell("part"),
            in_on: in_on?,
            out_on,
            warranty_until,
            limit_ml,
            before_ml: before_ml.unwrap_or(0.0),
        },
        who: row.cell("who"),
        why: row.cell("why"),
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::head::tests::head;

    #[test]
    fn every_bad_row_is_told_with_its_line() {
        let file = "machine,position,in_on,out_on,warranty_until,limit_ml,before_ml\r\n\
                    Bobbin,1,2026-03-14,,2027-09-30,1200,\r\n\
                    Bobbin,0,2026-03,,soon,0,-1\r\n\
                    ,,,,,,\r\n\
                    Bobbin,1,2026-03-14,,,1e3,\r\n\
                    Bobbin,1\r\n";
        let faults = read_heads(file.as_bytes()).unwrap_err();
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        insta::assert_snapshot!(told.join("\n"));
    }

    #[test]
    fn what_is_left_out_is_the_usual() {
        let rows = read_heads(b"in_on,machine,position\n2026-03-14,Bobbin,3\n").unwrap();
        let [EntryRow { line: 2, machine, entry, who: None, why: None }] = &rows[..] else {
            panic!("{rows:?}")
        };
        assert_eq!((machine.as_str(), entry.position.number()), ("Bobbin", 3));
        assert_eq!((entry.limit_ml, entry.before_ml, entry.out_on), (None, 0.0, None));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(
            name in "[=+@A-Za-zé\",' -]{0,10}[A-Za-z0-9]", position in 1i32..65, days in 0i32..900,
            limit in 0.001..1e6f64, before in 0.0..1e6f64, why in "[=+@A-Za-zé\",' -]{0,10}[A-Za-z0-9]",
        ) {
            let trimmed = |text: String| text.trim().trim_start_matches('\'').trim().to_owned();
            let mut head = head(position, None);
            head.in_on = head.in_on.checked_add(jiff::Span::new().days(days)).unwrap();
            head.warranty_until = head.in_on.checked_add(jiff::Span::new().days(700)).ok();
            (head.limit_ml, head.before_ml, head.why) = (limit, before, trimmed(why));
            let row = HeadRow { device_name: trimmed(name), head, outlook: None };
            let rows = read_heads(&write_heads(std::slice::from_ref(&row)).unwrap()).unwrap();
            let [EntryRow { machine, entry, why, .. }] = &rows[..] else { panic!("{rows:?}") };
            prop_assert_eq!((machine, entry.position), (&row.device_name, row.head.position));
            prop_assert_eq!((entry.in_on, entry.warranty_until), (row.head.in_on, row.head.warranty_until));
            prop_assert_eq!((entry.limit_ml, entry.before_ml), (Some(limit), before));
            prop_assert_eq!(why.as_ref(), Some(&row.head.why));
        }

        #[test]
        fn no_file_is_too_odd(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let mut named = b"machine,position,in_on\n".to_vec();
            named.extend(bytes);
            let _ = read_heads(&named);
        }
    }
}
