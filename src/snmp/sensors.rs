//! Reads a device's table of sensors (RFC 3433), apart from the plan of a poll: most printers have none, and those that
//! do are asked for it seldom.

use super::oid::Oid;
use super::pdu::{ErrorStatus, Request, Version};
use super::transport::{Engine, Target};
use super::value::Varbind;
use crate::domain::climate::SensorRow;

/// `entPhySensorEntry`.
pub(super) const ENTRY: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 99, 1, 1, 1]);
/// Type, scale, precision, value and status: its first columns, in this order.
const COLUMNS: usize = 5;
/// The most rows that are read; what comes behind them is left unread.
const MOST_ROWS: usize = 64;
/// How many rows are asked for at once, where more than one can be: an answer of some 900 octets.
const ROWS_AT_ONCE: u32 = 8;

/// The sensors of a device by their index, as far as its table can be read. A device that has no such table, that refuses
/// or fails, or whose rows come in no order, has no more than those read until then: nobody is served by the reason.
pub async fn read_sensors(engine: &Engine, target: &Target) -> Vec<SensorRow> {
    let bulk = target.credential.version() != Version::V1;
    let mut rows: Vec<SensorRow> = Vec::new();
    while rows.len() < MOST_ROWS {
        let oids = names(rows.last());
        // The first question is small, for most devices have nothing to answer.
        let request = match bulk && !rows.is_empty() {
            true => Request::GetBulk { non_repeaters: 0, max_repetitions: ROWS_AT_ONCE, oids },
            false => Request::GetNext { oids },
        };
        let Ok(answer) = engine.request(target, &request).await else { break };
        if answer.status != ErrorStatus::NoError {
            break;
        }
        let before = rows.len();
        for line in answer.varbinds.chunks_exact(COLUMNS) {
            match row(line, rows.last()) {
                Some(row) => rows.push(row),
                None => return rows,
            }
        }
        if rows.len() == before {
            break;
        }
    }
    rows.truncate(MOST_ROWS);
    rows
}

/// Where the columns go on behind a row.
fn names(last: Option<&SensorRow>) -> Vec<Oid> {
    (1..)
        .take(COLUMNS)
        .map(|column| last.map_or_else(|| ENTRY.child(&[column]), |last| ENTRY.child(&[column, last.index])))
        .collect()
}

/// A row of one value from each column, if that is what these are and it comes behind the last one.
fn row(line: &[Varbind], last: Option<&SensorRow>) -> Option<SensorRow> {
    let index = match line.first()?.oid.suffix(&ENTRY)? {
        [1, index] if last.is_none_or(|last| *index > last.index) => *index,
        _ => return None,
    };
    let mut numbers = (1..).zip(line).map(|(column, cell)| {
        let is_of_row = cell.oid.suffix(&ENTRY)? == [column, index];
        cell.value.as_i64().filter(|_| is_of_row)
    });
    let mut next = || numbers.next().flatten();
    Some(SensorRow {
        index,
        kind: next()?,
        scale: next()?,
        precision: next()?,
        value: next()?,
        status: next()?,
    })
}

#[cfg(test)]
mod tests;
