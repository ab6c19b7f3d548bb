//! One device's reading as a person reads it in a terminal.

use std::fmt::Write;

use crate::domain::outlook::Slot;
use crate::domain::reading::{Level, Role};
use crate::domain::snapshot::{Snapshot, SupplyRow};
use crate::domain::{ids, reading};

/// A few lines a device: who it is, how it does, its supplies, what it complains of.
pub(super) fn device(address: &str, snapshot: &Snapshot) -> String {
    let identity = &snapshot.identity;
    let mut out = String::new();
    let name = identity.printer_name.as_deref().or(identity.system_name.as_deref()).unwrap_or("no name");
    let model = identity.model.as_deref().or(identity.description.as_deref()).unwrap_or("no description");
    let serial = identity.serial.as_deref().map(|serial| format!(", serial {serial}")).unwrap_or_default();
    let _ = writeln!(out, "{address}  {name}: {model}{serial}");
    let mut state: Vec<String> = Vec::new();
    state.extend(snapshot.printer_status.map(|status| status.to_string()));
    state.extend(snapshot.errors.labels().map(|label| label.replace('_', " ")));
    if !snapshot.complete {
        state.push("broke a table off: rows may be missing".to_owned());
    }
    if !state.is_empty() {
        let _ = writeln!(out, "  {}", state.join(", "));
    }
    for row in &snapshot.supplies {
        let index = format!("{}.{}", snapshot.device_index, row.index);
        let _ = writeln!(out, "  {index:<6} {:<28} {}", label(row), amount(row));
    }
    for alert in &snapshot.alerts {
        let about =
            if alert.description.is_empty() { String::new() } else { format!(": {}", alert.description) };
        let _ = writeln!(out, "  {} {}{about}", alert.severity, alert.code.to_string().replace('_', " "));
    }
    out
}

fn label(row: &SupplyRow) -> String {
    let slot = Slot {
        id: ids::SlotId(0),
        device: ids::DeviceId(0),
        index: row.index,
        role: Role::of(row.class, row.kind),
        kind: row.kind,
        colorant: row.colorant.clone(),
        description: row.description.clone(),
    };
    slot.label()
}

fn amount(row: &SupplyRow) -> String {
    let level = Level::of(row);
    let unit = level.measure.symbol();
    let whole =
        level.capacity.known().map(|capacity| format!(" of {capacity:.0} {unit}")).unwrap_or_default();
    match (Role::of(row.class, row.kind), level.remaining) {
        (Role::Consumed, reading::Amount::Measured(left)) => format!("{left:.0} {unit} left{whole}"),
        (Role::Filled, reading::Amount::Measured(room)) => match level.fraction() {
            Some(fraction) => format!("{} full, {room:.0} {unit} of room{whole}", fraction.complement()),
            None => format!("{room:.0} {unit} of room"),
        },
        (_, reading::Amount::SomeLeft) => format!("some left{whole}"),
        (_, reading::Amount::Unlimited) => "no limit".to_owned(),
        (_, reading::Amount::Unknown) => format!("not known (level {}){whole}", row.level),
    }
}
