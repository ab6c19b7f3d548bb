use std::collections::BTreeMap;

use super::*;
use crate::snmp::credential::Credential;
use crate::snmp::oid::Oid;
use crate::snmp::printer_mib::{self as mib, snapshot};
use crate::snmp::testing::Agent;
use crate::snmp::transport::EngineOptions;
use crate::snmp::value::Value;

/// A machine with 16 supplies, 2 covers, 2 rolls, 1 marker and one alert, and other things in its MIB.
fn machine() -> BTreeMap<Oid, Value> {
    let mut table = BTreeMap::new();
    let mut put = |base: &Oid, index: &[u32], value: Value| table.insert(base.child(index), value);
    let text = |text: String| Value::OctetString(text.into_bytes().into());
    for arc in [1, 2, 3, 4, 5, 6, 7] {
        put(&mib::SYSTEM, &[arc, 0], text(format!("system {arc}")));
    }
    put(&mib::HR_DEVICE, &[1, 1], Value::Integer(1));
    put(&mib::HR_DEVICE, &[2, 1], Value::ObjectId(mib::HR_DEVICE_PRINTER));
    put(&mib::HR_DEVICE, &[3, 1], text("Wide-format ink printer".into()));
    put(&mib::HR_DEVICE, &[5, 1], Value::Integer(2));
    put(&mib::HR_PRINTER, &[1, 1], Value::Integer(3));
    put(&mib::HR_PRINTER, &[2, 1], Value::OctetString([0].into()));
    for column in 1..=19 {
        put(&mib::GENERAL, &[column, 1], Value::Integer(1));
    }
    put(&mib::LOCALIZATION, &[4, 1, 1], Value::Integer(106));
    for (base, columns, rows) in [
        (mib::COVER, 3, 2),
        (mib::INPUT, 18, 2),
        (mib::MARKER, 15, 1),
        (mib::SUPPLIES, 9, 16),
        (mib::ALERT, 9, 1),
    ] {
        for column in 2..=columns {
            for row in 1..=rows {
                put(&base, &[column, 1, row], Value::Integer(i64::from(row)));
            }
        }
    }
    for row in 1..=16 {
        put(&mib::SUPPLIES, &[6, 1, row], text(format!("Ink cartridge in slot {row}")));
        put(&mib::COLORANT, &[4, 1, row], text(format!("colorant {row}")));
    }
    table
}

#[tokio::test]
async fn a_machine_of_sixteen_supplies_is_read_in_four_round_trips() {
    let agent = Agent::with_table(machine(), 1_472).await;
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let read = read_printer(&engine, &agent.target()).await.unwrap();
    assert!(agent.seen().len() <= 4, "{} round trips", agent.seen().len());
    let snapshot = snapshot(&read.rows, read.complete, None).unwrap();
    assert_eq!(snapshot.supplies.len(), 16);
    assert_eq!(snapshot.supplies[15].description, "Ink cartridge in slot 16");
    assert_eq!(snapshot.supplies[15].colorant.as_deref(), Some("colorant 16"));
    assert_eq!((snapshot.inputs.len(), snapshot.covers.len(), snapshot.markers.len()), (2, 2, 1));
    assert_eq!(snapshot.alerts.len(), 1);
    assert!(snapshot.complete);
}

#[tokio::test]
async fn version_1_and_small_answers_bring_the_same_snapshot() {
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let whole = Agent::with_table(machine(), 1_472).await;
    let small = Agent::with_table(machine(), 484).await;
    let expected = read_printer(&engine, &whole.target()).await.unwrap();
    let expected = snapshot(&expected.rows, expected.complete, None).unwrap();
    for target in [
        small.target(),
        whole.target_by(Credential::v1("loft").unwrap()),
        small.target_by(Credential::v1("loft").unwrap()),
    ] {
        let read = read_printer(&engine, &target).await.unwrap();
        assert_eq!(snapshot(&read.rows, read.complete, None).unwrap(), expected);
    }
}

#[tokio::test]
async fn a_device_that_is_no_printer_is_read_and_then_named() {
    let mut table = machine();
    table.retain(|oid, _| oid.starts_with(&mib::SYSTEM));
    let agent = Agent::with_table(table, 1_472).await;
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let read = read_printer(&engine, &agent.target()).await.unwrap();
    let error = snapshot(&read.rows, read.complete, None).unwrap_err();
    assert_eq!(error.description.as_deref(), Some("system 1"));
}

/// The engine remembers: a later reading is one request, and brings the whole again.
#[tokio::test]
async fn a_known_machine_is_read_in_one_round_trip() {
    let mut table = machine();
    table.insert(mib::SYSTEM.child(&[3, 0]), Value::TimeTicks(500));
    let agent = Agent::with_table(table, 1_472).await;
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let first = read_printer(&engine, &agent.target()).await.unwrap();
    let before = agent.seen().len();
    let again = read_printer(&engine, &agent.target()).await.unwrap();
    assert_eq!(agent.seen().len() - before, 1);
    assert_eq!(again, first);
    // Another community may see another MIB.
    let other = agent.target_by(Credential::v2c("stage").unwrap());
    read_printer(&engine, &other).await.unwrap();
    assert!(agent.seen().len() - before > 2);
}
