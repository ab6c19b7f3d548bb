//! Ink through print heads: what went from the slots, carried through the plumbing.
//!
//! The shares of a colour add up to 1, so over any span the ink through all heads is the ink of all colours
//! that the map carries.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::outlook::Slot;
use super::part::Part;
use super::plumbing::{Plumbing, Position};
use super::units::Measure;

/// What a cartridge is taken to hold, in millilitres, where neither its device nor the catalogue tells: common
/// practice, no source.
pub const CARTRIDGE_ML: f64 = 775.0;

/// How a slot's figures become millilitres.
#[derive(Debug, Clone, PartialEq)]
pub enum Scale {
    /// The device tells millilitres.
    Told,
    /// It tells a share of a whole unit, which is taken to hold so many millilitres.
    Taken {
        /// Millilitres in a whole unit.
        whole_ml: f64,
        /// By the catalogue's part of this number; none: by what is common.
        part: Option<String>,
    },
    /// It tells neither millilitres nor what a whole unit is.
    Unknown,
}

impl Scale {
    /// That of a slot that counts in a measure, by the parts of the catalogue that fit it.
    #[must_use]
    pub fn of(slot: &Slot, model: Option<&str>, measure: Measure, catalogue: &[&Part]) -> Self {
        if measure == Measure::Millilitres {
            return Self::Told;
        }
        let in_ml = |part: &&&Part| match part.capacity {
            Some((ml, Measure::Millilitres)) if part.fits(slot, model) => Some((ml, part.number.clone())),
            _ => None,
        };
        match catalogue.iter().find_map(|part| in_ml(&part)) {
            Some((whole_ml, number)) => Self::Taken { whole_ml, part: Some(number) },
            None => Self::Taken { whole_ml: CARTRIDGE_ML, part: None },
        }
    }

    /// Millilitres for one of the measure, in a unit that holds `capacity` of it; none where that is not known.
    #[must_use]
    pub fn ml_each(&self, measure: Measure, capacity: Option<f64>) -> Option<f64> {
        match (self, measure) {
            (_, Measure::Millilitres) | (Self::Told, _) => Some(1.0),
            (Self::Taken { whole_ml, .. }, Measure::Percent) => Some(whole_ml / capacity.unwrap_or(100.0)),
            (Self::Taken { whole_ml, .. }, _) => capacity.filter(|all| *all > 0.0).map(|all| whole_ml / all),
            (Self::Unknown, _) => None,
        }
    }
}

/// Ink through a head, of what went from the slots of its machine: slots with millilitres.
#[must_use]
pub fn through<'a>(
    plumbing: &Plumbing,
    head: Position,
    used: impl IntoIterator<Item = (&'a Slot, f64)>,
) -> f64 {
    used.into_iter().map(|(slot, ml)| plumbing.share(head, slot) * ml).sum()
}

/// Ink through a head per day.
#[must_use]
pub fn daily<'a>(
    plumbing: &Plumbing,
    head: Position,
    used: impl IntoIterator<Item = (&'a Slot, f64, &'a BTreeMap<Date, f64>)>,
) -> BTreeMap<Date, f64> {
    let mut sum: BTreeMap<Date, f64> = BTreeMap::new();
    for (slot, ml_each, days) in used {
        let share = plumbing.share(head, slot) * ml_each;
        for (day, amount) in days.iter().filter(|_| share > 0.0) {
            *sum.entry(*day).or_insert(0.0) += share * amount;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use jiff::ToSpan;
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::domain::part::tests::cartridge;
    use crate::domain::plumbing::Channel;
    use crate::domain::plumbing::tests::ink;

    #[test]
    fn percents_become_millilitres_by_the_catalogue_or_by_what_is_common() {
        let cyan = ink(1, "Cyan");
        let small = Part { capacity: Some((500.0, Measure::Millilitres)), ..cartridge("Cyan") };
        let by_part = Scale::of(&cyan, None, Measure::Percent, &[&cartridge("Magenta"), &small]);
        assert_eq!(by_part, Scale::Taken { whole_ml: 500.0, part: Some("VO-C-775".to_owned()) });
        assert_eq!(by_part.ml_each(Measure::Percent, Some(100.0)), Some(5.0));
        assert_eq!(by_part.ml_each(Measure::Millilitres, None), Some(1.0));
        assert_eq!(by_part.ml_each(Measure::Impressions, None), None);
        let common = Scale::of(&cyan, None, Measure::Grams, &[]);
        assert_eq!(common.ml_each(Measure::Grams, Some(387.5)), Some(2.0));
        assert_eq!(Scale::of(&cyan, None, Measure::Millilitres, &[]), Scale::Told);
    }

    prop_compose! {
        /// Any map of some colours: each runs through one to four of eight heads, in any shares.
        fn map(colours: usize)(
            ways in prop::collection::vec(prop::collection::btree_map(1i32..9, 0.01..1.0f64, 1..5), colours),
        ) -> Plumbing {
            let mut channels = Vec::new();
            for (n, heads) in ways.iter().enumerate() {
                let sum: f64 = heads.values().sum();
                for (head, share) in heads {
                    let head = Position::new(*head).unwrap();
                    channels.push(Channel { head, colour: format!("Ink {n}"), share: share / sum });
                }
            }
            Plumbing::new(channels).unwrap()
        }
    }

    proptest! {
        #[test]
        fn the_ink_through_all_heads_is_the_ink_of_all_colours(
            plumbing in map(5), days in prop::collection::vec(prop::collection::vec(0.0..80.0f64, 5), 1..20),
        ) {
            let slots: Vec<Slot> = (0..5).map(|n| ink(n, &format!("Ink {n}"))).collect();
            let first = date(2026, 3, 1);
            let by_slot: Vec<BTreeMap<Date, f64>> = (0..5)
                .map(|n| days.iter().enumerate().map(|(d, ml)| (first + (d as i64).days(), ml[n])).collect())
                .collect();
            // Over any span that begins with the first day.
            for end in 1..=days.len() {
                let used: Vec<f64> = by_slot.iter().map(|days| days.values().take(end).sum()).collect();
                let of = || slots.iter().zip(used.iter().copied());
                let heads: f64 = plumbing.heads().into_iter().map(|head| through(&plumbing, head, of())).sum();
                prop_assert!((heads - used.iter().sum::<f64>()).abs() < 1e-6);
            }
            let all: f64 = plumbing.heads().into_iter().flat_map(|head| {
                let of = slots.iter().zip(&by_slot).map(|(slot, days)| (slot, 1.0, days));
                daily(&plumbing, head, of).into_values()
            }).sum();
            prop_assert!((all - days.iter().flatten().sum::<f64>()).abs() < 1e-6);
        }
    }
}
