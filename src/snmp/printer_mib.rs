//! The printer tables (RFC 3805, RFC 2790) as one [`Snapshot`]: pure, and content with whatever is there.
//!
//! The whole supplies group, colorants, the serial number and most else is optional in the standard, so a
//! missing table is an empty one and a missing value is the standard's "unknown". Numbers that are not
//! listed are kept.

use super::oid::Oid;
use super::printer_rows::{Table, number};
use super::text;
use super::value::{Value, Varbind};
use crate::domain::ids::SupplyIndex;
use crate::domain::snapshot::{Cover, DeviceAlert, Identity, Marker, MediaInput, Snapshot, SupplyRow};
use crate::domain::standard::{
    AlertCode, AlertGroup, CapacityUnit, CoverStatus, DetectedErrors, DeviceStatus, InputType, PrinterStatus,
    Severity, SupplyClass, SupplyKind, SupplyUnit,
};

/// The system group of SNMPv2-MIB.
pub const SYSTEM: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1]);
/// Its scalars that are read: sysDescr, sysObjectID, sysUpTime, sysName, sysLocation.
pub const SYSTEM_SCALARS: [u32; 5] = [1, 2, 3, 5, 6];
/// hrDeviceEntry.
pub const HR_DEVICE: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 25, 3, 2, 1]);
/// The hrDeviceType of a printer.
pub const HR_DEVICE_PRINTER: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 25, 3, 1, 5]);
/// hrPrinterEntry.
pub const HR_PRINTER: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 25, 3, 5, 1]);
/// prtGeneralEntry.
pub const GENERAL: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 5, 1, 1]);
/// prtCoverEntry.
pub const COVER: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 6, 1, 1]);
/// prtLocalizationEntry.
pub const LOCALIZATION: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 7, 1, 1]);
/// prtInputEntry.
pub const INPUT: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 8, 2, 1]);
/// prtMarkerEntry.
pub const MARKER: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 10, 2, 1]);
/// prtMarkerSuppliesEntry.
pub const SUPPLIES: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 11, 1, 1]);
/// prtMarkerColorantEntry.
pub const COLORANT: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 12, 1, 1]);
/// prtAlertEntry.
pub const ALERT: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 43, 18, 1, 1]);

/// The standard's "unknown" for capacities and levels (RFC 3805 §2.4).
const UNKNOWN: i32 = -2;

/// The device answers, but has no printer in it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "this device has neither a printer in its device table nor any marker supplies ({}): see that the address is the printer's, and that Printer-MIB is switched on in it",
    described(description.as_deref())
)]
pub struct NotAPrinter {
    /// What it says it is.
    pub description: Option<String>,
}

fn described(description: Option<&str>) -> String {
    description.map_or_else(|| "it says nothing of itself".into(), |text| format!("it calls itself “{text}”"))
}

/// The `hrDeviceIndex` of every printer in these rows, by the device table or, failing that, by the tables
/// of the Printer MIB.
#[must_use]
pub fn printers(rows: &[Varbind]) -> Vec<i32> {
    printers_in(&Table::new(rows))
}

fn printers_in(table: &Table<'_>) -> Vec<i32> {
    let by_type: Vec<i32> = table
        .column(&HR_DEVICE.child(&[2]), 1)
        .filter(|(_, kind)| kind.as_oid() == Some(&HR_DEVICE_PRINTER))
        .map(|(index, _)| index[0])
        .collect();
    let with_supplies = first_numbers(table, &supply_columns(), 2);
    let mut known: Vec<i32> = if by_type.is_empty() {
        first_numbers(table, &[GENERAL.child(&[1]), GENERAL.child(&[2])], 1)
    } else {
        by_type
    };
    // Where the two disagree, the rows with the supplies are the ones that matter.
    if !with_supplies.is_empty() && !known.iter().any(|device| with_supplies.contains(device)) {
        known.splice(0..0, with_supplies);
    }
    known
}

fn first_numbers(table: &Table<'_>, columns: &[Oid], width: usize) -> Vec<i32> {
    let mut numbers: Vec<i32> =
        columns.iter().flat_map(|column| table.column(column, width)).map(|(index, _)| index[0]).collect();
    numbers.sort_unstable();
    numbers.dedup();
    numbers
}

fn supply_columns() -> Vec<Oid> {
    (2..=9).map(|column| SUPPLIES.child(&[column])).collect()
}

/// One printer of a device as a snapshot: `device` if given, else the first that has supplies, else the first.
///
/// `complete` is what the reading said: whether every table came to its end.
///
/// # Errors
/// When there is no printer in these rows.
pub fn snapshot(rows: &[Varbind], complete: bool, device: Option<i32>) -> Result<Snapshot, NotAPrinter> {
    let table = Table::new(rows);
    let scalar = |arc: i32| table.at(&SYSTEM, &[arc, 0]);
    let description = scalar(1).and_then(|value| words(value, None));
    let found = printers_in(&table);
    let with_supplies = |device: &i32| !table.row_numbers(&supply_columns(), *device).is_empty();
    let device = match device {
        Some(device) => found.contains(&device).then_some(device),
        None => found.iter().find(|device| with_supplies(device)).or(found.first()).copied(),
    };
    let Some(device) = device else { return Err(NotAPrinter { description }) };
    let printer = Printer { character_set: character_set(&table, device), table: &table, device };
    let host = |base: &Oid, column: u32| table.at(&base.child(&[column]), &[device]);
    Ok(Snapshot {
        device_index: device,
        identity: Identity {
            description,
            object_id: scalar(2).and_then(Value::as_oid).map(Oid::to_string),
            system_name: scalar(5).and_then(|value| words(value, None)),
            location: scalar(6).and_then(|value| words(value, None)),
            model: host(&HR_DEVICE, 3).and_then(|value| words(value, None)),
            printer_name: host(&GENERAL, 16).and_then(|value| words(value, None)),
            serial: host(&GENERAL, 17).and_then(|value| words(value, None)),
        },
        uptime_centiseconds: scalar(3).and_then(Value::as_u32),
        device_status: host(&HR_DEVICE, 5).and_then(number).map(DeviceStatus::from_number),
        printer_status: host(&HR_PRINTER, 1).and_then(number).map(PrinterStatus::from_number),
        errors: host(&HR_PRINTER, 2)
            .and_then(Value::as_octets)
            .map(DetectedErrors::from_octets)
            .unwrap_or_default(),
        config_changes: host(&GENERAL, 1).and_then(Value::as_u32),
        alert_events: host(&GENERAL, 19).and_then(Value::as_u32),
        markers: printer.rows(&MARKER, &[2, 3, 4, 5], Printer::marker),
        supplies: printer.rows(&SUPPLIES, &[2, 3, 4, 5, 6, 7, 8, 9], Printer::supply),
        inputs: printer.rows(&INPUT, &[2, 3, 5, 7, 8, 9, 10, 12, 13, 18], Printer::input),
        covers: printer.rows(&COVER, &[2, 3], Printer::cover),
        alerts: printer.rows(&ALERT, &[2, 4, 7], Printer::alert),
        complete,
    })
}

/// `prtLocalizationCharacterSet` of the current localization.
fn character_set(table: &Table<'_>, device: i32) -> Option<i32> {
    let current = table.at(&GENERAL.child(&[2]), &[device]).and_then(number)?;
    table.at(&LOCALIZATION.child(&[4]), &[device, current]).and_then(number)
}

/// A string, unless there is nothing left of it.
fn words(value: &Value, character_set: Option<i32>) -> Option<String> {
    Some(text::decode(value.as_octets()?, character_set)).filter(|text| !text.is_empty())
}

/// One printer's rows.
struct Printer<'a> {
    table: &'a Table<'a>,
    device: i32,
    character_set: Option<i32>,
}

impl Printer<'_> {
    fn rows<T>(&self, base: &Oid, columns: &[u32], row: impl Fn(&Self, i32) -> T) -> Vec<T> {
        let columns: Vec<Oid> = columns.iter().map(|column| base.child(&[*column])).collect();
        self.table.row_numbers(&columns, self.device).into_iter().map(|index| row(self, index)).collect()
    }

    fn value(&self, base: &Oid, column: u32, row: i32) -> Option<&Value> {
        self.table.at(&base.child(&[column]), &[self.device, row])
    }

    fn number(&self, base: &Oid, column: u32, row: i32) -> Option<i32> {
        self.value(base, column, row).and_then(number)
    }

    /// A string in the current localization's character set.
    fn localized(&self, base: &Oid, column: u32, row: i32) -> Option<String> {
        self.value(base, column, row).and_then(|value| words(value, self.character_set))
    }

    /// A string that RFC 3805 §2.2.1.1 would have in UTF-8.
    fn plain(&self, base: &Oid, column: u32, row: i32) -> Option<String> {
        self.value(base, column, row).and_then(|value| words(value, None))
    }

    fn marker(&self, index: i32) -> Marker {
        Marker {
            index,
            technology: self.number(&MARKER, 2, index),
            counter_unit: self.number(&MARKER, 3, index).map(CapacityUnit::from_number),
            life_count: self.value(&MARKER, 4, index).and_then(Value::as_u32),
            power_on_count: self.value(&MARKER, 5, index).and_then(Value::as_u32),
        }
    }

    fn supply(&self, index: i32) -> SupplyRow {
        let number = |column| self.number(&SUPPLIES, column, index);
        let colorant = number(3).filter(|colorant| *colorant > 0);
        SupplyRow {
            index: SupplyIndex(index),
            marker: number(2).unwrap_or(0),
            class: number(4).map_or(SupplyClass::Other, SupplyClass::from_number),
            kind: number(5).map_or(SupplyKind::Unknown, SupplyKind::from_number),
            description: self.localized(&SUPPLIES, 6, index).unwrap_or_default(),
            colorant: colorant.and_then(|colorant| self.plain(&COLORANT, 4, colorant)),
            unit: number(7).map_or(SupplyUnit::Unknown, SupplyUnit::from_number),
            max_capacity: number(8).unwrap_or(UNKNOWN),
            level: number(9).unwrap_or(UNKNOWN),
        }
    }

    fn input(&self, index: i32) -> MediaInput {
        let number = |column| self.number(&INPUT, column, index);
        // Negative: unknown, or no limit.
        let width = [7, 5].into_iter().filter_map(number).find(|width| *width >= 0);
        MediaInput {
            index,
            kind: number(2).map(InputType::from_number),
            name: self.plain(&INPUT, 13, index).or_else(|| self.localized(&INPUT, 18, index)),
            media: self.plain(&INPUT, 12, index),
            width_um: width.zip(number(3)).and_then(|(width, unit)| micrometres(width, unit)),
            unit: number(8).map(CapacityUnit::from_number),
            max_capacity: number(9),
            level: number(10),
        }
    }

    fn cover(&self, index: i32) -> Cover {
        Cover {
            index,
            description: self.localized(&COVER, 2, index).unwrap_or_default(),
            status: self.number(&COVER, 3, index).map_or(CoverStatus::Unknown, CoverStatus::from_number),
        }
    }

    fn alert(&self, index: i32) -> DeviceAlert {
        let number = |column| self.number(&ALERT, column, index);
        DeviceAlert {
            severity: number(2).map_or(Severity::Other, Severity::from_number),
            training: number(3),
            group: number(4).map_or(AlertGroup::Unknown, AlertGroup::from_number),
            group_index: number(5).unwrap_or(-1),
            location: number(6).unwrap_or(UNKNOWN),
            code: number(7).map_or(AlertCode::Unknown, AlertCode::from_number),
            description: self.localized(&ALERT, 8, index).unwrap_or_default(),
        }
    }
}

/// `PrtMediaUnitTC`: 3 is ten-thousandths of an inch, 4 is micrometres.
fn micrometres(length: i32, unit: i32) -> Option<i64> {
    match unit {
        3 => Some(i64::from(length) * 254 / 100),
        4 => Some(length.into()),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
