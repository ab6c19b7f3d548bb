//! Polls of one device to what is worth keeping: changes and coverage, not repeats.
//!
//! Folding polls one by one or in one batch keeps the same; polls that are not later than the last one
//! folded are passed over, so that a batch brought in twice counts once.

mod place;
mod seen;

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::calendar::Calendar;
use super::ids::SupplyIndex;
use super::outlook::Present;
use super::sign::Sign;
use super::snapshot::{DeviceAlert, Marker, Snapshot, SupplyRow};
use super::standard::DetectedErrors;

/// A run of polls is broken off when this many intervals pass without a poll.
const MISSED_INTERVALS: i32 = 3;

/// One poll of one device, and how it went.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Poll {
    /// When the answer, or the lack of one, was noted.
    pub at: Timestamp,
    /// What the device said, or why it said nothing, as a sentence without its full stop.
    pub outcome: Result<Snapshot, String>,
}

/// A run of polls with one outcome.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// The first poll.
    pub started_at: Timestamp,
    /// The last poll.
    pub ended_at: Timestamp,
    /// How many polls.
    pub polls: i32,
    /// Why they failed; `None` where they were answered.
    pub fault: Option<String>,
}

/// A slot's last row.
#[derive(Debug, Clone, PartialEq)]
pub struct SlotMemory {
    /// The row as it came.
    pub row: SupplyRow,
    /// When it came to say this.
    pub changed_at: Timestamp,
    /// When it last said this.
    pub seen_at: Timestamp,
    /// The row's number under which the slot is kept so far; `None` if it is new.
    pub kept_as: Option<SupplyIndex>,
}

/// What has to be remembered of a device between polls.
#[derive(Debug, Clone, PartialEq)]
pub struct Memory {
    /// When it was added: its silence counts from then until it first answers.
    pub added_at: Timestamp,
    /// How often it is polled.
    pub poll_every: SignedDuration,
    /// The last poll.
    pub last_poll_at: Option<Timestamp>,
    /// The last poll that was answered.
    pub last_answer_at: Option<Timestamp>,
    /// Polls failed since then.
    pub failures: i32,
    /// The run of polls that is still going on.
    pub span: Option<Span>,
    /// Each slot's last row.
    pub slots: BTreeMap<SupplyIndex, SlotMemory>,
    /// What the device complains of.
    pub standing: Vec<DeviceAlert>,
    /// Whether the alert about its silence is open.
    pub dark: bool,
    /// Whether one of its covers stood open at the last answer.
    pub cover_open: bool,
    /// When its agent started, as of the last answer.
    pub up_since: Option<Timestamp>,
    /// Its serial number, as of the last answer that gave one.
    pub serial: Option<String>,
    /// Its model, as it was before these polls.
    pub model: Option<String>,
}

impl Memory {
    /// What is remembered of a device that has not been polled yet.
    #[must_use]
    pub fn new(added_at: Timestamp, poll_every: SignedDuration) -> Self {
        Self {
            added_at,
            poll_every,
            last_poll_at: None,
            last_answer_at: None,
            failures: 0,
            span: None,
            slots: BTreeMap::new(),
            standing: Vec::new(),
            dark: false,
            cover_open: false,
            up_since: None,
            serial: None,
            model: None,
        }
    }
}

/// A reading to be kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NewReading {
    /// Of which slot.
    pub index: SupplyIndex,
    /// When it came to say this.
    pub at: Timestamp,
    /// When the slot last said anything before.
    pub previous_at: Option<Timestamp>,
    /// `prtMarkerSuppliesSupplyUnit`.
    pub unit: i32,
    /// `prtMarkerSuppliesMaxCapacity` as it came.
    pub max_capacity: i32,
    /// `prtMarkerSuppliesLevel` as it came.
    pub level: i32,
}

/// A sign of a swap, to be kept beside the readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NewSign {
    /// Of which slot; none: of all of the device's.
    pub index: Option<SupplyIndex>,
    /// At which poll it was seen.
    pub at: Timestamp,
    /// What was seen.
    pub sign: Sign,
}

/// A span in which a slot was missing from its device's answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// Which slot.
    pub index: SupplyIndex,
    /// When it last stood in an answer before.
    pub from: Timestamp,
    /// When it stood in one again.
    pub to: Timestamp,
}

/// A row of the device's own alert table that came or went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AlertChange {
    /// It was not there at the poll before.
    Came(Timestamp, DeviceAlert),
    /// It is no longer there.
    Went(Timestamp, DeviceAlert),
}

/// A marker's life count over a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CountDay {
    /// The marker, with its last life count of the day.
    pub marker: Marker,
    /// The first life count of the day.
    pub first: u32,
    /// The last life count of the day.
    pub last: u32,
}

/// What a batch of polls adds to what is kept.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Changes {
    /// Runs of polls that began or grew, earliest first.
    pub spans: Vec<Span>,
    /// Readings where a slot changed.
    pub readings: Vec<NewReading>,
    /// What was seen besides the levels, in order.
    pub signs: Vec<NewSign>,
    /// Spans in which a slot was missing, once it is there again.
    pub gaps: Vec<Gap>,
    /// What the device detected, where that was not the same as at the answer before in the batch.
    pub detected: Vec<(Timestamp, DetectedErrors)>,
    /// Alerts of the device that came or went, in order.
    pub alerts: Vec<AlertChange>,
    /// When the device came to be dark (true) or answered again (false).
    pub dark: Vec<(Timestamp, bool)>,
    /// Life counts by marker and day.
    pub counts: BTreeMap<(i32, Date), CountDay>,
    /// The last answer and its time, if there was one.
    pub last_answer: Option<(Timestamp, Snapshot)>,
    /// The last poll and its fault, if there was a poll.
    pub last_poll: Option<(Timestamp, Option<String>)>,
}

/// How long a device may be silent before its head care is in doubt.
#[derive(Debug, Clone, Copy)]
pub struct Patience<'a> {
    /// So much silence on working days.
    pub dark_after: SignedDuration,
    /// When the print room works: silence through a closed day is expected, and does not count.
    pub calendar: &'a Calendar,
}

impl Patience<'_> {
    fn is_over(&self, since: Timestamp, now: Timestamp, zone: &TimeZone) -> bool {
        // All of the time is never less than the working part of it, and is known at once.
        now.duration_since(since) >= self.dark_after
            && self.calendar.open_time(since, now, zone) >= self.dark_after
    }
}

/// Folds polls, earliest first, into the memory of their device.
#[must_use]
pub fn fold(memory: &mut Memory, polls: &[Poll], present: &Present, patience: Patience<'_>) -> Changes {
    let mut changes = Changes::default();
    for poll in polls {
        if memory.last_poll_at.is_some_and(|last| poll.at <= last) {
            continue;
        }
        extend_span(memory, poll, &mut changes);
        match &poll.outcome {
            Ok(snapshot) => {
                if memory.dark {
                    memory.dark = false;
                    changes.dark.push((poll.at, false));
                }
                answer(memory, poll.at, snapshot, present.date(poll.at), &mut changes);
                changes.last_answer = Some((poll.at, snapshot.clone()));
                memory.last_answer_at = Some(poll.at);
                memory.failures = 0;
            }
            Err(_) => {
                memory.failures = memory.failures.saturating_add(1);
                let silent_since = memory.last_answer_at.unwrap_or(memory.added_at);
                if !memory.dark && patience.is_over(silent_since, poll.at, &present.zone) {
                    memory.dark = true;
                    changes.dark.push((poll.at, true));
                }
            }
        }
        memory.last_poll_at = Some(poll.at);
        changes.last_poll = Some((poll.at, poll.outcome.as_ref().err().cloned()));
    }
    changes
}

impl Changes {
    /// Rows have other numbers now: what is to be kept goes by those.
    fn renumber(&mut self, renumbered: &BTreeMap<SupplyIndex, SupplyIndex>) {
        let now = |index: &mut SupplyIndex| *index = renumbered.get(index).copied().unwrap_or(*index);
        if !renumbered.is_empty() {
            self.readings.iter_mut().for_each(|reading| now(&mut reading.index));
            self.signs.iter_mut().filter_map(|sign| sign.index.as_mut()).for_each(now);
            self.gaps.iter_mut().for_each(|gap| now(&mut gap.index));
        }
    }
}

fn extend_span(memory: &mut Memory, poll: &Poll, changes: &mut Changes) {
    let fault = poll.outcome.as_ref().err();
    let patience = memory.poll_every * MISSED_INTERVALS;
    let goes_on = memory.span.as_ref().is_some_and(|span| {
        span.fault.as_ref() == fault && poll.at.duration_since(span.ended_at) <= patience
    });
    match &mut memory.span {
        Some(span) if goes_on => {
            span.ended_at = poll.at;
            span.polls = span.polls.saturating_add(1);
        }
        other => {
            *other = Some(Span { started_at: poll.at, ended_at: poll.at, polls: 1, fault: fault.cloned() });
        }
    }
    let Some(span) = &memory.span else { return };
    match changes.spans.last_mut() {
        Some(last) if last.started_at == span.started_at => last.clone_from(span),
        _ => changes.spans.push(span.clone()),
    }
}

fn answer(memory: &mut Memory, at: Timestamp, snapshot: &Snapshot, day: Date, changes: &mut Changes) {
    // A table that broke off does not tell which rows are gone.
    if snapshot.complete {
        let renumbered = place::renumber(memory, &snapshot.supplies);
        changes.renumber(&renumbered);
    }
    seen::signs_of_rows(memory, at, snapshot, changes);
    seen::gaps(memory, at, snapshot, changes);
    if changes.detected.last().is_none_or(|(_, before)| *before != snapshot.errors) {
        changes.detected.push((at, snapshot.errors));
    }
    for row in &snapshot.supplies {
        let known = memory.slots.get_mut(&row.index);
        let same = known.as_ref().is_some_and(|slot| {
            (slot.row.unit, slot.row.max_capacity, slot.row.level) == (row.unit, row.max_capacity, row.level)
        });
        match known {
            Some(slot) if same => {
                slot.row.clone_from(row);
                slot.seen_at = at;
            }
            known => {
                let kept_as = known.as_ref().and_then(|slot| slot.kept_as);
                changes.readings.push(NewReading {
                    index: row.index,
                    at,
                    previous_at: known.map(|slot| slot.seen_at),
                    unit: row.unit.number(),
                    max_capacity: row.max_capacity,
                    level: row.level,
                });
                let slot = SlotMemory { row: row.clone(), changed_at: at, seen_at: at, kept_as };
                memory.slots.insert(row.index, slot);
            }
        }
    }
    let alerts_before = changes.alerts.len();
    compare_alerts(memory, at, snapshot, changes);
    seen::signs_of_the_device(memory, at, snapshot, alerts_before, changes);
    for marker in &snapshot.markers {
        let Some(count) = marker.life_count else { continue };
        let entry = changes.counts.entry((marker.index, day)).or_insert_with(|| CountDay {
            marker: marker.clone(),
            first: count,
            last: count,
        });
        entry.marker.clone_from(marker);
        entry.last = count;
    }
}

/// What identifies a condition in the device's own alert table (RFC 3805 §2.2.13.4).
fn condition(alert: &DeviceAlert) -> (i32, i32, i32, i32) {
    (alert.group.number(), alert.group_index, alert.location, alert.code.number())
}

fn compare_alerts(memory: &mut Memory, at: Timestamp, snapshot: &Snapshot, changes: &mut Changes) {
    let mut now: Vec<DeviceAlert> = Vec::new();
    for alert in &snapshot.alerts {
        if !now.iter().any(|other| condition(other) == condition(alert)) {
            now.push(alert.clone());
        }
    }
    // A table that broke off says nothing about the rows it did not reach.
    if snapshot.complete {
        for old in &memory.standing {
            if !now.iter().any(|alert| condition(alert) == condition(old)) {
                changes.alerts.push(AlertChange::Went(at, old.clone()));
            }
        }
    } else {
        let kept = memory.standing.iter().filter(|old| !now.iter().any(|a| condition(a) == condition(old)));
        let kept: Vec<DeviceAlert> = kept.cloned().collect();
        now.extend(kept);
    }
    for alert in &now {
        if !memory.standing.iter().any(|old| condition(old) == condition(alert)) {
            changes.alerts.push(AlertChange::Came(at, alert.clone()));
        }
    }
    memory.standing = now;
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::calendar::Closed;
    use crate::domain::standard::{AlertCode, AlertGroup, Severity, SupplyClass, SupplyKind, SupplyUnit};

    const QUARTER: SignedDuration = SignedDuration::from_mins(15);
    const DAY: SignedDuration = SignedDuration::from_hours(24);

    fn at(n: i64) -> Timestamp {
        Timestamp::from_second(1_764_000_000 + n * 900).unwrap()
    }

    fn memory() -> Memory {
        Memory::new(at(0), QUARTER)
    }

    fn zone() -> Present {
        Present { now: at(0), zone: TimeZone::UTC }
    }

    fn patience(calendar: &Calendar, dark_after: SignedDuration) -> Patience<'_> {
        Patience { dark_after, calendar }
    }

    fn snapshot(level: i32, alert: bool) -> Snapshot {
        let row = SupplyRow {
            index: SupplyIndex(1),
            marker: 1,
            class: SupplyClass::Consumed,
            kind: SupplyKind::InkCartridge,
            description: "Cyan ink cartridge".to_owned(),
            colorant: Some("cyan".to_owned()),
            unit: SupplyUnit::TenthsOfMilliliters,
            max_capacity: 7750,
            level,
        };
        let low = DeviceAlert {
            severity: Severity::Warning,
            training: None,
            group: AlertGroup::MarkerSupplies,
            group_index: 1,
            location: -2,
            code: AlertCode::MarkerInkAlmostEmpty,
            description: String::new(),
        };
        Snapshot {
            device_index: 1,
            supplies: vec![row],
            alerts: if alert { vec![low] } else { Vec::new() },
            complete: true,
            ..Snapshot::default()
        }
    }

    fn polls(outcomes: &[Option<(i32, bool)>]) -> Vec<Poll> {
        let outcome = |o: &Option<(i32, bool)>| match o {
            Some((level, alert)) => Ok(snapshot(*level, *alert)),
            None => Err("no answer".to_owned()),
        };
        outcomes.iter().enumerate().map(|(n, o)| Poll { at: at(n as i64), outcome: outcome(o) }).collect()
    }

    #[test]
    fn only_changes_are_kept_and_each_knows_the_answer_before_it() {
        let polls =
            polls(&[Some((500, false)), Some((500, false)), None, Some((490, true)), Some((490, true))]);
        let changes = fold(&mut memory(), &polls, &zone(), patience(&Calendar::default(), DAY));
        let kept: Vec<_> = changes.readings.iter().map(|r| (r.at, r.previous_at, r.level)).collect();
        assert_eq!(kept, [(at(0), None, 500), (at(3), Some(at(1)), 490)]);
        assert_eq!(
            changes.spans.iter().map(|s| (s.polls, s.fault.is_some())).collect::<Vec<_>>(),
            [(2, false), (1, true), (2, false)]
        );
        assert!(matches!(changes.alerts[..], [AlertChange::Came(when, _)] if when == at(3)));
    }

    #[test]
    fn a_long_silence_is_dark_once() {
        let mut outcomes = vec![Some((500, false))];
        outcomes.extend(std::iter::repeat_n(None, 200));
        outcomes.push(Some((500, false)));
        let changes = fold(&mut memory(), &polls(&outcomes), &zone(), patience(&Calendar::default(), DAY));
        assert_eq!(changes.dark, [(at(96), true), (at(201), false)]);
    }

    #[test]
    fn a_silence_through_closed_days_is_not_dark_until_a_working_day_is_missed() {
        // The polls begin on Monday 2025-11-24 at 16:00 UTC.
        let closed: Closed = "2025-11-25..2025-11-30".parse().unwrap();
        let calendar = Calendar::new([closed]).unwrap();
        let mut outcomes = vec![Some((500, false))];
        outcomes.extend(std::iter::repeat_n(None, 8 * 96));
        let changes = fold(&mut memory(), &polls(&outcomes), &zone(), patience(&calendar, DAY));
        // Eight hours of Monday, six closed days, and sixteen hours of the Monday after.
        assert_eq!(changes.dark, [(at(7 * 96), true)]);
    }

    proptest! {
        #[test]
        fn two_batches_keep_what_one_keeps_and_a_batch_twice_counts_once(
            outcomes in proptest::collection::vec(proptest::option::of((0..4i32, any::<bool>())), 0..60),
            cut in 0..60usize,
        ) {
            let polls = polls(&outcomes);
            let cut = cut.min(polls.len());
            let always = Calendar::default();
            let patience = patience(&always, QUARTER * 4);
            let mut whole = memory();
            let one = fold(&mut whole, &polls, &zone(), patience);
            let mut parts = memory();
            let first = fold(&mut parts, &polls[..cut], &zone(), patience);
            let again = fold(&mut parts, &polls[..cut], &zone(), patience);
            let second = fold(&mut parts, &polls[cut..], &zone(), patience);
            prop_assert_eq!(&again, &Changes::default());
            prop_assert_eq!(whole, parts);
            prop_assert_eq!(one.readings, [first.readings, second.readings].concat());
            prop_assert_eq!(one.signs, [first.signs, second.signs].concat());
            prop_assert_eq!(one.alerts, [first.alerts, second.alerts].concat());
            prop_assert_eq!(one.dark, [first.dark, second.dark].concat());
        }
    }
}
