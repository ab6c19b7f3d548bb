//! Parts and lots as comma-separated values (RFC 4180), out and in.
//!
//! The first row names the columns. What is written has all of them in this order; what is read may have them
//! in any order and leave out those that are not starred. A file is taken whole or not at all, and every bad
//! row is told with its line.
//!
//! Parts:
//!
//! | column | what it holds |
//! | --- | --- |
//! | `number` * | the part's number; a part that is known by it is replaced |
//! | `kind` * | `cartridge`, `head` or `receptacle` |
//! | `colour` | the colorant in it; empty where that does not matter |
//! | `capacity`, `unit` | what it holds when full, and what that is counted in: `ml`, `g`, `m`, `percent`, `impressions`, `sheets`, `hours`, `items`; both or neither |
//! | `shelf_life_months` | months from manufacture that it is good for, or `none`; empty: 30 for a cartridge (common practice, no source), `none` for the rest |
//! | `price_minor`, `currency` | what one unit costs in minor units (cents), and the currency's code (ISO 4217); both or neither |
//! | `pack_size` | units in a pack; empty: 1 |
//! | `minimum_order` | units that the supplier delivers at least; empty: 1 |
//! | `supplier` | who delivers it |
//! | `lead_days`, `lead_spread_days` | mean days from order to delivery, and their standard deviation |
//! | `storage_note` | how it is kept; empty: the usual for its kind |
//! | `models` | the models it fits, as devices name themselves, with `\|` between them; empty: any |
//!
//! Lots, of which reading means receiving:
//!
//! | column | what it holds |
//! | --- | --- |
//! | `part` * | the part's number |
//! | `made_on` * | when it was made: `2025-03-14`, or `2025-03` for its first day |
//! | `place` * | where it lies |
//! | `units` * | how many; a part-used unit is a row of its own with 1 |
//! | `left_over` | what is left in a part-used unit, in the part's unit |

use std::collections::BTreeMap;

use jiff::civil::Date;

pub use super::rows::RowFault;
use super::rows::{Row, read, read_one, write};
use super::text;
use crate::domain::part::{CARTRIDGE_SHELF_LIFE_MONTHS, Currency, LeadTime, Part, PartKind, Price};
use crate::domain::shelf::Stock;
use crate::domain::units::Measure;
use crate::usecase::book::{LotRow, MOST_UNITS};

/// The columns of a file of parts.
pub const PART_COLUMNS: [&str; 15] = [
    "number",
    "kind",
    "colour",
    "capacity",
    "unit",
    "shelf_life_months",
    "price_minor",
    "currency",
    "pack_size",
    "minimum_order",
    "supplier",
    "lead_days",
    "lead_spread_days",
    "storage_note",
    "models",
];
/// The columns of a file of lots.
pub const LOT_COLUMNS: [&str; 5] = ["part", "made_on", "place", "units", "left_over"];

/// The catalogue as the bytes of a file: UTF-8, rows ended by CR LF.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn write_parts(stocks: &[Stock]) -> Result<Vec<u8>, csv::Error> {
    write(&PART_COLUMNS, stocks.iter().map(|stock| cells(&stock.part)))
}

/// What is written of a part, column by column.
fn cells(part: &Part) -> [String; 15] {
    let optional = |number: Option<String>| number.unwrap_or_default();
    [
        text(&part.number),
        part.kind.word().to_owned(),
        text(part.colour.as_deref().unwrap_or_default()),
        optional(part.capacity.map(|(amount, _)| amount.to_string())),
        optional(part.capacity.map(|(_, measure)| measure.word().to_owned())),
        part.shelf_life_months.map_or_else(|| "none".to_owned(), |months| months.to_string()),
        optional(part.price.map(|price| price.minor.to_string())),
        optional(part.price.map(|price| price.currency.code().to_owned())),
        part.pack_size.to_string(),
        part.minimum_order.to_string(),
        text(part.supplier.as_deref().unwrap_or_default()),
        optional(part.lead.map(|lead| lead.mean_days.to_string())),
        optional(part.lead.and_then(|lead| lead.spread_days).map(|days| days.to_string())),
        text(part.storage_note.as_deref().unwrap_or_default()),
        text(&part.models.join("|")),
    ]
}

/// A part with some of its columns written anew, by hand and not by file: a new one where there was none before. A
/// price may also be given as `price`, in words such as `189.00 EUR`.
///
/// # Errors
/// Every column that is wrong.
pub fn part_with(before: Option<&Part>, changes: &[(&str, &str)]) -> Result<Part, Vec<RowFault>> {
    let mut known: BTreeMap<&str, String> =
        before.into_iter().flat_map(|part| PART_COLUMNS.into_iter().zip(cells(part))).collect();
    let mut faults = Vec::new();
    let mut fault = |what: String| faults.push(RowFault { line: 1, what });
    for (column, value) in changes {
        let value = value.trim();
        match (*column, Price::from_words(value)) {
            ("price", Some(price)) => {
                known.insert("price_minor", price.minor.to_string());
                known.insert("currency", price.currency.code().to_owned());
            }
            ("price", None) if value.is_empty() => {
                known.remove("price_minor");
                known.remove("currency");
            }
            ("price", None) => {
                fault(format!("price '{value}' is no amount with a currency's code, such as 189.00 EUR"));
            }
            (column, _) if PART_COLUMNS.contains(&column) => {
                known.insert(column, text(value));
            }
            (other, _) => {
                fault(format!("{other} is no column of a part; they are {}", PART_COLUMNS.join(", ")));
            }
        }
    }
    match read_one(known, part) {
        Ok(part) if faults.is_empty() => Ok(part),
        Ok(_) => Err(faults),
        Err(more) => Err(faults.into_iter().chain(more).collect()),
    }
}

/// The lots on the shelf as the bytes of a file.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn write_lots(stocks: &[Stock]) -> Result<Vec<u8>, csv::Error> {
    let rows = stocks.iter().flat_map(|stock| {
        stock.oldest_first().into_iter().map(|lot| {
            [
                text(&stock.part.number),
                lot.made_on.to_string(),
                text(&lot.place),
                lot.units.to_string(),
                lot.left_over.map(|left| left.to_string()).unwrap_or_default(),
            ]
        })
    });
    write(&LOT_COLUMNS, rows)
}

/// The parts of a file.
///
/// # Errors
/// Every line that is wrong.
pub fn read_parts(bytes: &[u8]) -> Result<Vec<Part>, Vec<RowFault>> {
    let mut lines: BTreeMap<String, u64> = BTreeMap::new();
    read(bytes, &PART_COLUMNS, &["number", "kind"], |row| {
        let part = part(row);
        if let Some(part) = &part
            && let Some(before) = lines.insert(part.number.clone(), row.line)
        {
            row.fault(format!("number {} stands on line {before} too", part.number));
        }
        part
    })
}

fn part(row: &mut Row<'_>) -> Option<Part> {
    let number = row.needed("number");
    let number = number.filter(|number| match number.chars().count() {
        1..=64 => true,
        _ => {
            row.fault("number is longer than 64 letters".to_owned());
            false
        }
    });
    let kind = row.needed("kind").and_then(|word| {
        let kind = PartKind::from_word(&word);
        if kind.is_none() {
            row.fault(format!("kind '{word}' is none of cartridge, head and receptacle"));
        }
        kind
    });
    let amount: Option<f64> = row.number("capacity", "a number above 0", |amount| *amount > 0.0);
    let unit = row.cell("unit").and_then(|word| {
        let measure = Measure::from_word(&word);
        if measure.is_none() {
            row.fault(format!("unit '{word}' is none of {}", Measure::ALL.map(Measure::word).join(", ")));
        }
        measure
    });
    let capacity = row.both("capacity", amount, "unit", unit);
    let minor: Option<i64> = row.number("price_minor", "a whole number of minor units", |price| *price >= 0);
    let currency = row.cell("currency").and_then(|code| {
        let currency = Currency::from_code(&code);
        if currency.is_none() {
            row.fault(format!("currency '{code}' is no code of three capital letters, such as EUR"));
        }
        currency
    });
    let price = row
        .both("price_minor", minor, "currency", currency)
        .map(|(minor, currency)| Price { minor, currency });
    let months = match row.cell("shelf_life_months").as_deref() {
        None => (kind == Some(PartKind::Cartridge)).then_some(CARTRIDGE_SHELF_LIFE_MONTHS),
        Some("none") => None,
        Some(_) => row.number("shelf_life_months", "a number of months from 1 to 600, or none", |n| {
            (1..=600).contains(n)
        }),
    };
    let counts = ["pack_size", "minimum_order"].map(|column| {
        row.number(column, "a number of units from 1 to 9999", |n| (1..=MOST_UNITS).contains(n)).unwrap_or(1)
    });
    let lead = lead(row);
    let models = row.cell("models").unwrap_or_default();
    Some(Part {
        colour: row.cell("colour"),
        supplier: row.cell("supplier"),
        storage_note: row.cell("storage_note"),
        number: number?,
        kind: kind?,
        capacity,
        shelf_life_months: months,
        price,
        pack_size: counts[0],
        minimum_order: counts[1],
        lead,
        models: models.split('|').map(str::trim).filter(|m| !m.is_empty()).map(str::to_owned).collect(),
    })
}

fn lead(row: &mut Row<'_>) -> Option<LeadTime> {
    let days = |days: &f64| (0.0..=3650.0).contains(days);
    let mean = row.number("lead_days", "a number of days", days);
    let spread_days = row.number("lead_spread_days", "a number of days", days);
    if spread_days.is_some() && row.cell("lead_days").is_none() {
        row.fault("lead_spread_days is given without lead_days".to_owned());
    }
    mean.map(|mean_days| LeadTime { mean_days, spread_days })
}

/// The lots of a file.
///
/// # Errors
/// Every line that is wrong.
pub fn read_lots(bytes: &[u8]) -> Result<Vec<LotRow>, Vec<RowFault>> {
    read(bytes, &LOT_COLUMNS, &["part", "made_on", "place", "units"], |row| {
        let part = row.needed("part");
        let made_on = row.needed("made_on").and_then(|text| {
            let day = made_on(&text);
            if day.is_none() {
                row.fault(format!("made_on '{text}' is no day: write it as 2025-03-14 or 2025-03"));
            }
            day
        });
        let place = row.needed("place");
        let units: Option<u32> =
            row.number("units", "a number of units from 1 to 9999", |n| (1..=MOST_UNITS).contains(n));
        if units.is_none() {
            row.needed("units");
        }
        let left_over: Option<f64> = row.number("left_over", "a number not below 0", |left| *left >= 0.0);
        if left_over.is_some() && units.is_some_and(|units| units != 1) {
            row.fault("a part-used unit is a row of its own with units 1".to_owned());
        }
        Some(LotRow {
            line: row.line,
            part: part?,
            made_on: made_on?,
            place: place?,
            units: units?,
            left_over,
        })
    })
}

/// A day of manufacture as it is written: a day, or a month for its first day.
#[must_use]
pub fn made_on(text: &str) -> Option<Date> {
    let (digits, dashes) = (text.bytes().all(|b| b.is_ascii_digit() || b == b'-'), text.matches('-').count());
    match (digits, text.len(), dashes) {
        (true, 10, 2) => text.parse().ok(),
        (true, 7, 1) => format!("{text}-01").parse().ok(),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
