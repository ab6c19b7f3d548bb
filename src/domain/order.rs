//! Orders to suppliers: what is in one, how far it has come, and what may be done with it next.
//!
//! ```text
//! draft ──send──▶ sent ──receive──▶ partly received ──receive──▶ received
//!   └──cancel──▶ cancelled ◀──cancel──┴──cancel──┘
//! ```
//!
//! [`Order::after`] is the one place that says which step is allowed; the database refuses the same.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;

use super::ids::{OrderId, PartId};
use super::part::{Currency, Price};

/// The most units that one line orders: more is a slip of the hand.
pub const MOST_UNITS: u32 = 9_999;

/// How far an order has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum OrderState {
    /// It is being written.
    Draft,
    /// The supplier has it.
    Sent,
    /// Some of it came.
    PartlyReceived,
    /// All of it came.
    Received,
    /// It was called off; what had come by then stays.
    Cancelled,
}

impl OrderState {
    /// Every state.
    pub const ALL: [Self; 5] =
        [Self::Draft, Self::Sent, Self::PartlyReceived, Self::Received, Self::Cancelled];

    /// The word by which it is stored and exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Draft => "draft",
            Self::Sent => "sent",
            Self::PartlyReceived => "partly_received",
            Self::Received => "received",
            Self::Cancelled => "cancelled",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }

    /// As a person reads it.
    #[must_use]
    pub fn plain(self) -> &'static str {
        match self {
            Self::PartlyReceived => "partly received",
            other => other.word(),
        }
    }

    /// Whether something of it is still to come.
    #[must_use]
    pub fn is_under_way(self) -> bool {
        matches!(self, Self::Sent | Self::PartlyReceived)
    }

    /// Whether nothing can be done with it any more.
    #[must_use]
    pub fn is_closed(self) -> bool {
        matches!(self, Self::Received | Self::Cancelled)
    }
}

/// What is done with an order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// A line is added, changed or taken out.
    Change,
    /// It goes to the supplier.
    Send,
    /// Units of its parts came.
    Receive(BTreeMap<PartId, u32>),
    /// It is called off.
    Cancel,
}

/// A part in an order.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Which part.
    pub part: PartId,
    /// Its number.
    pub number: String,
    /// What a person calls it.
    pub label: String,
    /// Units that are ordered; at least 1.
    pub units: u32,
    /// Units of them that came.
    pub received: u32,
    /// Price of one unit when the line was written.
    pub price: Option<Price>,
}

impl Line {
    /// Units that are still to come.
    #[must_use]
    pub fn missing(&self) -> u32 {
        self.units.saturating_sub(self.received)
    }

    /// Price of all its units.
    #[must_use]
    pub fn total(&self) -> Option<Price> {
        let price = self.price?;
        Some(Price { minor: price.minor.checked_mul(i64::from(self.units))?, ..price })
    }
}

/// An order to a supplier.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// Its number.
    pub id: OrderId,
    /// Whom it goes to, where that is known.
    pub supplier: Option<String>,
    /// How far it has come.
    pub state: OrderState,
    /// Its lines, by part number.
    pub lines: Vec<Line>,
    /// When it was sent.
    pub sent_at: Option<Timestamp>,
    /// The day on which it is expected.
    pub expected_on: Option<Date>,
}

/// Why a step is refused. The text says what is the matter with which order.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StepRefusal {
    /// Its state does not allow it.
    #[error("order {order} is {}, so it cannot be {done} any more", .state.plain())]
    TooLate {
        /// Which order.
        order: OrderId,
        /// Its state.
        state: OrderState,
        /// What was to be done with it.
        done: &'static str,
    },
    /// It was not sent yet.
    #[error("order {0} is a draft: send it before anything of it is received")]
    NotSent(OrderId),
    /// There is nothing in it.
    #[error("order {0} has no lines: put a part on it first, or cancel it")]
    Empty(OrderId),
    /// It has no line for the part.
    #[error("order {order} has no line for {part}")]
    NoSuchLine {
        /// Which order.
        order: OrderId,
        /// The part.
        part: String,
    },
    /// More came than was ordered.
    #[error("order {order} misses {missing} of {part}, and {came} came: receive the rest on the part's page")]
    TooMany {
        /// Which order.
        order: OrderId,
        /// The part's number.
        part: String,
        /// Units that are still to come.
        missing: u32,
        /// Units that came.
        came: u32,
    },
    /// Nothing came.
    #[error("nothing is filled in: say how many came of at least one part")]
    Nothing,
}

impl Order {
    /// The state after a step, or why the step is refused.
    ///
    /// # Errors
    /// If the order is not in a state for it, or more comes than was ordered.
    pub fn after(&self, step: &Step) -> Result<OrderState, StepRefusal> {
        use OrderState::{Cancelled, Draft, PartlyReceived, Received, Sent};
        let order = self.id;
        let too_late = |done| StepRefusal::TooLate { order, state: self.state, done };
        match (step, self.state) {
            (Step::Change, Draft) => Ok(Draft),
            (Step::Change, _) => Err(too_late("changed")),
            (Step::Send, Draft) if self.lines.is_empty() => Err(StepRefusal::Empty(order)),
            (Step::Send, Draft) => Ok(Sent),
            (Step::Send, _) => Err(too_late("sent")),
            (Step::Cancel, Draft | Sent | PartlyReceived) => Ok(Cancelled),
            (Step::Cancel, Received | Cancelled) => Err(too_late("cancelled")),
            (Step::Receive(_), Draft) => Err(StepRefusal::NotSent(order)),
            (Step::Receive(_), Received | Cancelled) => Err(too_late("received")),
            (Step::Receive(came), Sent | PartlyReceived) => self.after_receipt(came),
        }
    }

    fn after_receipt(&self, came: &BTreeMap<PartId, u32>) -> Result<OrderState, StepRefusal> {
        if came.values().all(|units| *units == 0) {
            return Err(StepRefusal::Nothing);
        }
        for (part, units) in came {
            let line = self.lines.iter().find(|line| line.part == *part);
            let line =
                line.ok_or_else(|| StepRefusal::NoSuchLine { order: self.id, part: part.to_string() })?;
            if *units > line.missing() {
                return Err(StepRefusal::TooMany {
                    order: self.id,
                    part: line.number.clone(),
                    missing: line.missing(),
                    came: *units,
                });
            }
        }
        let missing = |line: &Line| line.missing() - came.get(&line.part).copied().unwrap_or(0);
        let whole = self.lines.iter().all(|line| missing(line) == 0);
        Ok(if whole { OrderState::Received } else { OrderState::PartlyReceived })
    }

    /// What it costs, in each currency by its code; a line without a price is left out.
    #[must_use]
    pub fn totals(&self) -> Vec<Price> {
        let mut totals: BTreeMap<String, (i64, Currency)> = BTreeMap::new();
        for price in self.lines.iter().filter_map(Line::total) {
            let sum = totals.entry(price.currency.code().to_owned()).or_insert((0, price.currency));
            sum.0 = sum.0.saturating_add(price.minor);
        }
        totals.into_values().map(|(minor, currency)| Price { minor, currency }).collect()
    }

    /// Whether every line has a price.
    #[must_use]
    pub fn is_priced(&self) -> bool {
        self.lines.iter().all(|line| line.price.is_some())
    }
}

/// Units of a part that are on order.
#[derive(Debug, Clone, PartialEq)]
pub struct Coming {
    /// Which part.
    pub part: PartId,
    /// In which order.
    pub order: OrderId,
    /// How many.
    pub units: u32,
    /// The day on which they are expected.
    pub expected_on: Option<Date>,
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn line(part: i64, units: u32, received: u32) -> Line {
        let price = Some(Price { minor: 18_900, currency: Currency::from_code("EUR").unwrap() });
        let (number, label) = (format!("VO-{part}"), "cyan cartridge".to_owned());
        Line { part: PartId(part), number, label, units, received, price }
    }

    fn order(state: OrderState, lines: Vec<Line>) -> Order {
        Order { id: OrderId(7), supplier: None, state, lines, sent_at: None, expected_on: None }
    }

    fn came(of: &[(i64, u32)]) -> Step {
        Step::Receive(of.iter().map(|(part, units)| (PartId(*part), *units)).collect())
    }

    #[test]
    fn an_order_goes_one_way() {
        let steps = [Step::Change, Step::Send, came(&[(1, 1)]), came(&[(1, 2)]), Step::Cancel];
        let mut told = String::new();
        for state in OrderState::ALL {
            for step in &steps {
                let after = order(state, vec![line(1, 2, 0)]).after(step);
                let after = after.map_or_else(|refusal| refusal.to_string(), |state| state.word().to_owned());
                told += &format!("{} {step:?}: {after}\n", state.word());
            }
        }
        insta::assert_snapshot!(told);
    }

    #[test]
    fn no_more_comes_than_was_ordered() {
        let order = order(OrderState::PartlyReceived, vec![line(1, 3, 2), line(2, 1, 0)]);
        assert_eq!(order.after(&came(&[(1, 1)])), Ok(OrderState::PartlyReceived));
        assert_eq!(order.after(&came(&[(1, 1), (2, 1)])), Ok(OrderState::Received));
        assert!(matches!(
            order.after(&came(&[(1, 2)])),
            Err(StepRefusal::TooMany { missing: 1, came: 2, .. })
        ));
        assert!(matches!(order.after(&came(&[(9, 1)])), Err(StepRefusal::NoSuchLine { .. })));
        assert_eq!(order.after(&came(&[(1, 0)])), Err(StepRefusal::Nothing));
        assert_eq!(
            self::order(OrderState::Draft, Vec::new()).after(&Step::Send),
            Err(StepRefusal::Empty(OrderId(7)))
        );
    }

    #[test]
    fn totals_are_by_currency() {
        let mut yen = line(2, 3, 0);
        yen.price = Some(Price { minor: 24_000, currency: Currency::from_code("JPY").unwrap() });
        let mut free = line(3, 1, 0);
        free.price = None;
        let order = order(OrderState::Draft, vec![line(1, 2, 0), yen, free]);
        let totals: Vec<String> = order.totals().iter().map(ToString::to_string).collect();
        assert_eq!(totals, ["378.00 EUR", "72000 JPY"]);
        assert!(!order.is_priced());
    }

    proptest! {
        /// Whatever comes in whatever pieces: the order is received when nothing is missing, and not before.
        #[test]
        fn received_means_that_nothing_is_missing(
            ordered in prop::collection::vec(1u32..9, 1..4),
            pieces in prop::collection::vec((0usize..4, 0u32..9), 0..30),
        ) {
            let lines = (1..).zip(&ordered).map(|(part, units)| line(part, *units, 0)).collect();
            let mut order = order(OrderState::Sent, lines);
            for (at, units) in pieces {
                let part = i64::try_from(at).unwrap() + 1;
                if let Ok(state) = order.after(&came(&[(part, units)])) {
                    order.state = state;
                    order.lines[at].received += units;
                }
                let missing: u32 = order.lines.iter().map(Line::missing).sum();
                prop_assert_eq!(order.state == OrderState::Received, missing == 0);
                prop_assert!(order.lines.iter().all(|line| line.received <= line.units));
            }
        }
    }
}
