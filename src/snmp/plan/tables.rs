//! What is asked of a printer: the tables of RFC 3805 and RFC 2790 that a snapshot is made of.
//!
//! Names stand here as the octets of the wire, so that none is put together at each poll. Every arc up to
//! the column is below 128 and so one octet.

/// 1.3.6.1.2.1, where all of them lie.
const MIB_2: [u8; 5] = [0x2b, 6, 1, 2, 1];

/// How a table is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Size {
    /// Scalars: one value each.
    Scalar,
    /// Most devices have one row, or a few.
    Few,
    /// Most devices have a row for each ink.
    Many,
}

/// A table, and which of its columns.
#[derive(Debug)]
pub(super) struct Table {
    /// The octets of the entry's name.
    pub(super) base: [u8; 10],
    pub(super) base_length: usize,
    pub(super) columns: &'static [u8],
    /// The column that says where the table ends: one that every row has.
    pub(super) lead: u8,
    pub(super) size: Size,
}

const fn table(tail: &[u8], columns: &'static [u8], lead: u8, size: Size) -> Table {
    let mut base = [0; 10];
    let mut at = 0;
    while at < MIB_2.len() {
        base[at] = MIB_2[at];
        at += 1;
    }
    while at < MIB_2.len() + tail.len() {
        base[at] = tail[at - MIB_2.len()];
        at += 1;
    }
    Table { base, base_length: at, columns, lead, size }
}

impl Table {
    /// The octets of the entry's name.
    pub(super) fn base(&self) -> &[u8] {
        self.base.get(..self.base_length).unwrap_or_default()
    }

    /// Whether a column holds text, which takes more room than a number.
    pub(super) fn is_text(&self, column: u8) -> bool {
        TEXTS.iter().any(|(base, columns)| *base == self.base() && columns.contains(&column))
    }
}

/// Columns of text by the octets of their entry.
const TEXTS: [(&[u8], &[u8]); 7] = [
    (&[0x2b, 6, 1, 2, 1, 1], &[1, 5, 6]),
    (&[0x2b, 6, 1, 2, 1, 25, 3, 2, 1], &[3]),
    (&[0x2b, 6, 1, 2, 1, 43, 5, 1, 1], &[16, 17]),
    (&[0x2b, 6, 1, 2, 1, 43, 6, 1, 1], &[2]),
    (&[0x2b, 6, 1, 2, 1, 43, 8, 2, 1], &[12, 13, 18]),
    (&[0x2b, 6, 1, 2, 1, 43, 11, 1, 1], &[6]),
    (&[0x2b, 6, 1, 2, 1, 43, 18, 1, 1], &[8]),
];

/// The place of the device table in [`TABLES`].
pub(super) const DEVICES: u8 = 1;
/// The places of the tables that have a row for each printer among the devices.
pub(super) const BY_DEVICE: [usize; 2] = [2, 3];
/// The place of the supplies in [`TABLES`].
pub(super) const SUPPLIES: usize = 8;
/// The place of the alerts.
pub(super) const ALERTS: usize = 10;

/// Columns that are only needed where another of their table says nothing: of an input, the declared width
/// where there is no chosen one, and the description where there is no name.
pub(super) const INSTEAD: [(usize, u8, u8); 2] = [(7, 5, 7), (7, 18, 13)];

/// All of them. The first that are asked come first.
pub(super) static TABLES: [Table; 11] = [
    table(&[1], &[1, 2, 3, 5, 6], 1, Size::Scalar),
    table(&[25, 3, 2, 1], &[2, 3, 5], 2, Size::Few),
    table(&[25, 3, 5, 1], &[1, 2], 1, Size::Few),
    table(&[43, 5, 1, 1], &[1, 2, 16, 17, 19], 1, Size::Few),
    table(&[43, 7, 1, 1], &[4], 4, Size::Few),
    table(&[43, 6, 1, 1], &[2, 3], 3, Size::Few),
    table(&[43, 10, 2, 1], &[2, 3, 4, 5], 2, Size::Few),
    table(&[43, 8, 2, 1], &[2, 3, 5, 7, 8, 9, 10, 12, 13, 18], 2, Size::Few),
    table(&[43, 11, 1, 1], &[2, 3, 4, 5, 6, 7, 8, 9], 9, Size::Many),
    table(&[43, 12, 1, 1], &[4], 4, Size::Many),
    table(&[43, 18, 1, 1], &[2, 3, 4, 5, 6, 7, 8], 2, Size::Few),
];

/// What a value means for the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Role {
    /// Asked again at every poll.
    Plain,
    /// The same: a supply's level.
    Level,
    /// sysUpTime: when it starts anew, everything is asked.
    Uptime,
    /// prtGeneralConfigChanges: when it moves, everything is asked.
    ConfigChanges,
    /// prtAlertAllEvents: when it moves, the alerts are asked.
    AlertEvents,
}

/// What changes while a printer runs, by the place of its table and its column.
const CHANGING: [(usize, u8, Role); 11] = [
    (0, 3, Role::Uptime),
    (1, 5, Role::Plain),
    (2, 1, Role::Plain),
    (2, 2, Role::Plain),
    (3, 1, Role::ConfigChanges),
    (3, 19, Role::AlertEvents),
    (5, 3, Role::Plain),
    (6, 4, Role::Plain),
    (6, 5, Role::Plain),
    (7, 10, Role::Plain),
    (SUPPLIES, 9, Role::Level),
];

/// The role of a column at every poll, if it is asked at every poll.
pub(super) fn role(table: usize, column: u8) -> Option<Role> {
    CHANGING.iter().find(|(known, other, _)| (*known, *other) == (table, column)).map(|(.., role)| *role)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::snmp::ber::decode_oid;
    use crate::snmp::printer_mib as mib;

    #[test]
    fn the_octets_are_the_names_of_the_tables() {
        let bases = [
            mib::SYSTEM,
            mib::HR_DEVICE,
            mib::HR_PRINTER,
            mib::GENERAL,
            mib::LOCALIZATION,
            mib::COVER,
            mib::MARKER,
            mib::INPUT,
            mib::SUPPLIES,
            mib::COLORANT,
            mib::ALERT,
        ];
        for (table, base) in TABLES.iter().zip(&bases) {
            assert_eq!(&decode_oid(table.base()).unwrap(), base);
            assert!(table.columns.contains(&table.lead) && table.columns.is_sorted(), "{base}");
            assert!(table.columns.iter().all(|column| *column < 128));
        }
        assert_eq!(bases[usize::from(DEVICES)], mib::HR_DEVICE);
        assert_eq!(BY_DEVICE.map(|at| &bases[at]), [&mib::HR_PRINTER, &mib::GENERAL]);
        assert_eq!(bases[SUPPLIES], mib::SUPPLIES);
        assert_eq!(bases[ALERTS], mib::ALERT);
        for (base, _) in TEXTS {
            assert!(TABLES.iter().any(|table| table.base() == base));
        }
    }
}
