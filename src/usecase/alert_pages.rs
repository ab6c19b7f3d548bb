//! What the pages about alerts show, put together from the store.

use std::collections::BTreeMap;

use super::pages::alert_line;
use super::sift::{Leaf, Words};
use super::view::{AlertGroup, AlertLine, AlertsView};
use crate::domain::alert::Alert;
use crate::domain::alert::life::groups;
use crate::domain::ids::AlertId;
use crate::store::alerts::WantedAlerts;
use crate::store::{Result, Store};

/// How many cleared alerts one page shows.
pub const CLEARED_A_PAGE: u32 = 50;

/// How many of the open alerts that stand for themselves one page shows.
pub const OPEN_A_PAGE: usize = 50;

/// How many alerts a feed holds.
const IN_A_FEED: i64 = 100;

/// What is asked of the page of alerts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlertsAsked {
    /// Open ones with all of these words in what they say or are about, in any order and case; those that follow from
    /// one stay with it.
    pub find: String,
    /// Which page of the open ones, from 1.
    pub page: usize,
    /// Which page of those that have cleared, from 1.
    pub cleared: u32,
}

impl Default for AlertsAsked {
    fn default() -> Self {
        Self { find: String::new(), page: 1, cleared: 1 }
    }
}

/// The page of alerts.
///
/// # Errors
/// If the store cannot be reached.
pub async fn alerts(store: &Store, asked: &AlertsAsked) -> Result<AlertsView> {
    let words = Words::of(&asked.find);
    // With thousands open, most of the time goes into names; without words to find, those of one page are enough.
    let nameless = words.is_empty();
    let open = WantedAlerts { open: Some(true), nameless, limit: i64::MAX, ..WantedAlerts::default() };
    let open: Vec<AlertLine> = store.wanted_alerts(open).await?.into_iter().map(alert_line).collect();
    let alerts: Vec<&Alert> = open.iter().map(|line| &line.alert).collect();
    let mut found = groups(&alerts);
    let in_all = found.len();
    if !nameless {
        let is_found = |place: &usize| words.are_in(&described(&open[*place]).to_lowercase());
        found.retain(|(head, folded)| is_found(head) || folded.iter().any(is_found));
    }
    let group = |(head, folded): (usize, Vec<usize>)| AlertGroup {
        head: open[head].clone(),
        folded: folded.into_iter().map(|place| open[place].clone()).collect(),
    };
    let mut shown = Leaf::of(found, asked.page, OPEN_A_PAGE, in_all).map(group);
    if nameless {
        name(store, &mut shown.lines).await?;
    }
    let cleared = WantedAlerts {
        open: Some(false),
        offset: i64::from(asked.cleared.saturating_sub(1)) * i64::from(CLEARED_A_PAGE),
        limit: i64::from(CLEARED_A_PAGE) + 1,
        ..WantedAlerts::default()
    };
    let mut cleared = store.wanted_alerts(cleared).await?;
    let cleared_go_on = cleared.len() > CLEARED_A_PAGE as usize;
    cleared.truncate(CLEARED_A_PAGE as usize);
    Ok(AlertsView {
        open_in_all: open.len(),
        open: shown,
        cleared: cleared.into_iter().map(alert_line).collect(),
        cleared_go_on,
        anybody_told: !store.recipients().await?.is_empty(),
    })
}

/// Fills in what alerts are about, by name. One that was deleted meanwhile stays without.
async fn name(store: &Store, groups: &mut [AlertGroup]) -> Result<()> {
    let ids: Vec<AlertId> = groups.iter().flat_map(AlertGroup::lines).map(|line| line.alert.id).collect();
    let wanted = WantedAlerts { ids: Some(&ids), limit: i64::MAX, ..WantedAlerts::default() };
    let named = store.wanted_alerts(wanted).await?.into_iter().map(|row| (row.alert.id, alert_line(row)));
    let mut named: BTreeMap<AlertId, AlertLine> = named.collect();
    for group in groups {
        for line in std::iter::once(&mut group.head).chain(&mut group.folded) {
            if let Some(full) = named.remove(&line.alert.id) {
                *line = full;
            }
        }
    }
    Ok(())
}

/// The alerts that opened or cleared last, newest first, as many as a feed holds.
///
/// # Errors
/// If the store cannot be reached.
pub async fn newest(store: &Store) -> Result<Vec<AlertLine>> {
    let wanted = WantedAlerts { limit: IN_A_FEED, ..WantedAlerts::default() };
    Ok(store.wanted_alerts(wanted).await?.into_iter().map(alert_line).collect())
}

/// What an alert is found by.
fn described(line: &AlertLine) -> String {
    let about = [&line.device_name, &line.slot_label, &line.part_number].into_iter().flatten();
    about.fold(line.alert.summary.clone(), |text, word| format!("{text} {word}"))
}

/// One alert; `None` if there is none of that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn alert(store: &Store, id: AlertId) -> Result<Option<AlertLine>> {
    let wanted = WantedAlerts { ids: Some(&[id]), limit: 1, ..WantedAlerts::default() };
    Ok(store.wanted_alerts(wanted).await?.pop().map(alert_line))
}
