//! The instances that a walk brought, to be looked up by column and row.

use std::collections::{BTreeMap, BTreeSet};

use super::oid::Oid;
use super::value::{Value, Varbind};

/// What was read of a printer: names and values of its tables, not yet interpreted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RawPrinter {
    /// The instances.
    pub rows: Vec<Varbind>,
    /// False where the device broke a table off, so that rows may be missing.
    pub complete: bool,
}

/// The instances, sorted.
pub(super) struct Table<'a>(BTreeMap<&'a Oid, &'a Value>);

impl<'a> Table<'a> {
    /// Sorts them. Of two values for one instance the first stays.
    pub(super) fn new(varbinds: &'a [Varbind]) -> Self {
        let mut table = BTreeMap::new();
        for varbind in varbinds.iter().filter(|varbind| varbind.value.is_present()) {
            table.entry(&varbind.oid).or_insert(&varbind.value);
        }
        Self(table)
    }

    /// The value at this index of a column.
    pub(super) fn at(&self, column: &Oid, index: &[i32]) -> Option<&'a Value> {
        let arcs = index.iter().map(|arc| (*arc).try_into().ok()).collect::<Option<Vec<u32>>>()?;
        self.0.get(&column.child(&arcs)).copied()
    }

    /// A column's instances whose index has `width` numbers: index and value.
    pub(super) fn column<'s>(
        &'s self,
        column: &Oid,
        width: usize,
    ) -> impl Iterator<Item = (Vec<i32>, &'a Value)> + use<'s, 'a> {
        let column = column.clone();
        self.0
            .range::<Oid, _>(&column..)
            .map_while(move |(oid, value)| oid.suffix(&column).map(|suffix| (suffix, *value)))
            .filter_map(move |(suffix, value)| {
                let index = suffix.iter().map(|arc| (*arc).try_into().ok()).collect::<Option<Vec<i32>>>()?;
                (index.len() == width).then_some((index, value))
            })
    }

    /// The row numbers that a device has in any of these columns.
    pub(super) fn row_numbers(&self, columns: &[Oid], device: i32) -> BTreeSet<i32> {
        columns
            .iter()
            .flat_map(|column| self.column(column, 2))
            .filter(|(index, _)| index[0] == device)
            .map(|(index, _)| index[1])
            .collect()
    }
}

/// A number that fits the standard's `Integer32`. Agents that send a small negative one as unsigned (-3 as
/// 4294967293) are understood.
pub(super) fn number(value: &Value) -> Option<i32> {
    match value.as_i64()? {
        wrapped @ 0xffff_fffd..=0xffff_ffff => i32::try_from(wrapped - 0x1_0000_0000).ok(),
        plain => plain.try_into().ok(),
    }
}
