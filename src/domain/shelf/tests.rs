use jiff::ToSpan;
use jiff::civil::date;
use proptest::prelude::*;

use super::*;
use crate::domain::part::tests::cartridge;

const TODAY: Date = date(2026, 11, 25);

fn lot(id: i64, made_on: Date, units: u32) -> Lot {
    Lot { id: LotId(id), part: PartId(1), made_on, place: "Shelf B".into(), left_over: None, units, out: 0 }
}

fn stock(lots: Vec<Lot>) -> Stock {
    Stock { id: PartId(1), part: cartridge("Cyan"), lots }
}

fn need(slot: i64, pace: Option<(Date, f64)>) -> Need {
    Need { slot: SlotId(slot), device_name: format!("Machine {slot}"), pace, shared_by: 1 }
}

#[test]
fn a_date_is_clamped_to_the_end_of_its_month() {
    let until = |made_on| good_until(made_on, Some(30)).unwrap();
    assert_eq!(until(date(2024, 5, 25)), date(2026, 11, 25));
    assert_eq!(until(date(2024, 8, 31)), date(2027, 2, 28));
    assert_eq!(until(date(2025, 8, 30)), date(2028, 2, 29));
    assert_eq!(good_until(date(2024, 5, 25), None), None);
    assert_eq!(good_until(Date::MAX, Some(30)), Some(Date::MAX));
}

#[test]
fn a_lot_is_good_through_its_last_day() {
    let stock = stock(vec![lot(1, date(2024, 5, 25), 1)]);
    assert!(stock.is_good_on(&stock.lots[0], TODAY));
    assert!(!stock.is_good_on(&stock.lots[0], date(2026, 11, 26)));
}

#[test]
fn a_part_used_unit_goes_before_whole_ones_of_its_age() {
    let mut used = lot(7, date(2025, 3, 1), 1);
    used.left_over = Some(310.0);
    let stock = stock(vec![lot(1, date(2025, 3, 1), 2), used, lot(2, date(2024, 5, 1), 1)]);
    let order: Vec<i64> = stock.oldest_first().iter().map(|lot| lot.id.0).collect();
    assert_eq!(order, [2, 7, 1]);
    assert_eq!(stock.proposed(TODAY).unwrap().id, LotId(7), "the oldest is past its date");
    assert_eq!(stock.proposed(date(2030, 1, 1)), None);
}

/// Numbered check value (20), reference implementation in numpy: oldest first, lots of 4 good for 60 days and 6
/// good for 200 days, a need of 0.03 a day; 2.2 and 1.8 expire.
#[test]
fn what_expires_unused_agrees_with_the_numbered_check_value() {
    let left = left_at_date(&[(4.0, 60.0), (6.0, 200.0)], |days, _| 0.03 * days);
    assert!((left[0] - 2.2).abs() < 1e-9 && (left[1] - 1.8).abs() < 1e-9, "{left:?}");
}

#[test]
fn what_nobody_needs_in_time_is_told_early() {
    // Good until 1 Jun 2027; one machine needs its next on 1 Mar 2027 and one every 100 days from then on.
    let stock = stock(vec![lot(1, date(2024, 12, 1), 3), lot(2, date(2026, 9, 1), 1)]);
    let needs = [need(1, Some((date(2027, 3, 1), 0.01)))];
    let standing = |needs: &[Need], today| -> Vec<Standing> {
        standings(&stock, needs, today, 60).into_iter().map(|(_, standing)| standing).collect()
    };
    assert_eq!(standing(&needs, TODAY), [Standing::Idle(2), Standing::Good]);
    assert_eq!(standing(&[], TODAY), [Standing::Idle(3), Standing::Idle(1)], "no machine takes them");
    let mut for_good = stock.clone();
    for_good.part.shelf_life_months = None;
    assert!(standings(&for_good, &needs, TODAY, u32::MAX).iter().all(|(_, told)| *told == Standing::Good));
    let unknown = [needs[0].clone(), need(2, None)];
    assert_eq!(standing(&unknown, TODAY), [Standing::Good, Standing::Good]);
    assert_eq!(standing(&unknown, date(2027, 4, 20)), [Standing::Soon, Standing::Good]);
    assert_eq!(standing(&unknown, date(2027, 6, 2)), [Standing::Past, Standing::Good]);
    assert_eq!(use_first(&unknown).unwrap().slot, SlotId(1));
}

proptest! {
    #[test]
    fn oldest_first_never_skips_an_older_good_lot(
        lots in prop::collection::vec((0u32..3, 0i64..1500), 0..12), day in 0i64..900
    ) {
        let today = TODAY.checked_add(day.days()).unwrap();
        let lots: Vec<Lot> = lots
            .into_iter()
            .zip(1..)
            .map(|((units, age), id)| lot(id, TODAY.checked_sub(age.days()).unwrap(), units))
            .collect();
        let stock = stock(lots);
        let usable = |lot: &&Lot| lot.units > 0 && stock.is_good_on(lot, today);
        match stock.proposed(today) {
            Some(chosen) => {
                prop_assert!(usable(&chosen));
                let older = |lot: &Lot| lot.made_on < chosen.made_on;
                prop_assert!(!stock.lots.iter().filter(usable).any(older));
            }
            None => prop_assert_eq!(stock.lots.iter().filter(usable).count(), 0),
        }
    }

    #[test]
    fn no_more_expires_than_there_is_and_no_more_is_used_than_is_needed(
        lots in prop::collection::vec((0.0..9.0f64, 0.0..400.0f64), 0..8), rate in 0.0..0.2f64
    ) {
        let mut lots = lots;
        lots.sort_by(|a, b| a.1.total_cmp(&b.1));
        let left = left_at_date(&lots, |days, _| rate * days);
        prop_assert_eq!(left.len(), lots.len());
        let stopped = left_at_date(&lots, |days, enough| (rate * days).min(enough));
        prop_assert!(left.iter().zip(&stopped).all(|(all, some)| (all - some).abs() < 1e-9), "{:?}", stopped);
        let mut used = 0.0;
        for ((units, days), left) in lots.iter().zip(&left) {
            prop_assert!((0.0..=*units).contains(left));
            used += units - left;
            prop_assert!(used <= rate * days + 1e-9);
        }
    }
}
