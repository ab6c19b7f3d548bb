//! What a slot's units hold, by the catalogue: it gives a size to a device that counts only in percent.

use super::ids::PartId;
use super::outlook::Slot;
use super::part::Part;
use super::shelf::Stock;
use super::units::Measure;

/// What a full unit of a slot holds, in millilitres: the capacity of the part that a person chose, or else
/// of the parts that fit, if they all hold the same. What is ambiguous is not known.
#[must_use]
pub fn full_ml(slot: &Slot, model: Option<&str>, catalogue: &[Stock], chosen: Option<PartId>) -> Option<f64> {
    if let Some(chosen) = chosen {
        return catalogue.iter().find(|stock| stock.id == chosen).and_then(|stock| holds_ml(&stock.part));
    }
    let fitting = catalogue.iter().filter(|stock| stock.part.fits(slot, model));
    let mut amounts = fitting.filter_map(|stock| holds_ml(&stock.part));
    let first = amounts.next()?;
    amounts.all(|other| (other - first).abs() < 1e-6).then_some(first)
}

fn holds_ml(part: &Part) -> Option<f64> {
    part.capacity.filter(|(_, measure)| *measure == Measure::Millilitres).map(|(amount, _)| amount)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
    use crate::domain::part::tests::cartridge;
    use crate::domain::reading::Role;
    use crate::domain::standard::SupplyKind;

    #[test]
    fn one_size_is_known_two_are_not_until_somebody_chooses() {
        let slot = Slot {
            id: SlotId(1),
            device: DeviceId(1),
            index: SupplyIndex(1),
            role: Role::Consumed,
            kind: SupplyKind::InkCartridge,
            colorant: Some("cyan".to_owned()),
            description: String::new(),
        };
        let stock = |id, colour: &str, capacity| {
            let part = Part { capacity, ..cartridge(colour) };
            Stock { id: PartId(id), part, lots: Vec::new() }
        };
        let ml = |amount| Some((amount, Measure::Millilitres));
        let known = |catalogue: &[Stock], chosen| full_ml(&slot, None, catalogue, chosen);
        assert_eq!(known(&[], None), None);
        assert_eq!(known(&[stock(1, "Cyan", ml(775.0)), stock(2, "Magenta", ml(350.0))], None), Some(775.0));
        assert_eq!(known(&[stock(1, "Cyan", ml(775.0)), stock(2, "cyan", None)], None), Some(775.0));
        assert_eq!(known(&[stock(1, "Cyan", Some((900.0, Measure::Grams)))], None), None);
        let two = [stock(1, "Cyan", ml(775.0)), stock(2, "Cyan", ml(350.0))];
        assert_eq!(known(&two, None), None);
        assert_eq!(known(&two, Some(PartId(2))), Some(350.0));
    }
}
