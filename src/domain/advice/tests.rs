//! Each kind of task once, as text.

use std::collections::BTreeMap;

use jiff::SignedDuration;
use jiff::tz::TimeZone;

use super::*;
use crate::domain::climate::Climate;
use crate::domain::ids::{SlotId, SupplyIndex};
use crate::domain::outlook::{Forecast, Grounds, Horizon, Slot};
use crate::domain::reading::Level;
use crate::domain::shelf::{Lot, Stock};
use crate::domain::standard::{AlertCode, AlertGroup, Severity, SupplyKind, SupplyUnit};

fn present() -> Present {
    Present { now: "2026-11-25T08:10:00Z".parse().unwrap(), zone: TimeZone::UTC }
}

fn supply(index: i32, role: Role, raw: (i32, i32), days: [i8; 3]) -> Outlook {
    let (kind, label) = match role {
        Role::Filled => (SupplyKind::WasteInk, "Waste receptacle"),
        Role::Consumed => (SupplyKind::InkCartridge, "Light magenta"),
    };
    Outlook {
        slot: Slot {
            id: SlotId(i64::from(index)),
            device: DeviceId(1),
            index: SupplyIndex(index),
            role,
            kind,
            colorant: (role == Role::Consumed).then(|| label.to_owned()),
            description: label.to_owned(),
        },
        as_of: present().now,
        level: Level::from_raw(SupplyUnit::TenthsOfMilliliters, raw.0, raw.1),
        daily_use: Some(9.0),
        forecast: Forecast::Known(Horizon {
            early: Date::constant(2026, 12, days[0]),
            middle: Date::constant(2026, 12, days[1]),
            late: Date::constant(2026, 12, days[2]),
        }),
    }
}

fn device(supplies: Vec<(Outlook, Option<Date>)>) -> DeviceState {
    DeviceState {
        id: DeviceId(1),
        name: "Bobbin".to_owned(),
        model: None,
        silent_since: None,
        errors: DetectedErrors::default(),
        alerts: Vec::new(),
        stopped_since: None,
        climate: None,
        last_used: BTreeMap::new(),
        supplies,
        units: std::collections::BTreeMap::new(),
        heads: Vec::new(),
    }
}

fn text(device: DeviceState) -> String {
    text_with(device, &[])
}

fn text_with(device: DeviceState, shelf: &[Stock]) -> String {
    let none = BTreeMap::new();
    let goods = Goods { stocks: shelf, coming: &[], usage: &none, took_days: &BTreeMap::new() };
    let plan = plan(&[device], &goods, &present(), &Practice::default());
    let lines = plan.tasks.iter().map(|task| format!("{} {}: {}", task.due, task.what, task.why));
    lines.collect::<Vec<_>>().join("\n")
}

fn stock(colour: &str, lots: &[(Date, u32)]) -> Stock {
    let lot = |(n, (made_on, units)): (i64, &(Date, u32))| Lot {
        id: crate::domain::ids::LotId(n),
        part: crate::domain::ids::PartId(1),
        made_on: *made_on,
        place: "shelf B".to_owned(),
        left_over: None,
        units: *units,
        out: 0,
    };
    let part = crate::domain::part::tests::cartridge(colour);
    Stock { id: crate::domain::ids::PartId(1), part, lots: (1..).zip(lots).map(lot).collect() }
}

#[test]
fn nothing_is_ordered_for_a_slot_that_the_shelf_covers() {
    let ink = |index| supply(index, Role::Consumed, (7750, 1180), [4, 9, 16]);
    let order_by = Some(Date::constant(2026, 11, 27));
    let device = device(vec![(ink(2), order_by), (ink(3), order_by)]);
    let shelf = |lots: &[(Date, u32)]| text_with(device.clone(), &[stock("Light magenta", lots)]);
    let made = Date::constant(2025, 3, 14);
    assert_eq!(shelf(&[(made, 2)]), "");
    insta::assert_snapshot!([shelf(&[]), shelf(&[(made, 1)])].join("\n\n"));
}

#[test]
fn a_swap_names_the_unit_to_take_and_old_stock_is_used_first() {
    let mut ink = supply(2, Role::Consumed, (7750, 80), [4, 9, 16]);
    ink.forecast = Forecast::Known(Horizon {
        early: Date::constant(2026, 11, 26),
        middle: Date::constant(2026, 11, 27),
        late: Date::constant(2026, 11, 29),
    });
    let lots = [
        (Date::constant(2024, 5, 24), 1),
        (Date::constant(2024, 6, 30), 3),
        (Date::constant(2025, 3, 14), 1),
    ];
    insta::assert_snapshot!(text_with(device(vec![(ink, None)]), &[stock("Light magenta", &lots)]));
}

#[test]
fn a_receptacle_past_its_order_point_is_ordered_today_and_ink_by_its_day() {
    let waste = supply(9, Role::Filled, (15000, 4200), [8, 14, 27]);
    let ink = supply(2, Role::Consumed, (7750, 1180), [4, 9, 16]);
    let device =
        device(vec![(waste, Some(Date::constant(2026, 11, 25))), (ink, Some(Date::constant(2026, 11, 27)))]);
    insta::assert_snapshot!(text(device), @r"
    2026-11-25 Order 1 waste receptacle for Bobbin: 72 % full, past its order point of 70 %; full about 14 Dec (8 Dec at the earliest); 7 days to arrive
    2026-11-27 Order 1 light magenta for Bobbin: 118 ml left; runs out between 4 Dec and 16 Dec; 7 days to arrive
    ");
}

#[test]
fn a_device_that_asks_is_believed_over_a_forecast() {
    let mut device = device(vec![(supply(2, Role::Consumed, (7750, 1180), [24, 27, 30]), None)]);
    device.alerts.push(DeviceAlert {
        severity: Severity::Critical,
        training: Some(4),
        group: AlertGroup::MarkerSupplies,
        group_index: 2,
        location: -2,
        code: AlertCode::MarkerInkEmpty,
        description: String::new(),
    });
    insta::assert_snapshot!(text(device), @"2026-11-25 Swap the light magenta of Bobbin: the device asks for it: ink empty");
}

#[test]
fn a_long_silence_is_a_task_because_head_care_needs_power() {
    let mut device = device(Vec::new());
    device.silent_since = Some("2026-11-22T18:40:00Z".parse().unwrap());
    insta::assert_snapshot!(text(device), @"2026-11-25 Switch Bobbin on, or find out why it does not answer: silent for 2 days; automatic head care only runs on a powered machine");
}

#[test]
fn an_order_falls_on_a_working_day() {
    let horizon = Horizon {
        early: Date::constant(2026, 12, 6),
        middle: Date::constant(2026, 12, 9),
        late: Date::constant(2026, 12, 16),
    };
    let prospect = Prospect {
        daily_use: Some(9.0),
        forecast: Forecast::Known(horizon),
        order_point: None,
        grounds: Grounds::default(),
        usage: None,
    };
    let mut practice = Practice::default();
    assert_eq!(order_by(Role::Consumed, &prospect, &practice), Some(Date::constant(2026, 11, 29)));
    practice.calendar =
        crate::domain::calendar::Calendar::new(["sat", "sun"].map(|day| day.parse().unwrap())).unwrap();
    assert_eq!(order_by(Role::Consumed, &prospect, &practice), Some(Date::constant(2026, 11, 27)));
}

#[test]
fn a_head_whose_warranty_ends_soon_is_looked_at_while_it_lasts() {
    let days = |days: [i8; 3]| {
        let [early, middle, late] = days.map(|day| Date::constant(2026, 12, day));
        Forecast::Known(Horizon { early, middle, late })
    };
    let outlook = |ml, days| HeadOutlook { ml: Some(ml), daily_ml: Some(9.0), by_limit: days };
    let head = |position, until| crate::domain::head::tests::head(position, until);
    let mut device = device(Vec::new());
    device.heads = vec![
        (head(1, Some(Date::constant(2027, 9, 30))), outlook(1112.0, days([4, 9, 16]))),
        (head(2, Some(Date::constant(2026, 12, 31))), HeadOutlook::unknown("not yet")),
        (head(3, Some(Date::constant(2027, 9, 30))), HeadOutlook::unknown("not yet")),
        (head(4, None), outlook(1200.0, days([4, 9, 16]))),
        (head(5, Some(Date::constant(2026, 11, 24))), outlook(100.0, days([4, 9, 16]))),
    ];
    insta::assert_snapshot!(text(device));
}

#[test]
fn ink_that_passes_its_date_in_a_machine_is_told_unless_it_is_used_up_by_then() {
    let mut device = device(vec![
        (supply(1, Role::Consumed, (7750, 1180), [4, 9, 16]), None),
        (supply(2, Role::Consumed, (7750, 1180), [14, 19, 26]), None),
        (supply(3, Role::Consumed, (7750, 1180), [14, 19, 26]), None),
    ]);
    let made = [Date::constant(2024, 6, 20), Date::constant(2024, 6, 20), Date::constant(2024, 4, 1)];
    for (slot, made_on) in (1..).zip(made) {
        let unit = UnitInside { part: "VO-LM-775".to_owned(), made_on, shelf_life_months: Some(30) };
        device.units.insert(SlotId(slot), unit);
    }
    insta::assert_snapshot!(text(device));
}

#[test]
fn silence_while_the_room_is_closed_is_not_missed() {
    let mut device = device(Vec::new());
    // From Friday evening to Wednesday morning, with Monday and Tuesday closed as well as the weekend.
    device.silent_since = Some("2026-11-20T18:00:00Z".parse().unwrap());
    let closed = ["sat", "sun", "2026-11-23..2026-11-24"].map(|day| day.parse().unwrap());
    let practice =
        Practice { calendar: crate::domain::calendar::Calendar::new(closed).unwrap(), ..Practice::default() };
    let (usage, took) = (BTreeMap::new(), BTreeMap::new());
    let goods = Goods { stocks: &[], coming: &[], usage: &usage, took_days: &took };
    let tasks = |practice: &Practice| plan(&[device.clone()], &goods, &present(), practice).tasks.len();
    assert_eq!((tasks(&practice), tasks(&Practice::default())), (0, 1));
}

#[test]
fn a_machine_that_waits_in_error_for_long_is_told_so() {
    let stopped = |since: &str| {
        let mut device = device(Vec::new());
        // jammed is bit 5 of hrPrinterDetectedErrorState, RFC 2790.
        device.errors = DetectedErrors(0x8000 >> 5);
        device.stopped_since = Some(since.parse().unwrap());
        text(device)
    };
    assert_eq!(stopped("2026-11-25T06:10:00Z"), "2026-11-25 See to Bobbin: it reports: jammed");
    assert_eq!(
        stopped("2026-11-22T08:10:00Z"),
        "2026-11-25 See to Bobbin: it reports: jammed, for 3 days; in error, a machine may not care for its heads"
    );
}

#[test]
fn colours_that_stand_unused_are_one_task() {
    let used = |days: [i8; 2]| {
        let far = [28, 29, 30];
        let inks = [1, 2].map(|index| (supply(index, Role::Consumed, (7750, 6000), far), None));
        let mut device = device(inks.to_vec());
        let day = |day| Date::constant(2026, 10, day);
        device.last_used = BTreeMap::from([(SlotId(1), day(days[0])), (SlotId(2), day(days[1]))]);
        text(device)
    };
    assert_eq!(used([27, 28]), "");
    assert_eq!(
        used([26, 28]),
        "2026-11-25 Print something with the light magenta of Bobbin: nothing was taken of it for 30 days; ink that \
         stands may settle, see the maker's manual"
    );
    assert!(used([26, 20]).contains("for 30 to 36 days"));
}

#[test]
fn air_that_is_not_as_it_is_to_be_is_told_for_a_day_and_not_of_a_machine_that_is_dark() {
    let reported = |celsius, humidity_percent, hours| DeviceState {
        climate: Some(Report {
            at: present().now - SignedDuration::from_hours(hours),
            climate: Climate { celsius: Some(celsius), humidity_percent },
        }),
        ..device(Vec::new())
    };
    let told = [text(reported(33.5, Some(22.0), 1)), text(reported(14.0, None, 24))];
    insta::assert_snapshot!(told.join("\n"));
    assert_eq!(text(reported(22.0, Some(45.0), 1)), "");
    assert_eq!(text(reported(33.5, None, 25)), "", "what is a day old says nothing of now");
    let silent_since = Some(present().now - SignedDuration::from_hours(24));
    let dark = text(DeviceState { silent_since, ..reported(33.5, None, 1) });
    assert!(dark.contains("Switch Bobbin on") && !dark.contains("too warm"), "{dark}");
}
