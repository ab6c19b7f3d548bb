//! Money in a report: whole minor units, never mixed between currencies.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::domain::part::{Currency, Price};
use crate::domain::units::Measure;

/// Sums of money, one a currency.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Costs(BTreeMap<Currency, i64>);

impl Costs {
    /// Adds an amount.
    pub fn add(&mut self, price: Price) {
        let sum = self.0.entry(price.currency).or_default();
        *sum = sum.saturating_add(price.minor);
    }

    /// Adds what others amount to.
    pub fn add_all(&mut self, other: &Self) {
        other.iter().for_each(|price| self.add(price));
    }

    /// The sums, by currency.
    pub fn iter(&self) -> impl Iterator<Item = Price> + '_ {
        self.0.iter().map(|(currency, minor)| Price { minor: *minor, currency: *currency })
    }

    /// Whether no amount was added; a sum of nothing is not nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The sum in a currency; 0 where nothing was added in it.
    #[must_use]
    pub fn minor(&self, currency: Currency) -> i64 {
        self.0.get(&currency).copied().unwrap_or(0)
    }
}

impl FromIterator<Price> for Costs {
    fn from_iter<I: IntoIterator<Item = Price>>(prices: I) -> Self {
        let mut costs = Self::default();
        prices.into_iter().for_each(|price| costs.add(price));
        costs
    }
}

/// What `amount` of a unit is worth that holds `capacity` and costs `price`, in whole minor units, halves away
/// from zero. An amount in percent is of a full unit. `None` where the units do not compare.
#[must_use]
pub fn share_of_price(
    price: Price,
    (amount, measure): (f64, Measure),
    capacity: Option<(f64, Measure)>,
) -> Option<Price> {
    let share = match capacity {
        _ if measure == Measure::Percent => amount / 100.0,
        Some((capacity, of)) if of == measure && capacity > 0.0 => amount / capacity,
        _ => return None,
    };
    let minor = (price.minor as f64 * share).round();
    (minor.abs() < 9e15).then_some(Price { minor: minor as i64, ..price })
}
