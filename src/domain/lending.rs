//! Which supplies lend their rate of use to one that is little known itself.
//!
//! The nearest kin lends: what else the same machine uses up of the kind, or else what machines of the model use of
//! the same colour, or else of the kind. Rates are lent as shares of what a unit holds, so that a machine with
//! small units lends to one with large ones what it knows: how long a unit lasts.

use super::horizon::Borrowed;
use super::outlook::Slot;
use super::reading::Level;
use super::units::Measure;

/// A supply whose own past is long enough to lend from.
#[derive(Debug, Clone, PartialEq)]
pub struct Lender {
    /// Which one: of the same machine, or of one of the same model.
    pub slot: Slot,
    /// What its rate is counted in.
    pub measure: Measure,
    /// What its unit holds, in the measure.
    pub capacity: Option<f64>,
    /// Mean use per day, in the measure.
    pub per_day: f64,
}

/// What others lend to a supply at `level`; `None` where fewer than two of any kin can.
#[must_use]
pub fn lent(slot: &Slot, level: &Level, lenders: &[Lender]) -> Option<Borrowed> {
    let of_kind = |lender: &Lender| lender.slot.role == slot.role && lender.slot.kind == slot.kind;
    let of_machine = |lender: &Lender| lender.slot.device == slot.device;
    let of_colour = |lender: &Lender| lender.slot.colorant == slot.colorant;
    let kin: [&dyn Fn(&Lender) -> bool; 3] = [&of_machine, &of_colour, &|_| true];
    kin.iter().find_map(|is_kin| {
        let lenders = lenders.iter().filter(|lender| lender.slot.id != slot.id && of_kind(lender));
        let rates: Vec<f64> =
            lenders.filter(|lender| is_kin(lender)).filter_map(|lender| rate(level, lender)).collect();
        Borrowed::of(&rates)
    })
}

/// The lender's rate in the borrower's measure; `None` where one cannot be turned into the other.
fn rate(level: &Level, lender: &Lender) -> Option<f64> {
    match (level.capacity.known(), lender.capacity) {
        (Some(ours), Some(theirs)) if theirs > 0.0 => Some(lender.per_day / theirs * ours),
        _ => (level.measure == lender.measure).then_some(lender.per_day),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
    use crate::domain::reading::Role;
    use crate::domain::standard::{SupplyKind, SupplyUnit};

    fn slot(id: i64, device: i64, colour: &str) -> Slot {
        Slot {
            id: SlotId(id),
            device: DeviceId(device),
            index: SupplyIndex(1),
            role: Role::Consumed,
            kind: SupplyKind::InkCartridge,
            colorant: Some(colour.to_owned()),
            description: String::new(),
        }
    }

    fn lender(id: i64, device: i64, colour: &str, per_day: f64) -> Lender {
        let slot = slot(id, device, colour);
        Lender { slot, measure: Measure::Millilitres, capacity: Some(775.0), per_day }
    }

    fn lent_rate(lenders: &[Lender]) -> Option<f64> {
        let level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, 3000);
        lent(&slot(1, 1, "cyan"), &level, lenders).map(|borrowed| borrowed.rate)
    }

    fn is(found: Option<f64>, expected: f64) -> bool {
        found.is_some_and(|found| (found - expected).abs() < 1e-9)
    }

    #[test]
    fn the_nearest_kin_lends() {
        let others = [lender(5, 2, "cyan", 4.0), lender(6, 3, "cyan", 4.0), lender(7, 2, "yellow", 32.0)];
        let machine = [lender(2, 1, "magenta", 9.0), lender(3, 1, "yellow", 9.0)];
        assert!(is(lent_rate(&[&machine[..], &others[..]].concat()), 9.0));
        assert!(is(lent_rate(&others), 4.0), "two of the colour");
        assert!(is(lent_rate(&others[1..]), 128_f64.sqrt()), "one of the colour is none: the kind lends");
        assert_eq!(lent_rate(&others[..1]), None);
        assert_eq!(
            lent_rate(&[lender(1, 1, "cyan", 4.0), lender(5, 2, "cyan", 4.0)]),
            None,
            "not from itself"
        );
    }

    #[test]
    fn rates_are_lent_as_shares_of_a_unit_and_never_across_kinds() {
        let small = |id| Lender { capacity: Some(310.0), ..lender(id, id, "cyan", 4.0) };
        assert!(is(lent_rate(&[small(5), small(6)]), 10.0));
        let percent =
            |id| Lender { measure: Measure::Percent, capacity: None, ..lender(id, id, "cyan", 1.0) };
        assert_eq!(lent_rate(&[percent(5), percent(6)]), None, "hundredths of an unknown amount");
        let mut waste = [lender(5, 1, "cyan", 4.0), lender(6, 1, "cyan", 4.0)];
        for lender in &mut waste {
            (lender.slot.role, lender.slot.kind) = (Role::Filled, SupplyKind::WasteInk);
        }
        assert_eq!(lent_rate(&waste), None);
    }
}
