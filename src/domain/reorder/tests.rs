//! Numbered check values, and what holds whatever is asked.

use proptest::prelude::*;

use super::*;
use crate::domain::ids::PartId;

fn slot(left: f64, per_day: f64, variance: f64) -> SlotDemand {
    SlotDemand { left, holds: 775.0, usage: Usage { per_day, variance, doubt: 0.02 } }
}

fn three() -> [SlotDemand; 3] {
    [slot(120.0, 9.0, 90.0), slot(400.0, 14.0, 200.0), slot(700.0, 5.0, 60.0)]
}

fn terms() -> Terms {
    Terms {
        lead: LeadTime { mean_days: 7.0, spread_days: Some(2.5) },
        review_days: 7,
        service: 0.95,
        pack_size: 1,
        minimum_order: 1,
        good_days: None,
        look_ahead_days: 14,
    }
}

/// Numbered check value (19), an independent implementation on numpy 2.4.6 and scipy 1.17.1: three slots with 120,
/// 400 and 700 left, 9, 14 and 5 a day, variance 90, 200 and 60 a day.
#[test]
fn pooled_swaps_agree_with_the_numbered_check_value() {
    let slots = three();
    let near = |days, wanted: [f64; 3]| {
        let counts = Counts::pooled(&slots, days);
        for (n, wanted) in (0..).zip(wanted) {
            assert!((counts.exactly(n) - wanted).abs() < 5e-6, "{days} {n}: {}", counts.exactly(n));
        }
    };
    near(10.0, [0.82882, 0.17116, 0.00002]);
    near(30.0, [0.00105, 0.45141, 0.54754]);
    near(90.0, [0.0, 0.0, 0.27441]);
    let lead = |mean_days, spread| LeadTime { mean_days, spread_days: Some(spread) };
    assert_eq!(order_up_to(&slots, lead(7.0, 2.5), 7, 0.95), 1);
    assert_eq!(order_up_to(&slots, lead(30.0, 10.0), 30, 0.95), 3);
    let counts = needed(&slots, &lead::likely_days(lead(7.0, 2.5)), 7);
    assert!((counts.at_most(0) - 0.49539).abs() < 1e-5 && (counts.at_most(1) - 0.99461).abs() < 1e-5);
}

#[test]
fn deliveries_move_the_lead_time_from_what_the_catalogue_says() {
    let prior = LeadTime { mean_days: 7.0, spread_days: Some(2.0) };
    assert_eq!(lead::learned(prior, &[]), prior);
    let after = |days: &[f64]| lead::learned(prior, days);
    assert!((after(&[15.0]).mean_days - 9.0).abs() < 1e-12);
    // (3 * 4 + 0 + 8² * 3 / 4) / 4.
    assert!((after(&[15.0]).spread_days.unwrap().powi(2) - 15.0).abs() < 1e-12);
    let many = after(&[14.0; 97]);
    assert!((many.mean_days - 13.79).abs() < 1e-9 && many.spread_days.unwrap() < 1.3);
    assert_eq!(lead::likely_days(LeadTime { mean_days: 5.0, spread_days: Some(0.0) }), [5.0]);
    let days = lead::likely_days(LeadTime { mean_days: 7.0, spread_days: Some(2.5) });
    // scipy 1.17.1: gamma.ppf((arange(9) + 0.5) / 9, 7.84, scale=2.5**2 / 7).
    assert!((days[4] - 6.705_087).abs() < 1e-3, "{days:?}");
}

#[test]
fn a_receptacle_at_its_order_point_is_ordered_now_unless_one_is_there() {
    let demand = Demand { slots: Vec::new(), fixed: vec![0, 40] };
    let held = |units| Held { lots: vec![(units, None)], on_order: 0 };
    let none = propose(&demand, &Held::default(), &terms()).unwrap();
    assert_eq!((none.units, none.order_in), (1, 0));
    assert_eq!(propose(&demand, &held(1), &terms()), None, "the next is due in forty days");
    let two = Demand { fixed: vec![0, 0, 3], ..demand };
    assert_eq!(propose(&two, &Held::default(), &terms()).unwrap().units, 3);
    assert_eq!(propose(&two, &held(2), &terms()).map(|order| (order.units, order.order_in)), Some((1, 3)));
}

#[test]
fn packs_and_least_orders_are_kept_to_and_told_when_they_are_too_many() {
    let demand = Demand { slots: vec![slot(40.0, 9.0, 90.0)], fixed: Vec::new() };
    let order = |terms: Terms| propose(&demand, &Held::default(), &terms).unwrap();
    assert_eq!(order(terms()).units, 1);
    assert_eq!(order(Terms { pack_size: 4, ..terms() }).units, 4);
    assert_eq!(order(Terms { pack_size: 4, minimum_order: 5, ..terms() }).units, 8);
    // 775 at 9 a day is 86 days: in a hundred days one is used for sure, and a second only maybe.
    let soon = order(Terms { pack_size: 4, good_days: Some(100.0), ..terms() });
    assert_eq!((soon.units, soon.too_many), (4, 3));
}

#[test]
fn what_passes_its_date_before_it_is_needed_does_not_count() {
    // The slot ends in about 80 days: a unit that is good for 5 more days is no help, one good for 300 is.
    let slots = [slot(720.0, 9.0, 90.0)];
    assert_eq!(usable(&[(2, Some(5.0))], &slots, 30.0), 0);
    assert_eq!(usable(&[(2, Some(5.0)), (1, Some(300.0)), (1, None)], &slots, 30.0), 2);
}

proptest! {
    #[test]
    fn the_level_rises_with_the_lead_time_the_review_and_the_service(
        slots in slots(), mean in 0.0..40.0f64, review in 0u32..30, service in 0.5..0.999f64,
    ) {
        let lead = |mean_days| LeadTime { mean_days, spread_days: None };
        let level = order_up_to(&slots, lead(mean), review, service);
        prop_assert!(order_up_to(&slots, lead(mean), review, (service + 1.0) / 2.0) >= level);
        prop_assert!(order_up_to(&slots, lead(mean), review + 7, service) >= level);
        prop_assert!(order_up_to(&slots, lead(mean + 7.0), review, service) >= level);
        let mut more = slots.clone();
        more.push(slot(300.0, 10.0, 100.0));
        prop_assert!(order_up_to(&more, lead(mean), review, service) >= level);
    }

    #[test]
    fn the_chances_add_up(slots in slots(), days in 0.0..400.0f64) {
        let counts = Counts::pooled(&slots, days);
        let sum: f64 = (0..600).map(|n| counts.exactly(n)).sum();
        prop_assert!((sum - 1.0).abs() < 1e-6, "{}", sum);
        let mean: f64 = slots.iter().map(|slot| slot.mean(days)).sum();
        prop_assert!((counts.mean() - mean).abs() < 1e-4 * mean.max(1.0), "{} {}", counts.mean(), mean);
    }

    #[test]
    fn an_order_is_never_more_than_can_be_used_and_never_too_little(
        slots in slots(), on_shelf in 0u32..6, on_order in 0u32..4, pack in 1u32..5, good in 20.0..900.0f64,
    ) {
        let held = Held { lots: vec![(on_shelf, Some(400.0))], on_order };
        let terms = Terms { pack_size: pack, good_days: Some(good), ..terms() };
        let demand = Demand { slots, fixed: Vec::new() };
        let Some(order) = propose(&demand, &held, &terms) else {
            // Nothing is due: what is there lasts until an order of the last day has arrived.
            let leads = lead::likely_days(terms.lead);
            let lasts = needed(&demand.slots, &leads, terms.look_ahead_days).at_most(on_shelf + on_order);
            prop_assert!(lasts >= terms.service);
            return Ok(());
        };
        prop_assert!(order.units >= 1 && order.units % pack == 0 && order.order_in <= terms.look_ahead_days);
        let position = order.usable + order.on_order;
        prop_assert!(order.usable <= on_shelf && order.on_order == on_order);
        // The last unit that no pack brought is used before its date with four chances in five, or it is the
        // one that a machine would stand without.
        let wanted = order.units.saturating_sub(pack - 1);
        if wanted > 1 {
            prop_assert!(Counts::pooled(&demand.slots, good).at_least(position + wanted) >= 0.8 - 1e-9);
        }
        prop_assert!(order.units < order.up_to.saturating_sub(position).max(1) + pack);
        if let Some((early, middle)) = order.without {
            prop_assert!(early <= middle);
        }
    }
}

proptest! {
    /// Whatever is asked in whatever order: what is kept is what would be worked out, and a question that was the last
    /// one about its part is not worked out again.
    #[test]
    fn what_is_kept_is_what_would_be_worked_out(
        rooms in prop::collection::vec((slots(), 0u32..4, prop::bool::ANY), 1..4),
        asked in prop::collection::vec((0i64..3, 0usize..4), 1..14),
    ) {
        let (mut memo, mut last, mut wanted) = (Memo::default(), std::collections::BTreeMap::new(), 0);
        for (part, room) in asked {
            let room = room % rooms.len();
            let (slots, on_shelf, due) = &rooms[room];
            let demand = Demand { slots: slots.clone(), fixed: if *due { vec![0] } else { Vec::new() } };
            let held = Held { lots: vec![(*on_shelf, Some(400.0))], on_order: 0 };
            let anew = propose(&demand, &held, &terms());
            prop_assert_eq!(memo.propose(PartId(part), &demand, held, &terms()), anew);
            let same = last.insert(part, room).is_some_and(|before| rooms[before] == rooms[room]);
            wanted += usize::from(!same);
            prop_assert_eq!(memo.worked_out(), wanted);
        }
        memo.retain(|_| false);
        let held = Held { lots: vec![(rooms[0].1, Some(400.0))], on_order: 0 };
        memo.propose(PartId(0), &Demand { slots: rooms[0].0.clone(), fixed: Vec::new() }, held, &terms());
        prop_assert_eq!(memo.worked_out(), wanted + 1, "what is forgotten is worked out anew");
    }
}

fn slots() -> impl Strategy<Value = Vec<SlotDemand>> {
    let one = (0.0..775.0f64, 0.01..40.0f64, 1.0..900.0f64);
    prop::collection::vec(one.prop_map(|(left, per_day, variance)| slot(left, per_day, variance)), 0..7)
}
