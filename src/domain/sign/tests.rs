//! From raw polls through what is kept of them to the units that were found.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Sign;
use crate::domain::calendar::Calendar;
use crate::domain::ids::SupplyIndex;
use crate::domain::install::{Arrival, Install, Question};
use crate::domain::outlook::Present;
use crate::domain::polarity::Watch;
use crate::domain::poll::{Memory, Patience, Poll, fold};
use crate::domain::reading::{Level, Reading, Role};
use crate::domain::snapshot::{Cover, DeviceAlert, Snapshot, SupplyRow};
use crate::domain::standard::{
    AlertCode, AlertGroup, CoverStatus, Severity, SupplyClass, SupplyKind, SupplyUnit,
};
use crate::domain::stream::{Event, Sizes};

const COLOURS: [&str; 4] = ["cyan", "magenta", "yellow", "matte black"];

fn at(n: i64) -> Timestamp {
    Timestamp::from_second(1_764_000_000 + n * 900).unwrap()
}

/// A machine whose cartridges of 775 ml hold so many tenths of a millilitre, in the order of its colours.
fn machine(levels: &[i32]) -> Snapshot {
    let row = |(n, level): (usize, &i32)| SupplyRow {
        index: SupplyIndex(i32::try_from(n).unwrap() + 1),
        marker: 1,
        class: SupplyClass::Consumed,
        kind: SupplyKind::InkCartridge,
        description: format!("{} ink cartridge", COLOURS[n]),
        colorant: Some(COLOURS[n].to_owned()),
        unit: SupplyUnit::TenthsOfMilliliters,
        max_capacity: 7750,
        level: *level,
    };
    Snapshot {
        device_index: 1,
        supplies: levels.iter().enumerate().map(row).collect(),
        complete: true,
        ..Snapshot::default()
    }
}

/// One machine's polls, a quarter of an hour apart, each with whatever a test does to it.
fn polls(levels: &[&[i32]], change: impl Fn(usize, &mut Snapshot)) -> Vec<Poll> {
    let poll = |(n, levels): (usize, &&[i32])| {
        let mut snapshot = machine(levels);
        change(n, &mut snapshot);
        Poll { at: at(i64::try_from(n).unwrap()), outcome: Ok(snapshot) }
    };
    levels.iter().enumerate().map(poll).collect()
}

#[derive(Debug, Default)]
struct Found {
    installs: Vec<Install>,
    questions: Vec<Question>,
    signs: Vec<Sign>,
}

impl Found {
    fn arrivals(&self) -> Vec<Arrival> {
        self.installs.iter().map(|install| install.arrival).collect()
    }
}

/// What follows from polls, by the colour of the slot.
fn follow(polls: &[Poll]) -> BTreeMap<String, Found> {
    let mut memory = Memory::new(at(0), SignedDuration::from_mins(15));
    let present = Present { now: at(1000), zone: TimeZone::UTC };
    let always = Calendar::default();
    let patience = Patience { dark_after: SignedDuration::from_hours(24), calendar: &always };
    let changes = fold(&mut memory, polls, &present, patience);
    let sizes = Sizes { full_ml: Some(775.0), first_ml: None };
    let follow = |(index, slot): (&SupplyIndex, &crate::domain::poll::SlotMemory)| {
        let kept = changes.readings.iter().filter(|reading| reading.index == *index);
        let readings: Vec<Reading> = kept
            .map(|kept| Reading {
                at: kept.at,
                previous_at: kept.previous_at,
                level: Level::from_raw(SupplyUnit::from_number(kept.unit), kept.max_capacity, kept.level),
            })
            .collect();
        let of_slot = changes.signs.iter().filter(|sign| sign.index.is_none_or(|of| of == *index));
        let signs: Vec<(Timestamp, Sign)> = of_slot.map(|sign| (sign.at, sign.sign)).collect();
        let mut watch = Watch::new(Role::Consumed, None, sizes.into());
        let mut found = Found { signs: signs.iter().map(|(_, sign)| *sign).collect(), ..Found::default() };
        let mut tell = |event| match event {
            Event::Began(install) => found.installs.push(install),
            Event::Asked(question) => found.questions.push(question),
            _ => {}
        };
        watch.follow(&readings, &signs, &TimeZone::UTC, &mut tell);
        watch.seen(slot.seen_at, &TimeZone::UTC, &mut tell);
        (slot.row.colorant.clone().unwrap(), found)
    };
    memory.slots.iter().map(follow).collect()
}

fn missing(row: i32) -> DeviceAlert {
    DeviceAlert {
        severity: Severity::Critical,
        training: None,
        group: AlertGroup::MarkerSupplies,
        group_index: row,
        location: -2,
        code: AlertCode::MarkerInkMissing,
        description: String::new(),
    }
}

fn open_cover() -> Cover {
    Cover { index: 1, description: "Ink door".to_owned(), status: CoverStatus::CoverOpen }
}

/// From 699 to 660 ml in a quarter of an hour: a little more than the fastest job.
const DOUBTFUL: [&[i32]; 6] = [&[7000], &[6990], &[6600], &[6600], &[6600], &[6600]];
/// From 699 to 200 ml: no job.
const FALLEN: [&[i32]; 6] = [&[7000], &[6990], &[2000], &[2000], &[2000], &[2000]];
/// From 699 to 686 ml: a job of usual size.
const USED: [&[i32]; 6] = [&[7000], &[6990], &[6860], &[6860], &[6860], &[6860]];

#[test]
fn an_open_cover_turns_a_doubtful_fall_into_a_swap() {
    let found = &follow(&polls(&DOUBTFUL, |_, _| {}))["cyan"];
    assert_eq!((found.arrivals(), found.questions.len()), (vec![Arrival::Found], 1));
    let open = |n: usize, snapshot: &mut Snapshot| {
        if n == 1 {
            snapshot.covers.push(open_cover());
        }
    };
    let found = &follow(&polls(&DOUBTFUL, open))["cyan"];
    assert_eq!((found.arrivals(), found.questions.len()), (vec![Arrival::Found, Arrival::Fallen], 0));
    assert_eq!(found.signs, [Sign::Opened, Sign::Closed]);
    let sure = found.installs[1].confidence;
    let plainly = &follow(&polls(&FALLEN, |_, _| {}))["cyan"].installs[1];
    assert!(sure < plainly.confidence && sure > 0.8, "{sure} {}", plainly.confidence);
}

#[test]
fn a_cover_that_was_closed_before_or_has_stood_open_for_days_tells_nothing() {
    let before = |n: usize, snapshot: &mut Snapshot| {
        if n == 0 {
            snapshot.covers.push(open_cover());
        }
    };
    let mut levels = vec![[7000].as_slice(); 3];
    levels.extend(DOUBTFUL);
    assert_eq!(follow(&polls(&levels, before))["cyan"].questions.len(), 1);
    let mut levels = vec![[7000].as_slice(); 100];
    levels.extend(DOUBTFUL);
    let always = |_: usize, snapshot: &mut Snapshot| snapshot.covers.push(open_cover());
    assert_eq!(follow(&polls(&levels, always))["cyan"].questions.len(), 1);
}

#[test]
fn the_devices_own_word_that_a_unit_is_missing_decides() {
    let out = |n: usize, snapshot: &mut Snapshot| {
        if n == 1 {
            snapshot.alerts.push(missing(1));
        }
    };
    let found = &follow(&polls(&DOUBTFUL, out))["cyan"];
    assert_eq!((found.arrivals(), found.questions.len()), (vec![Arrival::Found, Arrival::Fallen], 0));
    // What a job explains is a job, but somebody had the unit in his hands: it is asked.
    let found = &follow(&polls(&USED, out))["cyan"];
    assert_eq!((found.arrivals(), found.questions.len()), (vec![Arrival::Found], 1));
    assert_eq!(follow(&polls(&USED, |_, _| {}))["cyan"].questions.len(), 0);
    // The word about another slot says nothing of this one.
    let other = |n: usize, snapshot: &mut Snapshot| {
        if n == 1 {
            snapshot.alerts.push(missing(2));
        }
    };
    assert_eq!(follow(&polls(&DOUBTFUL, other))["cyan"].questions.len(), 1);
}

#[test]
fn another_description_or_serial_number_makes_a_small_rise_a_swap() {
    // By 5 ml: more than a step, and less than jitter may be.
    let levels: [&[i32]; 6] = [&[600], &[590], &[640], &[640], &[640], &[640]];
    assert_eq!(follow(&polls(&levels, |_, _| {}))["cyan"].arrivals(), [Arrival::Found]);
    let renamed = |n: usize, snapshot: &mut Snapshot| {
        if n >= 2 {
            snapshot.supplies[0].description.push_str(" VO-9");
        }
    };
    let found = &follow(&polls(&levels, renamed))["cyan"];
    assert_eq!(found.arrivals(), [Arrival::Found, Arrival::Renamed]);
    assert!(found.installs[1].confidence > 0.99);
    let exchanged = |n: usize, snapshot: &mut Snapshot| {
        snapshot.identity.serial = Some(format!("VO-{}", u8::from(n >= 2)));
    };
    assert_eq!(follow(&polls(&levels, exchanged))["cyan"].arrivals(), [Arrival::Found, Arrival::Renamed]);
    // A name that comes late tells nothing of a rise that was there before.
    let late = |n: usize, snapshot: &mut Snapshot| {
        if n >= 4 {
            snapshot.supplies[0].description.push_str(" VO-9");
        }
    };
    assert_eq!(follow(&polls(&levels, late))["cyan"].arrivals(), [Arrival::Found]);
}

#[test]
fn a_set_that_is_exchanged_at_once_is_surer_than_one_unit() {
    let set: [&[i32]; 6] = [
        &[300, 400, 500, 7000],
        &[300, 390, 500, 6990],
        &[390, 7700, 7700, 6600],
        &[390, 7700, 7700, 6600],
        &[390, 7700, 7690, 6600],
        &[390, 7700, 7690, 6600],
    ];
    let found = follow(&polls(&set, |_, _| {}));
    assert!(COLOURS.iter().all(|colour| found[*colour].installs.len() == 2), "{found:?}");
    assert_eq!(found["matte black"].arrivals()[1], Arrival::Fallen, "a part-used one among them");
    let alone: Vec<Vec<i32>> = set.iter().map(|levels| levels[..1].to_vec()).collect();
    let alone: Vec<&[i32]> = alone.iter().map(Vec::as_slice).collect();
    let one = &follow(&polls(&alone, |_, _| {}))["cyan"].installs[1];
    let of_set = &found["cyan"].installs[1];
    assert!(of_set.confidence > one.confidence, "{} {}", of_set.confidence, one.confidence);
}

/// A device that starts anew and numbers its table in another order, from another number on.
#[test]
fn a_reset_device_with_another_order_of_rows_swaps_nothing() {
    let levels: Vec<[i32; 4]> =
        (0..40).map(|n| [7000 - 10 * n, 400 - 10 * n, 3000 - 5 * n, 5000 - n].map(|ml| ml.max(0))).collect();
    let levels: Vec<&[i32]> = levels.iter().map(<[i32; 4]>::as_slice).collect();
    let reset = |n: usize, snapshot: &mut Snapshot| {
        snapshot.uptime_centiseconds =
            Some(if n < 10 { 100_000_000 + 90_000 * n as u32 } else { 500 + 90_000 * (n as u32 - 10) });
        if n >= 10 {
            snapshot.supplies.reverse();
            for (row, index) in snapshot.supplies.iter_mut().zip(3..) {
                row.index = SupplyIndex(index);
            }
        }
        if n >= 20 {
            snapshot.supplies.swap(0, 2);
            for (row, index) in snapshot.supplies.iter_mut().zip(1..) {
                row.index = SupplyIndex(index);
            }
        }
    };
    let found = follow(&polls(&levels, reset));
    assert_eq!(found.len(), 4);
    for colour in COLOURS {
        assert_eq!(found[colour].arrivals(), [Arrival::Found], "{colour}");
        assert!(found[colour].questions.is_empty(), "{colour}");
        assert_eq!(found[colour].signs, [Sign::Restarted], "{colour}");
    }
}

#[test]
fn rows_that_go_and_come_back_are_the_same_slots() {
    let levels: Vec<[i32; 3]> = (0..12).map(|n| [7000 - 10 * n, 4000 - 10 * n, 3000 - 5 * n]).collect();
    let levels: Vec<&[i32]> = levels.iter().map(<[i32; 3]>::as_slice).collect();
    let gone = |n: usize, snapshot: &mut Snapshot| {
        if (4..8).contains(&n) {
            snapshot.supplies.remove(0);
            snapshot.supplies[0].index = SupplyIndex(1);
            snapshot.supplies[1].index = SupplyIndex(2);
        }
    };
    let found = follow(&polls(&levels, gone));
    assert_eq!(found.keys().collect::<Vec<_>>(), ["cyan", "magenta", "yellow"]);
    assert!(found.values().all(|found| found.arrivals() == [Arrival::Found]), "{found:?}");
}

#[test]
fn a_fall_that_comes_with_a_start_of_the_device_alone_is_asked_about() {
    let restart = |n: usize, snapshot: &mut Snapshot| {
        let up = if n < 2 { 9_000_000 + 90_000 * n as u32 } else { 100 + 90_000 * (n as u32 - 2) };
        snapshot.uptime_centiseconds = Some(up);
    };
    let found = &follow(&polls(&FALLEN, restart))["cyan"];
    assert_eq!((found.arrivals(), found.questions.len()), (vec![Arrival::Found], 1));
    let opened = |n: usize, snapshot: &mut Snapshot| {
        restart(n, snapshot);
        if n == 1 {
            snapshot.covers.push(open_cover());
        }
    };
    assert_eq!(follow(&polls(&FALLEN, opened))["cyan"].arrivals(), [Arrival::Found, Arrival::Fallen]);
}

#[test]
fn a_unit_that_is_taken_out_shaken_and_put_back_is_no_swap() {
    let percent = |level| {
        let mut snapshot = machine(&[0]);
        let row = &mut snapshot.supplies[0];
        (row.unit, row.max_capacity, row.level) = (SupplyUnit::Percent, 100, level);
        snapshot
    };
    let shaken = |levels: [i32; 8], handled: bool| {
        let poll = |(n, level): (usize, &i32)| {
            let mut snapshot = percent(*level);
            if handled && n == 2 {
                snapshot.alerts.push(missing(1));
            }
            Poll { at: at(i64::try_from(n).unwrap()), outcome: Ok(snapshot) }
        };
        follow(&levels.iter().enumerate().map(poll).collect::<Vec<_>>()).remove("cyan").unwrap().arrivals()
    };
    let up = |level| [12, 12, 12, level, level, level, level, 12];
    assert_eq!(shaken(up(13), true), [Arrival::Found], "the shake frees a step");
    assert_eq!(shaken([12, 12, -2, 12, 12, 12, 12, 12], true), [Arrival::Found]);
    assert_eq!(shaken(up(14), false), [Arrival::Found]);
    assert_eq!(shaken([12, 12, 12, 14, 14, 14, 14, 14], true), [Arrival::Found, Arrival::Risen]);
}

#[test]
fn a_starter_a_full_one_and_a_part_used_one_are_told_from_raw_polls() {
    let mut levels: Vec<[i32; 1]> = vec![[60], [50], [7750], [7750], [7740], [7700]];
    levels.extend([[3100]; 4]);
    levels.extend([[5200]; 4]);
    let levels: Vec<&[i32]> = levels.iter().map(<[i32; 1]>::as_slice).collect();
    let starter = |n: usize, snapshot: &mut Snapshot| {
        if n < 2 {
            snapshot.supplies[0].max_capacity = 2250;
        }
    };
    let found = &follow(&polls(&levels, starter))["cyan"];
    assert_eq!(found.arrivals(), [Arrival::Found, Arrival::Resized, Arrival::Fallen, Arrival::Risen]);
    let began: Vec<f64> = found.installs.iter().map(|install| install.start).collect();
    assert!(
        began.iter().zip([6.0, 775.0, 310.0, 520.0]).all(|(ours, ml)| (ours - ml).abs() < 1e-6),
        "{began:?}"
    );
    assert_eq!(found.installs[0].capacity, Some(225.0));
}
