//! What a made-up printer says, written down by hand: for tests that have to say exactly what.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use ullage::domain::ids::{DeviceId, SupplyIndex};
use ullage::domain::outlook::Present;
use ullage::domain::poll::Poll;
use ullage::domain::snapshot::{Identity, Marker, Snapshot, SupplyRow};
use ullage::domain::standard::{CapacityUnit, SupplyClass, SupplyKind, SupplyUnit};
use ullage::store::Store;
use ullage::store::credentials::CredentialRow;
use ullage::store::devices::NewDevice;

/// Seconds between polls.
pub(crate) const EVERY_S: i64 = 900;
/// Cyan ink: what a cartridge holds, in tenths of a millilitre.
pub(crate) const INK: i32 = 5000;
/// The waste receptacle: what it holds, in tenths of a millilitre.
pub(crate) const WASTE: i32 = 10_000;

/// The moment of poll number `n`.
pub(crate) fn at(n: i64) -> Timestamp {
    let first: Timestamp = "2026-09-01T06:00:00Z".parse().unwrap();
    Timestamp::from_second(first.as_second() + n * EVERY_S).unwrap()
}

/// The present at poll number `n`.
pub(crate) fn present(n: i64) -> Present {
    Present { now: at(n), zone: TimeZone::get("Europe/Lisbon").unwrap() }
}

/// A machine with one ink and a receptacle that says these levels: what is left, and the room left.
pub(crate) fn levels(ink: i32, room: i32) -> Snapshot {
    let row = |index, class, kind, description: &str, max_capacity, level| SupplyRow {
        index: SupplyIndex(index),
        marker: 1,
        class,
        kind,
        description: description.to_owned(),
        colorant: (kind == SupplyKind::InkCartridge).then(|| "cyan".to_owned()),
        unit: SupplyUnit::TenthsOfMilliliters,
        max_capacity,
        level,
    };
    let marker = Marker {
        index: 1,
        technology: Some(12),
        counter_unit: Some(CapacityUnit::Meters),
        life_count: Some(100),
        power_on_count: None,
    };
    Snapshot {
        device_index: 1,
        identity: Identity { model: Some("Mordant 36".to_owned()), ..Identity::default() },
        markers: vec![marker],
        supplies: vec![
            row(1, SupplyClass::Consumed, SupplyKind::InkCartridge, "Cyan ink cartridge", INK, ink),
            row(2, SupplyClass::Filled, SupplyKind::WasteInk, "Waste receptacle", WASTE, room),
        ],
        complete: true,
        ..Snapshot::default()
    }
}

/// Poll number `n` with an answer.
pub(crate) fn answered(n: i64, ink: i32, room: i32) -> Poll {
    Poll { at: at(n), outcome: Ok(levels(ink, room)) }
}

/// Poll number `n` without one.
pub(crate) fn silent(n: i64) -> Poll {
    Poll { at: at(n), outcome: Err("it did not answer".to_owned()) }
}

/// Puts a device of that name into the store.
pub(crate) async fn device(store: &Store, name: &str) -> DeviceId {
    let credential = CredentialRow {
        version: "v2c".to_owned(),
        community: Some("public".to_owned()),
        ..CredentialRow::default()
    };
    let device = NewDevice {
        name: name.to_owned(),
        host: format!("{}.invalid", name.to_lowercase()),
        port: 161,
        cost_centre: None,
        poll_every_s: u32::try_from(EVERY_S).unwrap(),
    };
    let site = store.put_site("Vellmoor Opera print loft", "Europe/Lisbon").await.unwrap();
    store.add_device(site, &credential, &device, at(0)).await.unwrap()
}
