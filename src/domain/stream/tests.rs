//! A follower put away and taken up again, or told only of changes, comes to the same.

use proptest::prelude::*;

use super::*;
use crate::domain::polarity::{Ground, Watch};
use crate::domain::reading::{Polarity, Role};
use crate::domain::standard::SupplyUnit;

/// One poll: when, and capacity and level as the device gave them.
type Poll = (i64, i32, i32);

fn reading(poll: Poll, previous: Option<i64>, unit: SupplyUnit) -> Reading {
    let stamp = |second| Timestamp::from_second(second).unwrap();
    Reading {
        at: stamp(poll.0),
        previous_at: previous.map(stamp),
        level: Level::from_raw(unit, poll.1, poll.2),
    }
}

/// Only the changes, each with the poll before it.
fn changes(polls: &[Poll]) -> Vec<(Poll, Option<i64>)> {
    let mut kept: Vec<(Poll, Option<i64>)> = Vec::new();
    let mut before: Option<Poll> = None;
    for poll in polls {
        if before.is_none_or(|before| (before.1, before.2) != (poll.1, poll.2)) {
            kept.push((*poll, before.map(|before| before.0)));
        }
        before = Some(*poll);
    }
    kept
}

fn watch(role: Role) -> Watch {
    Watch::new(role, None, Sizes { full_ml: Some(775.0), first_ml: Some(225.0) }.into())
}

/// What a slot came to: its installs without the present one, questions, days of both.
#[derive(Debug, Default, PartialEq)]
struct Told {
    ended: Vec<Install>,
    asked: Vec<Question>,
    days: Days,
}

impl Told {
    fn take(&mut self, event: Event) {
        match event {
            Event::Ended(install, days) => {
                self.ended.push(install);
                self.add(days);
            }
            Event::Asked(question) => self.asked.push(question),
            Event::Reversed => *self = Self::default(),
            Event::Believed { .. } | Event::Began(_) => {}
        }
    }

    fn add(&mut self, days: Days) {
        for (day, used) in days {
            self.days.entry(day).or_default().add(used);
        }
    }
}

fn follow_all(polls: &[Poll], role: Role, unit: SupplyUnit) -> (Watch, Told) {
    let (mut watch, mut told) = (watch(role), Told::default());
    for poll in polls {
        watch.push(&reading(*poll, None, unit), &TimeZone::UTC, &mut |event| told.take(event));
    }
    (watch, told)
}

fn close(ours: &Days, theirs: &Days) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() < 1e-6;
    let none = DayUse::default();
    ours.keys().chain(theirs.keys()).all(|day| {
        let (a, b) = (ours.get(day).unwrap_or(&none), theirs.get(day).unwrap_or(&none));
        near(a.used, b.used) && near(a.spread, b.spread) && near(a.unseen, b.unseen)
    })
}

/// The store's way to keep what is told: days before the first open one are final, the rest is replaced.
#[derive(Default)]
struct Kept {
    installs: std::collections::BTreeMap<Timestamp, Days>,
    asked: usize,
    first_open_day: Option<Date>,
}

impl Kept {
    fn save(&mut self, install: &Install, days: Days) {
        let kept = self.installs.entry(install.from).or_default();
        kept.retain(|day, _| self.first_open_day.is_some_and(|open| *day < open));
        kept.extend(days);
    }
}

/// Polls of a supply that is used, flickers, jitters, falls silent and is swapped.
fn polls() -> impl Strategy<Value = (Vec<Poll>, SupplyUnit)> {
    let step = (0..100u32, 0..400i32, 1..4i64);
    (proptest::collection::vec(step, 1..400), any::<bool>()).prop_map(|(steps, percent)| {
        let (full, unit) =
            if percent { (100, SupplyUnit::Percent) } else { (7750, SupplyUnit::TenthsOfMilliliters) };
        let scale = full / 100;
        let (mut at, mut level) = (1_760_000_000, full / 2);
        let polls = steps.into_iter().map(|(what, amount, wait)| {
            at += wait * 900 + i64::from(amount % 60);
            let mut said = level;
            match what {
                0..30 => {}
                30..60 => level = (level - amount % (2 * scale).max(2)).max(0),
                60..75 => said = (level + amount % 3 - 1).clamp(0, full),
                75..80 => said = (amount * scale / 4).clamp(0, full),
                80..84 => said = -2 - amount % 2,
                84..88 => at += i64::from(amount) * 600,
                88..92 => level = full,
                92..95 => level = (amount * scale / 4).clamp(0, full),
                _ => said = full + 5,
            }
            if matches!(what, 0..60 | 84..95) {
                said = level;
            }
            (at, full, said)
        });
        (polls.collect(), unit)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn changes_alone_come_to_the_same_as_every_poll((polls, unit) in polls(), waste: bool) {
        let role = if waste { Role::Filled } else { Role::Consumed };
        let (every, told_by_every) = follow_all(&polls, role, unit);
        let (mut thin, mut told) = (watch(role), Told::default());
        for (poll, previous) in changes(&polls) {
            thin.push(&reading(poll, previous, unit), &TimeZone::UTC, &mut |event| told.take(event));
        }
        let last = Timestamp::from_second(polls[polls.len() - 1].0).unwrap();
        thin.seen(last, &TimeZone::UTC, &mut |event| told.take(event));
        prop_assert_eq!(&every, &thin);
        prop_assert_eq!(&told_by_every, &told);
    }

    #[test]
    fn a_follower_put_away_and_taken_up_comes_to_the_same(
        (polls, unit) in polls(),
        waste: bool,
        cuts in proptest::collection::vec(0..400usize, 0..8),
    ) {
        let role = if waste { Role::Filled } else { Role::Consumed };
        let (whole, mut told_by_whole) = follow_all(&polls, role, unit);
        let (mut parts, mut kept) = (watch(role), Kept::default());
        for (n, poll) in polls.iter().enumerate() {
            parts.push(&reading(*poll, None, unit), &TimeZone::UTC, &mut |event| match event {
                Event::Ended(install, days) => kept.save(&install, days),
                Event::Asked(_) => kept.asked += 1,
                Event::Reversed => kept = Kept::default(),
                Event::Believed { .. } | Event::Began(_) => {}
            });
            if cuts.contains(&n) || n + 1 == polls.len() {
                if let Some(view) = parts.view(&TimeZone::UTC) {
                    kept.save(&view.install, view.days);
                }
                parts.forget_final_days(&TimeZone::UTC);
                let stored = serde_json::to_string(&parts).unwrap();
                prop_assert!(stored.len() < 40_000, "{} bytes", stored.len());
                parts = serde_json::from_str(&stored).unwrap();
                kept.first_open_day = parts.first_open_day(&TimeZone::UTC);
            }
        }
        if let Some(view) = whole.view(&TimeZone::UTC) {
            told_by_whole.take(Event::Ended(view.install, view.days));
        }
        prop_assert_eq!(whole.polarity(), parts.polarity());
        let begun: Vec<Timestamp> = told_by_whole.ended.iter().map(|install| install.from).collect();
        prop_assert_eq!(begun, kept.installs.keys().copied().collect::<Vec<_>>());
        prop_assert_eq!(told_by_whole.asked.len(), kept.asked);
        let mut days = Told::default();
        kept.installs.into_values().for_each(|install| days.add(install));
        prop_assert!(close(&told_by_whole.days, &days.days), "{:?} {:?}", told_by_whole.days, days.days);
    }

    /// As the store follows a slot: from changes and signs alone, put away in between, with all that people
    /// said known from the first reading on.
    #[test]
    fn signs_answers_and_sizes_count_the_same_however_a_slot_is_followed(
        (polls, unit) in polls(),
        waste: bool,
        marks in proptest::collection::vec((0..400usize, 0..6usize), 0..60),
        cuts in proptest::collection::vec(0..400usize, 0..8),
        full_ml in proptest::option::of(100.0..900.0f64),
    ) {
        const SIGNS: [Sign; 6] = [
            Sign::Renamed, Sign::Handled, Sign::Together, Sign::Opened, Sign::Closed, Sign::Restarted,
        ];
        let stamp = |second| Timestamp::from_second(second).unwrap();
        let role = if waste { Role::Filled } else { Role::Consumed };
        let mut signs: Vec<(Timestamp, Sign)> =
            marks.iter().filter_map(|(n, sign)| Some((stamp(polls.get(*n)?.0), SIGNS[*sign]))).collect();
        signs.sort();
        let mut known = Known::from(Sizes { full_ml, first_ml: None });
        let every = |known: &Known| {
            let (mut watch, mut told) = (Watch::new(role, None, known.clone()), Told::default());
            for poll in &polls {
                let of_poll = signs.iter().filter(|(at, _)| *at == stamp(poll.0));
                of_poll.for_each(|(at, sign)| watch.note(*sign, *at));
                watch.push(&reading(*poll, None, unit), &TimeZone::UTC, &mut |event| told.take(event));
            }
            (watch, told)
        };
        for (n, question) in every(&known).1.asked.iter().enumerate() {
            known.answers.insert(question.at, if n % 2 == 0 { Answer::Swap } else { Answer::Job });
        }
        let (whole, mut told_by_whole) = every(&known);
        let readings: Vec<Reading> =
            changes(&polls).into_iter().map(|(poll, previous)| reading(poll, previous, unit)).collect();
        let (mut parts, mut kept) = (Watch::new(role, None, known), Kept::default());
        for (n, poll) in polls.iter().enumerate() {
            if !cuts.contains(&n) && n + 1 != polls.len() {
                continue;
            }
            let (since, now) = (parts.seen_at(), stamp(poll.0));
            let is_new = |at: Timestamp| at <= now && since.is_none_or(|since| at > since);
            let new: Vec<Reading> = readings.iter().filter(|reading| is_new(reading.at)).copied().collect();
            let beside: Vec<_> = signs.iter().filter(|(at, _)| is_new(*at)).copied().collect();
            let mut tell = |event| match event {
                Event::Ended(install, days) => kept.save(&install, days),
                Event::Asked(_) => kept.asked += 1,
                Event::Reversed => kept = Kept::default(),
                Event::Believed { .. } | Event::Began(_) => {}
            };
            parts.follow(&new, &beside, &TimeZone::UTC, &mut tell);
            parts.seen(now, &TimeZone::UTC, &mut tell);
            if let Some(view) = parts.view(&TimeZone::UTC) {
                kept.save(&view.install, view.days);
            }
            parts.forget_final_days(&TimeZone::UTC);
            parts.rewind();
            parts = serde_json::from_str(&serde_json::to_string(&parts).unwrap()).unwrap();
            kept.first_open_day = parts.first_open_day(&TimeZone::UTC);
        }
        if let Some(view) = whole.view(&TimeZone::UTC) {
            told_by_whole.take(Event::Ended(view.install, view.days));
        }
        prop_assert_eq!(whole.polarity(), parts.polarity());
        let begun: Vec<Timestamp> = told_by_whole.ended.iter().map(|install| install.from).collect();
        prop_assert_eq!(begun, kept.installs.keys().copied().collect::<Vec<_>>());
        prop_assert_eq!(told_by_whole.asked.len(), kept.asked);
        let mut days = Told::default();
        kept.installs.into_values().for_each(|install| days.add(install));
        prop_assert!(close(&told_by_whole.days, &days.days), "{:?} {:?}", told_by_whole.days, days.days);
    }

    #[test]
    fn the_ledger_is_the_sum_of_the_drops((polls, unit) in polls()) {
        let (watch, mut told) = follow_all(&polls, Role::Consumed, unit);
        if let Some(view) = watch.view(&TimeZone::UTC) {
            told.add(view.days);
            told.ended.push(view.install);
        }
        let drops: f64 = told.ended.iter().map(|install| install.start - install.end).sum();
        let booked: f64 = told.days.values().map(|day| day.used).sum();
        prop_assert!((drops - booked).abs() < 1e-6 * booked.max(1.0), "{drops} {booked}");
        let spread_is_used = |day: &DayUse| -1e-9 <= day.spread && day.spread <= day.used + 1e-9;
        prop_assert!(told.days.values().all(spread_is_used));
    }
}

/// Quarter-hourly polls of tenths of millilitres, and how each unit arrived.
fn arrivals(polls: &[(i32, i32)]) -> (Vec<Arrival>, Vec<Question>) {
    let mut tracker = Tracker::new(Sizes { full_ml: Some(775.0), first_ml: None }.into());
    let (mut arrived, mut asked) = (Vec::new(), Vec::new());
    for (n, (capacity, level)) in polls.iter().enumerate() {
        let poll = (n as i64 * 900, *capacity, *level);
        tracker.push(&reading(poll, None, SupplyUnit::TenthsOfMilliliters), &TimeZone::UTC, &mut |event| {
            match event {
                Event::Began(install) => arrived.push(install.arrival),
                Event::Asked(question) => asked.push(question),
                _ => {}
            }
        });
    }
    (arrived, asked)
}

#[test]
fn a_rise_that_stays_is_a_swap_and_one_that_passes_is_not() {
    let full = [(7750, 300), (7750, 290), (7750, 7750), (7750, 7750), (7750, 7740), (7750, 7730)];
    assert_eq!(arrivals(&full).0, [Arrival::Found, Arrival::Risen]);
    let flicker = [(7750, 300), (7750, 290), (7750, 7750), (7750, 7750), (7750, 288), (7750, 280)];
    assert_eq!(arrivals(&flicker).0, [Arrival::Found]);
    let jitter = [(7750, 300), (7750, 310), (7750, 295), (7750, 305), (7750, 290)];
    assert_eq!(arrivals(&jitter).0, [Arrival::Found]);
}

#[test]
fn a_fall_that_passes_is_neither_use_nor_a_swap() {
    let polls = [(7750, 3000), (7750, 3000), (7750, 2800), (7750, 2800), (7750, 3000), (7750, 3000)];
    assert_eq!(arrivals(&polls), (vec![Arrival::Found], Vec::new()));
}

#[test]
fn a_shake_that_frees_a_step_is_no_swap() {
    let mut tracker = Tracker::new(Known::default());
    let mut told = Vec::new();
    for (n, level) in [12, 12, 11, 11, 13, 13, 13, 13, 12].into_iter().enumerate() {
        let poll = reading((n as i64 * 900, 100, level), None, SupplyUnit::Percent);
        tracker.push(&poll, &TimeZone::UTC, &mut |event| told.push(event));
    }
    assert_eq!(told.iter().filter(|event| matches!(event, Event::Began(_))).count(), 1);
}

#[test]
fn a_starter_succeeded_by_a_full_one_is_seen_by_its_capacity() {
    let polls = [(2250, 40), (2250, 30), (7750, 7750), (7750, 7750), (7750, 7750)];
    assert_eq!(arrivals(&polls).0, [Arrival::Found, Arrival::Resized]);
    let glitch = [(2250, 40), (2250, 30), (7750, 7750), (2250, 30), (2250, 30)];
    assert_eq!(arrivals(&glitch).0, [Arrival::Found]);
}

#[test]
fn a_fall_beyond_any_job_is_a_swap_and_one_near_the_fastest_is_asked_about() {
    let to = |level| [(7750, 7000), (7750, 6990), (7750, level), (7750, level), (7750, level), (7750, level)];
    assert_eq!(arrivals(&to(2000)).0, [Arrival::Found, Arrival::Fallen]);
    let (arrived, asked) = arrivals(&to(6600));
    assert_eq!((arrived.len(), asked.len()), (1, 1));
    assert_eq!((asked[0].from, asked[0].to), (699.0, 660.0));
    assert_eq!(arrivals(&to(6800)), (vec![Arrival::Found], Vec::new()));
}

#[test]
fn another_name_and_a_small_rise_are_a_swap() {
    let begun = |renamed: bool| {
        let mut tracker = Tracker::new(Known::default());
        let mut begun = 0;
        for (n, level) in [60, 60, 62, 62, 62, 62].into_iter().enumerate() {
            if renamed && n == 2 {
                tracker.note(Sign::Renamed, Timestamp::from_second(n as i64 * 900).unwrap());
            }
            let poll = reading((n as i64 * 900, 100, level), None, SupplyUnit::Percent);
            tracker.push(&poll, &TimeZone::UTC, &mut |event| {
                begun += usize::from(matches!(event, Event::Began(_)));
            });
        }
        begun
    };
    assert_eq!((begun(false), begun(true)), (1, 2));
}

#[test]
fn percent_becomes_millilitres_of_the_unit_that_is_in() {
    let mut tracker = Tracker::new(Sizes { full_ml: Some(775.0), first_ml: Some(225.0) }.into());
    let mut ended = Vec::new();
    for (n, level) in [100, 60, 20, 2, 100, 100, 100, 99].into_iter().enumerate() {
        let poll = reading((n as i64 * 7200, 100, level), None, SupplyUnit::Percent);
        tracker.push(&poll, &TimeZone::UTC, &mut |event| {
            if let Event::Ended(install, _) = event {
                ended.push(install);
            }
        });
    }
    assert_eq!((ended[0].capacity, ended[0].start), (Some(225.0), 225.0));
    let now = tracker.view(&TimeZone::UTC).unwrap().install;
    assert_eq!((now.capacity, now.start), (Some(775.0), 775.0));
    assert!((now.end - 767.25).abs() < 1e-9);
}

#[test]
fn a_receptacle_that_counts_its_fill_is_found_out_and_one_that_is_pinned_is_not_doubted() {
    let follow = |pinned, levels: &[i32]| {
        let mut watch = Watch::new(Role::Filled, pinned, Known::default());
        let mut told = Told::default();
        for (n, level) in levels.iter().enumerate() {
            let poll = reading((n as i64 * 3600, 100, *level), None, SupplyUnit::Percent);
            watch.push(&poll, &TimeZone::UTC, &mut |event| told.take(event));
        }
        let used = watch.view(&TimeZone::UTC).map(|view| view.install.start - view.install.end);
        (watch.polarity(), used)
    };
    let rising = [20, 20, 21, 22, 21, 23, 24, 25];
    assert_eq!(follow(None, &rising), ((Polarity::Filled, Ground::Drift), Some(5.0)));
    assert_eq!(follow(None, &rising[..4]).0, (Polarity::Remaining, Ground::Standard));
    let falling = [80, 80, 79, 78, 79, 77, 76, 75];
    assert_eq!(follow(None, &falling).0, (Polarity::Remaining, Ground::Drift));
    assert_eq!(follow(Some(Polarity::Remaining), &rising).0, (Polarity::Remaining, Ground::Pinned));
}
