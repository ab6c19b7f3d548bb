use proptest::prelude::*;

use super::*;
use crate::domain::ids::{LotId, PartId};
use crate::domain::part::tests::cartridge;
use crate::domain::shelf::Lot;

fn faults<T: std::fmt::Debug>(read: Result<Vec<T>, Vec<RowFault>>) -> String {
    read.unwrap_err().iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

#[test]
fn every_bad_row_is_told_with_its_line() {
    let file = "number,kind,capacity,unit,price_minor,currency,shelf_life_months,pack_size\r\n\
                VO-C-775,cartridge,775,ml,18900,EUR,,\r\n\
                VO-M-775,bottle,775,,189.00,euro,30,0\r\n\
                \"VO-\nY\",cartridge,-5,ml,,EUR,soon,1e3\r\n\
                VO-C-775,receptacle,,,,,,\r\n\
                VO-K-775,cartridge\r\n\
                ,head,,,,,,\r\n";
    insta::assert_snapshot!(faults(read_parts(file.as_bytes())));
}

#[test]
fn a_file_of_other_columns_is_refused_at_its_head() {
    insta::assert_snapshot!(faults(read_parts(b"nummer,kind,kind\n")));
    insta::assert_snapshot!(faults(read_lots(b"")));
    insta::assert_snapshot!(faults(read_parts(b"number,kind\nVO-\xff,head\n")));
}

#[test]
fn what_is_left_out_is_the_usual() {
    let parts =
        read_parts(b"\xef\xbb\xbfkind,number,models\ncartridge,VO-C,A|B \nreceptacle,VO-W,\n").unwrap();
    let [ink, waste] = &parts[..] else { panic!("{parts:?}") };
    assert_eq!((ink.shelf_life_months, waste.shelf_life_months), (Some(30), None));
    assert_eq!((ink.pack_size, ink.minimum_order), (1, 1));
    assert_eq!(ink.models, ["A", "B"]);
    assert!(waste.models.is_empty());
}

#[test]
fn a_month_of_manufacture_is_its_first_day() {
    let day = |text| made_on(text).map(|day| day.to_string());
    assert_eq!(day("2025-03"), Some("2025-03-01".to_owned()));
    assert_eq!(day("2024-02-29"), Some("2024-02-29".to_owned()));
    for wrong in ["2025-02-29", "2025-13", "Mar 2025", "25-03-2025", "2025-3", "", "2025-03-14T0"] {
        assert_eq!(day(wrong), None, "{wrong}");
    }
}

#[test]
fn a_part_is_written_column_by_column() {
    let fresh =
        part_with(None, &[("number", "VO-C"), ("kind", "cartridge"), ("price", "189.5 EUR")]).unwrap();
    let price = fresh.price.unwrap();
    assert_eq!((price.minor, price.currency.code(), fresh.shelf_life_months), (18_950, "EUR", Some(30)));
    let changed =
        part_with(Some(&fresh), &[("price", ""), ("lead_days", "9"), ("supplier", "=Opera stores")]);
    let changed = changed.unwrap();
    assert_eq!((changed.price, changed.lead.map(|lead| lead.mean_days)), (None, Some(9.0)));
    assert_eq!(
        changed,
        Part { price: None, lead: changed.lead, supplier: Some("=Opera stores".into()), ..fresh.clone() }
    );
    let wrong =
        [("price", "cheap"), ("kind", ""), ("pack_size", "0"), ("shape", "round"), ("capacity", "775")];
    let faults = part_with(Some(&fresh), &wrong).unwrap_err();
    let told: Vec<(&str, &str)> = faults.iter().map(RowFault::at_column).collect();
    assert_eq!(
        told.iter().map(|(column, _)| *column).collect::<Vec<_>>(),
        ["price", "shape", "kind", "capacity", "pack_size"]
    );
    assert_eq!(told[2].1, "is empty");
}

#[test]
fn lots_are_told_apart_from_part_used_units() {
    let file = "part,made_on,place,units,left_over\nVO-C,2025-03,Shelf B,2,310\nVO-C,March,,none,\nVO-C,2025-03,Shelf B,1,310.5\n";
    insta::assert_snapshot!(faults(read_lots(file.as_bytes())));
}

fn word() -> impl Strategy<Value = String> {
    "[=+@A-Za-zé\",' -]{0,10}[A-Za-z0-9,\"]"
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(
        number in word(), note in word(), models in prop::collection::vec(word(), 0..3),
        capacity in 0.001..1e6f64, minor in 0i64..1_000_000, months in prop::option::of(1u32..600),
        place in word(), units in 1u32..50,
    ) {
        let trimmed = |text: String| text.trim().trim_start_matches('\'').trim().to_owned();
        let part = Part {
            number: trimmed(number),
            capacity: Some((capacity, Measure::Millilitres)),
            price: Some(Price { minor, currency: Currency::from_code("EUR").unwrap() }),
            shelf_life_months: months,
            lead: Some(LeadTime { mean_days: 7.5, spread_days: Some(2.25) }),
            storage_note: Some(trimmed(note)),
            models: models.into_iter().map(trimmed).collect(),
            ..cartridge("Light cyan")
        };
        let lot = Lot {
            id: LotId(1), part: PartId(1), made_on: "2025-03-14".parse().unwrap(), place: trimmed(place),
            left_over: None, units, out: 0,
        };
        let stocks = [Stock { id: PartId(1), part, lots: vec![lot] }];
        let parts = read_parts(&write_parts(&stocks).unwrap());
        prop_assert_eq!(parts.as_deref(), Ok(&[stocks[0].part.clone()][..]));
        let lots = read_lots(&write_lots(&stocks).unwrap()).unwrap();
        prop_assert_eq!(&lots[0].part, &stocks[0].part.number);
        prop_assert_eq!((&lots[0].place, lots[0].units), (&stocks[0].lots[0].place, units));
    }

    #[test]
    fn no_file_is_too_odd(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = read_parts(&bytes);
        let _ = read_lots(&bytes);
        let mut named = b"number,kind,capacity,unit\n".to_vec();
        named.extend(bytes);
        let _ = read_parts(&named);
    }
}
