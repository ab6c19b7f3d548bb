//! What lay on the shelf at both ends of a month, and everything that moved in between.

use serde::{Deserialize, Serialize};

use crate::domain::shelf::MovementKind;

/// The course of a part's stock over a month: in units, or in minor units of money.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct StockFlow {
    /// What lay there at its first moment.
    pub start: i64,
    /// What came in.
    pub received: i64,
    /// What went to machines.
    pub issued: i64,
    /// What came back from machines.
    pub returned: i64,
    /// What was thrown away, lost or spoilt.
    pub written_off: i64,
    /// What counts found beyond what was booked (above zero), or missed.
    pub counted: i64,
    /// What lay there at its end, summed up on its own.
    pub end: i64,
}

impl StockFlow {
    /// Books a sum of movements of one kind; `sum` is signed as the shelf's ledger has it.
    pub fn book(&mut self, kind: MovementKind, sum: i64) {
        match kind {
            MovementKind::Received => self.received += sum,
            MovementKind::Issued => self.issued -= sum,
            MovementKind::Returned => self.returned += sum,
            MovementKind::WrittenOff => self.written_off -= sum,
            MovementKind::Counted => self.counted += sum,
        }
    }

    /// What should lie there at the end by what moved.
    #[must_use]
    pub fn expected_end(&self) -> i64 {
        self.start + self.received + self.returned + self.counted - self.issued - self.written_off
    }

    /// Whether start and movements come to the end.
    #[must_use]
    pub fn balances(&self) -> bool {
        self.expected_end() == self.end
    }

    /// Adds another flow, figure by figure.
    pub fn add(&mut self, other: &Self) {
        self.start += other.start;
        self.received += other.received;
        self.issued += other.issued;
        self.returned += other.returned;
        self.written_off += other.written_off;
        self.counted += other.counted;
        self.end += other.end;
    }

    /// Every unit worth `each`.
    #[must_use]
    pub fn times(&self, each: i64) -> Self {
        Self {
            start: self.start * each,
            received: self.received * each,
            issued: self.issued * each,
            returned: self.returned * each,
            written_off: self.written_off * each,
            counted: self.counted * each,
            end: self.end * each,
        }
    }

    /// Whether there was nothing, and nothing moved.
    #[must_use]
    pub fn is_nothing(&self) -> bool {
        *self == Self::default()
    }
}
