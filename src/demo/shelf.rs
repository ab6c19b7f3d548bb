//! The shelf of the invented room: its catalogue, and lots of several ages.

use anyhow::Context;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use mock_agent::Scenario;

use super::heads::HEAD;
use super::orders::SENT;
use crate::domain::head::LIMIT_ML;
use crate::domain::outlook::Present;
use crate::domain::part::{CARTRIDGE_SHELF_LIFE_MONTHS, Currency, LeadTime, Part, PartKind, Price};
use crate::domain::units::Measure;
use crate::store::Store;
use crate::usecase::book::{LotRow, Note, import_lots, import_parts};

/// A colour, its letters in the part's number, and its lots: months of age, place and units.
type Ink = (&'static str, &'static str, &'static [(i64, &'static str, u32)]);

/// For the machines that print with water-based ink. What is not here came by an order, or is still to come.
const AQUEOUS: [Ink; 13] = [
    ("Cyan", "C", &[(20, "Shelf B", 1)]),
    ("Magenta", "M", &[]),
    ("Yellow", "Y", &[(14, "Shelf B", 1)]),
    ("Matte black", "MK", &[]),
    ("Photo black", "PK", &[(26, "Shelf A", 1)]),
    ("Light cyan", "LC", &[(7, "Shelf B", 1)]),
    ("Light magenta", "LM", &[]),
    ("Gray", "GY", &[(16, "Shelf A", 1)]),
    ("Light gray", "LG", &[]),
    // Soon out of date, and past its date.
    ("Orange", "O", &[(29, "Cabinet", 1)]),
    ("Violet", "V", &[(33, "Cabinet", 1), (10, "Cabinet", 1)]),
    ("Green", "G", &[]),
    ("Clear protector", "CP", &[]),
];

/// For the machine that prints on silk.
const TEXTILE: [Ink; 6] = [
    ("Cyan", "TC", &[(8, "Textile room", 1)]),
    ("Magenta", "TM", &[]),
    ("Yellow", "TY", &[(13, "Textile room", 2)]),
    ("Black", "TK", &[(5, "Textile room", 1)]),
    ("Red", "TR", &[(24, "Textile room", 1)]),
    ("Blue", "TB", &[]),
];

/// Fills the shelf of a room that has none yet. Everything on it was received when history begins.
///
/// # Errors
/// If the store cannot be reached.
pub async fn fill_shelf(
    store: &Store,
    scenario: &Scenario,
    (opened, now): (Timestamp, Timestamp),
    zone: &TimeZone,
) -> anyhow::Result<()> {
    if !store.stocks(None).await?.is_empty() {
        return Ok(());
    }
    let models = |word: &str| {
        let descriptions = scenario.printers.iter().map(|printer| printer.description.clone());
        let mut models: Vec<String> = descriptions.filter(|model| model.contains(word)).collect();
        models.dedup();
        models
    };
    let opening = Present { now: opened, zone: zone.clone() };
    let mut parts = Vec::new();
    let mut rows = Vec::new();
    for (inks, word) in [(&AQUEOUS[..], "aqueous"), (&TEXTILE[..], "textile")] {
        for (colour, letters, lots) in inks {
            let part = cartridge(format!("VO-{letters}-775"), colour, models(word));
            for (months, place, units) in *lots {
                let made_on = zone.to_datetime(now).date().checked_sub(months.months())?;
                // A history of many months begins before some of them were made.
                rows.push(row(&part.number, made_on.min(opening.today()), place, *units));
            }
            parts.push(part);
        }
    }
    parts.push(Part {
        kind: PartKind::Receptacle,
        colour: None,
        capacity: Some((1500.0, Measure::Millilitres)),
        shelf_life_months: None,
        price: price(4_950),
        ..cartridge("VO-W-1500".to_owned(), "", Vec::new())
    });
    // What a head holds is what goes through it under warranty: common practice, no source.
    parts.push(Part {
        kind: PartKind::Head,
        colour: None,
        capacity: Some((LIMIT_ML, Measure::Millilitres)),
        shelf_life_months: Some(24),
        price: price(39_500),
        ..cartridge(HEAD.to_owned(), "", Vec::new())
    });
    for order in &SENT {
        if order.is_before(opened, now, zone)? {
            rows.extend(order.lines.iter().filter_map(|(part, units, months, place)| {
                let made_on = zone.to_datetime(now).date().checked_sub(months.months()).ok()?;
                Some(row(part, made_on.min(opening.today()), (*place)?, *units))
            }));
        }
    }
    import_parts(store, &parts).await?;
    let note = Note { who: "print room".to_owned(), why: "what lay there when the loft opened".to_owned() };
    let received = import_lots(store, &rows, &note, &opening).await?;
    received
        .map_err(|refused| anyhow::anyhow!("{refused:?}"))
        .context("the demo's shelf could not be filled")?;
    Ok(())
}

fn row(part: &str, made_on: Date, place: &str, units: u32) -> LotRow {
    LotRow { line: 0, part: part.to_owned(), made_on, place: place.to_owned(), units, left_over: None }
}

fn cartridge(number: String, colour: &str, models: Vec<String>) -> Part {
    Part {
        number,
        kind: PartKind::Cartridge,
        colour: Some(colour.to_owned()),
        capacity: Some((775.0, Measure::Millilitres)),
        shelf_life_months: Some(CARTRIDGE_SHELF_LIFE_MONTHS),
        price: price(18_900),
        pack_size: 1,
        minimum_order: 1,
        supplier: Some("Opera stores".to_owned()),
        lead: Some(LeadTime { mean_days: 7.0, spread_days: Some(2.0) }),
        storage_note: None,
        models,
    }
}

fn price(minor: i64) -> Option<Price> {
    Currency::from_code("EUR").map(|currency| Price { minor, currency })
}
