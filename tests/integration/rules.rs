//! A rule that is tried on the past tells what it did tell, and a rule that is kept holds where it was changed.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::{SignedDuration, Timestamp};
use ullage::domain::alert::ruleset::{Patch, RuleSet, Scope};
use ullage::domain::alert::{Alert, Rule};
use ullage::domain::ids::{DeviceId, SlotId};
use ullage::domain::outlook::Present;
use ullage::domain::rules::Rules;
use ullage::store::outlooks::Wanted;
use ullage::usecase::alerts::judge_all;
use ullage::usecase::ingest::ingest;
use ullage::usecase::keeping::tidy;
use ullage::usecase::rules::{RuleRefused, keep, rehearse_change, rule, rules};

use crate::support::database::TestDatabase;
use crate::support::loft::{Loft, moment};
use crate::support::said::{answered, at, device, present};

/// A change that changes nothing.
fn as_it_is(rule: Rule, scope: Scope) -> Patch {
    let built_in = RuleSet::new(&Rules::default(), Vec::new()).built_in(rule);
    Patch {
        rule,
        scope,
        on: Some(true),
        grade: Some(built_in.grade),
        marks: Some((built_in.open_at, built_in.clear_at)),
        lasting: Some(built_in.lasting),
    }
}

type Course = (Option<SlotId>, Timestamp, Option<Timestamp>);

/// What a rule has really told, by slot and time; without what was past its mark when watching began.
async fn lived(loft: &Loft, rule: Rule) -> Vec<Course> {
    let store = &loft.service.store;
    let mut alerts: Vec<Alert> = Vec::new();
    for open in [true, false] {
        alerts.extend(store.alerts(open, None, 10_000).await.unwrap().into_iter().map(|row| row.alert));
    }
    let first = loft.opened.checked_add(SignedDuration::from_mins(15)).unwrap();
    alerts.retain(|alert| alert.rule == rule && alert.opened_at > first);
    let course = |alert: &Alert| (alert.subject.slot(), alert.opened_at, alert.cleared_at);
    let mut courses: Vec<Course> = alerts.iter().map(course).collect();
    courses.sort();
    courses
}

#[tokio::test(flavor = "multi_thread")]
async fn the_past_is_told_again_as_it_was_and_otherwise_with_other_marks() {
    let now = moment("2026-10-20T10:00");
    let loft = Loft::brought_in(now, 40).await;
    let (store, settings) = (&loft.service.store, Rules::default());
    let present = Present { now, zone: loft.service.zone.clone() };
    let tell = |patch: Patch| {
        let (present, settings) = (&present, &settings);
        async move { rehearse_change(store, &patch, present, settings).await.unwrap().unwrap().tellings }
    };
    let mut compared = 0;
    for rule in [Rule::WasteOrderPoint, Rule::LowSupply, Rule::Dark] {
        let told = tell(as_it_is(rule, Scope::Everywhere)).await;
        let mut told: Vec<Course> =
            told.into_iter().map(|line| (line.subject.slot(), line.opened_at, line.cleared_at)).collect();
        told.sort();
        assert_eq!(told, lived(&loft, rule).await, "{rule:?}");
        compared += told.len();
    }
    assert!(compared >= 8, "only {compared} alerts to compare");

    let low = |open_at| Patch {
        marks: Some((open_at, open_at + 5.0)),
        ..as_it_is(Rule::LowSupply, Scope::Everywhere)
    };
    let (few, many) = (tell(low(2.0)).await, tell(low(50.0)).await);
    assert!(few.len() < many.len(), "{} and {}", few.len(), many.len());
    // Days that are over are packed, and tell the same.
    assert!(tidy(store, 0, &present, || true).await.unwrap().packed > 0);
    assert_eq!(tell(low(50.0)).await, many);
    let bobbin = loft.demo.devices[0].0;
    let here = tell(Patch { scope: Scope::Device(bobbin), ..low(50.0) }).await;
    assert!(!here.is_empty() && here.iter().all(|line| line.subject.device() == Some(bobbin)));
    assert_eq!(here.len(), many.iter().filter(|line| line.subject.device() == Some(bobbin)).count());
    assert!(here[0].about.starts_with("Bobbin, "), "{:?}", here[0]);
    let soon = |days| Patch { marks: Some((days, days + 2.0)), ..as_it_is(Rule::RunOut, Scope::Everywhere) };
    let (few, many) = (tell(soon(1.0)).await, tell(soon(9.0)).await);
    assert!(!few.is_empty() && few.len() < many.len(), "{} and {}", few.len(), many.len());
    assert!(many.iter().all(|line| line.subject.slot().is_some() && line.figure <= 9.0));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_rule_is_kept_for_a_place_shown_and_taken_back() {
    let now = moment("2026-10-20T10:00");
    let loft = Loft::brought_in(now, 2).await;
    let (store, settings) = (&loft.service.store, Rules::default());
    let present = Present { now, zone: loft.service.zone.clone() };
    let bobbin = loft.demo.devices[0].0;
    let at = |scope| Patch { marks: Some((60.0, 55.0)), ..as_it_is(Rule::WasteOrderPoint, scope) };
    let keep = |patch: Patch| {
        let (present, settings) = (&present, &settings);
        async move { keep(store, &patch, "Ada", present, settings).await.unwrap() }
    };
    keep(at(Scope::Device(bobbin))).await.unwrap();
    let view = rule(store, Rule::WasteOrderPoint, &present, &settings).await.unwrap();
    let change = &view.line.changes[0];
    assert_eq!((change.place.as_str(), change.setting.open_at), ("Bobbin", 60.0));
    assert_eq!((change.changed_by.as_str(), view.line.everywhere.open_at), ("Ada", 70.0));
    let words: Vec<&str> = view.places.iter().map(|(_, place)| place.as_str()).collect();
    assert!(words.contains(&"at Vellmoor Opera print loft") && words.contains(&"Thimble"), "{words:?}");
    let wastes = words.iter().filter(|place| place.contains(", ")).count();
    assert!(wastes >= 4 && !words.iter().any(|place| place.contains("Cyan")), "{words:?}");

    let backwards = Patch { marks: Some((60.0, 65.0)), ..at(Scope::Everywhere) };
    assert!(matches!(keep(backwards).await, Err(RuleRefused::Marks(_))));
    let nowhere = at(Scope::Device(DeviceId(bobbin.0 + 1000)));
    assert_eq!(keep(nowhere).await, Err(RuleRefused::NoSuchPlace));
    store.drop_patch(Rule::WasteOrderPoint, &Scope::Device(bobbin)).await.unwrap();
    let lines = rules(store, &settings).await.unwrap();
    assert!(lines.len() == Rule::ALL.len() && lines.iter().all(|line| line.changes.is_empty()));
}

/// Levels at 61 % full everywhere, and a rule that opens at 60 % in one scope after another.
#[tokio::test]
async fn a_change_holds_in_its_scope_and_nowhere_else() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let (weft, warp) = (device(&store, "Weft").await, device(&store, "Warp").await);
    for device in [weft, warp] {
        let polls = [answered(1, 4000, 3900), answered(2, 4000, 3900)];
        ingest(&store, device, "Weft", &polls, &present(2), &Rules::default()).await.unwrap();
    }
    let waste = store.outlooks(Wanted::Device(weft)).await.unwrap()[1].outlook.slot.id;
    let site = store.watched().await.unwrap()[&weft].site;
    let mut judged = Vec::new();
    for (n, scope) in [
        Scope::Everywhere,
        Scope::Site(site),
        Scope::Model("Mordant 36".to_owned()),
        Scope::Model("Mordant 24".to_owned()),
        Scope::Device(weft),
        Scope::Slot(waste),
    ]
    .into_iter()
    .enumerate()
    {
        let patch = Patch { marks: Some((60.0, 55.0)), ..as_it_is(Rule::WasteOrderPoint, scope.clone()) };
        let n = 3 + 2 * i64::try_from(n).unwrap();
        store.save_patch(&patch, at(n), "Ada").await.unwrap();
        judge_all(&store, &present(n), &Rules::default()).await.unwrap();
        let open = store.alerts(true, None, 10).await.unwrap();
        let about: Vec<_> = open.iter().filter_map(|row| row.alert.subject.device()).collect();
        judged.push((scope.word(), about.contains(&weft), about.contains(&warp)));
        store.drop_patch(Rule::WasteOrderPoint, &scope).await.unwrap();
        judge_all(&store, &present(n + 1), &Rules::default()).await.unwrap();
        assert!(store.alerts(true, None, 10).await.unwrap().is_empty(), "what is taken back clears");
    }
    let expected = [
        ("everywhere", true, true),
        ("site", true, true),
        ("model", true, true),
        ("model", false, false),
        ("device", true, false),
        ("slot", true, false),
    ];
    assert_eq!(judged, expected);
}
