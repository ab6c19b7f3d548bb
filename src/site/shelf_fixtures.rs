//! A shelf for tests.

use jiff::civil::date;

use super::fixtures::{TODAY, at, slot};
use crate::domain::ids::{DeviceId, LotId, MovementId, PartId};
use crate::domain::part::{Currency, LeadTime, Part, PartKind, Price};
use crate::domain::shelf::{Lot, Movement, MovementKind, Standing};
use crate::domain::units::Measure;
use crate::usecase::shelf::PartAsked;
use crate::usecase::sift::Leaf;
use crate::usecase::view::{LotLine, MovementLine, PartLine, PartView, ShelfView, SlotChoice, TakenBy};

fn part(number: &str, kind: PartKind, colour: Option<&str>) -> Part {
    Part {
        number: number.to_owned(),
        kind,
        colour: colour.map(str::to_owned),
        capacity: Some((if kind == PartKind::Receptacle { 1500.0 } else { 775.0 }, Measure::Millilitres)),
        shelf_life_months: (kind == PartKind::Cartridge).then_some(30),
        price: Some(Price { minor: 18_900, currency: Currency::from_code("EUR").unwrap() }),
        pack_size: 1,
        minimum_order: 2,
        supplier: Some("Opera stores".to_owned()),
        lead: Some(LeadTime { mean_days: 6.5, spread_days: Some(2.0) }),
        storage_note: None,
        models: Vec::new(),
    }
}

fn lot(id: i64, made_on: jiff::civil::Date, units: u32, standing: Standing) -> LotLine {
    let lot = Lot {
        id: LotId(id),
        part: PartId(1),
        made_on,
        place: "Shelf B".to_owned(),
        left_over: (id == 3).then_some(310.0),
        units,
        out: u32::from(id == 2),
    };
    let good_until = crate::domain::life::good_until(made_on, Some(30));
    LotLine { lot, good_until, standing, use_first_in: Some("Bobbin".to_owned()) }
}

pub(crate) fn shelf(machine: &str) -> ShelfView {
    let lots = vec![
        lot(1, date(2024, 4, 2), 1, Standing::Past),
        lot(3, date(2024, 7, 1), 1, Standing::Good),
        lot(2, date(2024, 7, 1), 3, Standing::Idle(2)),
    ];
    let cyan = PartLine {
        part: part("VO-C/775", PartKind::Cartridge, Some("Cyan")),
        units: 5,
        lots,
        machines: TakenBy::of(&[machine, "Thimble"]),
    };
    let waste = PartLine {
        part: part("VO-W-1500", PartKind::Receptacle, None),
        units: 0,
        lots: Vec::new(),
        machines: TakenBy::default(),
    };
    ShelfView { today: TODAY, parts: vec![cyan, waste] }
}

/// The part in a room where many machines take it, if one of them is looked for.
pub(crate) fn part_page(machine: &str, number: &str, asked: &PartAsked) -> Option<PartView> {
    let view = part_view(machine, number)?;
    let Leaf { lines, page, pages, .. } = view.slots;
    let slots = match asked.find.as_str() {
        "" => Leaf { lines, page, pages, found: 1, in_all: 1 },
        find if find == machine => Leaf { lines, page, pages, found: 1, in_all: 900 },
        _ => Leaf { lines: vec![], page, pages, found: 0, in_all: 900 },
    };
    Some(PartView { slots, ..view })
}

pub(crate) fn part_view(machine: &str, number: &str) -> Option<PartView> {
    let line = shelf(machine).parts.into_iter().find(|line| line.part.number == number)?;
    let cyan = slot(1, 1, "cyan");
    let movement = Movement {
        id: MovementId(41),
        lot: LotId(2),
        kind: MovementKind::Issued,
        quantity: -1,
        left_over: None,
        device: Some(DeviceId(1)),
        slot: Some(cyan.clone()),
        at: at("2026-11-20T09:15:00Z"),
        who: "print room".to_owned(),
        why: "swap".to_owned(),
    };
    Some(PartView {
        today: TODAY,
        proposed: line.lots.get(1).map(|line| line.lot.id),
        out: line.lots.iter().map(|line| line.lot.clone()).filter(|lot| lot.out > 0).collect(),
        slots: Leaf::whole(vec![SlotChoice { slot: cyan, device_name: machine.to_owned(), ends: TODAY }]),
        movements: vec![MovementLine {
            movement,
            made_on: date(2024, 7, 1),
            place: "Shelf B".to_owned(),
            device_name: Some(machine.to_owned()),
        }],
        line,
    })
}
