//! What the shelf covers: which unit on it is for which slot, and after those, which unit on order.
//!
//! Units go to the slots that end first, each slot getting the oldest unit that fits and is still good when it
//! is needed. A unit that came back part-used is offered for use, and covers nobody: how far it carries is not
//! what the next order should rest on.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::ids::{LotId, OrderId, SlotId};
use super::order::Coming;
use super::shelf::{Lot, Stock, Supply};

/// What the shelf holds for a slot.
#[derive(Debug, Clone, PartialEq)]
pub enum Cover {
    /// No part is known that fits it.
    NoPart,
    /// A part is known; none of it is on the shelf that will still be good.
    NoneThere {
        /// The number of a part that fits.
        part: String,
    },
    /// What is on the shelf is needed sooner elsewhere.
    NeededElsewhere {
        /// The number of a part that fits.
        part: String,
        /// How many good units that fit are there.
        units: u32,
    },
    /// A unit on the shelf is for this slot.
    Unit(CoveringUnit),
    /// A unit on order is for this slot.
    OnOrder(ComingUnit),
}

/// A unit on order that is for a slot.
#[derive(Debug, Clone, PartialEq)]
pub struct ComingUnit {
    /// Its part's number.
    pub part: String,
    /// In which order.
    pub order: OrderId,
    /// The day on which it is expected.
    pub expected_on: Option<Date>,
}

/// A unit on the shelf that is for a slot.
#[derive(Debug, Clone, PartialEq)]
pub struct CoveringUnit {
    /// Its part's number.
    pub part: String,
    /// Its lot.
    pub lot: LotId,
    /// When it was made.
    pub made_on: Date,
    /// Where it lies.
    pub place: String,
    /// What it holds when full, in its own measure.
    pub capacity: Option<(f64, super::units::Measure)>,
}

impl CoveringUnit {
    /// As a person points at it: `the one made Mar 2025, Shelf B`.
    #[must_use]
    pub fn pointed_at(&self) -> String {
        pointed_at(self.made_on, &self.place)
    }
}

/// A lot's unit as a person points at it: `the one made Mar 2025, Shelf B`.
#[must_use]
pub fn pointed_at(made_on: Date, place: &str) -> String {
    format!("the one made {}, {place}", made_on.strftime("%b %Y"))
}

/// What the shelf holds for each slot. The earliest day on which a slot may need its next unit decides who
/// comes first; the unit has to be good on the day of even odds.
#[must_use]
pub fn covers(
    supplies: &[Supply<'_>],
    shelf: &[Stock],
    coming: &[Coming],
    today: Date,
) -> BTreeMap<SlotId, Cover> {
    // What is expected first is for whoever ends first.
    let mut coming = coming.to_vec();
    coming.sort_by_key(|coming| (coming.expected_on.unwrap_or(Date::MAX), coming.order));
    let mut left: BTreeMap<LotId, u32> =
        shelf.iter().flat_map(|stock| &stock.lots).map(|lot| (lot.id, lot.units)).collect();
    let mut in_turn: Vec<&Supply<'_>> = supplies.iter().collect();
    let horizon = |supply: &Supply<'_>| supply.outlook.forecast.horizon();
    in_turn.sort_by_key(|supply| {
        let ends = horizon(supply).map_or((Date::MAX, Date::MAX), |horizon| (horizon.early, horizon.middle));
        (ends, supply.outlook.slot.id)
    });
    let mut covers = BTreeMap::new();
    for supply in in_turn {
        let needed_on = horizon(supply).map_or(today, |horizon| horizon.middle).max(today);
        let mut cover = cover(supply, shelf, &mut left, needed_on);
        if matches!(cover, Cover::NoneThere { .. } | Cover::NeededElsewhere { .. }) {
            cover = on_order(supply, shelf, &mut coming).unwrap_or(cover);
        }
        covers.insert(supply.outlook.slot.id, cover);
    }
    covers
}

fn cover(supply: &Supply<'_>, shelf: &[Stock], left: &mut BTreeMap<LotId, u32>, needed_on: Date) -> Cover {
    let slot = &supply.outlook.slot;
    let fitting: Vec<&Stock> = shelf.iter().filter(|stock| stock.part.fits(slot, supply.model)).collect();
    let Some(first) = fitting.first() else { return Cover::NoPart };
    let mut good: Vec<(Option<Date>, &Lot, &Stock)> = Vec::new();
    for stock in &fitting {
        let lots = stock.oldest_first().into_iter();
        let whole = lots.filter(|lot| lot.left_over.is_none() && stock.is_good_on(lot, needed_on));
        good.extend(whole.map(|lot| (stock.good_until(lot), lot, *stock)));
    }
    // What passes its date first goes first; of one part that is the oldest.
    good.sort_by_key(|(until, lot, _)| (until.unwrap_or(Date::MAX), lot.made_on, lot.id));
    for (_, lot, stock) in &good {
        if let Some(units @ 1..) = left.get_mut(&lot.id) {
            *units -= 1;
            return Cover::Unit(CoveringUnit {
                part: stock.part.number.clone(),
                lot: lot.id,
                made_on: lot.made_on,
                place: lot.place.clone(),
                capacity: stock.part.capacity,
            });
        }
    }
    let part = first.part.number.clone();
    match good.iter().map(|(_, lot, _)| lot.units).sum() {
        0 => Cover::NoneThere { part },
        units => Cover::NeededElsewhere { part, units },
    }
}

/// A unit on order that fits a supply, which is then nobody else's.
fn on_order(supply: &Supply<'_>, shelf: &[Stock], coming: &mut [Coming]) -> Option<Cover> {
    coming.iter_mut().filter(|coming| coming.units > 0).find_map(|coming| {
        let stock = shelf.iter().find(|stock| stock.id == coming.part)?;
        stock.part.fits(&supply.outlook.slot, supply.model).then(|| {
            coming.units -= 1;
            Cover::OnOrder(ComingUnit {
                part: stock.part.number.clone(),
                order: coming.order,
                expected_on: coming.expected_on,
            })
        })
    })
}

#[cfg(test)]
mod tests {
    use jiff::ToSpan;
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::ids::{DeviceId, PartId, SupplyIndex};
    use crate::domain::outlook::{Forecast, Horizon, Outlook, Slot};
    use crate::domain::part::tests::cartridge;
    use crate::domain::reading::{Level, Role};
    use crate::domain::standard::{SupplyKind, SupplyUnit};

    const TODAY: Date = date(2026, 11, 25);

    fn outlook(id: i64, early: i64) -> Outlook {
        let day = |days: i64| TODAY.checked_add(days.days()).unwrap();
        Outlook {
            slot: Slot {
                id: SlotId(id),
                device: DeviceId(id),
                index: SupplyIndex(1),
                role: Role::Consumed,
                kind: SupplyKind::InkCartridge,
                colorant: Some("cyan".to_owned()),
                description: String::new(),
            },
            as_of: "2026-11-25T08:10:00Z".parse().unwrap(),
            level: Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, 1180),
            daily_use: Some(9.0),
            forecast: Forecast::Known(Horizon {
                early: day(early),
                middle: day(early + 5),
                late: day(early + 12),
            }),
        }
    }

    fn stock(lots: &[(i64, Date, u32)]) -> Stock {
        let lot = |&(id, made_on, units): &(i64, Date, u32)| Lot {
            id: LotId(id),
            part: PartId(1),
            made_on,
            place: "Shelf B".to_owned(),
            left_over: None,
            units,
            out: 0,
        };
        Stock { id: PartId(1), part: cartridge("Cyan"), lots: lots.iter().map(lot).collect() }
    }

    fn lots(outlooks: &[Outlook], shelf: &[Stock]) -> Vec<Result<i64, &'static str>> {
        let supply = |outlook| Supply { outlook, device_name: "", model: None };
        let supplies: Vec<Supply<'_>> = outlooks.iter().map(supply).collect();
        covers(&supplies, shelf, &[], TODAY)
            .into_values()
            .map(|cover| match cover {
                Cover::Unit(unit) => Ok(unit.lot.0),
                Cover::NoPart => Err("no part"),
                Cover::NoneThere { .. } => Err("none there"),
                Cover::NeededElsewhere { .. } => Err("elsewhere"),
                Cover::OnOrder(_) => Err("on order"),
            })
            .collect()
    }

    #[test]
    fn whoever_ends_first_gets_the_oldest_that_will_still_be_good() {
        let outlooks = [outlook(1, 60), outlook(2, 3), outlook(3, 20)];
        // Good until 1 Sep 2027, and until 1 Jan 2027.
        let shelf = [stock(&[(1, date(2025, 3, 1), 1), (2, date(2024, 7, 1), 1)])];
        assert_eq!(lots(&outlooks, &shelf), [Err("elsewhere"), Ok(2), Ok(1)]);
        assert_eq!(lots(&outlooks, &[stock(&[])]), [Err("none there"); 3]);
        assert_eq!(lots(&outlooks, &[]), [Err("no part"); 3]);
        // What passes its date before it is needed covers nobody.
        let old = [stock(&[(2, date(2024, 7, 1), 9)])];
        assert_eq!(lots(&outlooks, &old), [Err("none there"), Ok(2), Ok(2)]);
    }

    #[test]
    fn what_is_on_order_is_for_whoever_has_none_on_the_shelf() {
        let outlooks = [outlook(1, 60), outlook(2, 3), outlook(3, 20)];
        let shelf = [stock(&[(1, date(2025, 3, 1), 1)])];
        let coming = Coming { part: PartId(1), order: OrderId(4), units: 1, expected_on: None };
        let supply = |outlook| Supply { outlook, device_name: "", model: None };
        let supplies: Vec<Supply<'_>> = outlooks.iter().map(supply).collect();
        let covers = covers(&supplies, &shelf, &[coming], TODAY);
        assert!(matches!(&covers[&SlotId(2)], Cover::Unit(_)));
        assert!(matches!(&covers[&SlotId(3)], Cover::OnOrder(unit) if unit.order == OrderId(4)));
        assert!(matches!(&covers[&SlotId(1)], Cover::NeededElsewhere { .. }));
    }

    proptest! {
        #[test]
        fn no_unit_is_for_two_slots(
            earlies in prop::collection::vec(0i64..200, 0..9),
            units in prop::collection::vec((0u32..3, 0i64..1000), 0..5),
        ) {
            let outlooks: Vec<Outlook> = earlies.iter().zip(1..).map(|(early, id)| outlook(id, *early)).collect();
            let made = |age: i64| TODAY.checked_sub(age.days()).unwrap();
            let shelf_lots: Vec<_> = units.iter().zip(1..).map(|((n, age), id)| (id, made(*age), *n)).collect();
            let shelf = [stock(&shelf_lots)];
            let covered = lots(&outlooks, &shelf);
            for (id, _, units) in &shelf_lots {
                let taken = covered.iter().filter(|lot| **lot == Ok(*id)).count();
                prop_assert!(taken <= *units as usize);
            }
        }
    }
}
