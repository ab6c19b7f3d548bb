//! Tables from their start: which columns to ask for next, and how many rows of them.

use super::super::ask::{RawPdu, RawVarbind, Values, Verb, are_arcs, is_behind, push_name};
use super::super::ber::{INTEGER, OCTET_STRING};
use super::super::oid::Oid;
use super::super::pdu::ErrorStatus;
use super::tables::{ALERTS, BY_DEVICE, DEVICES, INSTEAD, Role, Size, TABLES, Table, role};
use super::{Manners, Partial, named};

/// Headers around an answer's values: message, PDU and list, with a community of usual length.
const ENVELOPE: usize = 40;
/// Headers around one value: of the pair, the name and the value.
const HEADERS: usize = 6;
/// The most rows of one column.
const MOST_ROWS: u16 = 256;
/// The most octets of a row's index. The tables here have two numbers, of at most five octets each.
const INDEX: usize = 12;
/// From this row on, a table of a few rows is asked for many at once: before, most of the answer would be
/// what lies behind it.
const LONG: u16 = 3;
/// The tag of the value that says that nothing follows.
const END_OF_MIB_VIEW: u8 = 0x82;

/// How far a column was read.
struct Cursor {
    table: u8,
    column: u8,
    role: Option<Role>,
    done: bool,
    rows: u16,
    /// Some of its values say nothing.
    poor: bool,
    /// About how many octets its values have.
    about: u8,
    index_length: u8,
    index: [u8; INDEX],
}

impl Cursor {
    fn index(&self) -> &[u8] {
        self.index.get(..usize::from(self.index_length)).unwrap_or_default()
    }

    fn table(&self) -> &'static Table {
        &TABLES[usize::from(self.table)]
    }

    /// About how many octets its next value takes in an answer.
    fn cost(&self) -> usize {
        HEADERS + self.table().base().len() + 1 + self.index().len().max(2) + usize::from(self.about)
    }

    fn end(&mut self) {
        self.done = true;
    }
}

/// Whether a value is absent, a negative number, or a text of nothing but blanks.
fn says_nothing(varbind: &RawVarbind<'_>) -> bool {
    match (varbind.tag, varbind.contents) {
        (INTEGER, [first, ..]) => first & 0x80 != 0,
        (OCTET_STRING, text) => !text.iter().any(|octet| *octet > b' '),
        _ => true,
    }
}

/// A walk through tables.
pub(super) struct Cold {
    cursors: Vec<Cursor>,
    /// For each table the place of its leading column, if it is walked.
    leads: [Option<u8>; TABLES.len()],
    /// What the last question asked for once, and what for many rows.
    once: Vec<u8>,
    repeated: Vec<u8>,
    repetitions: usize,
    /// The last value said that nothing follows.
    at_end: bool,
    /// Where in the rows the values stand that change.
    changing: Vec<(u32, Role)>,
}

impl Cold {
    /// All tables.
    pub(super) fn everything() -> Self {
        Self::of(0..TABLES.len())
    }

    /// The alert table alone.
    pub(super) fn alerts() -> Self {
        Self::of(ALERTS..ALERTS + 1)
    }

    fn of(tables: std::ops::Range<usize>) -> Self {
        let mut leads = [None; TABLES.len()];
        let mut cursors = Vec::with_capacity(48);
        for at in tables {
            let table = &TABLES[at];
            for column in table.columns {
                #[allow(clippy::cast_possible_truncation, reason = "there are fewer than 256 columns")]
                if *column == table.lead {
                    leads[at] = Some(cursors.len() as u8);
                }
                #[allow(clippy::cast_possible_truncation, reason = "there are 11 tables")]
                cursors.push(Cursor {
                    table: at as u8,
                    column: *column,
                    role: role(at, *column),
                    done: false,
                    rows: 0,
                    poor: false,
                    about: if table.is_text(*column) { 20 } else { 2 },
                    index_length: 0,
                    index: [0; INDEX],
                });
            }
        }
        Self {
            cursors,
            leads,
            once: Vec::with_capacity(40),
            repeated: Vec::with_capacity(12),
            repetitions: 0,
            at_end: false,
            changing: Vec::with_capacity(32),
        }
    }

    pub(super) fn is_done(&self) -> bool {
        self.cursors.iter().all(|cursor| cursor.done)
    }

    pub(super) fn is_at_end(&self) -> bool {
        self.at_end
    }

    pub(super) fn changing(&self) -> &[(u32, Role)] {
        &self.changing
    }

    fn lead(&self, table: u8) -> Option<&Cursor> {
        self.leads[usize::from(table)].and_then(|at| self.cursors.get(usize::from(at)))
    }

    /// The next question; its names are written into `list`.
    pub(super) fn question(&mut self, manners: Manners, list: &mut Vec<u8>) -> (Verb, usize) {
        let room = self.choose(manners);
        self.repetitions = self.rows_that_fit(manners, room);
        if self.repetitions == 0 {
            self.repeated.clear();
        }
        for at in self.once.iter().chain(&self.repeated) {
            let cursor = &self.cursors[usize::from(*at)];
            push_name(list, &[cursor.table().base(), &[cursor.column], cursor.index()]);
        }
        let names = self.once.len() + self.repeated.len();
        let verb = if manners.bulk {
            let number = |count: usize| u32::try_from(count).unwrap_or(u32::MAX);
            Verb::GetBulk {
                non_repeaters: number(self.once.len()),
                max_repetitions: number(self.repetitions),
            }
        } else {
            Verb::GetNext
        };
        (verb, names)
    }

    /// Chooses which columns to ask for once and which for many rows, and says how many octets are left.
    fn choose(&mut self, manners: Manners) -> usize {
        self.once.clear();
        self.repeated.clear();
        let mut room = manners.answer_octets.saturating_sub(ENVELOPE);
        let mut names = manners.names.max(1);
        let mut full = false;
        for (at, cursor) in self.cursors.iter().enumerate().filter(|(_, cursor)| !cursor.done) {
            let Some(repeat) = self.turn(at, cursor) else { continue };
            #[allow(clippy::cast_possible_truncation, reason = "there are fewer than 256 columns")]
            let at = at as u8;
            if names == 0 {
                break;
            }
            if repeat && manners.bulk {
                self.repeated.push(at);
                names -= 1;
            } else if !full && (cursor.cost() <= room || self.once.is_empty()) {
                self.once.push(at);
                names -= 1;
                room = room.saturating_sub(cursor.cost());
            } else {
                full = true;
            }
        }
        // The leading columns first: where an answer is cut off in the row behind the last, they have said so.
        let leads = self.leads;
        self.repeated.sort_by_key(|at| !leads.contains(&Some(*at)));
        if full { 0 } else { room }
    }

    /// Whether it is a column's turn, and whether it is to be asked for many rows.
    fn turn(&self, at: usize, cursor: &Cursor) -> Option<bool> {
        let lead = self.lead(cursor.table)?;
        if self.preferred(cursor).is_some_and(|preferred| !preferred.done) {
            return None;
        }
        let leads = self.leads[usize::from(cursor.table)].map(usize::from) == Some(at);
        match cursor.table().size {
            Size::Scalar => Some(false),
            Size::Many => Some(true),
            // What has a row for each device has none left when there is no device left.
            Size::Few if cursor.rows > 0 && self.waits_for_devices(cursor.table) => None,
            Size::Few if leads => Some(lead.rows >= LONG),
            // The alert table is empty most of the time: one column says so.
            Size::Few if usize::from(cursor.table) == ALERTS && lead.rows == 0 => None,
            Size::Few if lead.rows >= LONG => Some(true),
            Size::Few if cursor.rows == 0 || lead.done || cursor.index() != lead.index() => Some(false),
            Size::Few => None,
        }
    }

    /// The column that makes this one needless where it says something.
    fn preferred(&self, cursor: &Cursor) -> Option<&Cursor> {
        let place = (usize::from(cursor.table), cursor.column);
        let (.., column) = INSTEAD.iter().find(|(table, column, _)| (*table, *column) == place)?;
        self.cursors.iter().find(|other| other.table == cursor.table && other.column == *column)
    }

    /// Whether a table has a row for each device, and the end of the device table is not known yet.
    fn waits_for_devices(&self, table: u8) -> bool {
        BY_DEVICE.contains(&usize::from(table)) && self.lead(DEVICES).is_some_and(|devices| !devices.done)
    }

    /// How many rows of the repeated columns to ask for. Where the device is not known to cut its answers
    /// off, one row more is asked for than fits, to find that out and to leave no room unused.
    fn rows_that_fit(&self, manners: Manners, room: usize) -> usize {
        let row: usize =
            self.repeated.iter().map(|at| self.cursors[usize::from(*at)].cost()).sum::<usize>().max(1);
        let fit = match manners.cuts_off {
            Some(true) => room.div_ceil(row) + 1,
            None => room.div_ceil(row),
            Some(false) => room / row,
        };
        let left =
            self.repeated.iter().map(|at| self.left(&self.cursors[usize::from(*at)])).max().unwrap_or(0);
        let least = usize::from(self.once.is_empty());
        if room * 2 < row && least == 0 { 0 } else { fit.min(manners.repetitions).min(left).max(least) }
    }

    /// The most rows that a column can still have.
    fn left(&self, cursor: &Cursor) -> usize {
        let most = match self.lead(cursor.table) {
            Some(lead) if lead.done && lead.rows > cursor.rows => lead.rows,
            _ => MOST_ROWS,
        };
        usize::from(most.saturating_sub(cursor.rows)).max(1)
    }

    /// The most values that the answer to the last question may have, and whether it may have fewer.
    pub(super) fn most(&self) -> (usize, bool) {
        match self.repetitions {
            0 => (self.once.len() + self.repeated.len(), false),
            rows => (self.once.len() + self.repeated.len() * rows, true),
        }
    }

    /// Takes an answer's values in, and says how many there were.
    pub(super) fn take(
        &mut self,
        values: Values<'_>,
        rows: &mut Vec<u8>,
        partial: &mut Option<Partial>,
    ) -> usize {
        let (mut came, mut turn) = (0, 0);
        for varbind in values {
            let at = match self.once.get(came) {
                Some(at) => Some(*at),
                None => {
                    // The columns in turn; a remainder for each value would be a division for each.
                    let at = self.repeated.get(turn).copied();
                    turn = if turn + 1 < self.repeated.len() { turn + 1 } else { 0 };
                    at
                }
            };
            came += 1;
            self.at_end = varbind.tag == END_OF_MIB_VIEW;
            let Some(at) = at else { continue };
            let at = usize::from(at);
            if let Err(why) = self.put(at, &varbind, rows) {
                self.cursors[at].end();
                *partial = why.or(*partial);
            }
        }
        self.end_by_leads();
        came
    }

    /// Puts a value where it belongs. Fails when its column is over, and says why if there may be more of it.
    fn put(
        &mut self,
        at: usize,
        varbind: &RawVarbind<'_>,
        rows: &mut Vec<u8>,
    ) -> Result<(), Option<Partial>> {
        let cursor = &mut self.cursors[at];
        if cursor.done {
            return Ok(());
        }
        let inside = varbind.name.strip_prefix(cursor.table().base());
        let index =
            inside.and_then(|rest| rest.strip_prefix(&[cursor.column])).filter(|index| !index.is_empty());
        let Some(index) = index.filter(|_| varbind.tag != END_OF_MIB_VIEW) else { return Err(None) };
        if cursor.index_length > 0 && !is_behind(index, cursor.index()) {
            return Err(Some(Partial::NotIncreasing));
        }
        if cursor.rows == MOST_ROWS {
            return Err(Some(Partial::TooManyRows));
        }
        // It goes back to the device in the next question, so it has to be one.
        let Some(place) = cursor.index.get_mut(..index.len()).filter(|_| are_arcs(index)) else {
            return Err(Some(Partial::StrangeIndex));
        };
        place.copy_from_slice(index);
        #[allow(clippy::cast_possible_truncation, reason = "at most INDEX, checked above")]
        (cursor.index_length = index.len() as u8);
        cursor.rows += 1;
        cursor.about = u8::try_from(varbind.contents.len()).unwrap_or(u8::MAX);
        cursor.done = cursor.table().size == Size::Scalar;
        cursor.poor |= says_nothing(varbind);
        if varbind.is_present() {
            if let (Some(role), Ok(start)) = (cursor.role, u32::try_from(rows.len())) {
                self.changing.push((start, role));
            }
            rows.extend_from_slice(varbind.whole);
        }
        Ok(())
    }

    /// Ends the columns that have come as far as the leading column of their table did.
    fn end_by_leads(&mut self) {
        for table in BY_DEVICE {
            let at = self.leads[table].map(usize::from);
            let (Some(at), Some(devices)) = (at, self.lead(DEVICES)) else { continue };
            let cursor = &self.cursors[at];
            if devices.done
                && devices.rows > 0
                && cursor.rows > 0
                && !is_behind(devices.index(), cursor.index())
            {
                self.cursors[at].end();
            }
        }
        for at in 0..self.cursors.len() {
            let cursor = &self.cursors[at];
            let Some(lead) = self.lead(cursor.table).filter(|lead| lead.done && !cursor.done) else {
                continue;
            };
            let never_asked = lead.rows == 0 && cursor.rows == 0 && usize::from(cursor.table) == ALERTS;
            if never_asked || (cursor.rows > 0 && cursor.index() == lead.index()) {
                self.cursors[at].end();
            }
        }
        for at in 0..self.cursors.len() {
            let cursor = &self.cursors[at];
            let rows = self.lead(cursor.table).filter(|lead| lead.done).map(|lead| lead.rows);
            let preferred = self.preferred(cursor).filter(|other| other.done && !other.poor);
            if preferred.is_some_and(|other| Some(other.rows) == rows) {
                self.cursors[at].end();
            }
        }
    }

    /// What to do about an error status, or about an answer with nothing in it.
    pub(super) fn failed(
        &mut self,
        pdu: &RawPdu<'_>,
        manners: &mut Manners,
        partial: &mut Option<Partial>,
        refused: &mut Option<(ErrorStatus, Option<Oid>)>,
    ) {
        let asked: Vec<u8> = self.once.iter().chain(&self.repeated).copied().collect();
        let position = usize::try_from(pdu.error_index).ok().and_then(|at| at.checked_sub(1));
        let about = position.and_then(|at| asked.get(at)).copied();
        let only = (asked.len() <= 1).then(|| asked.first().copied()).flatten();
        let size = matches!(pdu.status, ErrorStatus::TooBig | ErrorStatus::NoError);
        if pdu.status == ErrorStatus::NoSuchName
            && let Some(at) = about.or(only)
        {
            // How version 1 says that there is nothing behind this.
            self.cursors[usize::from(at)].end();
        } else if size && (self.repetitions > 1 || asked.len() > 1) {
            manners.answer_octets = (manners.answer_octets / 2).max(ENVELOPE);
            manners.repetitions = (self.repetitions / 2).max(1);
            if self.repetitions <= 1 {
                manners.names = (asked.len() / 2).max(1);
            }
        } else if !size && manners.bulk {
            manners.bulk = false;
        } else if let Some(at) = about.filter(|_| !size).or(only) {
            let cursor = &mut self.cursors[usize::from(at)];
            cursor.end();
            *refused = Some((pdu.status, named(&[cursor.table().base(), &[cursor.column], cursor.index()])));
            *partial = Some(if size { Partial::Unanswered } else { Partial::Agent(pdu.status) });
        } else {
            manners.names = (asked.len() / 2).max(1);
        }
        self.end_by_leads();
        if asked.is_empty() {
            // Nothing was asked, and that was refused: there is no way on.
            self.cursors.iter_mut().for_each(Cursor::end);
        }
    }
}
