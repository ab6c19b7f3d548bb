use proptest::prelude::*;

use super::*;

/// A series from a Wednesday on, without a calendar, a capacity or anything borrowed.
fn paced(daily: &[f64]) -> Option<Pace> {
    paced_with(daily, None, None)
}

fn paced_with(daily: &[f64], capacity: Option<f64>, borrowed: Option<Borrowed>) -> Option<Pace> {
    let calendar = Calendar::default();
    pace(&Past { daily, first: Date::constant(2026, 1, 7), calendar: &calendar, capacity, borrowed })
}

fn ahead(weekday: usize) -> Ahead {
    Ahead { weekday, share_of_today: 1.0, shut: Vec::new() }
}

#[derive(serde::Deserialize)]
struct Reference {
    cases: Vec<Case>,
}

#[derive(serde::Deserialize)]
struct Case {
    origin_day: usize,
    first_weekday: usize,
    daily_ml: Vec<f64>,
    remaining_ml: f64,
    step_ml: f64,
    rate: f64,
    var_per_day: f64,
    p0: f64,
    profile: [f64; 7],
    p10: f64,
    p50: f64,
    p90: f64,
}

/// The week's profile and the passage through what remains, written independently in Python on numpy 2.4.6
/// and scipy 1.17.1 (`gammainc`); inputs and outputs are kept as a fixture. Its rate and variance are those of
/// another filter, which widens what it says by a fifth: they are put in, and not compared.
#[test]
fn the_passage_agrees_with_the_reference_in_numpy_and_scipy() {
    const WIDENING: f64 = 1.2;
    const THEIR_DRIFT: f64 = 3e-4;
    let text = include_str!("../../../tests/fixtures/horizon_reference.json");
    let reference: Reference = serde_json::from_str(text).unwrap();
    let near = |ours: f64, theirs: f64| (ours - theirs).abs() <= 1e-6 * theirs.abs().max(1.0);
    for case in &reference.cases {
        let week = week::profile(&case.daily_ml, case.first_weekday, &[], &Calendar::default());
        assert!(week.iter().zip(&case.profile).all(|(ours, theirs)| near(*ours, *theirs)));
        let (variance, doubt) = (WIDENING * case.var_per_day, WIDENING * case.p0);
        let pace = Pace { rate: case.rate, variance, doubt, week, surge: 0.0 };
        let ahead = ahead((case.first_weekday + case.daily_ml.len()) % 7);
        let weights = Weights::new(&pace, &ahead);
        let days = ends(Passage {
            pace: &pace,
            remaining: case.remaining_ml,
            step: case.step_ml,
            drift: WIDENING * THEIR_DRIFT,
            weights,
        });
        for (ours, theirs) in days.iter().zip([case.p10, case.p50, case.p90]) {
            assert!(near(*ours, theirs), "day {}: {ours} {theirs}", case.origin_day);
        }
    }
    assert!(reference.cases.len() >= 10);
}

/// A passage of use that knows no weekdays and no surge, through what remains.
fn plain(rate: f64, variance: f64, doubt: f64, drift: f64, remaining: f64) -> ([f64; 3], f64) {
    let pace = Pace { rate, variance, doubt, week: [1.0; 7], surge: 0.0 };
    let ahead = ahead(0);
    let weights = Weights::new(&pace, &ahead);
    let mut passage = Passage { pace: &pace, remaining, step: 0.0, drift, weights };
    let chance = passage.ended_by(10);
    (ends(passage), chance)
}

/// Jobs at 1.7 a day of 24 ml on average with a standard deviation of 30 use 408 ml in ten days with a variance of
/// 25,092 (a compound Poisson process: the rate times the mean, and times the mean square). That a gamma of these
/// reaches 775 ml has a chance of 0.02429939557548376, by scipy 1.17.1's `stats.gamma.sf`.
#[test]
fn compound_poisson_use_reaches_a_full_unit_as_scipy_says() {
    let (rate, variance): (f64, f64) = (1.7 * 24.0, 1.7 * (24.0 * 24.0 + 30.0 * 30.0));
    assert!((10.0 * rate - 408.0).abs() < 1e-9 && (10.0 * variance - 25_092.0).abs() < 1e-9);
    let (_, chance) = plain(rate, variance, 0.0, 0.0, 775.0);
    assert!((chance - 0.024_299_395_575_483_76).abs() < 1e-9, "{chance}");
}

/// First passage of 12 ± 20 a day through 300, looked at by the day: by numpy 2.4.6 and scipy 1.17.1 (`gammainc`),
/// with a sure rate, and with one of relative variance 0.02 that drifts by 3e-4 a day.
#[test]
fn first_passage_agrees_with_scipy_with_and_without_doubt_about_the_rate() {
    let near = |ours: [f64; 3], theirs: [f64; 3]| ours.iter().zip(theirs).all(|(a, b)| (a - b).abs() < 1e-6);
    let (sure, _) = plain(12.0, 400.0, 0.0, 0.0, 300.0);
    assert!(near(sure, [16.061_606_71, 25.920_164_52, 37.323_639_15]), "{sure:?}");
    let (doubted, _) = plain(12.0, 400.0, 0.02, 3e-4, 300.0);
    assert!(near(doubted, [15.636_479_93, 26.112_321_37, 39.493_208_5]), "{doubted:?}");
}

#[test]
fn a_short_history_gives_no_pace_unless_there_is_a_rate_to_borrow() {
    assert_eq!(paced(&[5.0; LEAST_DAYS - 1]), None);
    let borrowed = Borrowed::of(&[4.0, 5.0, 6.5]);
    let lent = paced_with(&[], Some(775.0), borrowed).unwrap();
    assert!((4.0..8.0).contains(&lent.rate), "{lent:?}");
    let own = paced_with(&[20.0; 9], Some(775.0), borrowed).unwrap();
    assert!(own.rate > lent.rate && own.doubt < lent.doubt, "nine days of its own weigh more: {own:?}");
    let known = [20.0; BORROWS_BELOW_DAYS as usize];
    assert_eq!(paced_with(&known, Some(775.0), borrowed), paced_with(&known, Some(775.0), None));
}

#[test]
fn one_lender_is_none_and_unlike_lenders_lend_less_surely() {
    assert_eq!(Borrowed::of(&[5.0, 0.0]), None);
    let alike = Borrowed::of(&[5.0, 5.2, 4.9, 5.1]).unwrap();
    let unlike = Borrowed::of(&[1.0, 5.2, 30.0, 5.1]).unwrap();
    assert!(alike.spread < unlike.spread && alike.lenders == 4);
}

#[test]
fn a_campaign_goes_on_for_some_days_and_a_large_job_is_none() {
    let mut daily = vec![5.0; 200];
    daily.extend([20.0; 3]);
    let campaign = paced_with(&daily, Some(775.0), None).unwrap();
    assert!((0.5..3.0).contains(&campaign.surge), "{campaign:?}");
    let usual = Pace { surge: 0.0, ..campaign.clone() };
    let middle = |pace: &Pace, left| end_days(pace, left, 0.1, &ahead(0))[1];
    assert!(middle(&campaign, 60.0) < middle(&usual, 60.0) - 1.0);
    let (near, far) =
        (middle(&usual, 60.0) - middle(&campaign, 60.0), middle(&usual, 600.0) - middle(&campaign, 600.0));
    assert!(far < 3.0 * near + 3.0, "it fades: {near} {far}");
    daily.truncate(200);
    daily.push(400.0);
    let job = paced_with(&daily, Some(775.0), None).unwrap();
    daily[200] = 0.15 * 775.0;
    let capped = paced_with(&daily, Some(775.0), None).unwrap();
    assert!(job.surge <= capped.surge, "{} {}", job.surge, capped.surge);
    let quiet: Vec<f64> = daily[..200].iter().copied().chain([0.0; 6]).collect();
    let quiet = paced_with(&quiet, Some(775.0), None).unwrap();
    assert!((-0.7..0.0).contains(&quiet.surge), "{}", quiet.surge);
}

#[test]
fn a_jump_of_the_rate_is_believed_within_weeks() {
    let mut daily = vec![4.0; 200];
    daily.extend([12.0; 28]);
    let after = paced_with(&daily, Some(775.0), None).unwrap();
    assert!(after.rate > 10.0, "{after:?}");
    let before = paced_with(&daily[..200], Some(775.0), None).unwrap();
    assert!((before.rate - 4.0).abs() < 0.3, "{before:?}");
}

#[test]
fn a_shut_down_ahead_puts_the_end_off_and_one_behind_does_not_lower_the_rate() {
    let closed = ["2026-05-04..2026-05-24".parse().unwrap(), "2026-03-02..2026-03-15".parse().unwrap()];
    let shut = Calendar::new(closed).unwrap();
    let first = Date::constant(2026, 1, 5);
    let today = Date::constant(2026, 5, 4);
    let calendars = [Calendar::default(), shut];
    let [open, shut] = calendars.map(|calendar| {
        let daily: Vec<f64> = (0..119)
            .map(|day| {
                let shut = calendar.is_shut(first + jiff::Span::new().days(i64::from(day)));
                if shut { 2.0 } else { 10.0 }
            })
            .collect();
        let past = Past { daily: &daily, first, calendar: &calendar, capacity: Some(775.0), borrowed: None };
        let pace = pace(&past).unwrap();
        (pace.rate, end_days(&pace, 200.0, 0.1, &Ahead::new(today, 1.0, &calendar)))
    });
    assert!((open.0 - shut.0).abs() < 0.5, "{open:?} {shut:?}");
    assert!(shut.1[1] > open.1[1] + 12.0, "{open:?} {shut:?}");
}

#[test]
fn a_supply_that_is_not_used_ends_on_no_day() {
    let pace = paced(&[0.0; 60]).unwrap();
    assert_eq!(end_days(&pace, 500.0, 0.1, &ahead(0)), [FURTHEST_DAYS as f64; 3]);
}

proptest! {
    #[test]
    fn early_comes_before_middle_before_late(
        daily in proptest::collection::vec(0.0..60.0f64, 10..420),
        remaining in 0.0..1000.0f64,
        weekday in 0..7usize,
        share_of_today in 0.0..1.0f64,
    ) {
        let pace = paced(&daily).unwrap();
        prop_assert!(pace.rate > 0.0 && pace.variance > 0.0 && pace.doubt >= 0.0, "{pace:?}");
        let ahead = Ahead { weekday, share_of_today, shut: Vec::new() };
        let [early, middle, late] = end_days(&pace, remaining, 0.1, &ahead);
        prop_assert!(0.0 <= early && early <= middle && middle <= late && late <= FURTHEST_DAYS as f64);
        let chances = chances_ended(&pace, remaining, 0.1, &ahead, FURTHEST_DAYS);
        let by = |days: f64| chances[(days.ceil() as usize).clamp(1, FURTHEST_DAYS) - 1];
        prop_assert!(chances.is_sorted() && chances.iter().all(|chance| (0.0..=1.0).contains(chance)));
        prop_assert!(early >= FURTHEST_DAYS as f64 || by(early) >= 0.1 - 1e-9);
    }
}
