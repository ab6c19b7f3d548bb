//! The simulation against its own promises: identities of the truth, where the levels stand, determinism.

// The lint's allowance for tests does not reach helper functions of an integration test.
#![allow(clippy::unwrap_used)]

use jiff::civil::date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use mock_agent::{Oid, Polarity, Room, Scenario, Value};

const DAYS: u32 = 120;

fn opened(scenario: &Scenario) -> Timestamp {
    let zone = TimeZone::get(&scenario.time_zone).unwrap();
    date(2026, 7, 28).to_zoned(zone).unwrap().timestamp()
}

fn moment(scenario: &Scenario, days: u32, hour: i8) -> Timestamp {
    let zone = TimeZone::get(&scenario.time_zone).unwrap();
    let day = date(2026, 7, 28).checked_add(i64::from(days).days()).unwrap();
    day.at(hour, 0, 0, 0).to_zoned(zone).unwrap().timestamp()
}

fn played(scenario: &Scenario, days: u32, hour: i8) -> Room {
    let mut room = Room::new(scenario, opened(scenario), DAYS);
    room.advance_to(moment(scenario, days, hour));
    room
}

fn look(room: &Room, printer: usize, name: &str) -> Option<Value> {
    let name: Oid = name.parse().unwrap();
    room.view(printer).iter().find(|(known, _)| *known == name).map(|(_, value)| value.clone())
}

fn number(room: &Room, printer: usize, name: &str) -> i64 {
    match look(room, printer, name) {
        Some(Value::Integer(number)) => i64::from(number),
        Some(Value::Counter32(number) | Value::Gauge32(number) | Value::TimeTicks(number)) => {
            i64::from(number)
        }
        other => panic!("{name} is {other:?}"),
    }
}

#[test]
fn use_and_swaps_account_for_every_level() {
    let room = played(&Scenario::vellmoor(), DAYS + 60, 17);
    let truth = room.truth();
    assert!(truth.swaps.len() > 20, "only {} swaps", truth.swaps.len());
    assert!(truth.swaps.is_sorted_by_key(|swap| swap.at));
    for (place, printer) in truth.printers.iter().enumerate() {
        for supply in &printer.supplies {
            let used: f64 = supply.daily_ml.iter().sum();
            let swaps =
                truth.swaps.iter().filter(|swap| swap.printer == place && swap.supply == supply.index);
            let gained: f64 = swaps.map(|swap| swap.new_ml - swap.old_ml).sum();
            let expected = supply.first_level_ml + gained - used;
            assert!(
                (supply.level_ml - expected).abs() < 1e-6,
                "{} {}: {} is not {expected}",
                printer.name,
                supply.description,
                supply.level_ml
            );
            assert!(supply.level_ml >= 0.0 && supply.level_ml <= supply.capacity_ml);
            assert_eq!(supply.daily_ml.len(), (DAYS + 61) as usize);
        }
    }
}

#[test]
fn ink_through_the_heads_is_the_ink_used() {
    let room = played(&Scenario::vellmoor(), DAYS, 10);
    for printer in &room.truth().printers {
        for day in 0..=DAYS as usize {
            let inks = printer.supplies.iter().filter(|supply| !supply.receptacle);
            let used: f64 = inks.map(|supply| supply.daily_ml[day]).sum();
            let through: f64 = printer.heads.iter().map(|head| head.daily_ml[day]).sum();
            assert!((used - through).abs() < 1e-6, "{} day {day}: {used} is not {through}", printer.name);
        }
        let inks = printer.supplies.iter().filter(|supply| !supply.receptacle).count();
        for ink in 0..inks {
            let heads =
                printer.heads.iter().filter(|head| head.shares.iter().any(|(place, _)| *place == ink));
            assert_eq!(heads.count(), 2, "{}: every colour runs through two heads", printer.name);
        }
    }
}

/// Checks every `stands_at` of a scenario; returns how many there were.
fn check_levels(scenario: &Scenario, room: &Room, note: &str) -> usize {
    let mut checked = 0;
    for (plan, printer) in scenario.printers.iter().zip(&room.truth().printers) {
        let inks = plan.inks.iter().map(|ink| ink.stands_at);
        let wishes = inks.chain(plan.waste.as_ref().map(|waste| waste.stands_at));
        for (wish, supply) in wishes.zip(&printer.supplies) {
            let Some(wish) = wish else { continue };
            let stands = supply.level_ml / supply.capacity_ml;
            let name = format!("{note}: {} {}", printer.name, supply.description);
            assert!((stands - wish).abs() < 0.01, "{name} stands at {stands}, not {wish}");
            checked += 1;
        }
    }
    checked
}

#[test]
fn levels_stand_where_the_scenario_says() {
    let scenario = Scenario::vellmoor();
    assert!(check_levels(&scenario, &played(&scenario, DAYS, 10), "120 days") > 45);
}

#[test]
fn levels_stand_there_whatever_the_date_and_the_length_of_the_history() {
    let scenario = Scenario::vellmoor();
    let zone = TimeZone::get(&scenario.time_zone).unwrap();
    // The last of these phase days is a Sunday, the day before it a day off.
    for (days, start) in
        [(0, date(2026, 2, 3)), (7, date(2026, 10, 20)), (33, date(2026, 3, 1)), (50, date(2026, 4, 4))]
    {
        let start = start.to_zoned(zone.clone()).unwrap();
        let mut room = Room::new(&scenario, start.timestamp(), days);
        let phase = start.date().checked_add(i64::from(days).days()).unwrap();
        room.advance_to(phase.at(10, 0, 0, 0).to_zoned(zone.clone()).unwrap().timestamp());
        check_levels(&scenario, &room, &format!("{days} days from {start}"));
        let gray = room.truth().swaps.iter().rfind(|swap| swap.printer == 0 && swap.supply == 8);
        let swapped = gray.map(|swap| swap.at.to_zoned(zone.clone()).date());
        assert_eq!(swapped, (days > 0).then(|| phase.yesterday().unwrap()), "{days} days from {start}");
    }
}

#[test]
fn the_built_in_room_always_has_something_to_show() {
    let scenario = Scenario::vellmoor();
    let room = played(&scenario, DAYS, 12);
    let truth = room.truth();
    let zone = TimeZone::get(&scenario.time_zone).unwrap();
    let yesterday = moment(&scenario, DAYS - 1, 12).to_zoned(zone.clone()).date();
    let gray = truth.swaps.iter().rfind(|swap| swap.printer == 0 && swap.supply == 8).unwrap();
    assert_eq!(gray.at.to_zoned(zone).date(), yesterday, "Bobbin's gray was swapped the day before");
    let inks =
        truth.printers.iter().flat_map(|printer| &printer.supplies).filter(|supply| !supply.receptacle);
    let mut lowest: Vec<f64> = inks.map(|ink| ink.level_ml / ink.capacity_ml).collect();
    lowest.sort_by(f64::total_cmp);
    assert!(lowest[0] < 0.07 && (0.10..0.13).contains(&lowest[1]) && lowest[2] > 0.2, "{lowest:?}");
    assert!(truth.swaps.iter().any(|swap| swap.old_capacity_ml == 225.0 && swap.capacity_ml == 775.0));
    assert!(room.is_dark(2), "Selvage has been dark for two days and a half");
    assert!((0..6).filter(|printer| room.is_dark(*printer)).count() == 1);
    let span = truth.printers[2].dark.last().unwrap();
    assert_eq!(span.from, moment(&scenario, DAYS - 3, 12));
    assert_eq!(span.until, None);
}

#[test]
fn the_same_arguments_make_the_same_room_however_it_is_advanced() {
    let scenario = Scenario::vellmoor();
    let once = played(&scenario, 40, 9);
    let mut often = Room::new(&scenario, opened(&scenario), DAYS);
    for day in 0..=40 {
        often.advance_to(moment(&scenario, day, 7));
        often.advance_to(moment(&scenario, day, 3));
    }
    often.advance_to(moment(&scenario, 40, 9));
    assert_eq!(once.truth(), often.truth());
    for printer in 0..6 {
        assert_eq!(once.mib(printer), often.mib(printer));
        assert!(once.mib(printer).is_sorted_by(|a, b| a.0 < b.0));
    }
    let mut other = scenario.clone();
    other.seed += 1;
    assert_ne!(played(&other, 40, 9).truth().printers, once.truth().printers);
}

#[test]
fn sensors_tell_the_truth_to_their_step() {
    let mut scenario = Scenario::vellmoor();
    scenario.printers[3].waste.as_mut().unwrap().polarity = Polarity::Filled;
    let room = played(&scenario, DAYS, 10);
    let truth = room.truth();
    let (bobbin, thimble, weft) = (0, 1, 5);
    let level = |printer: usize, dev: u32, supply: usize| {
        number(&room, printer, &format!("1.3.6.1.2.1.43.11.1.1.9.{dev}.{supply}")) as f64
    };
    for supply in 1..=9 {
        let ml = |printer: usize| truth.printers[printer].supplies[supply - 1].level_ml;
        assert!((level(bobbin, 1, supply) / 10.0 - ml(bobbin)).abs() <= 0.05);
        let share = 100.0 * ml(thimble) / truth.printers[thimble].supplies[supply - 1].capacity_ml;
        let above = level(thimble, 3, supply) - share;
        assert!((0.0..1.0).contains(&above), "{above} above the truth is no ceiling");
    }
    // The US fluid ounce has 29.5735295625 ml.
    let ounces = truth.printers[weft].supplies[0].level_ml / 29.573_529_562_5;
    assert_eq!(level(weft, 1, 1), (ounces * 100.0).floor());
    // A receptacle of that polarity tells what is in it instead of the room left.
    let waste = &truth.printers[3].supplies[8];
    let filled = 100.0 * (1.0 - waste.level_ml / waste.capacity_ml);
    assert_eq!(level(3, 1, 9), filled.floor());
}

#[test]
fn alerts_follow_the_levels() {
    let room = played(&Scenario::vellmoor(), DAYS, 10);
    // Bobbin's cyan stands at 6 %: a warning about supply 1, and the low bit of the printer.
    let rows: Vec<_> =
        room.view(0).iter().filter(|(name, _)| name.to_string().contains(".43.18.1.1.7.1.")).collect();
    assert_eq!(rows.len(), 1, "{rows:?}");
    assert_eq!(rows[0].1, Value::Integer(1105));
    let index = rows[0].0.0.last().unwrap();
    assert_eq!(number(&room, 0, &format!("1.3.6.1.2.1.43.18.1.1.2.1.{index}")), 4);
    assert_eq!(number(&room, 0, &format!("1.3.6.1.2.1.43.18.1.1.4.1.{index}")), 11);
    assert_eq!(number(&room, 0, &format!("1.3.6.1.2.1.43.18.1.1.5.1.{index}")), 1);
    assert_eq!(number(&room, 0, "1.3.6.1.2.1.25.3.2.1.5.1"), 3);
    assert_eq!(look(&room, 0, "1.3.6.1.2.1.25.3.5.1.2.1"), Some(Value::OctetString(vec![0x20])));
    assert!(number(&room, 0, "1.3.6.1.2.1.43.5.1.1.19.1") >= i64::from(*index));
}

#[test]
fn a_machine_that_is_off_at_night_starts_again_and_skips_its_care() {
    let mut scenario = Scenario::vellmoor();
    let night = "from = \"20:00\"\nuntil = \"07:00\"";
    scenario.printers.truncate(1);
    scenario.printers[0].off_hours = Some(toml::from_str(night).unwrap());
    let start = moment(&scenario, 0, 0);
    let mut room = Room::new(&scenario, start, 10);
    room.advance_to(moment(&scenario, 0, 23));
    assert!(room.is_dark(0));
    let boots = room.boots(0);
    room.advance_to(moment(&scenario, 1, 8));
    assert!(!room.is_dark(0));
    assert_eq!(room.boots(0), boots + 1);
    assert_eq!(room.uptime_seconds(0), 3600);
    room.advance_to(moment(&scenario, 10, 8));
    let waste = room.truth().printers[0].supplies.last().unwrap();
    let monday: f64 = waste.daily_ml.iter().sum();
    // Daily care at 06:30 falls into the night; Monday's cleaning at 07:00 does not.
    assert_eq!(waste.daily_ml.iter().filter(|ml| **ml > 0.0).count(), 1, "{:?}", waste.daily_ml);
    assert!(monday > 8.0);
}

#[test]
fn hands_at_a_printer_are_told_at_once() {
    use mock_agent::Hand;
    let mut room = played(&Scenario::vellmoor(), DAYS, 10);
    let device = room.printers()[0].device_index;
    let told = |room: &Room, tail: &str| number(room, 0, &format!("1.3.6.1.2.1.43.{tail}"));
    let level = format!("11.1.1.9.{device}.1");
    let status = |room: &Room| number(room, 0, &format!("1.3.6.1.2.1.25.3.5.1.1.{device}"));
    let (swaps, before) = (room.truth().swaps.len(), told(&room, &level));
    room.handle(0, Hand::StartJob);
    assert_eq!(status(&room), 4);
    room.handle(0, Hand::EndJob);
    assert_ne!(status(&room), 4);
    room.handle(0, Hand::Open(2));
    assert_eq!((told(&room, &format!("6.1.1.3.{device}.2")), status(&room)), (3, 1));
    room.handle(0, Hand::TakeOut(1));
    assert_eq!(told(&room, &level), -2);
    let bits = look(&room, 0, &format!("1.3.6.1.2.1.25.3.5.1.2.{device}"));
    assert!(
        matches!(&bits, Some(Value::OctetString(octets)) if octets.len() == 2 && octets[1] == 0x20),
        "{bits:?}"
    );
    // markerInkMissing(1119) of RFC 3805, in the table of alerts.
    let missing = |room: &Room| {
        let codes = room.view(0).iter().filter(|(name, _)| name.to_string().contains(".43.18.1.1.7."));
        codes.filter(|(_, value)| *value == Value::Integer(1119)).count()
    };
    assert_eq!(missing(&room), 1);
    room.handle(0, Hand::PutIn(1));
    room.handle(0, Hand::Close(2));
    assert_eq!((missing(&room), told(&room, &format!("6.1.1.3.{device}.2"))), (0, 4));
    assert!(told(&room, &level) > before);
    assert_eq!(room.truth().swaps.len(), swaps + 1);
    room.handle(0, Hand::TakeOut(99));
    room.handle(99, Hand::PutIn(1));
    assert_eq!(room.truth().swaps.len(), swaps + 1);
}
