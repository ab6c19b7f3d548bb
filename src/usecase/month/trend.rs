//! The months side by side.

use std::collections::BTreeMap;

use super::{known_months, worth};
use crate::domain::month::{Costs, Month, thousandths};
use crate::domain::outlook::Present;
use crate::domain::units::Measure;
use crate::store::{Result, Store};
use crate::usecase::view::{MonthPoint, TrendRow, TrendView};

/// The months that are shown: a year, and the month a year before the running one.
const MONTHS: usize = 13;

/// The last months, all machines together and each on its own.
///
/// # Errors
/// If the store cannot be reached.
pub async fn trend(store: &Store, present: &Present) -> Result<TrendView> {
    let known = known_months(store, present).await?;
    let months: Vec<Month> = known.iter().take(MONTHS).rev().copied().collect();
    let edges: Vec<_> = months.iter().map(|month| (*month, month.edges(&present.zone))).collect();
    let rows = store.slot_months(&edges).await?;
    let slots = match edges.last() {
        Some(last) => store.slot_sums(*last).await?,
        None => Vec::new(),
    };
    let begins = edges.first().map_or(present.now, |(_, (begins, _))| *begins);
    let records = crate::domain::month::Records {
        devices: super::devices(store, begins).await?,
        slots,
        stocks: store.stocks(None).await?,
        ..Default::default()
    };
    let parts = records.slot_parts();
    let empty = || vec![MonthPoint::default(); months.len()];
    let (mut all, mut machines, mut centres) = (empty(), BTreeMap::new(), BTreeMap::new());
    for row in &rows {
        let Some(at) = months.iter().position(|month| *month == row.month) else { continue };
        let cost = worth(row, &parts);
        let machine = machines.entry((row.device_name.clone(), row.device)).or_insert_with(empty);
        let centre =
            centres.entry((row.cost_centre.is_none(), row.cost_centre.clone())).or_insert_with(empty);
        for points in [&mut all, machine, centre] {
            let Some(point) = points.get_mut(at) else { continue };
            if row.consumed && row.measure == Measure::Millilitres {
                point.ink_ml = thousandths(point.ink_ml + row.used);
            }
            point.swaps += row.swaps;
            cost.into_iter().for_each(|cost| point.cost.add(cost));
        }
    }
    let since = records.devices.iter().map(|device| device.since).min();
    Ok(TrendView {
        whole: edges.iter().map(|(_, (begins, _))| since.is_some_and(|since| since <= *begins)).collect(),
        closed: store.closed_months().await?,
        running: Month::of(present.today()),
        all,
        machines: machines
            .into_iter()
            .map(|((name, id), points)| TrendRow { name: Some(name), device: Some(id), points })
            .collect(),
        cost_centres: centres
            .into_iter()
            .map(|((_, name), points)| TrendRow { name, device: None, points })
            .collect(),
        currencies: currencies(&rows.iter().filter_map(|row| worth(row, &parts)).collect()),
        months,
        known,
    })
}

fn currencies(costs: &Costs) -> Vec<crate::domain::part::Currency> {
    costs.iter().map(|price| price.currency).collect()
}
