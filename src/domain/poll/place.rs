//! Which row of a device's table is which slot.
//!
//! A row's number is no identity: after a reset, or with another option fitted, a device may number its table
//! anew. A row that stands where it stood with the words it had is the same slot. Rows that do not are matched
//! by class, kind, colorant and description with slots whose rows are gone from their places.

use std::collections::{BTreeMap, BTreeSet};

use super::{Memory, SlotMemory};
use crate::domain::ids::SupplyIndex;
use crate::domain::snapshot::SupplyRow;

/// Gives every slot the number that its row has now. The numbers that changed: from, and to.
pub(super) fn renumber(memory: &mut Memory, rows: &[SupplyRow]) -> BTreeMap<SupplyIndex, SupplyIndex> {
    let at_home = |row: &SupplyRow| memory.slots.get(&row.index).is_some_and(|slot| same(&slot.row, row));
    if rows.iter().all(at_home) {
        return BTreeMap::new();
    }
    let mut matching = Matching {
        rows: rows.iter().collect(),
        slots: memory.slots.iter().map(|(index, slot)| (*index, slot)).collect(),
        placed: BTreeMap::new(),
    };
    matching.pair(|index, slot, row| index == row.index && same(&slot.row, row));
    matching.pair(|_, slot, row| same(&slot.row, row));
    matching.pair(|index, slot, row| index == row.index && alike(&slot.row, row));
    matching.pair_single();
    matching.pair(|index, _, row| index == row.index);
    let Matching { slots, mut placed, .. } = matching;
    if placed.iter().all(|(from, to)| from == to) {
        return BTreeMap::new();
    }
    // A slot whose row is gone keeps its number, unless another has that now.
    let claimed: BTreeSet<SupplyIndex> = placed.values().copied().collect();
    let mut parked = -1;
    for (index, _) in slots {
        let mut to = index;
        while claimed.contains(&to) || (to != index && memory.slots.contains_key(&to)) {
            to = SupplyIndex(parked);
            parked -= 1;
        }
        placed.insert(index, to);
    }
    let slots = std::mem::take(&mut memory.slots);
    memory.slots = slots
        .into_iter()
        .map(|(index, mut slot)| {
            let now = placed.get(&index).copied().unwrap_or(index);
            slot.row.index = now;
            (now, slot)
        })
        .collect();
    placed.retain(|from, to| from != to);
    placed
}

/// Whether two rows say the same of what they are.
fn same(ours: &SupplyRow, theirs: &SupplyRow) -> bool {
    (ours.class, ours.kind, &ours.colorant, &ours.description)
        == (theirs.class, theirs.kind, &theirs.colorant, &theirs.description)
}

/// Whether two rows name the same colour, whatever else they are called.
fn alike(ours: &SupplyRow, theirs: &SupplyRow) -> bool {
    ours.colorant.is_some()
        && (ours.class, ours.kind, &ours.colorant) == (theirs.class, theirs.kind, &theirs.colorant)
}

struct Matching<'a> {
    /// Rows without a slot so far.
    rows: Vec<&'a SupplyRow>,
    /// Slots without a row so far.
    slots: Vec<(SupplyIndex, &'a SlotMemory)>,
    /// The number that each slot had, and has.
    placed: BTreeMap<SupplyIndex, SupplyIndex>,
}

impl Matching<'_> {
    /// Pairs each row with the first slot that fits, in the order of their numbers.
    fn pair(&mut self, fits: impl Fn(SupplyIndex, &SlotMemory, &SupplyRow) -> bool) {
        let (slots, placed) = (&mut self.slots, &mut self.placed);
        self.rows.retain(|row| {
            let Some(at) = slots.iter().position(|(index, slot)| fits(*index, slot, row)) else {
                return true;
            };
            let (index, _) = slots.remove(at);
            placed.insert(index, row.index);
            false
        });
    }

    /// Pairs rows under another number and another name with the slot of their colour, if there is only one
    /// of either.
    fn pair_single(&mut self) {
        let single: Vec<(SupplyIndex, SupplyIndex)> = self
            .rows
            .iter()
            .filter(|row| self.rows.iter().filter(|other| alike(other, row)).count() == 1)
            .filter_map(|row| {
                let mut fitting = self.slots.iter().filter(|(_, slot)| alike(&slot.row, row));
                let (index, _) = fitting.next()?;
                fitting.next().is_none().then_some((*index, row.index))
            })
            .collect();
        self.pair(|index, _, row| single.contains(&(index, row.index)));
    }
}
