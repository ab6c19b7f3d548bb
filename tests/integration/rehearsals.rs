//! Each rule tried on a past that is known by hand; and on one that the live rules ran over.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;

use jiff::civil::{Date, date};
use jiff::{SignedDuration, Timestamp, ToSpan};
use ullage::demo::bring_in;
use ullage::domain::alert::ruleset::{Patch, RuleSet, Scope};
use ullage::domain::alert::{Alert, Rule, Subject};
use ullage::domain::ids::{DeviceId, SlotId};
use ullage::domain::outlook::Present;
use ullage::domain::plumbing::Position;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::domain::snapshot::{DeviceAlert, Snapshot};
use ullage::domain::standard::{AlertCode, AlertGroup, DetectedErrors, Severity};
use ullage::report::shelf_csv::read_parts;
use ullage::store::Store;
use ullage::store::outlooks::Wanted;
use ullage::usecase::alerts::judge_all;
use ullage::usecase::book::{Booking, Note, book, import_parts};
use ullage::usecase::heads::{Entry, register, replace};
use ullage::usecase::ingest::ingest;
use ullage::usecase::rules::{Rehearsed, rehearse_change};

use crate::support::database::TestDatabase;
use crate::support::loft::{Loft, moment};
use crate::support::said::{INK, answered, at, device, levels, present, silent};

/// Polls an hour.
const HOUR: i64 = 4;

/// A rule as it is built in, with other marks if some are given.
fn with(rule: Rule, marks: Option<(f64, f64)>) -> Patch {
    let built_in = RuleSet::new(&Rules::default(), Vec::new()).built_in(rule);
    Patch {
        rule,
        scope: Scope::Everywhere,
        on: Some(true),
        grade: Some(built_in.grade),
        marks: Some(marks.unwrap_or((built_in.open_at, built_in.clear_at))),
        lasting: Some(built_in.lasting),
    }
}

async fn tried(store: &Store, patch: &Patch, present: &Present) -> Rehearsed {
    rehearse_change(store, patch, present, &Rules::default()).await.unwrap().unwrap()
}

/// From which poll to which there would have been alerts of a rule, and what about, earliest first.
async fn by_poll(store: &Store, patch: &Patch, n: i64) -> Vec<(i64, Option<i64>, String)> {
    let poll = |moment: Timestamp| (moment.as_second() - at(0).as_second()) / 900;
    let told = tried(store, patch, &present(n)).await.tellings.into_iter().rev();
    told.map(|line| (poll(line.opened_at), line.cleared_at.map(poll), line.about)).collect()
}

/// On which days there would have been alerts of a rule, and what about, earliest first.
async fn by_day(store: &Store, patch: &Patch, present: &Present) -> Vec<(String, Option<String>, String)> {
    let day = |moment: Timestamp| present.date(moment).strftime("%m-%d").to_string();
    let told = tried(store, patch, present).await.tellings.into_iter().rev();
    told.map(|line| (day(line.opened_at), line.cleared_at.map(day), line.about)).collect()
}

/// Brings polls in as they come live, one by one.
async fn live(store: &Store, device: DeviceId, polls: impl IntoIterator<Item = Poll>) {
    for poll in polls {
        let present = Present { now: poll.at, ..present(0) };
        ingest(store, device, "Weft", &[poll], &present, &Rules::default()).await.unwrap();
    }
}

/// The same, and applies the rules that do not hang on single polls at some of their numbers.
async fn live_and_judged(
    store: &Store,
    device: DeviceId,
    polls: impl IntoIterator<Item = (i64, Option<Poll>)>,
    judged: impl Fn(i64) -> bool,
) {
    for (n, poll) in polls {
        live(store, device, poll).await;
        if judged(n) {
            judge_all(store, &present(n), &Rules::default()).await.unwrap();
        }
    }
}

/// From which poll to which there really were alerts of a rule, earliest first, and how many polls later than it is
/// told that may be.
async fn assert_lived(store: &Store, patch: &Patch, n: i64, later: i64) {
    let poll = |moment: Timestamp| (moment.as_second() - at(0).as_second()) / 900;
    let present = present(n);
    let told = tried(store, patch, &present).await.tellings.into_iter();
    let mut told: Vec<Course> = told.map(|line| (line.subject, line.opened_at, line.cleared_at)).collect();
    told.sort();
    let lived = lived(store, patch.rule, Timestamp::MIN).await;
    let near = |told, lived| (0..=later).contains(&(poll(lived) - poll(told)));
    let same = |(told, lived): (&Course, &Course)| {
        told.0 == lived.0
            && near(told.1, lived.1)
            && told.2.zip(lived.2).is_none_or(|(a, b)| near(a, b))
            && told.2.is_some() == lived.2.is_some()
    };
    let all = told.len() == lived.len() && told.iter().zip(&lived).all(same);
    assert!(all, "{}:\n  told  {told:?}\n  lived {lived:?}", patch.rule.word());
}

fn note() -> Note {
    Note { who: "Ada".to_owned(), why: String::new() }
}

/// A poll with an answer in which something is not as it should be.
fn wrong(n: i64, errors: DetectedErrors, asks: bool) -> Poll {
    let complaint = DeviceAlert {
        severity: Severity::Critical,
        training: Some(3),
        group: AlertGroup::MarkerSupplies,
        group_index: 1,
        location: -2,
        code: AlertCode::MarkerInkEmpty,
        description: String::new(),
    };
    let alerts = if asks { vec![complaint] } else { Vec::new() };
    Poll { at: at(n), outcome: Ok(Snapshot { alerts, errors, ..levels(4000, 9000) }) }
}

#[tokio::test]
async fn an_error_is_tried_with_another_length_by_what_was_detected_then() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    // hrPrinterDetectedErrorState (RFC 2790): a door stands open for half an hour, and for three hours with a silence
    // in between; ink is out for an hour, which the device asks for itself.
    let (open, out) = (DetectedErrors::DOOR_OPEN, DetectedErrors(0x8000 >> 3));
    let poll = |n| match n {
        4..=5 | 20 | 24..=31 => wrong(n, open, false),
        10..=13 => wrong(n, out, true),
        21..=23 => silent(n),
        _ => answered(n, 4000, 9000),
    };
    live_and_judged(&store, weft, (1..34).map(|n| (n, Some(poll(n)))), |_| true).await;
    let lasting = |minutes| Patch {
        lasting: Some(SignedDuration::from_mins(minutes)),
        ..with(Rule::DeviceError, None)
    };
    let weft_at = |opened, cleared| (opened, Some(cleared), "Weft".to_owned());
    assert_eq!(by_poll(&store, &lasting(15), 34).await, [weft_at(5, 6), weft_at(24, 32)]);
    assert_eq!(by_poll(&store, &lasting(0), 34).await, [weft_at(4, 6), weft_at(20, 32)]);
    assert_eq!(by_poll(&store, &lasting(45), 34).await, [weft_at(24, 32)]);
    assert_eq!(by_poll(&store, &lasting(240), 34).await, []);
    let other = Patch { scope: Scope::Model("Mordant 36".to_owned()), on: Some(false), ..lasting(15) };
    assert_eq!(by_poll(&store, &other, 34).await, [], "switched off for its model");
    assert_lived(&store, &lasting(15), 33, 0).await;
    let told = tried(&store, &lasting(15), &present(34)).await;
    assert_eq!((told.since, told.looked_at, told.left_out), (Some(at(1)), 1, 0));
}

#[tokio::test]
async fn what_was_not_read_is_tried_by_the_gaps_that_there_were() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    let without_waste = |n| {
        let mut snapshot = levels(4000, 9000);
        snapshot.supplies.truncate(1);
        Poll { at: at(n), outcome: Ok(snapshot) }
    };
    // The receptacle is missing for 30 hours, all of the machine is silent for 40, nobody asks for 50, and the
    // receptacle is missing again, for 5 hours so far. Judged once an hour, with what was told at those polls.
    let poll = |n| match n {
        3..=121 | 484.. => Some(without_waste(n)),
        123..=282 => Some(silent(n)),
        284..=482 => None,
        _ => Some(answered(n, 4000, 9000)),
    };
    live_and_judged(&store, weft, (1..504).map(|n| (n, poll(n))), |n| n % HOUR == 2).await;
    let hours = |hours| with(Rule::Stale, Some((hours, hours)));
    let receptacle = |opened, cleared: Option<i64>| (opened, cleared, "Weft, Waste receptacle".to_owned());
    let whole = |opened, cleared| (opened, Some(cleared), "Weft".to_owned());
    let cyan = |opened, cleared| (opened, Some(cleared), "Weft, Cyan".to_owned());
    let all = [
        receptacle(2 + 24 * HOUR, Some(122)),
        whole(283 + 24 * HOUR, 483),
        cyan(283 + 24 * HOUR, 483),
        receptacle(283 + 24 * HOUR, Some(483)),
    ];
    let mut told = by_poll(&store, &hours(24.0), 504).await;
    told.sort_by_key(|line| (line.0, line.2.len(), line.2.clone()));
    let mut expected = all.to_vec();
    expected.sort_by_key(|line| (line.0, line.2.len(), line.2.clone()));
    assert_eq!(told, expected, "a silence is told of by other rules");
    assert_lived(&store, &hours(24.0), 503, HOUR).await;
    let long = by_poll(&store, &hours(48.0), 504).await;
    assert_eq!(long.iter().map(|line| line.0).collect::<Vec<_>>(), [283 + 48 * HOUR; 3]);
    let short = by_poll(&store, &hours(4.0), 504).await;
    assert_eq!(short.last(), Some(&receptacle(483 + 4 * HOUR, None)));
    assert_eq!(short.len(), 5);
}

#[tokio::test]
async fn a_late_swap_is_tried_by_when_the_device_asked_for_it() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    // It asks at half past ten of 1 September and gets it three days later, and again on the 6th, where it still asks.
    let days = |n: i64| n * 24 * HOUR;
    live(&store, weft, [answered(1, 4000, 9000)]).await;
    live(&store, weft, [wrong(18, DetectedErrors(0), true), answered(18 + days(3), 4000, 9000)]).await;
    live(&store, weft, [wrong(18 + days(5), DetectedErrors(0), true)]).await;
    let now = present(18 + days(9));
    let tell = |late: f64| {
        let (store, now) = (&store, &now);
        async move { by_day(store, &with(Rule::SwapDue, Some((late, 1.0))), now).await }
    };
    let cyan = |opened: &str, cleared: Option<&str>| {
        (opened.to_owned(), cleared.map(str::to_owned), "Weft, Cyan".to_owned())
    };
    assert_eq!(tell(1.0).await, [cyan("09-02", Some("09-04")), cyan("09-07", None)]);
    assert_eq!(tell(3.0).await, [cyan("09-04", Some("09-04")), cyan("09-09", None)]);
    assert_eq!(tell(4.0).await, [cyan("09-10", None)]);
}

#[tokio::test]
async fn a_date_on_the_shelf_is_tried_by_what_lay_there_on_each_day() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, INK, 9000)]).await;
    let parts = "number,kind,colour,capacity,unit,shelf_life_months\nVO-C-500,cartridge,Cyan,500,ml,30\n";
    import_parts(&store, &read_parts(parts.as_bytes()).unwrap()).await.unwrap();
    let on = |day: i64| Present { now: at(day * 24 * HOUR), ..present(0) };
    let receive = |made_on, units| Booking::Receive { made_on, place: "Shelf B".to_owned(), units };
    let slot = store.outlooks(Wanted::Device(weft)).await.unwrap()[0].outlook.slot.id;
    // Good for 30 months: until 10 October 2026 and 1 January 2027. The first goes on 21 September.
    for (day, booking) in [
        (0, receive(date(2024, 4, 10), 1)),
        (4, receive(date(2024, 7, 1), 2)),
        (20, Booking::Issue { lot: None, to: slot }),
    ] {
        book(&store, "VO-C-500", &booking, &note(), &on(day)).await.unwrap().unwrap();
    }
    let now = on(60);
    let tell = |days: f64| {
        let (store, now) = (&store, &now);
        async move { by_day(store, &with(Rule::StockDate, Some((days, days + 5.0))), now).await }
    };
    let cyan = |opened: &str, cleared: Option<&str>| {
        (opened.to_owned(), cleared.map(str::to_owned), "cyan cartridge (VO-C-500)".to_owned())
    };
    assert_eq!(tell(30.0).await, [cyan("09-10", Some("09-21"))]);
    assert_eq!(tell(65.0).await, [cyan("09-01", Some("09-21")), cyan("10-28", None)]);
    assert_eq!(tell(10.0).await, [], "taken in time");
    let told = tried(&store, &with(Rule::StockDate, None), &now).await;
    assert_eq!(told.tellings[0].part.as_deref(), Some("VO-C-500"));
    assert_eq!(told.since, None, "movements are kept for good");
}

#[tokio::test]
async fn a_warranty_is_tried_by_the_date_on_the_head_that_was_in() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, INK, 9000)]).await;
    let entry = |in_on, until| Entry {
        position: Position::new(1).unwrap(),
        part: None,
        in_on,
        out_on: None,
        warranty_until: Some(until),
        limit_ml: None,
        before_ml: 0.0,
    };
    let now = Present { now: at(80 * 24 * HOUR), ..present(0) };
    register(&store, weft, &entry(date(2026, 6, 1), date(2026, 10, 31)), &note(), &now)
        .await
        .unwrap()
        .unwrap();
    replace(&store, weft, &entry(date(2026, 10, 20), date(2026, 12, 25)), &note(), &now)
        .await
        .unwrap()
        .unwrap();
    let head = |opened: &str, cleared: Option<&str>| {
        (opened.to_owned(), cleared.map(str::to_owned), "Weft, head 1".to_owned())
    };
    let told = by_day(&store, &with(Rule::HeadWarranty, None), &now).await;
    assert_eq!(told, [head("10-01", Some("10-20"))]);
    let told = by_day(&store, &with(Rule::HeadWarranty, Some((40.0, 45.0))), &now).await;
    assert_eq!(told, [head("09-21", Some("10-20")), head("11-15", None)]);
    let elsewhere = Patch { on: Some(false), ..with(Rule::HeadWarranty, None) };
    assert!(by_day(&store, &elsewhere, &now).await.is_empty());
}

#[tokio::test]
async fn an_order_is_tried_by_the_days_that_were_said() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, INK, 9000)]).await;
    let cyan = store.outlooks(Wanted::Device(weft)).await.unwrap()[0].outlook.slot.id;
    let says = |day: i64, due: Option<Date>| {
        let due: BTreeMap<SlotId, Date> = due.map(|due| (cyan, due)).into_iter().collect();
        let store = &store;
        async move { store.keep_order_days(&due, at(day * 24 * HOUR)).await.unwrap() }
    };
    // Said on the 3rd: by the 12th; on the 8th: by the 15th, and that twice; ordered on the 15th.
    let (twelfth, fifteenth) = (Some(date(2026, 9, 12)), Some(date(2026, 9, 15)));
    for (day, due) in [(0, None), (2, twelfth), (7, fifteenth), (8, fifteenth), (14, None), (20, None)] {
        says(day, due).await;
    }
    let now = Present { now: at(30 * 24 * HOUR), ..present(0) };
    let line =
        |opened: &str, cleared: &str| (opened.to_owned(), Some(cleared.to_owned()), "Weft, Cyan".to_owned());
    assert_eq!(by_day(&store, &with(Rule::OrderBy, None), &now).await, [line("09-14", "09-15")]);
    let early = with(Rule::OrderBy, Some((5.0, 6.0)));
    assert_eq!(by_day(&store, &early, &now).await, [line("09-07", "09-08"), line("09-10", "09-15")]);
    let told = tried(&store, &early, &now).await;
    assert_eq!(told.since, Some(at(0)));
}

#[tokio::test]
async fn use_that_was_far_from_its_forecast_is_tried_by_the_pace_that_was_kept() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let weft = device(&store, "Weft").await;
    live(&store, weft, [answered(1, INK, 9000)]).await;
    let cyan = store.outlooks(Wanted::Device(weft)).await.unwrap()[0].outlook.slot.id;
    // 4 ml a day by every forecast of the month, from the 16th on without a word of the pace; what really went over the
    // seven days before each rises from 4 ml a day by one a day up to the 12th, and falls again.
    sqlx::query(
        "insert into outlook_month (device_id, slot_id, month, measure, days, to_use, ends, paces, last_late)
         select outlook.device_id, slot_id, '2026-09-01', measure, array_agg(2 + n order by n), array_agg(300 order by n),
                array_agg(array[0, 75, 90] order by n),
                array_agg(array[case when n < 14 then 4 end, 500, 4 + case when n < 10 then n else 20 - n end] order by n),
                '2026-12-19'
         from outlook, generate_series(0, 18) as n
         where slot_id = $1 group by outlook.device_id, slot_id, measure",
    )
    .bind(cyan.0)
    .execute(store.pool())
    .await
    .unwrap();
    let now = Present { now: at(30 * 24 * HOUR), ..present(0) };
    let tell = |times: f64| {
        let (store, now) = (&store, &now);
        async move { by_day(store, &with(Rule::ForecastOff, Some((times, times))), now).await }
    };
    let line = |opened: &str, cleared: Option<&str>| {
        (opened.to_owned(), cleared.map(str::to_owned), "Weft, Cyan".to_owned())
    };
    // 14 ml on the 12th is 3.5 times as fast; 12 ml on the 10th and the 14th is three times.
    assert_eq!(tell(3.0).await, [line("09-10", Some("09-15"))]);
    assert_eq!(tell(3.5).await, [line("09-12", Some("09-13"))]);
    assert_eq!(tell(3.6).await, []);
    assert_eq!(tell(2.0).await, [line("09-06", None)], "what is not known clears nothing");
}

/// The moments between which judging and polling take turns.
const STEP: SignedDuration = SignedDuration::from_hours(6);

type Course = (Subject, Timestamp, Option<Timestamp>);

/// What a rule has really told since a moment, by subject and time.
async fn lived(store: &Store, rule: Rule, since: Timestamp) -> Vec<Course> {
    let mut alerts: Vec<Alert> = Vec::new();
    for open in [true, false] {
        alerts.extend(store.alerts(open, None, 10_000).await.unwrap().into_iter().map(|row| row.alert));
    }
    alerts.retain(|alert| alert.rule == rule && alert.opened_at > since);
    let mut courses: Vec<Course> =
        alerts.iter().map(|alert| (alert.subject, alert.opened_at, alert.cleared_at)).collect();
    courses.sort();
    courses
}

/// Parts with a short life, a supplier who takes his time, and heads whose warranties end one after another.
async fn furnish(loft: &Loft, judged_from: Timestamp) {
    let store = &loft.service.store;
    let parts = "number,kind,colour,capacity,unit,shelf_life_months,lead_days,supplier\n\
        VO-C-300,cartridge,Cyan,300,ml,12,5,Opera stores\nVO-M-300,cartridge,Magenta,300,ml,12,4,Opera stores\n\
        VO-Y-300,cartridge,Yellow,300,ml,12,6,Opera stores\n";
    import_parts(store, &read_parts(parts.as_bytes()).unwrap()).await.unwrap();
    let present = Present { now: judged_from, zone: loft.service.zone.clone() };
    let today = present.today();
    for (part, back) in [("VO-C-300", 322), ("VO-M-300", 329)] {
        let made_on = today.checked_sub(back.days()).unwrap();
        let receive = Booking::Receive { made_on, place: "Shelf B".to_owned(), units: 2 };
        book(store, part, &receive, &note(), &present).await.unwrap().unwrap();
    }
    for (n, (device, _)) in (0..).zip(&loft.demo.devices) {
        let entry = Entry {
            position: Position::new(1).unwrap(),
            part: None,
            in_on: today.checked_sub(20.days()).unwrap(),
            out_on: None,
            warranty_until: Some(today.checked_add((33 + 5 * n).days()).unwrap()),
            limit_ml: None,
            before_ml: 0.0,
        };
        register(store, *device, &entry, &note(), &present).await.unwrap().unwrap();
    }
}

/// Four times a day, as live but for that; what goes by days may be told on the morning of the next.
#[tokio::test(flavor = "multi_thread")]
async fn every_rule_as_it_was_tells_what_was_really_told() {
    let now = moment("2026-10-20T00:00");
    let loft = Loft::open(now, 44, f64::MIN_POSITIVE).await;
    let (store, settings, zone) = (&loft.service.store, Rules::default(), &loft.service.zone);
    let judged_from = moment("2026-10-01T00:00");
    bring_in(&loft.service, &loft.demo, (loft.opened, judged_from), |_| {}, || true).await.unwrap();
    furnish(&loft, judged_from).await;
    // What uses up half as much again as usual is told of, or there would be nothing to tell in three weeks.
    let off = with(Rule::ForecastOff, Some((1.5, 1.2)));
    store.save_patch(&off, judged_from, "Ada").await.unwrap();
    let mut at = judged_from;
    judge_all(store, &Present { now: at, zone: zone.clone() }, &settings).await.unwrap();
    while at < now {
        let next = at.checked_add(STEP).unwrap();
        bring_in(&loft.service, &loft.demo, (at, next), |_| {}, || true).await.unwrap();
        at = next;
        judge_all(store, &Present { now: at, zone: zone.clone() }, &settings).await.unwrap();
    }
    let present = Present { now, zone: zone.clone() };
    let mut compared = BTreeMap::new();
    for rule in Rule::ALL {
        let patch = if rule == Rule::ForecastOff { off.clone() } else { with(rule, None) };
        let told = tried(store, &patch, &present).await;
        assert_eq!(told.left_out, 0);
        let courses = told.tellings.into_iter().map(|line| (line.subject, line.opened_at, line.cleared_at));
        let mut told: Vec<Course> = courses.filter(|(_, opened_at, _)| *opened_at > judged_from).collect();
        told.sort();
        let lived = lived(store, rule, judged_from).await;
        // Levels, darkness and orders to the moment; a forecast of later in the day on the next morning, and all else at
        // the next time that was judged.
        let apart = match rule {
            Rule::LowSupply | Rule::WasteOrderPoint | Rule::Dark | Rule::OrderBy => SignedDuration::ZERO,
            Rule::RunOut | Rule::ForecastOff => SignedDuration::from_hours(24),
            _ => STEP,
        };
        let near = |a: Timestamp, b: Timestamp| a.duration_since(b).abs() <= apart;
        let same = |(told, lived): (&Course, &Course)| {
            let cleared = match (told.2, lived.2) {
                (Some(told), Some(lived)) => near(told, lived),
                (told, lived) => told == lived,
            };
            told.0 == lived.0 && near(told.1, lived.1) && cleared
        };
        let all = told.len() == lived.len() && told.iter().zip(&lived).all(same);
        assert!(all, "{}:\n  told  {told:?}\n  lived {lived:?}", rule.word());
        compared.insert(rule.word(), lived.len());
    }
    let told_of = compared.values().filter(|n| **n > 0).count();
    assert!(told_of >= 9 && compared.values().sum::<usize>() >= 25, "too little to compare: {compared:?}");
}

/// Of many places no more is read than a limit allows, and of none of them a part.
#[tokio::test]
async fn what_is_too_much_to_look_through_is_left_out_place_by_place() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let mut devices = Vec::new();
    for name in ["Weft", "Warp", "Selvage"] {
        let device = device(&store, name).await;
        live(&store, device, (1..6).map(|n| answered(n, 4000 - 10 * i32::try_from(n).unwrap(), 9000))).await;
        devices.push(device);
    }
    let mut slots = Vec::new();
    for device in &devices {
        let outlooks = store.outlooks(Wanted::Device(*device)).await.unwrap();
        slots.extend(outlooks.into_iter().map(|row| row.outlook.slot.id));
    }
    let read = |most| {
        let (store, devices, slots) = (&store, &devices, &slots);
        async move {
            let found = store.past_readings((devices, slots), (at(0), at(9)), most).await.unwrap();
            slots.iter().map(|slot| found.of_place(slot).map(<[_]>::len)).collect::<Vec<_>>()
        }
    };
    let all = [Some(5), Some(1), Some(5), Some(1), Some(5), Some(1)];
    assert_eq!(read(100).await, all);
    assert_eq!(
        read(9).await,
        [Some(5), Some(1), None, None, None, None],
        "the second machine's ink broke off"
    );
    assert_eq!(read(12).await, [Some(5), Some(1), Some(5), Some(1), None, None]);
    let runs = store.past_runs(&devices, (at(0), at(9)), 2).await.unwrap();
    assert_eq!(runs.of_place(&devices[0]).map(<[_]>::len), Some(1));
    assert_eq!(runs.of_place(&devices[2]).map(<[_]>::len), None);
}
