//! Each kind of figure over a past that is written down by hand, and the walk over them.

use jiff::SignedDuration;
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::*;
use crate::domain::alert::Subject;
use crate::domain::alert::facts::hours as in_hours;
use crate::domain::alert::ruleset::{Patch, Scope};
use crate::domain::alert::walk::walk;
use crate::domain::calendar::Calendar;
use crate::domain::head::Head;
use crate::domain::head::tests::head;
use crate::domain::ids::{DeviceId, LotId, SlotId};
use crate::domain::outlook::Horizon;
use crate::domain::reading::Role;
use crate::domain::rightness::KeptForecast;
use crate::domain::rules::Rules;
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::{AlertCode, AlertGroup, DetectedErrors, Severity};

const WASTE: Rule = Rule::WasteOrderPoint;

fn at(hour: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + hour * 3600).unwrap()
}

fn hour(at: Timestamp) -> i64 {
    (at.as_second() - 1_790_000_000) / 3600
}

fn moment(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn place() -> Place<'static> {
    Place { subject: Subject::Slot(DeviceId(1), SlotId(9)), site: Some(1), model: Some("Loft 44") }
}

fn path(figures: &[f64]) -> Path<'static> {
    Path { place: place(), figures: (0..).zip(figures).map(|(n, figure)| (at(n), Some(*figure))).collect() }
}

fn patched(rule: Rule, marks: (f64, f64), minutes: i64) -> RuleSet {
    let lasting = Some(SignedDuration::from_mins(minutes));
    let patch = Patch { rule, scope: Scope::Everywhere, on: None, grade: None, marks: Some(marks), lasting };
    RuleSet::new(&Rules::default(), vec![patch])
}

fn rules(marks: (f64, f64), minutes: i64) -> RuleSet {
    patched(WASTE, marks, minutes)
}

fn usual() -> RuleSet {
    RuleSet::new(&Rules::default(), Vec::new())
}

fn hours(tellings: &[Telling]) -> Vec<(i64, Option<i64>)> {
    tellings.iter().map(|telling| (hour(telling.opened_at), telling.cleared_at.map(hour))).collect()
}

fn days(tellings: &[Telling]) -> Vec<(String, Option<String>)> {
    let day = |at: Timestamp| at.strftime("%m-%d").to_string();
    tellings.iter().map(|telling| (day(telling.opened_at), telling.cleared_at.map(day))).collect()
}

#[test]
fn what_was_past_its_mark_before_is_not_told_again() {
    let told = |rules, figures: &[f64], from| hours(&rehearse(WASTE, &rules, &path(figures), (from, at(9))));
    let full = [75.0, 80.0, 2.0, 40.0, 71.0, 72.0];
    assert_eq!(told(rules((70.0, 65.0), 0), &full, at(0)), [(4, None)]);
    assert_eq!(told(rules((72.0, 65.0), 0), &full, at(0)), [(5, None)]);
    assert_eq!(told(rules((70.0, 65.0), 0), &full, at(5)), []);
    assert_eq!(
        told(rules((70.0, 65.0), 0), &[60.0, 69.0, 70.0, 66.0, 70.0, 3.0, 20.0], at(0)),
        [(2, Some(5))]
    );
    assert_eq!(told(rules((70.0, 70.0), 0), &[60.0, 69.0, 70.0, 66.0, 70.0, 3.0], at(0)).len(), 2);
}

#[test]
fn what_has_to_last_opens_between_two_figures() {
    let path = path(&[60.0, 71.0, 60.0, 71.0]);
    assert_eq!(hours(&rehearse(WASTE, &rules((70.0, 65.0), 90), &path, (at(0), at(9)))), [(4, None)]);
    assert!(rehearse(WASTE, &rules((70.0, 65.0), 90), &path, (at(0), at(4))).is_empty());
}

#[test]
fn a_silence_grows_by_the_hours_in_which_somebody_worked() {
    let answered = [(at(0), at(2)), (at(6), at(8))];
    let (open, zone) = (Calendar::default(), TimeZone::UTC);
    let worked = |from, to| in_hours(open.open_time(from, to, &zone));
    let told = |rule, set: &RuleSet| {
        let place = Place { subject: Subject::Device(DeviceId(1)), ..place() };
        let setting = set.at(rule, &place);
        let figures = silence_figures(&answered, at(9), worked, |figure| setting.holds(rule, figure, false));
        rehearse(rule, set, &Path { place, figures: always(figures) }, (at(0), at(9)))
    };
    assert_eq!(hours(&told(Rule::PollFailing, &usual())), [(4, Some(6))]);
    assert!(told(Rule::Dark, &usual()).is_empty());
    let longer = told(Rule::PollFailing, &patched(Rule::PollFailing, (3.75, 3.75), 0));
    assert_eq!((longer.len(), longer[0].figure), (1, 3.75));
    assert!(
        told(Rule::PollFailing, &patched(Rule::PollFailing, (4.0, 4.0), 0)).is_empty(),
        "it answered then"
    );
}

#[test]
fn silences_begin_with_the_first_failed_poll_and_end_with_the_next_answer() {
    let run = |from, to, answered| PollRun { from: at(from), to: at(to), answered };
    let runs = [run(0, 2, true), run(3, 4, false), run(5, 5, false), run(6, 8, true), run(9, 9, false)];
    assert_eq!(silences(&runs), [(at(3), Some(at(6))), (at(9), None)]);
    assert_eq!(answered(&runs), [(at(0), at(2)), (at(6), at(8))]);
    // A slot that was missing from the second hour to the seventh, and is again since half past seven.
    let missing = [(at(1), Some(at(7))), (at(7), None)];
    assert_eq!(seen(&answered(&runs), &missing), [(at(0), at(1)), (at(7), at(7))]);
}

#[test]
fn nothing_opens_or_clears_while_a_device_is_silent() {
    let figures = [(at(0), 60.0), (at(2), 71.0), (at(5), 3.0), (at(8), 72.0)];
    let silent = [(at(1), Some(at(3))), (at(4), Some(at(6))), (at(9), None)];
    let figures = while_answering(&figures, &silent);
    let told: Vec<(i64, Option<f64>)> = figures.iter().map(|(at, figure)| (hour(*at), *figure)).collect();
    let as_told =
        [(0, Some(60.0)), (1, None), (3, Some(71.0)), (4, None), (6, Some(3.0)), (8, Some(72.0)), (9, None)];
    assert_eq!(told, as_told);
    let path = Path { place: place(), figures };
    assert_eq!(
        hours(&rehearse(WASTE, &rules((70.0, 65.0), 0), &path, (at(0), at(20)))),
        [(3, Some(6)), (8, None)]
    );
    // What has to last an hour and a half has lasted that at the next answer, and not in between.
    assert_eq!(hours(&rehearse(WASTE, &rules((70.0, 65.0), 90), &path, (at(0), at(20)))), []);
}

fn kept(made: i8, middle: i8) -> KeptForecast {
    let day = |day: i8| Date::constant(2026, 11, day);
    KeptForecast {
        slot: SlotId(9),
        day: day(made),
        to_use: 10.0,
        horizon: Horizon { early: day(middle), middle: day(middle), late: day(middle) },
        daily_use: Some(2.0),
        capacity: Some(100.0),
        recent_use: None,
    }
}

#[test]
fn an_end_that_comes_near_is_told_on_the_first_day_that_says_so() {
    let calendar = Calendar::new(["sat", "sun"].map(|closed| closed.parse().unwrap())).unwrap();
    // From Thursday the 5th it is four working days to Wednesday the 11th, from Saturday three; then it is swapped.
    let kept = [kept(5, 11), kept(6, 11), kept(7, 11), kept(10, 27)];
    let figures = forecast_figures(&kept, &calendar, &TimeZone::UTC);
    assert_eq!(figures.iter().map(|figure| figure.1).collect::<Vec<_>>(), [4.0, 3.0, 3.0, 13.0]);
    assert_eq!(figures[0].0, moment("2026-11-05T00:00:00Z"));
    let days: Vec<Timestamp> = figures.iter().map(|figure| figure.0).collect();
    let path = Path { place: place(), figures: always(figures) };
    let told = rehearse(Rule::RunOut, &usual(), &path, (days[0], at(9999)));
    let [only] = told[..] else { panic!("{told:?}") };
    assert_eq!((only.opened_at, only.cleared_at, only.figure), (days[1], Some(days[3]), 3.0));
}

#[test]
fn use_is_far_from_its_forecast_by_what_was_known_then() {
    let recent = |day, recent_use| KeptForecast { recent_use, ..kept(day, 30) };
    let pace_unknown = KeptForecast { daily_use: None, ..recent(14, Some(9.0)) };
    let large = KeptForecast { capacity: Some(1000.0), ..recent(15, Some(6.0)) };
    let all = [recent(11, Some(5.0)), recent(12, Some(0.9)), recent(13, None), pace_unknown, large];
    let figures = off_figures(&all, &TimeZone::UTC);
    let told: Vec<(i8, f64)> =
        figures.iter().map(|(at, figure)| (TimeZone::UTC.to_datetime(*at).day(), *figure)).collect();
    // 2 a day by the forecast. 7 × 6 is less than a twentieth of 1000, and says nothing.
    assert_eq!(told, [(11, 2.5), (12, 0.45), (15, 0.0)]);
}

#[test]
fn a_device_that_asks_or_has_nothing_left_is_told_for_as_long_as_it_is_so() {
    let levels = [(at(0), 10.0), (at(4), 0.0), (at(6), 100.0), (at(9), 90.0)];
    let asked = [(at(2), Some(at(3))), (at(8), None)];
    let said = |role, levels: &[_], asked: &[_]| -> Vec<(i64, f64)> {
        replace_figures(role, levels, asked).into_iter().map(|(at, said)| (hour(at), said)).collect()
    };
    let ink = [(0, 0.0), (2, 1.0), (3, 0.0), (4, 1.0), (6, 0.0), (8, 1.0), (9, 1.0)];
    assert_eq!(said(Role::Consumed, &levels, &asked), ink);
    assert_eq!(said(Role::Filled, &levels, &[]), [(0, 0.0), (4, 0.0), (6, 1.0), (9, 0.0)]);
    assert_eq!(said(Role::Consumed, &[], &asked[1..]), [(8, 1.0)]);
}

#[test]
fn an_error_is_told_once_it_lasts_unless_the_device_says_that_it_wants_a_supply() {
    let empty = DeviceAlert {
        severity: Severity::Critical,
        training: None,
        group: AlertGroup::MarkerSupplies,
        group_index: 1,
        location: -2,
        code: AlertCode::MarkerInkEmpty,
        description: String::new(),
    };
    // hrPrinterDetectedErrorState: noToner is bit 3, doorOpen bit 4 (RFC 2790).
    let (nothing, out, open) = (DetectedErrors(0), DetectedErrors(0x8000 >> 3), DetectedErrors::DOOR_OPEN);
    let detected = [(at(0), nothing), (at(2), out), (at(6), open), (at(7), nothing)];
    let complaints = [(empty, at(3), Some(at(5)))];
    let figures = error_figures(&detected, &complaints);
    let told: Vec<(i64, f64)> = figures.iter().map(|(at, figure)| (hour(*at), *figure)).collect();
    assert_eq!(told, [(0, 0.0), (2, 1.0), (3, 0.0), (5, 1.0), (6, 1.0), (7, 0.0)]);
    let path = Path { place: place(), figures: always(figures) };
    let lasting = |minutes| {
        let told = rehearse(
            Rule::DeviceError,
            &patched(Rule::DeviceError, (1.0, 1.0), minutes),
            &path,
            (at(0), at(9)),
        );
        hours(&told)
    };
    assert_eq!(lasting(15), [(2, Some(3)), (5, Some(7))]);
    assert_eq!(lasting(90), [(6, Some(7))]);
    assert_eq!(lasting(180), []);
    assert!(error_figures(&[], &complaints).is_empty(), "without the bits nothing is known");
}

#[test]
fn an_order_is_near_by_what_was_said_on_each_day() {
    let span = (moment("2026-11-01T12:00:00Z"), moment("2026-11-20T12:00:00Z"));
    let said = |due: i8, from: &str, to: Option<&str>| OrderDay {
        due: Date::constant(2026, 11, due),
        said: (moment(from), to.map(moment)),
    };
    // To be ordered by the 9th, from the 6th on by the 12th; ordered on the 11th, and again by the 30th.
    let all = [
        said(9, "2026-11-03T08:00:00Z", Some("2026-11-06T09:00:00Z")),
        said(12, "2026-11-06T09:00:00Z", Some("2026-11-11T15:00:00Z")),
        said(30, "2026-11-15T09:00:00Z", None),
    ];
    let told = |marks| {
        let figures = always(order_figures(&all, span, &TimeZone::UTC));
        days(&rehearse(
            Rule::OrderBy,
            &patched(Rule::OrderBy, marks, 0),
            &Path { place: place(), figures },
            span,
        ))
    };
    let some = |day: &str| Some(day.to_owned());
    assert_eq!(told((1.0, 4.0)), [("11-11".to_owned(), some("11-11"))]);
    assert_eq!(
        told((4.0, 4.0)),
        [("11-05".to_owned(), some("11-06")), ("11-08".to_owned(), some("11-11"))],
        "four days ahead, put off, and four days ahead again"
    );
    assert_eq!(told((4.0, 7.0)), [("11-05".to_owned(), some("11-11"))]);
}

#[test]
fn a_swap_is_late_from_the_day_after_it_was_asked_for_or_after_the_end_that_was_foretold() {
    let span = (moment("2026-11-01T00:00:00Z"), moment("2026-11-20T12:00:00Z"));
    let asked = [(moment("2026-11-03T18:00:00Z"), Some(moment("2026-11-05T10:00:00Z")))];
    // Three working days ahead on Friday the 6th is Wednesday the 11th; so it is late on the 12th.
    let foretold = [(moment("2026-11-06T09:00:00Z"), None)];
    let calendar = Calendar::new(["sat", "sun"].map(|closed| closed.parse().unwrap())).unwrap();
    let figures = late_figures(&asked, (&foretold, 3.0), span, &calendar, &TimeZone::UTC);
    let told =
        rehearse(Rule::SwapDue, &usual(), &Path { place: place(), figures: always(figures.clone()) }, span);
    assert_eq!(days(&told), [("11-04".to_owned(), Some("11-05".to_owned())), ("11-12".to_owned(), None)]);
    // Six working days ahead is the Monday after.
    let far = late_figures(&[], (&foretold, 6.0), span, &calendar, &TimeZone::UTC);
    let told = rehearse(Rule::SwapDue, &usual(), &Path { place: place(), figures: always(far) }, span);
    assert_eq!(days(&told), [("11-17".to_owned(), None)]);
    let patient = patched(Rule::SwapDue, (3.0, 1.0), 0);
    let told = rehearse(Rule::SwapDue, &patient, &Path { place: place(), figures: always(figures) }, span);
    assert_eq!(days(&told), [("11-16".to_owned(), None)]);
}

#[test]
fn a_date_on_the_shelf_comes_near_as_long_as_something_lies_there() {
    let span = (moment("2026-09-01T12:00:00Z"), moment("2026-11-20T12:00:00Z"));
    let piled =
        |at: &str, lot, made_on, quantity| Piled { at: moment(at), lot: LotId(lot), made_on, quantity };
    // Good for 30 months: the first lot until 10 October, the second until 1 December.
    let moved = [
        piled("2026-09-01T12:00:00Z", 1, date(2024, 4, 10), 2),
        piled("2026-09-05T12:00:00Z", 2, date(2024, 6, 1), 3),
        piled("2026-09-20T12:00:00Z", 1, date(2024, 4, 10), -2),
    ];
    let told = |marks| {
        let figures = always(stock_figures(Some(30), &moved, span, &TimeZone::UTC));
        days(&rehearse(
            Rule::StockDate,
            &patched(Rule::StockDate, marks, 0),
            &Path { place: place(), figures },
            span,
        ))
    };
    assert_eq!(
        told((30.0, 45.0)),
        [("09-10".to_owned(), Some("09-20".to_owned())), ("11-01".to_owned(), None)]
    );
    assert_eq!(told((10.0, 15.0)), [], "taken in time, and far away");
}

#[test]
fn a_warranty_ends_by_its_date_or_by_the_ink_that_was_through_it_by_then() {
    let span = (moment("2026-09-01T12:00:00Z"), moment("2026-11-20T12:00:00Z"));
    let told = |turns: &[HeadTurn], ml_a_day: f64, marks| {
        let days_of_use = date(2026, 3, 2).series(jiff::Span::new().days(1)).take(264);
        let daily = days_of_use.map(|day| (day, ml_a_day)).collect();
        let figures = warranty_figures(turns, &daily, span, &TimeZone::UTC);
        days(&rehearse(
            Rule::HeadWarranty,
            &patched(Rule::HeadWarranty, marks, 0),
            &Path { place: place(), figures },
            span,
        ))
    };
    let turn = |until, ml| HeadTurn { head: head(1, until), ml };
    let dated = turn(Some(date(2026, 10, 31)), None);
    assert_eq!(told(std::slice::from_ref(&dated), 0.0, (30.0, 45.0)), [("10-01".to_owned(), None)]);
    let replaced = HeadTurn { head: Head { out_on: Some(date(2026, 10, 12)), ..dated.head }, ml: None };
    assert_eq!(
        told(&[replaced], 0.0, (30.0, 45.0)),
        [("10-01".to_owned(), Some("10-12".to_owned()))],
        "where no head is, no warranty ends"
    );
    // 4 ml a day for 264 days is 1056 of 1200 ml on the last day, so that 36 days are left then. The limit is 60 days
    // ahead 24 days before.
    let inked = [turn(None, Some(4.0 * 264.0))];
    let opened = told(&inked, 4.0, (60.0, 75.0));
    let day: Date = format!("2026-{}", opened[0].0).parse().unwrap();
    let expected = date(2026, 10, 27);
    assert!(
        (day.duration_since(expected).as_hours() / 24).abs() <= 3 && opened[0].1.is_none(),
        "{opened:?} and not about {expected}"
    );
    assert_eq!(told(&inked, 4.0, (30.0, 45.0)), [], "a month before, it is told");
}

proptest! {
    /// The past is told as it was: the walk that opens alerts live, from where it stood then.
    #[test]
    fn it_tells_what_the_live_walk_would_have(figures in proptest::collection::vec(0.0..100.0f64, 1..60)) {
        let (set, path) = (rules((70.0, 65.0), 0), path(&figures));
        let setting = set.at(WASTE, &path.place);
        let before = if setting.holds(WASTE, figures[0], false) { Stand::Open } else { Stand::Quiet };
        let told = path.figures.iter().filter_map(|(at, figure)| Some((*at, (*figure)?)));
        let (_, live) = walk(WASTE, &setting, before, told);
        let opened = live.iter().filter(|crossing| crossing.opens).count();
        prop_assert_eq!(rehearse(WASTE, &set, &path, (at(0), at(99))).len(), opened);
    }

    /// Of a silence the first look at which a rule is crossed is found, wherever its mark is.
    #[test]
    fn the_first_look_past_a_mark_is_found_as_if_every_look_was_taken(
        lengths in proptest::collection::vec((1i64..50, 1i64..400), 1..6),
        mark in 0.1..80.0f64,
    ) {
        let mut runs = Vec::new();
        let mut next = at(0);
        for (answered, silent) in lengths {
            let until = next.checked_add(SignedDuration::from_mins(7 * answered)).unwrap();
            runs.push((next, until));
            next = until.checked_add(SignedDuration::from_mins(13 * silent)).unwrap();
        }
        let calendar = Calendar::new(["sat", "sun"].map(|closed| closed.parse().unwrap())).unwrap();
        let worked = |from, to| in_hours(calendar.open_time(from, to, &TimeZone::UTC));
        let found = silence_figures(&runs, next, worked, |hours| hours >= mark);
        let nexts = runs.iter().skip(1).map(|run| run.0).chain([next]);
        let mut expected = Vec::new();
        for ((from, until), back) in runs.iter().zip(nexts) {
            expected.push((*from, 0.0));
            let looks = (1..).map(|n| until.checked_add(SignedDuration::from_mins(15 * n)).unwrap());
            let looks = looks.take_while(|at| *at < back).map(|at| (at, worked(*until, at)));
            expected.extend(looks.into_iter().find(|(_, hours)| *hours >= mark));
        }
        prop_assert_eq!(found, expected);
    }

    /// A silence hides what was within it, and nothing else.
    #[test]
    fn outside_of_silences_figures_stand_as_they_stood(
        figures in proptest::collection::vec(0.0..100.0f64, 1..40),
        silent in proptest::collection::btree_set(1i64..45, 0..8),
    ) {
        let figures: Vec<_> = (0..).zip(&figures).map(|(n, figure)| (at(n), *figure)).collect();
        let ends: Vec<i64> = silent.into_iter().collect();
        let spans: Vec<Span> = ends.chunks(2).map(|pair| (at(pair[0]), pair.get(1).map(|to| at(*to)))).collect();
        let told = while_answering(&figures, &spans);
        prop_assert!(told.is_sorted_by_key(|(at, _)| *at));
        let stood = |moment| figures.iter().rev().find(|(at, _)| *at <= moment).map(|(_, figure)| *figure);
        for n in 0..50 {
            let told = told.iter().rev().find(|(then, _)| *then <= at(n)).and_then(|(_, figure)| *figure);
            let is_silent = spans.iter().any(|(from, to)| *from <= at(n) && to.is_none_or(|to| at(n) < to));
            prop_assert_eq!(told, if is_silent { None } else { stood(at(n)) });
        }
    }
}
