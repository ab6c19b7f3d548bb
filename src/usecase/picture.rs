//! The print room as it stands, put together once and shown by many pages.
//!
//! What is to be done, what the shelf covers and what ends first all rest on every supply of the room. With ten
//! thousand machines that takes seconds, so it is worked out once for all pages that need it; see [`super::latest`] for
//! how long a picture is shown.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use jiff::civil::Date;

use super::advice::{self, Room, Supplied, states};
use super::pages::{device, line};
use super::questions;
use super::shelf::{Supplies, Takers};
use super::sift::described;
use super::view::{AdviceLine, Answering, Device, MachineLine, OutlookLine, TodayView};
use crate::domain::cover::{Cover, covers};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::part::LeadTime;
use crate::domain::reorder::room::leads;
use crate::domain::rules::Practice;
use crate::domain::shelf::Supply;
use crate::domain::task::{Task, TaskKind};
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::{Result, Store};

/// How many of the supplies that end first Today shows.
const EARLIEST: usize = 12;
/// How many tasks a page shows, Today as well as the pages behind it.
pub const TASKS_A_PAGE: usize = 30;

/// What a picture shows.
#[derive(Debug, Clone, Default)]
pub struct Contents {
    /// The moment.
    pub taken_at: Timestamp,
    /// The day of that moment in the site's zone.
    pub today: Date,
    /// Every machine by name, with the supply that ends first.
    pub machines: Vec<MachineLine>,
    /// Everything that is to be done, earliest first.
    pub tasks: Vec<Task>,
    /// What to order of each part.
    pub orders: Vec<AdviceLine>,
    /// The few supplies that end first.
    pub earliest: Vec<OutlookLine>,
    /// How many supplies are watched.
    pub supplies: usize,
}

/// The print room as it stood at one moment.
#[derive(Debug, Clone, Default)]
pub struct Picture {
    /// What it shows.
    pub shows: Contents,
    answering: Answering,
    /// What each machine is found by, in the order of the machines.
    described: Vec<String>,
    covering: Covering,
    takers: Takers,
    supplied: Supplied,
}

impl Picture {
    /// Puts it together from the store.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn take(
        store: &Store,
        present: &Present,
        practice: &Practice,
        kept: &advice::Kept,
    ) -> Result<Self> {
        let rows = store.devices(None).await?;
        let outlooks = store.outlooks(Wanted::All).await?;
        let room = Room::load(store).await?;
        let (covering, takers) = if room.stocks.is_empty() {
            Default::default()
        } else {
            let supplies = Supplies::of(&rows, outlooks.clone());
            let supplies = supplies.all();
            (Covering::of(&supplies, &room, present, practice), Takers::of(&room.stocks, &supplies))
        };
        let (mut firsts, earliest) = firsts(&outlooks);
        let supplies = outlooks.len();
        let plan = kept.plan(&states(store, &rows, outlooks).await?, &room, present, practice);
        let mut tasks = plan.tasks;
        tasks.extend(questions::tasks(store, &room.stocks, present).await?);
        tasks.sort_by(|a, b| (a.due, a.kind, &a.what).cmp(&(b.due, b.kind, &b.what)));
        let orders = advice::lines(store, plan.orders, practice).await?;
        let open = store.open_alert_counts().await?;
        let devices: Vec<Device> = rows.into_iter().map(|row| device(row, present, practice)).collect();
        let machine = |device: Device| MachineLine {
            open_alerts: open.get(&device.id).copied().unwrap_or(0),
            first_to_end: firsts.remove(&device.id).map(|row| line(row, &covering, practice)),
            device,
        };
        let shows = Contents {
            taken_at: present.now,
            today: present.today(),
            machines: devices.into_iter().map(machine).collect(),
            tasks,
            orders,
            earliest: earliest.into_iter().map(|row| line(row, &covering, practice)).collect(),
            supplies,
        };
        let supplied = Supplied::of(&room.stocks, &room.coming);
        Ok(Self { covering, takers, supplied, ..Self::of(shows) })
    }

    /// A picture that shows just this, and knows of no shelf.
    #[must_use]
    pub fn of(shows: Contents) -> Self {
        Self {
            answering: Answering::of(shows.machines.iter().map(|line| &line.device)),
            described: shows.machines.iter().map(described).collect(),
            covering: Covering::default(),
            takers: Takers::default(),
            supplied: Supplied::default(),
            shows,
        }
    }

    /// What the shelf and the orders hold for each slot.
    pub(super) fn covering(&self) -> &Covering {
        &self.covering
    }

    /// What takes each part.
    pub(super) fn takers(&self) -> &Takers {
        &self.takers
    }

    /// How many units of each part there were and were to come.
    pub(super) fn supplied(&self) -> &Supplied {
        &self.supplied
    }

    /// What each machine is found by, in lower case.
    pub(super) fn described(&self) -> &[String] {
        &self.described
    }

    /// The page Today.
    #[must_use]
    pub fn today_view(&self) -> TodayView {
        let Contents { today, tasks: all, machines, .. } = &self.shows;
        let tasks: Vec<Task> = all.iter().take(TASKS_A_PAGE).cloned().collect();
        TodayView {
            today: *today,
            answering: self.answering.clone(),
            orders: self.orders_of(&tasks),
            tasks,
            tasks_in_all: all.len(),
            due_today: all.iter().filter(|task| task.due <= *today).count(),
            earliest: self.shows.earliest.clone(),
            supplies: self.shows.supplies,
            open_alerts: machines.iter().map(|machine| machine.open_alerts).sum(),
        }
    }

    /// What to order of the parts that some tasks are about.
    pub(super) fn orders_of(&self, tasks: &[Task]) -> Vec<AdviceLine> {
        let orders = tasks.iter().filter(|task| task.kind == TaskKind::Order);
        let parts: BTreeSet<&str> = orders.filter_map(|task| task.part.as_deref()).collect();
        let among = |line: &&AdviceLine| parts.contains(line.advice.part.number.as_str());
        self.shows.orders.iter().filter(among).cloned().collect()
    }
}

/// The supply that ends first of each device, and of all of them the few that do.
fn firsts(outlooks: &[OutlookRow]) -> (BTreeMap<DeviceId, OutlookRow>, Vec<OutlookRow>) {
    let mut dated: Vec<_> = outlooks
        .iter()
        .filter_map(|row| {
            let horizon = row.outlook.forecast.horizon()?;
            Some(((horizon.early, horizon.middle, &row.device_name, row.outlook.slot.index), row))
        })
        .collect();
    dated.sort_by_key(|(ends, _)| *ends);
    let mut of_device = BTreeMap::new();
    for (_, row) in &dated {
        of_device.entry(row.outlook.slot.device).or_insert_with(|| (*row).clone());
    }
    (of_device, dated.into_iter().take(EARLIEST).map(|(_, row)| row.clone()).collect())
}

/// What the shelf and the orders hold for each slot of the room, and how long its part takes to arrive.
#[derive(Debug, Clone, Default)]
pub(super) struct Covering {
    pub(super) covers: BTreeMap<SlotId, Cover>,
    pub(super) leads: BTreeMap<SlotId, LeadTime>,
}

impl Covering {
    fn of(supplies: &[Supply<'_>], room: &Room, present: &Present, practice: &Practice) -> Self {
        let mut covers = covers(supplies, &room.stocks, &room.coming, present.today());
        covers.retain(|_, cover| matches!(cover, Cover::Unit(_) | Cover::OnOrder(_)));
        Self { covers, leads: leads(supplies, &room.goods(), practice) }
    }
}
