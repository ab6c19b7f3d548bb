use proptest::prelude::*;

use super::*;

fn put(rows: &mut Vec<Varbind>, base: &Oid, index: &[u32], value: Value) {
    rows.push(Varbind { oid: base.child(index), value });
}

fn text(text: &str) -> Value {
    Value::OctetString(text.as_bytes().into())
}

/// A wide-format machine with two supplies, behind `device`.
fn printer(device: u32) -> Vec<Varbind> {
    let mut rows = Vec::new();
    let system = [
        (1, text("Wide-format ink printer")),
        (2, Value::ObjectId(Oid::constant(&[1, 3, 6, 1, 4, 1, 32473, 7]))),
        (3, Value::TimeTicks(4_711)),
        (5, text("bobbin")),
        (6, text("Print loft")),
    ];
    for (arc, value) in system {
        put(&mut rows, &SYSTEM, &[arc, 0], value);
    }
    put(&mut rows, &HR_DEVICE, &[2, device], Value::ObjectId(HR_DEVICE_PRINTER));
    put(&mut rows, &HR_DEVICE, &[3, device], text("Eight-ink printer\0"));
    put(&mut rows, &HR_DEVICE, &[5, device], Value::Integer(3));
    put(&mut rows, &HR_PRINTER, &[1, device], Value::Integer(4));
    put(&mut rows, &HR_PRINTER, &[2, device], Value::OctetString([0x20, 0x20].into()));
    for (column, value) in [
        (1, Value::Counter32(9)),
        (2, Value::Integer(1)),
        (16, text("Bobbin")),
        (17, text("0042")),
        (19, Value::Counter32(77)),
    ] {
        put(&mut rows, &GENERAL, &[column, device], value);
    }
    put(&mut rows, &LOCALIZATION, &[4, device, 1], Value::Integer(4));
    for (index, class, kind, name, level) in
        [(1, 3, 5, &b"Encre \xe9carlate"[..], 140), (12, 4, 8, b"Waste", 0)]
    {
        for (column, value) in [
            (2, Value::Integer(1)),
            (3, Value::Integer(i64::from(index))),
            (4, Value::Integer(class)),
            (5, Value::Integer(kind)),
            (6, Value::OctetString(name.into())),
            (7, Value::Integer(15)),
            (8, Value::Integer(7_750)),
            (9, Value::Integer(level)),
        ] {
            put(&mut rows, &SUPPLIES, &[column, device, index], value);
        }
    }
    put(&mut rows, &COLORANT, &[4, device, 1], text("scarlet"));
    rows
}

#[test]
fn everything_lands_in_its_place() {
    let snapshot = snapshot(&printer(7), true, None).unwrap();
    assert_eq!(snapshot.device_index, 7);
    let identity = snapshot.identity;
    assert_eq!(identity.model.as_deref(), Some("Eight-ink printer"));
    assert_eq!(identity.system_name.as_deref(), Some("bobbin"));
    assert_eq!(identity.object_id.as_deref(), Some("1.3.6.1.4.1.32473.7"));
    assert_eq!(identity.serial.as_deref(), Some("0042"));
    assert_eq!(snapshot.uptime_centiseconds, Some(4_711));
    assert_eq!(snapshot.device_status, Some(DeviceStatus::Warning));
    assert_eq!(snapshot.printer_status, Some(PrinterStatus::Printing));
    assert_eq!(snapshot.errors, DetectedErrors(0x2020));
    assert_eq!((snapshot.config_changes, snapshot.alert_events), (Some(9), Some(77)));
    let [ink, waste] = &snapshot.supplies[..] else { panic!("{:?}", snapshot.supplies) };
    assert_eq!((ink.index, ink.class, ink.kind), (SupplyIndex(1), SupplyClass::Consumed, SupplyKind::Ink));
    assert_eq!(ink.description, "Encre écarlate", "by the declared character set, Latin-1");
    assert_eq!(ink.colorant.as_deref(), Some("scarlet"));
    assert_eq!((ink.unit, ink.max_capacity, ink.level), (SupplyUnit::TenthsOfMilliliters, 7_750, 140));
    assert_eq!((waste.class, waste.kind, waste.level), (SupplyClass::Filled, SupplyKind::WasteInk, 0));
    assert_eq!(waste.colorant, None);
    assert!(snapshot.complete);
}

#[test]
fn inputs_covers_markers_and_alerts_are_read() {
    let mut rows = printer(1);
    for (column, value) in [(2, 6), (3, 4), (5, 914_400), (7, -1), (8, 17), (9, -1), (10, 30)] {
        put(&mut rows, &INPUT, &[column, 1, 1], Value::Integer(value));
    }
    put(&mut rows, &INPUT, &[18, 1, 1], text("Roll"));
    put(&mut rows, &INPUT, &[3, 1, 2], Value::Integer(3));
    put(&mut rows, &INPUT, &[7, 1, 2], Value::Integer(360_000));
    put(&mut rows, &COVER, &[3, 1, 1], Value::Integer(4));
    put(&mut rows, &MARKER, &[2, 1, 1], Value::Integer(12));
    put(&mut rows, &MARKER, &[4, 1, 1], Value::Counter32(u32::MAX));
    for (column, value) in [(2, 4), (3, 3), (4, 11), (5, 12), (6, -2), (7, 1108)] {
        put(&mut rows, &ALERT, &[column, 1, 31], Value::Integer(value));
    }
    let snapshot = snapshot(&rows, false, None).unwrap();
    let [roll, sheets] = &snapshot.inputs[..] else { panic!("{:?}", snapshot.inputs) };
    assert_eq!(roll.kind, Some(InputType::ContinuousRoll));
    assert_eq!((roll.name.as_deref(), roll.width_um), (Some("Roll"), Some(914_400)));
    assert_eq!((roll.unit, roll.max_capacity, roll.level), (Some(CapacityUnit::Meters), Some(-1), Some(30)));
    assert_eq!(sheets.width_um, Some(914_400), "36 inches");
    assert_eq!(snapshot.covers[0].status, CoverStatus::CoverClosed);
    assert_eq!((snapshot.markers[0].technology, snapshot.markers[0].life_count), (Some(12), Some(u32::MAX)));
    let alert = &snapshot.alerts[0];
    assert_eq!(alert.code, AlertCode::MarkerWasteInkReceptacleAlmostFull);
    assert_eq!(
        (alert.severity, alert.group, alert.group_index),
        (Severity::Warning, AlertGroup::MarkerSupplies, 12)
    );
    assert!(!snapshot.complete);
}

#[test]
fn one_of_several_printers_can_be_named() {
    let mut rows = printer(3);
    rows.extend(printer(9));
    put(&mut rows, &HR_DEVICE, &[2, 1], Value::ObjectId(Oid::constant(&[1, 3, 6, 1, 2, 1, 25, 3, 1, 3])));
    assert_eq!(printers(&rows), [3, 9]);
    assert_eq!(snapshot(&rows, true, None).unwrap().device_index, 3);
    assert_eq!(snapshot(&rows, true, Some(9)).unwrap().device_index, 9);
    assert!(snapshot(&rows, true, Some(1)).is_err(), "device 1 is no printer");
}

#[test]
fn supplies_alone_make_a_printer() {
    let rows: Vec<Varbind> =
        printer(2).into_iter().filter(|varbind| varbind.oid.starts_with(&SUPPLIES)).collect();
    let snapshot = snapshot(&rows, true, None).unwrap();
    assert_eq!((snapshot.device_index, snapshot.supplies.len()), (2, 2));
    assert_eq!(snapshot.identity, Identity::default());
}

#[test]
fn a_printer_without_supplies_is_one_and_a_switch_is_none() {
    let mut rows: Vec<Varbind> =
        printer(2).into_iter().filter(|varbind| !varbind.oid.starts_with(&SUPPLIES)).collect();
    assert!(snapshot(&rows, true, None).unwrap().supplies.is_empty());
    rows.retain(|varbind| varbind.oid.starts_with(&SYSTEM));
    let error = snapshot(&rows, true, None).unwrap_err();
    assert!(error.to_string().contains("Wide-format ink printer"), "{error}");
}

#[test]
fn types_other_than_the_mibs_and_wild_numbers_are_no_harm() {
    let mut rows = printer(1);
    rows.retain(|varbind| !varbind.oid.starts_with(&SUPPLIES));
    for (column, value) in [
        (4, text("3")),
        (5, Value::Gauge32(999)),
        (6, Value::Integer(5)),
        (7, Value::Counter64(u64::MAX)),
        (8, Value::Integer(i64::MIN)),
        (9, Value::Gauge32(0xffff_fffd)),
    ] {
        put(&mut rows, &SUPPLIES, &[column, 1, 1], value);
    }
    let supply = &snapshot(&rows, true, None).unwrap().supplies[0];
    assert_eq!((supply.class, supply.kind.number()), (SupplyClass::Other, 999));
    assert_eq!((supply.unit, supply.max_capacity, supply.level), (SupplyUnit::Unknown, -2, -3));
    assert_eq!(supply.description, "");
}

fn any_row() -> impl Strategy<Value = Varbind> {
    let bases = [
        SYSTEM,
        HR_DEVICE,
        HR_PRINTER,
        GENERAL,
        COVER,
        LOCALIZATION,
        INPUT,
        MARKER,
        SUPPLIES,
        COLORANT,
        ALERT,
    ];
    let value = prop_oneof![
        any::<i64>().prop_map(Value::Integer),
        (-4..20_i64).prop_map(Value::Integer),
        any::<u32>().prop_map(Value::Gauge32),
        prop::collection::vec(any::<u8>(), 0..40).prop_map(|octets| Value::OctetString(octets.into())),
        Just(Value::ObjectId(HR_DEVICE_PRINTER)),
        Just(Value::NoSuchInstance),
    ];
    (
        prop::sample::select(bases.to_vec()),
        prop::collection::vec(prop_oneof![0..20_u32, any::<u32>()], 0..5),
        value,
    )
        .prop_map(|(base, index, value)| Varbind { oid: base.child(&index), value })
}

proptest! {
    #[test]
    fn no_rows_panic_or_grow(rows in prop::collection::vec(any_row(), 0..80)) {
        if let Ok(snapshot) = snapshot(&rows, true, None) {
            prop_assert!(snapshot.supplies.len() <= rows.len());
            prop_assert!(snapshot.supplies.iter().all(|supply| supply.description.chars().count() <= 255));
        }
    }
}
