use jiff::SignedDuration;
use proptest::prelude::*;

use super::*;
use crate::domain::alert::ruleset::{Patch, Scope};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::rules::Rules;

const BOBBIN: Subject = Subject::Device(DeviceId(1));
const CYAN: Subject = Subject::Slot(DeviceId(1), SlotId(11));

fn at(minutes: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + 60 * minutes).unwrap()
}

fn condition(rule: Rule, subject: Subject, figure: impl Into<Option<f64>>) -> Condition {
    let summary = format!("{} at {subject:?}", rule.word());
    Condition { rule, subject, site: Some(1), model: None, figure: figure.into(), summary }
}

fn usual() -> RuleSet {
    RuleSet::new(&Rules::default(), Vec::new())
}

/// Which rules, each with the number of its moment.
type Crossed = Vec<(i64, Rule)>;

/// Judges one moment after the other and gives back every opening that is told, every clearing, and the end.
fn live(moments: &[Vec<Condition>], judged: &[Rule], rules: &RuleSet) -> (Crossed, Crossed, Stands) {
    let (mut told, mut cleared, mut stands) = (Vec::new(), Vec::new(), Stands::default());
    for (n, conditions) in moments.iter().enumerate() {
        let n = i64::try_from(n).unwrap();
        let edges = judge(conditions, judged, &stands, rules, at(n));
        for edge in &edges {
            match edge {
                Edge::Open { rule, folded: false, .. } => told.push((n, *rule)),
                Edge::Unfold(standing) => told.push((n, standing.rule)),
                Edge::Clear(standing) => cleared.push((n, standing.rule)),
                _ => {}
            }
        }
        stands = after(&stands, &edges, at(n));
    }
    (told, cleared, stands)
}

#[test]
fn a_dark_machine_does_not_also_raise_its_supplies() {
    let mut all = vec![condition(Rule::Dark, BOBBIN, 30.0), condition(Rule::PollFailing, BOBBIN, 30.0)];
    let slots = (11..27).map(|slot| Subject::Slot(DeviceId(1), SlotId(slot)));
    all.extend(slots.clone().map(|slot| condition(Rule::Stale, slot, 30.0)));
    let (told, _, stands) = live(&[all.clone(), all.clone()], &[Rule::Stale], &usual());
    assert_eq!(told, [(0, Rule::Dark)]);
    assert_eq!(stands.open.len(), 18, "what follows is kept, and folded");
    // The machine answers again, and one supply is still not in its answers: that is news now.
    let mut better = vec![condition(Rule::Dark, BOBBIN, 0.0), condition(Rule::PollFailing, BOBBIN, 0.0)];
    better.extend(slots.map(|slot| condition(Rule::Stale, slot, if slot == CYAN { 31.0 } else { 0.0 })));
    let (told, cleared, stands) = live(&[all, better], &[Rule::Stale], &usual());
    assert_eq!(told, [(0, Rule::Dark), (1, Rule::Stale)]);
    assert_eq!(cleared.len(), 17);
    assert_eq!(stands.open.len(), 1);
}

#[test]
fn what_the_device_says_of_a_supply_stands_before_what_a_forecast_says() {
    let asked = vec![
        condition(Rule::LowSupply, CYAN, 2.0),
        condition(Rule::RunOut, CYAN, 1.0),
        condition(Rule::ReplaceNow, CYAN, 1.0),
    ];
    let (told, ..) = live(&[asked], &[], &usual());
    assert_eq!(told, [(0, Rule::ReplaceNow)]);
    let elsewhere = Subject::Slot(DeviceId(1), SlotId(12));
    let other = vec![condition(Rule::ReplaceNow, CYAN, 1.0), condition(Rule::RunOut, elsewhere, 1.0)];
    let (told, ..) = live(&[other], &[], &usual());
    assert_eq!(told.len(), 2, "another supply is another matter");
}

#[test]
fn an_error_has_to_last_and_a_lull_starts_it_anew() {
    let error = |on: bool| vec![condition(Rule::DeviceError, BOBBIN, f64::from(u8::from(on)))];
    let mut moments: Vec<_> = (0..10).map(|_| error(true)).collect();
    moments.push(error(false));
    moments.extend((0..17).map(|_| error(true)));
    let (told, _, stands) = live(&moments, &[Rule::DeviceError], &usual());
    assert_eq!(told, [(26, Rule::DeviceError)]);
    assert!(stands.waiting.is_empty());
}

#[test]
fn what_cannot_be_told_changes_nothing_and_what_is_gone_clears() {
    let stands = Stands {
        open: vec![Standing {
            id: AlertId(1),
            rule: Rule::RunOut,
            subject: CYAN,
            opened_at: at(0),
            folded: false,
        }],
        waiting: Vec::new(),
    };
    let judge = |conditions: &[Condition]| judge(conditions, &[Rule::RunOut], &stands, &usual(), at(5));
    assert_eq!(judge(&[condition(Rule::RunOut, CYAN, None)]), []);
    assert_eq!(judge(&[]), [Edge::Clear(stands.open[0])]);
}

#[test]
fn a_rule_that_is_switched_off_for_one_machine_clears_there() {
    let off = Patch {
        rule: Rule::RunOut,
        scope: Scope::Device(DeviceId(1)),
        on: Some(false),
        grade: None,
        marks: None,
        lasting: None,
    };
    let conditions = |figure: Option<f64>| {
        vec![
            condition(Rule::RunOut, CYAN, figure),
            condition(Rule::RunOut, Subject::Slot(DeviceId(2), SlotId(21)), 1.0),
        ]
    };
    let before = judge(&conditions(Some(1.0)), &[], &Stands::default(), &usual(), at(0));
    let stands = after(&Stands::default(), &before, at(0));
    assert_eq!(stands.open.len(), 2);
    let edges = judge(&conditions(None), &[], &stands, &usual().with(off), at(1));
    assert_eq!(edges, [Edge::Clear(stands.open[0])]);
}

#[test]
fn changing_a_mark_opens_what_lies_past_the_new_one() {
    let lower = Patch {
        rule: Rule::WasteOrderPoint,
        scope: Scope::Everywhere,
        on: None,
        grade: Some(Grade::Critical),
        marks: Some((60.0, 55.0)),
        lasting: Some(SignedDuration::ZERO),
    };
    let full = [condition(Rule::WasteOrderPoint, CYAN, 62.0)];
    assert_eq!(judge(&full, &[], &Stands::default(), &usual(), at(0)), []);
    let edges = judge(&full, &[], &Stands::default(), &usual().with(lower), at(0));
    assert!(matches!(edges[..], [Edge::Open { grade: Grade::Critical, .. }]), "{edges:?}");
}

fn any_condition() -> impl Strategy<Value = Condition> {
    let subject = prop_oneof![
        (1..3i64).prop_map(|device| Subject::Device(DeviceId(device))),
        (1..3i64, 0..3i64)
            .prop_map(|(device, slot)| Subject::Slot(DeviceId(device), SlotId(10 * device + slot))),
    ];
    let figure = prop_oneof![Just(None), (0.0..100.0f64).prop_map(Some), Just(Some(0.0)), Just(Some(1.0))];
    (0..Rule::ALL.len(), subject, figure)
        .prop_map(|(n, subject, figure)| condition(Rule::ALL[n], subject, figure))
}

/// Conditions of one moment: at most one a rule and subject.
fn any_moment() -> impl Strategy<Value = Vec<Condition>> {
    proptest::collection::vec(any_condition(), 0..14).prop_map(|mut conditions| {
        conditions.sort_by_key(|c| (c.rule, c.subject));
        conditions.dedup_by_key(|c| (c.rule, c.subject));
        conditions
    })
}

proptest! {
    #[test]
    fn judging_twice_at_one_moment_changes_nothing_the_second_time(
        moments in proptest::collection::vec(any_moment(), 1..12),
    ) {
        let rules = usual();
        let mut stands = Stands::default();
        for (n, conditions) in moments.iter().enumerate() {
            let now = at(20 * i64::try_from(n).unwrap());
            let edges = judge(conditions, &Rule::ALL, &stands, &rules, now);
            stands = after(&stands, &edges, now);
            prop_assert_eq!(judge(conditions, &Rule::ALL, &stands, &rules, now), vec![]);
        }
    }

    #[test]
    fn no_rule_is_ever_open_twice_at_one_subject(moments in proptest::collection::vec(any_moment(), 1..20)) {
        let mut stands = Stands::default();
        for (n, conditions) in moments.iter().enumerate() {
            let now = at(20 * i64::try_from(n).unwrap());
            let edges = judge(conditions, &[], &stands, &usual(), now);
            stands = after(&stands, &edges, now);
            let mut open: Vec<_> = stands.open.iter().map(|open| (open.rule, open.subject)).collect();
            let mut waiting: Vec<_> = stands.waiting.iter().map(|w| (w.rule, w.subject)).collect();
            let counts = (open.len(), waiting.len());
            open.sort_unstable();
            open.dedup();
            waiting.sort_unstable();
            waiting.dedup();
            prop_assert_eq!(counts, (open.len(), waiting.len()));
            prop_assert!(waiting.iter().all(|waiting| !open.contains(waiting)));
        }
    }

    #[test]
    fn what_is_told_is_never_what_follows_from_something_open(
        moments in proptest::collection::vec(any_moment(), 1..12),
    ) {
        let mut stands = Stands::default();
        for (n, conditions) in moments.iter().enumerate() {
            let now = at(20 * i64::try_from(n).unwrap());
            let edges = judge(conditions, &[], &stands, &usual(), now);
            stands = after(&stands, &edges, now);
            for edge in &edges {
                if let Edge::Open { rule, subject, folded: false, .. } = edge {
                    prop_assert!(!stands.is_folded(*rule, *subject), "{:?} {:?}", rule, subject);
                }
            }
        }
    }
}
