use jiff::{SignedDuration, ToSpan};
use proptest::prelude::*;

use super::presence::PollRun;
use super::report::Silence;
use super::*;
use crate::domain::alert::Rule;
use crate::domain::ids::{DeviceId, LotId, PartId, SlotId, SupplyIndex};
use crate::domain::outlook::{Present, Slot};
use crate::domain::part::{Currency, Part, PartKind, Price};
use crate::domain::reading::Role;
use crate::domain::shelf::{Lot, MovementKind, Stock};
use crate::domain::standard::SupplyKind;
use crate::domain::units::Measure;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn lisbon() -> TimeZone {
    TimeZone::get("Europe/Lisbon").unwrap()
}

#[test]
fn months_are_read_strictly_and_step_over_the_year() {
    let month: Month = "2026-12".parse().unwrap();
    assert_eq!(month.after().to_string(), "2027-01");
    assert_eq!(month.before().to_string(), "2026-11");
    assert_eq!(month.year_before().to_string(), "2025-12");
    assert_eq!(month.last_day().day(), 31);
    assert_eq!(month.name(), "December 2026");
    for wrong in ["2026-13", "2026-1", "26-01", "October", "", "2026-10-01", "+026-10"] {
        assert!(wrong.parse::<Month>().is_err(), "{wrong}");
    }
}

/// The clocks of Lisbon change on 29 March and 25 October 2026 (Directive 2000/84/EC: at 01:00 UTC on the last
/// Sundays of March and October); Reykjavík has kept one time since 1968.
#[test]
fn a_month_is_as_long_as_the_zone_makes_it() {
    let hours = |month: &str, zone: &TimeZone| {
        let (begins, ends) = month.parse::<Month>().unwrap().edges(zone);
        (begins.to_string(), ends.duration_since(begins).as_hours())
    };
    let reykjavik = TimeZone::get("Atlantic/Reykjavik").unwrap();
    assert_eq!(hours("2026-03", &lisbon()), ("2026-03-01T00:00:00Z".to_owned(), 743));
    assert_eq!(hours("2026-04", &lisbon()), ("2026-03-31T23:00:00Z".to_owned(), 720));
    assert_eq!(hours("2026-10", &lisbon()), ("2026-09-30T23:00:00Z".to_owned(), 745));
    assert_eq!(hours("2026-11", &lisbon()), ("2026-11-01T00:00:00Z".to_owned(), 720));
    assert_eq!(hours("2026-03", &reykjavik), ("2026-03-01T00:00:00Z".to_owned(), 744));
    assert_eq!(hours("2026-10", &reykjavik), ("2026-10-01T00:00:00Z".to_owned(), 744));
}

/// Asunción's midnight of 1 October 2017 did not happen: the clocks went from 00:00 to 01:00 (tz database).
#[test]
fn a_midnight_that_is_skipped_is_the_moment_after() {
    let asuncion = TimeZone::get("America/Asuncion").unwrap();
    let (begins, _) = "2017-10".parse::<Month>().unwrap().edges(&asuncion);
    assert_eq!(begins.to_string(), "2017-10-01T04:00:00Z");
}

proptest! {
    #[test]
    fn months_follow_one_another_without_hole_or_overlap(year in 1971..2037i16, month in 1..13i8) {
        for zone in ["Europe/Lisbon", "Atlantic/Reykjavik", "Australia/Lord_Howe", "America/Asuncion"] {
            let zone = TimeZone::get(zone).unwrap();
            let month = Month::of(jiff::civil::date(year, month, 1));
            prop_assert_eq!(month.edges(&zone).1, month.after().edges(&zone).0);
            let last = zone.to_datetime(month.edges(&zone).1 - SignedDuration::from_secs(1)).date();
            prop_assert_eq!(Month::of(last), month);
        }
    }
}

#[test]
fn coverage_is_what_the_gaps_leave() {
    let at = |hours: i64| Timestamp::from_second(hours * 3600).unwrap();
    let patience = SignedDuration::from_mins(30);
    let answered = [(at(1), at(4)), (at(4), at(5)), (at(8), at(9))];
    assert_eq!(gaps(&answered, at(0), at(10), patience), [(at(0), at(1)), (at(5), at(8)), (at(9), at(10))]);
    assert!((coverage(&answered, at(0), at(10), patience) - 0.5).abs() < 1e-12);
    assert_eq!(gaps(&answered, at(2), at(5), patience), []);
    assert_eq!(coverage(&[], at(3), at(3), patience), 0.0);
    assert_eq!(coverage(&[], at(3), at(5), patience), 0.0);
}

#[test]
fn a_silence_of_the_machine_is_told_from_one_of_the_service() {
    let at = |hours: i64| Timestamp::from_second(hours * 3600).unwrap();
    let run = |from, until, fault: Option<&str>| PollRun {
        from: at(from),
        until: at(until),
        fault: fault.map(str::to_owned),
    };
    // Ten hours: four answered, two without an answer, then the service stood still for three, one answered.
    let runs = [run(0, 4, None), run(4, 6, Some("no answer")), run(9, 10, None)];
    let presence = Presence::of(&runs, at(0), at(10), SignedDuration::from_mins(30));
    let told: Vec<_> = presence.gaps.iter().map(|gap| (gap.from, gap.to, gap.why.clone())).collect();
    assert_eq!(
        told,
        [(at(4), at(6), Silence::Unanswered("no answer".to_owned())), (at(6), at(9), Silence::NotAsked)]
    );
    assert!((presence.coverage - 0.5).abs() < 1e-6);
    assert!((presence.availability.unwrap() - 5.0 / 7.0).abs() < 1e-6);
    let never = Presence::of(&[], at(0), at(10), SignedDuration::from_mins(30));
    assert_eq!((never.coverage, never.availability), (0.0, None));
}

proptest! {
    /// Whatever was asked and answered: the gaps do not overlap, lie in the span, and leave the coverage.
    #[test]
    fn gaps_and_coverage_make_up_the_span(lengths in proptest::collection::vec((0..400i64, 0..400i64, 0..3u8), 0..40)) {
        let mut now = 0;
        let moment = |minutes: i64| Timestamp::from_second(minutes * 60).unwrap();
        let mut runs = Vec::new();
        for (wait, length, kind) in lengths {
            let from = now + wait;
            now = from + length;
            let fault = (kind == 0).then(|| "no answer".to_owned());
            runs.push(PollRun { from: moment(from), until: moment(now), fault });
        }
        let (from, to) = (moment(100), moment(8000));
        let presence = Presence::of(&runs, from, to, SignedDuration::from_mins(30));
        let mut silent = 0.0;
        let mut last = from;
        for gap in &presence.gaps {
            prop_assert!(gap.from >= last && gap.to > gap.from && gap.to <= to);
            last = gap.to;
            silent += gap.to.duration_since(gap.from).as_secs_f64();
        }
        prop_assert!((presence.coverage - (1.0 - silent / to.duration_since(from).as_secs_f64())).abs() < 1e-5);
        prop_assert!(presence.availability.is_none_or(|share| share >= presence.coverage - 1e-5 && share <= 1.0));
    }
}

fn euro(minor: i64) -> Price {
    Price { minor, currency: Currency::from_code("EUR").unwrap() }
}

#[test]
fn a_share_of_a_price_is_in_whole_minor_units() {
    let worth = |amount, measure| {
        share_of_price(euro(18_900), (amount, measure), Some((775.0, Measure::Millilitres)))
    };
    assert_eq!(worth(775.0, Measure::Millilitres), Some(euro(18_900)));
    assert_eq!(worth(100.0, Measure::Millilitres), Some(euro(2439)), "24.387 euro");
    assert_eq!(worth(25.0, Measure::Percent), Some(euro(4725)));
    assert_eq!(worth(1.0, Measure::Grams), None);
    assert_eq!(worth(f64::NAN, Measure::Millilitres), None);
    assert_eq!(share_of_price(euro(1), (1.0, Measure::Millilitres), None), None);
}

fn slot(id: i64, device: i64, colour: &str) -> Slot {
    Slot {
        id: SlotId(id),
        device: DeviceId(device),
        index: SupplyIndex(1),
        role: Role::Consumed,
        kind: SupplyKind::InkCartridge,
        colorant: Some(colour.to_owned()),
        description: String::new(),
    }
}

fn stock(number: &str, colour: &str, price: Option<Price>) -> Stock {
    let part = Part {
        number: number.to_owned(),
        kind: PartKind::Cartridge,
        colour: Some(colour.to_owned()),
        capacity: Some((500.0, Measure::Millilitres)),
        shelf_life_months: None,
        price,
        pack_size: 1,
        minimum_order: 1,
        supplier: None,
        lead: None,
        storage_note: None,
        models: Vec::new(),
    };
    let lot = Lot {
        id: LotId(1),
        part: PartId(1),
        made_on: jiff::civil::date(2026, 1, 1),
        place: "Shelf B".to_owned(),
        left_over: None,
        units: 1,
        out: 0,
    };
    Stock { id: PartId(1), part, lots: vec![lot] }
}

fn device(id: i64, cost_centre: Option<&str>) -> DeviceRecord {
    DeviceRecord {
        id: DeviceId(id),
        name: format!("Machine {id}"),
        site: "Vellmoor Opera print loft".to_owned(),
        model: None,
        cost_centre: cost_centre.map(str::to_owned),
        poll_every_s: 900,
        since: at("2026-01-01T00:00:00Z"),
        until: None,
    }
}

fn sums(slot: Slot, used: f64, swaps: u32, left: f64) -> SlotSums {
    SlotSums {
        slot,
        measure: Measure::Millilitres,
        used,
        spread: used / 4.0,
        unseen: 0.0,
        swaps,
        left,
        issued: None,
    }
}

fn november() -> (Month, Present) {
    ("2026-10".parse().unwrap(), Present { now: at("2026-11-25T08:00:00Z"), zone: lisbon() })
}

#[test]
fn what_was_used_is_priced_by_the_part_that_goes_in() {
    let (month, present) = november();
    let mut dear = sums(slot(2, 1, "Cyan"), 250.0, 0, 0.0);
    dear.issued = Some("VO-C-501".to_owned());
    let records = Records {
        devices: vec![device(1, Some("Scenery"))],
        slots: vec![
            sums(slot(1, 1, "Magenta"), 100.0, 1, 50.0),
            dear,
            sums(slot(3, 1, "Cyan"), 10.0, 0, 0.0),
        ],
        stocks: vec![
            stock("VO-C-500", "Cyan", Some(euro(10_000))),
            stock("VO-C-501", "Cyan", Some(euro(12_000))),
            stock("VO-M-500", "Magenta", Some(euro(10_000))),
        ],
        taken: vec![TakenRecord {
            device: DeviceId(1),
            part: "VO-M-500".to_owned(),
            left_over: Some(125.0),
            units: 2,
        }],
        ..Records::default()
    };
    let report = build(month, records, &present);
    let of = |n: usize| &report.devices[0].supplies[n];
    assert_eq!((of(0).cost, of(0).left_cost), (Some(euro(2000)), Some(euro(1000))), "only one part fits");
    assert_eq!(of(1).cost, Some(euro(6000)), "the part that was issued");
    assert_eq!(of(2).cost, None, "two parts fit, and none was issued");
    assert_eq!(
        report.devices[0].taken.iter().collect::<Vec<_>>(),
        [euro(5000)],
        "two that were a quarter full"
    );
    assert_eq!(report.forecasts, Forecasts::NotKept);
    assert_eq!(report.needs, None);
}

#[test]
fn alerts_are_counted_up_to_the_end_of_the_month() {
    let (month, present) = november();
    let span = |opened: &str, cleared: Option<&str>| AlertSpan {
        rule: Rule::LowSupply,
        opened_at: at(opened),
        seen_at: (opened == "2026-10-05T00:00:00Z").then(|| at("2026-10-05T00:20:00Z")),
        cleared_at: cleared.map(at),
    };
    let records = Records {
        alerts: vec![
            span("2026-09-01T00:00:00Z", Some("2026-09-02T00:00:00Z")),
            span("2026-09-30T00:00:00Z", Some("2026-10-01T12:00:00Z")),
            span("2026-10-05T00:00:00Z", Some("2026-10-05T01:00:00Z")),
            span("2026-10-30T00:00:00Z", Some("2026-11-03T00:00:00Z")),
            span("2026-11-02T00:00:00Z", None),
        ],
        ..Records::default()
    };
    let report = build(month, records, &present);
    let told = &report.alerts[0];
    assert_eq!((told.opened, told.cleared, told.open_at_end), (2, 2, 1));
    assert_eq!((told.median_minutes, told.slowest_minutes), (Some(60), Some(36 * 60)));
    assert_eq!((told.seen, told.median_seen_minutes), (1, Some(20)));
}

#[test]
fn a_rule_is_exchanged_by_the_word_that_it_is_stored_by() {
    for rule in Rule::ALL {
        assert_eq!(serde_json::to_string(&rule).unwrap(), format!("\"{}\"", rule.word()));
    }
}

/// A random course of a part's stock, as the shelf's ledger has it: kinds with signed quantities.
fn movements() -> impl Strategy<Value = Vec<(usize, i64, Option<u16>)>> {
    proptest::collection::vec((0..5usize, 1..9i64, proptest::option::of(0..500u16)), 0..40)
}

proptest! {
    /// Start and movements come to the end, in units and in money, whatever moved.
    #[test]
    fn stock_and_its_worth_balance(start in 0..50i64, moves in movements(), price in 0..100_000i64) {
        let (month, present) = november();
        let whole = LotFlow {
            part: "VO-C-500".to_owned(),
            left_over: None,
            units: StockFlow { start, end: start, ..StockFlow::default() },
        };
        let mut flows = vec![whole];
        for (kind, quantity, left) in moves {
            let kind = MovementKind::ALL[kind];
            let goes = matches!(kind, MovementKind::Issued | MovementKind::WrittenOff);
            let sum = if goes { -quantity } else { quantity };
            let mut units = StockFlow::default();
            units.book(kind, sum);
            units.end += sum;
            flows.push(LotFlow { part: "VO-C-500".to_owned(), left_over: left.map(f64::from), units });
        }
        let records = Records {
            stocks: vec![stock("VO-C-500", "Cyan", Some(euro(price)))],
            flows,
            ..Records::default()
        };
        let report = build(month, records, &present);
        for part in &report.parts {
            prop_assert!(part.units.balances(), "{part:?}");
            prop_assert!(part.value.unwrap().balances(), "{part:?}");
        }
        for (_, value) in report.stock_value() {
            prop_assert!(value.balances());
        }
    }

    /// However a month's use is cut up, the machines, the cost centres, the colours and the whole say the same.
    #[test]
    fn every_way_to_sum_a_report_comes_to_the_same(
        used in proptest::collection::vec((1..4i64, 0..3usize, 0.0..900.0f64, 0..3u32, 0.0..90.0f64), 1..40),
    ) {
        let (month, present) = november();
        let colours = ["Cyan", "Magenta", "Yellow"];
        let centres = [Some("Scenery"), None, Some("Wardrobe")];
        let slots = used.iter().zip(1..).map(|((device, colour, used, swaps, left), id)| {
            sums(slot(id, *device, colours[*colour]), *used, *swaps, *left)
        });
        let records = Records {
            devices: (1..4).map(|id| device(id, centres[id as usize - 1])).collect(),
            slots: slots.collect(),
            stocks: vec![stock("VO-C-500", "Cyan", Some(euro(9999))), stock("VO-M-500", "Magenta", None)],
            ..Records::default()
        };
        let report = build(month, records, &present);
        let all = report.all();
        let colours = report.totals();
        let (mut costs, mut lefts) = (Costs::default(), Costs::default());
        colours.iter().for_each(|total| { costs.add_all(&total.cost); lefts.add_all(&total.left_cost); });
        prop_assert_eq!(&costs, &all.cost);
        prop_assert_eq!(&lefts, &all.left_cost);
        let near = |a: f64, b: f64| (a - b).abs() < 1e-6;
        prop_assert!(near(colours.iter().map(|total| total.used).sum(), all.ink_ml));
        prop_assert_eq!(colours.iter().map(|total| total.swaps).sum::<u32>(), all.swaps);
        for groups in [report.cost_centres(), report.sites()] {
            prop_assert!(near(groups.iter().map(|group| group.ink_ml).sum(), all.ink_ml));
            prop_assert_eq!(groups.iter().map(|group| group.swaps).sum::<u32>(), all.swaps);
            prop_assert_eq!(groups.iter().map(|group| group.machines).sum::<u32>(), all.machines);
            let mut costs = Costs::default();
            groups.iter().for_each(|group| costs.add_all(&group.cost));
            prop_assert_eq!(&costs, &all.cost);
        }
        for supply in report.devices.iter().flat_map(|device| &device.supplies) {
            prop_assert!(near(supply.measured() + supply.spread, supply.used));
        }
    }

    /// What a closed month is kept as is read back as it was.
    #[test]
    fn thousandths_are_kept(amount in 0.0..1e9f64) {
        let told = thousandths(amount);
        prop_assert!((told - amount).abs() <= 0.000_5 + 1e-6);
        prop_assert_eq!(thousandths(told), told);
    }
}

#[test]
fn a_month_before_its_end_is_not_complete() {
    let zone = lisbon();
    let month: Month = "2026-10".parse().unwrap();
    let (_, ends) = month.edges(&zone);
    for (now, complete) in [(ends - 1.second(), false), (ends, true)] {
        let report = build(month, Records::default(), &Present { now, zone: zone.clone() });
        assert_eq!((report.complete, report.as_of), (complete, now));
    }
}

#[test]
fn a_report_is_handed_in_from_its_day_on_about_the_month_before() {
    let due = |day: &str, from| Month::to_hand_in(day.parse().unwrap(), from).map(|month| month.to_string());
    assert_eq!(due("2026-11-02", 3), None);
    assert_eq!(due("2026-11-03", 3).as_deref(), Some("2026-10"));
    assert_eq!(due("2026-11-30", 3).as_deref(), Some("2026-10"));
    assert_eq!(due("2027-01-01", 1).as_deref(), Some("2026-12"));
}
