//! What the pages about alerts show, put together from the store.

use super::pages::alert_line;
use super::view::{AlertGroup, AlertLine, AlertsView};
use crate::domain::alert::Alert;
use crate::domain::alert::life::groups;
use crate::domain::ids::AlertId;
use crate::store::alerts::WantedAlerts;
use crate::store::{Result, Store};

/// How many cleared alerts one page shows.
pub const CLEARED_A_PAGE: u32 = 50;

/// The page of alerts, with one page of those that have cleared, counted from 1.
///
/// # Errors
/// If the store cannot be reached.
pub async fn alerts(store: &Store, page: u32) -> Result<AlertsView> {
    let open: Vec<AlertLine> =
        store.alerts(true, None, i64::MAX).await?.into_iter().map(alert_line).collect();
    let cleared = WantedAlerts {
        open: Some(false),
        offset: i64::from(page.saturating_sub(1)) * i64::from(CLEARED_A_PAGE),
        limit: i64::from(CLEARED_A_PAGE),
        ..WantedAlerts::default()
    };
    let cleared = store.wanted_alerts(cleared).await?;
    Ok(AlertsView {
        open: grouped(&open),
        cleared: cleared.into_iter().map(alert_line).collect(),
        cleared_in_all: u64::try_from(store.cleared_count().await?).unwrap_or(0),
        anybody_told: !store.recipients().await?.is_empty(),
    })
}

fn grouped(open: &[AlertLine]) -> Vec<AlertGroup> {
    let alerts: Vec<Alert> = open.iter().map(|line| line.alert.clone()).collect();
    let line = |alert: &Alert| open.iter().find(|line| line.alert.id == alert.id).cloned();
    let group = |(head, folded): (&Alert, Vec<&Alert>)| {
        Some(AlertGroup { head: line(head)?, folded: folded.into_iter().filter_map(line).collect() })
    };
    groups(&alerts).into_iter().filter_map(group).collect()
}

/// One alert; `None` if there is none of that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn alert(store: &Store, id: AlertId) -> Result<Option<AlertLine>> {
    let wanted = WantedAlerts { id: Some(id), limit: 1, ..WantedAlerts::default() };
    Ok(store.wanted_alerts(wanted).await?.pop().map(alert_line))
}
