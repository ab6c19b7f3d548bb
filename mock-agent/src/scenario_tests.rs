use super::*;

const SMALL: &str = r#"
name = "Attic"
time_zone = "Europe/Lisbon"
[[printer]]
name = "Bobbin"
description = "Ink printer"
media_width_mm = 610
snmp = { version = "v2c" }
ink = [{ colour = "Cyan", ml_per_m2 = 1.0, stands_at = 0.5 }]
"#;

fn fault(text: &str) -> String {
    Scenario::parse(text).expect_err("this scenario is faulty").to_string()
}

#[test]
fn the_built_in_room_is_whole() {
    let room = Scenario::vellmoor();
    let names: Vec<_> = room.printers.iter().map(|printer| printer.name.as_str()).collect();
    assert_eq!(names, ["Bobbin", "Thimble", "Selvage", "Gusset", "Tassel", "Weft"]);
    let inks: Vec<_> = room.printers.iter().map(|printer| printer.inks.len()).collect();
    assert_eq!(inks, [8, 8, 6, 8, 12, 6]);
    assert!(room.printers.iter().all(|printer| printer.waste.is_some()));
}

#[test]
fn a_small_scenario_takes_the_defaults() {
    let room = Scenario::parse(SMALL).unwrap();
    assert_eq!(room.printers[0].inks[0].capacity_ml, 775.0);
    assert_eq!(room.printers[0].snmp.community, "public");
    assert_eq!(room.moment, jiff::civil::time(10, 0, 0, 0));
}

#[test]
fn faults_name_the_key() {
    let unknown = fault(&SMALL.replace("media_width_mm", "media_width_cm"));
    assert!(unknown.contains("media_width_cm"), "{unknown}");
    let missing = fault(&SMALL.replace("media_width_mm = 610", ""));
    assert!(missing.contains("media_width_mm"), "{missing}");
    let zone = fault(&SMALL.replace("Europe/Lisbon", "Vellmoor/Loft"));
    assert!(zone.starts_with("time_zone:") && zone.contains("Vellmoor/Loft"), "{zone}");
    let stands = fault(&SMALL.replace("stands_at = 0.5", "stands_at = 50"));
    assert!(stands.starts_with("printer \"Bobbin\" ink \"Cyan\" stands_at:"), "{stands}");
    let both = fault(&SMALL.replace("stands_at = 0.5", "stands_at = 0.5, swapped_on = -1"));
    assert!(both.contains("not both"), "{both}");
    let user = fault(&SMALL.replace("\"v2c\"", "\"v3\""));
    assert!(user.contains("snmp.user"), "{user}");
    let head = fault(&format!("{SMALL}\n[[printer.head]]\nname = \"A\"\ncolours = [\"Puce\"]\n"));
    assert!(head.contains("Puce"), "{head}");
    let bare = fault(&format!("{SMALL}\n[[printer.head]]\nname = \"A\"\ncolours = []\n"));
    assert!(bare.contains("no head carries"), "{bare}");
    let closed = fault(&format!("closed = [\"13-40\"]\n{SMALL}"));
    assert!(closed.starts_with("closed:"), "{closed}");
}

#[test]
fn a_machine_may_have_sensors_and_they_come_behind_its_alerts() {
    let sensors = "climate = [{ index = 12, kind = 9, value = 41 }, { index = 4, kind = 8, precision = 1, value = 335 }]";
    let text = SMALL.replace("media_width_mm", &format!("{sensors}\nmedia_width_mm"));
    let mut room =
        crate::Room::new(&Scenario::parse(&text).unwrap(), "2026-10-20T00:00:00Z".parse().unwrap(), 0);
    room.handle(0, crate::Hand::TakeOut(1));
    let mib = room.mib(0);
    assert!(mib.is_sorted_by(|a, b| a.0 < b.0), "a walk goes through it in order");
    assert!(mib.iter().any(|(oid, _)| oid.to_string().starts_with("1.3.6.1.2.1.43.18.")), "it has an alert");
    let column = |column: u32| {
        let of = |index| {
            mib.iter().find(|(oid, _)| oid.to_string() == format!("1.3.6.1.2.1.99.1.1.1.{column}.{index}"))
        };
        [4, 12].map(|index| of(index).map(|(_, value)| value.clone()))
    };
    let told = [[8, 9], [9, 9], [1, 0], [335, 41], [1, 1]]
        .map(|row| row.map(|number| Some(crate::Value::Integer(number))));
    assert_eq!([1, 2, 3, 4, 5].map(column), told);
    let twice = fault(&text.replace("index = 12", "index = 4"));
    assert!(twice.contains("climate index"), "{twice}");
}

#[test]
fn a_machine_may_be_no_printer() {
    let plain = SMALL.replace("media_width_mm", "printer_mib = false\nmedia_width_mm");
    let room =
        crate::Room::new(&Scenario::parse(&plain).unwrap(), "2026-10-20T00:00:00Z".parse().unwrap(), 0);
    let names: Vec<String> = room.mib(0).iter().map(|(oid, _)| oid.to_string()).collect();
    assert!(names.iter().any(|name| name == "1.3.6.1.2.1.1.5.0"), "{names:?}");
    let printer =
        |name: &String| name.starts_with("1.3.6.1.2.1.43") || name.starts_with("1.3.6.1.2.1.25.3.5");
    assert!(!names.iter().any(printer), "{names:?}");
}
