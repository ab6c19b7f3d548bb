//! What a rule would have told in the past: walked over what is kept, as it would have been at the time.
//!
//! Whatever was past its mark already when the past begins would have been told before, and does not count.

use std::collections::BTreeSet;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Rule;
use super::facts::working_days;
use super::ruleset::{Place, RuleSet, Setting};
use super::walk::{Stand, level_figure, step};
use crate::domain::calendar::Calendar;
use crate::domain::polarity::Watch;
use crate::domain::reading::{Polarity, Reading, Role};
use crate::domain::rightness::KeptForecast;
use crate::domain::stream::{Event, Known};
use crate::domain::units::Fraction;

/// How finely a silence is looked at.
const LOOK_EVERY: SignedDuration = SignedDuration::from_mins(15);

/// What one figure did over the past, at a place.
#[derive(Debug, Clone)]
pub struct Path<'a> {
    /// Where.
    pub place: Place<'a>,
    /// The figures, in the rule's gauge, earliest first.
    pub figures: Vec<(Timestamp, f64)>,
}

/// An alert that there would have been.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Telling {
    /// Which of the paths it lies on.
    pub path: usize,
    /// When it would have opened.
    pub opened_at: Timestamp,
    /// When it would have cleared, if it would have by now.
    pub cleared_at: Option<Timestamp>,
    /// The figure at which it would have opened.
    pub figure: f64,
}

/// The rules whose past can be walked again: what the others went by then is not kept.
#[must_use]
pub fn can_be_rehearsed(rule: Rule) -> bool {
    matches!(
        rule,
        Rule::WasteOrderPoint
            | Rule::LowSupply
            | Rule::RunOut
            | Rule::ReplaceNow
            | Rule::Dark
            | Rule::PollFailing
    )
}

/// What a rule would have told from `from` to `to`, latest first.
#[must_use]
pub fn rehearse(
    rule: Rule,
    rules: &RuleSet,
    paths: &[Path<'_>],
    (from, to): (Timestamp, Timestamp),
) -> Vec<Telling> {
    let mut all: Vec<Telling> = Vec::new();
    for (n, path) in paths.iter().enumerate() {
        let setting = rules.at(rule, &path.place);
        let mut open: Option<Telling> = None;
        for (at, opens, figure) in crossings(rule, &setting, &path.figures, to) {
            if opens {
                open = Some(Telling { path: n, opened_at: at, cleared_at: None, figure });
            } else if let Some(telling) = open.take() {
                all.push(Telling { cleared_at: Some(at), ..telling });
            }
        }
        all.extend(open);
    }
    all.retain(|telling| from <= telling.opened_at && telling.opened_at <= to);
    all.sort_by_key(|telling| std::cmp::Reverse((telling.opened_at, telling.path)));
    all
}

/// Openings (true) and clearings along a path. A figure stands until the next one comes, so that what has to last
/// opens between two of them.
fn crossings(
    rule: Rule,
    setting: &Setting,
    figures: &[(Timestamp, f64)],
    to: Timestamp,
) -> Vec<(Timestamp, bool, f64)> {
    let Some((_, first)) = figures.first() else { return Vec::new() };
    let told_before = setting.on && setting.holds(rule, *first, false);
    let mut stand = if told_before { Stand::Open } else { Stand::Quiet };
    let mut found = Vec::new();
    let ends = figures.iter().skip(1).map(|(at, _)| *at).chain([to]);
    for ((at, figure), until) in figures.iter().zip(ends) {
        let (next, edge) = step(rule, setting, stand, (*at, *figure));
        found.extend(edge.map(|opens| (*at, opens, *figure)));
        stand = next;
        let ripe = match stand {
            Stand::Waiting(since) => since.checked_add(setting.lasting).ok(),
            Stand::Quiet | Stand::Open => None,
        };
        if let Some(ripe) = ripe.filter(|ripe| *ripe < until) {
            let (next, edge) = step(rule, setting, stand, (ripe, *figure));
            found.extend(edge.map(|opens| (ripe, opens, *figure)));
            stand = next;
        }
    }
    found
}

/// The figures of the rule about a slot's level, from its readings. `seen_until` is the device's last answer.
#[must_use]
pub fn level_figures(
    role: Role,
    counts: Polarity,
    readings: &[Reading],
    seen_until: Timestamp,
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    let mut watch = Watch::new(role, Some(counts), Known::default());
    let mut figures = Vec::new();
    let mut tell = |event| {
        if let Event::Believed { at, remaining, capacity: Some(capacity) } = event
            && let Some(left) = Fraction::of(remaining, capacity)
        {
            figures.push((at, level_figure(role, left).1));
        }
    };
    for reading in readings {
        watch.push(reading, zone, &mut tell);
    }
    watch.seen(seen_until, zone, &mut tell);
    figures.sort_by_key(|(at, _)| *at);
    figures
}

/// The figures of the rule about ends that are near, from the forecasts that were kept of a slot: of each day the
/// first, so that what a later poll of the day said is told of the next. Of days longer ago than some weeks only the
/// first of each week is kept.
#[must_use]
pub fn forecast_figures(
    kept: &[KeptForecast],
    calendar: &Calendar,
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    kept.iter()
        .filter_map(|kept| {
            let morning = kept.day.to_zoned(zone.clone()).ok()?.timestamp();
            Some((morning, working_days(calendar, kept.day, kept.horizon.middle)))
        })
        .collect()
}

/// The figures of the rule about what devices say themselves: from the course of a level, in hundredths, and from when
/// to when the device's own alert table asked for a swap.
#[must_use]
pub fn replace_figures(
    role: Role,
    levels: &[(Timestamp, f64)],
    asked: &[(Timestamp, Option<Timestamp>)],
) -> Vec<(Timestamp, f64)> {
    let nothing_left = |figure: f64| match role {
        Role::Consumed => figure <= 0.0,
        Role::Filled => figure >= 100.0,
    };
    let ends = asked.iter().filter_map(|(_, to)| *to);
    let moments: BTreeSet<Timestamp> =
        levels.iter().map(|(at, _)| *at).chain(asked.iter().map(|(from, _)| *from)).chain(ends).collect();
    moments
        .into_iter()
        .map(|at| {
            let asks = asked.iter().any(|(from, to)| *from <= at && to.is_none_or(|to| at < to));
            let level = levels.partition_point(|(then, _)| *then <= at).checked_sub(1).map(|n| levels[n].1);
            (at, f64::from(u8::from(asks || level.is_some_and(nothing_left))))
        })
        .collect()
}

/// The figures of the rules about silence, from the runs of answered polls: hours since the last answer in which
/// somebody worked.
#[must_use]
pub fn silence_figures(
    answered: &[(Timestamp, Timestamp)],
    to: Timestamp,
    calendar: &Calendar,
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    let mut figures = Vec::new();
    let nexts = answered.iter().skip(1).map(|(from, _)| Some(*from)).chain([None]);
    for ((from, until), next) in answered.iter().zip(nexts) {
        figures.push((*from, 0.0));
        let back = next.unwrap_or(to);
        let mut at = *until;
        while let Ok(later) = at.checked_add(LOOK_EVERY)
            && later < back
        {
            at = later;
            figures.push((at, calendar.open_time(*until, at, zone).as_secs_f64() / 3600.0));
        }
    }
    figures
}

#[cfg(test)]
mod tests {
    use jiff::civil::Date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::alert::Subject;
    use crate::domain::alert::ruleset::{Patch, Scope};
    use crate::domain::alert::walk::walk;
    use crate::domain::ids::{DeviceId, SlotId};
    use crate::domain::outlook::Horizon;
    use crate::domain::rules::Rules;

    const WASTE: Rule = Rule::WasteOrderPoint;

    fn at(hour: i64) -> Timestamp {
        Timestamp::from_second(1_790_000_000 + hour * 3600).unwrap()
    }

    fn path(figures: &[f64]) -> Path<'static> {
        let place =
            Place { subject: Subject::Slot(DeviceId(1), SlotId(9)), site: Some(1), model: Some("Loft 44") };
        Path { place, figures: (0..).zip(figures).map(|(n, figure)| (at(n), *figure)).collect() }
    }

    fn rules(marks: (f64, f64), minutes: i64) -> RuleSet {
        let lasting = Some(SignedDuration::from_mins(minutes));
        let patch = Patch {
            rule: WASTE,
            scope: Scope::Device(DeviceId(1)),
            on: None,
            grade: None,
            marks: Some(marks),
            lasting,
        };
        RuleSet::new(&Rules::default(), vec![patch])
    }

    fn hours(tellings: &[Telling]) -> Vec<(i64, Option<i64>)> {
        let hour = |at: Timestamp| (at.as_second() - 1_790_000_000) / 3600;
        tellings.iter().map(|telling| (hour(telling.opened_at), telling.cleared_at.map(hour))).collect()
    }

    #[test]
    fn what_was_past_its_mark_before_is_not_told_again_and_the_latest_comes_first() {
        let paths = [path(&[75.0, 80.0, 2.0, 40.0, 71.0, 72.0]), path(&[60.0, 69.0, 70.0, 3.0, 20.0, 30.0])];
        let told = rehearse(WASTE, &rules((70.0, 65.0), 0), &paths, (at(0), at(9)));
        assert_eq!(hours(&told), [(4, None), (2, Some(3))]);
        assert_eq!((told[0].path, told[1].path, told[1].figure), (0, 1, 70.0));
        let higher = rehearse(WASTE, &rules((72.0, 65.0), 0), &paths, (at(0), at(9)));
        assert_eq!(hours(&higher), [(5, None)]);
        assert!(rehearse(WASTE, &rules((70.0, 65.0), 0), &paths, (at(5), at(9))).is_empty());
    }

    #[test]
    fn what_has_to_last_opens_between_two_figures() {
        let paths = [path(&[60.0, 71.0, 60.0, 71.0])];
        assert_eq!(hours(&rehearse(WASTE, &rules((70.0, 65.0), 90), &paths, (at(0), at(9)))), [(4, None)]);
        assert!(rehearse(WASTE, &rules((70.0, 65.0), 90), &paths, (at(0), at(4))).is_empty());
    }

    #[test]
    fn a_silence_grows_by_the_hours_in_which_somebody_worked() {
        let answered = [(at(0), at(2)), (at(6), at(8))];
        let figures = silence_figures(&answered, at(9), &Calendar::default(), &TimeZone::UTC);
        assert_eq!(figures.iter().map(|figure| figure.1).fold(0.0, f64::max), 3.75);
        let place = Place { subject: Subject::Device(DeviceId(1)), site: None, model: None };
        let paths = [Path { place, figures }];
        let set = RuleSet::new(&Rules::default(), Vec::new());
        assert_eq!(hours(&rehearse(Rule::PollFailing, &set, &paths, (at(0), at(9)))), [(4, Some(6))]);
        assert!(rehearse(Rule::Dark, &set, &paths, (at(0), at(9))).is_empty());
    }

    #[test]
    fn an_end_that_comes_near_is_told_on_the_first_day_that_says_so() {
        let day = |day: i8| Date::constant(2026, 11, day);
        let kept = |made, middle| KeptForecast {
            slot: SlotId(9),
            day: day(made),
            to_use: 10.0,
            horizon: Horizon { early: day(middle), middle: day(middle), late: day(middle) },
        };
        let calendar = Calendar::new(["sat", "sun"].map(|closed| closed.parse().unwrap())).unwrap();
        // From Thursday the 5th it is four working days to Wednesday the 11th, from Saturday three; then it is swapped.
        let kept = [kept(5, 11), kept(6, 11), kept(7, 11), kept(10, 27)];
        let figures = forecast_figures(&kept, &calendar, &TimeZone::UTC);
        assert_eq!(figures.iter().map(|figure| figure.1).collect::<Vec<_>>(), [4.0, 3.0, 3.0, 13.0]);
        assert_eq!(figures[0].0, "2026-11-05T00:00:00Z".parse::<Timestamp>().unwrap());
        let place = Place { subject: Subject::Slot(DeviceId(1), SlotId(9)), site: None, model: None };
        let set = RuleSet::new(&Rules::default(), Vec::new());
        let days: Vec<Timestamp> = figures.iter().map(|figure| figure.0).collect();
        let told = rehearse(Rule::RunOut, &set, &[Path { place, figures }], (days[0], at(9999)));
        let [only] = told[..] else { panic!("{told:?}") };
        assert_eq!((only.opened_at, only.cleared_at, only.figure), (days[1], Some(days[3]), 3.0));
    }

    #[test]
    fn a_device_that_asks_or_has_nothing_left_is_told_for_as_long_as_it_is_so() {
        let levels = [(at(0), 10.0), (at(4), 0.0), (at(6), 100.0), (at(9), 90.0)];
        let asked = [(at(2), Some(at(3))), (at(8), None)];
        let said = |role, levels: &[_], asked: &[_]| -> Vec<(i64, f64)> {
            let hour = |at: Timestamp| (at.as_second() - 1_790_000_000) / 3600;
            replace_figures(role, levels, asked).into_iter().map(|(at, said)| (hour(at), said)).collect()
        };
        let ink = [(0, 0.0), (2, 1.0), (3, 0.0), (4, 1.0), (6, 0.0), (8, 1.0), (9, 1.0)];
        assert_eq!(said(Role::Consumed, &levels, &asked), ink);
        assert_eq!(said(Role::Filled, &levels, &[]), [(0, 0.0), (4, 0.0), (6, 1.0), (9, 0.0)]);
        assert_eq!(said(Role::Consumed, &[], &asked[1..]), [(8, 1.0)]);
    }

    proptest! {
        /// The past is told as it was: the walk that opens alerts live, from where it stood then.
        #[test]
        fn it_tells_what_the_live_walk_would_have(figures in proptest::collection::vec(0.0..100.0f64, 1..60)) {
            let (set, path) = (rules((70.0, 65.0), 0), path(&figures));
            let setting = set.at(WASTE, &path.place);
            let before = if setting.holds(WASTE, figures[0], false) { Stand::Open } else { Stand::Quiet };
            let (_, live) = walk(WASTE, &setting, before, path.figures.iter().copied());
            let opened = live.iter().filter(|crossing| crossing.opens).count();
            prop_assert_eq!(rehearse(WASTE, &set, &[path], (at(0), at(99))).len(), opened);
        }
    }
}
