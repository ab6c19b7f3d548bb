//! What is to be done and ordered, and what the pages of orders show, put together from the store.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use super::picture::Picture;
use super::view::{AdviceLine, OrderView, OrdersView};
use crate::domain::advice::{DeviceState, Plan, plan_with};
use crate::domain::ids::{OrderId, PartId, SlotId};
use crate::domain::order::{Coming, Order, OrderState};
use crate::domain::outlook::Present;
use crate::domain::reorder::room::{Goods, PartAdvice};
use crate::domain::reorder::{Memo, Usage};
use crate::domain::rules::Practice;
use crate::domain::shelf::Stock;
use crate::domain::standard::Severity;
use crate::domain::task::{Task, TaskKind};
use crate::store::devices::DeviceRow;
use crate::store::heads::Heads;
use crate::store::orders::Which;
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::{Result, Store};

/// How many orders the page of orders shows.
const ORDERS: i64 = 60;

/// What was advised the last time, kept for as long as the program runs: what has not changed since is not worked out
/// again, whoever asks.
#[derive(Debug, Default)]
pub struct Kept(Mutex<Memo>);

impl Kept {
    /// What is to be done in the print room, with what was worked out before.
    pub(super) fn plan(
        &self,
        devices: &[DeviceState],
        room: &Room,
        present: &Present,
        practice: &Practice,
    ) -> Plan {
        // Nobody waits for anybody: who comes at the same time works on a copy of the same memory.
        let mut memo = self.0.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let plan = plan_with(devices, &room.goods(), present, practice, &mut memo);
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = memo;
        plan
    }

    /// How many proposals were worked out so far, and not looked up.
    #[must_use]
    pub fn worked_out(&self) -> usize {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).worked_out()
    }
}

/// What there is and how it is used.
pub(super) struct Room {
    pub(super) stocks: Vec<Stock>,
    pub(super) coming: Vec<Coming>,
    usage: BTreeMap<SlotId, Usage>,
    pub(super) took_days: BTreeMap<PartId, Vec<f64>>,
}

impl Room {
    pub(super) async fn load(store: &Store) -> Result<Self> {
        Ok(Self {
            stocks: store.stocks(None).await?,
            coming: store.coming().await?,
            usage: store.usage().await?,
            took_days: store.deliveries().await?,
        })
    }

    pub(super) fn goods(&self) -> Goods<'_> {
        Goods { stocks: &self.stocks, coming: &self.coming, usage: &self.usage, took_days: &self.took_days }
    }
}

/// What is known of each device when its tasks are worked out.
pub(super) async fn states(
    store: &Store,
    devices: &[DeviceRow],
    outlooks: Vec<OutlookRow>,
) -> Result<Vec<DeviceState>> {
    let state = |row: &DeviceRow| DeviceState {
        id: row.id,
        name: row.name.clone(),
        model: row.model.clone(),
        silent_since: row.fault.is_some().then(|| row.last_answer_at.unwrap_or(row.added_at)),
        errors: row.errors,
        alerts: Vec::new(),
        stopped_since: None,
        climate: None,
        last_used: BTreeMap::new(),
        supplies: Vec::new(),
        units: BTreeMap::new(),
        heads: Vec::new(),
    };
    let mut states: BTreeMap<_, DeviceState> = devices.iter().map(|row| (row.id, state(row))).collect();
    for (device, alert, since) in store.standing_alerts(None).await? {
        if let Some(state) = states.get_mut(&device) {
            if alert.severity == Severity::Critical {
                state.stopped_since = Some(state.stopped_since.map_or(since, |known| known.min(since)));
            }
            state.alerts.push(alert);
        }
    }
    for row in outlooks {
        if let Some(state) = states.get_mut(&row.outlook.slot.device) {
            state.supplies.push((row.outlook, row.order_by));
        }
    }
    for row in store.heads(Heads::Inside).await? {
        if let (Some(state), Some(outlook)) = (states.get_mut(&row.head.device), row.outlook) {
            state.heads.push((row.head, outlook));
        }
    }
    for (device, report) in store.climates(None).await? {
        if let Some(state) = states.get_mut(&device) {
            state.climate = Some(report);
        }
    }
    let mut units = store.units_inside(None).await?;
    let last_used = store.last_used().await?;
    for state in states.values_mut() {
        let slots = state.supplies.iter().map(|(outlook, _)| outlook.slot.id);
        state.last_used = slots.filter_map(|slot| Some((slot, *last_used.get(&slot)?))).collect();
        let slots = state.supplies.iter().map(|(outlook, _)| outlook.slot.id);
        state.units = slots.filter_map(|slot| Some((slot, units.remove(&slot)?))).collect();
    }
    // Devices stay in their order, which is that of their names.
    Ok(devices.iter().filter_map(|row| states.remove(&row.id)).collect())
}

/// What is to be done in the print room.
///
/// # Errors
/// If the store cannot be reached.
pub async fn room_plan(store: &Store, present: &Present, practice: &Practice, kept: &Kept) -> Result<Plan> {
    let room = Room::load(store).await?;
    let outlooks = store.outlooks(Wanted::All).await?;
    let states = states(store, &store.devices(None).await?, outlooks).await?;
    Ok(kept.plan(&states, &room, present, practice))
}

/// What to order: each part with what is on a draft of it already, and the tasks that order for slots without a
/// part in the catalogue.
///
/// # Errors
/// If the store cannot be reached.
pub async fn advice(
    store: &Store,
    present: &Present,
    practice: &Practice,
    kept: &Kept,
) -> Result<(Vec<AdviceLine>, Vec<Task>)> {
    let plan = room_plan(store, present, practice, kept).await?;
    let orders = store.orders(Which::Newest(ORDERS)).await?;
    let others = plan.tasks.into_iter().filter(|task| task.kind == TaskKind::Order && task.part.is_none());
    Ok((plan.orders.into_iter().map(|advice| line(advice, &orders, practice)).collect(), others.collect()))
}

fn line(advice: PartAdvice, orders: &[Order], practice: &Practice) -> AdviceLine {
    AdviceLine {
        why: advice.why(practice.waste_order_fill),
        otherwise: advice.otherwise(),
        drafted: drafted(&advice, orders),
        moved: false,
        advice,
    }
}

/// The draft that has a part, and how many units of it.
fn drafted(advice: &PartAdvice, orders: &[Order]) -> Option<(OrderId, u32)> {
    let drafts = orders.iter().filter(|order| order.state == OrderState::Draft);
    let mut lines = drafts.flat_map(|order| order.lines.iter().map(move |line| (order.id, line)));
    lines.find(|(_, line)| line.part == advice.id).map(|(order, line)| (order, line.units))
}

/// The same lines for a plan that is at hand.
pub(super) async fn lines(
    store: &Store,
    orders: Vec<PartAdvice>,
    practice: &Practice,
) -> Result<Vec<AdviceLine>> {
    if orders.is_empty() {
        return Ok(Vec::new());
    }
    let known = store.orders(Which::Newest(ORDERS)).await?;
    Ok(orders.into_iter().map(|advice| line(advice, &known, practice)).collect())
}

/// The page of orders, with what a picture of the print room says is to be ordered.
///
/// # Errors
/// If the store cannot be reached.
pub async fn orders_view(store: &Store, picture: &Picture, present: &Present) -> Result<OrdersView> {
    let orders = store.orders(Which::Newest(ORDERS)).await?;
    let stocks = store.stocks(None).await?;
    let supplied = Supplied::of(&stocks, &store.coming().await?);
    let now = |line: &AdviceLine| AdviceLine {
        drafted: drafted(&line.advice, &orders),
        moved: !supplied.is_same(picture.supplied(), line.advice.id),
        ..line.clone()
    };
    let others = picture.shows.tasks.iter();
    let others = others.filter(|task| task.kind == TaskKind::Order && task.part.is_none());
    Ok(OrdersView {
        today: present.today(),
        advice: picture.shows.orders.iter().map(now).collect(),
        others: others.cloned().collect(),
        orders,
        parts: stocks.into_iter().map(|stock| stock.part).collect(),
    })
}

/// How many units of each part there are and are to come.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Supplied(BTreeMap<PartId, (u32, u32)>);

impl Supplied {
    pub(super) fn of(stocks: &[Stock], coming: &[Coming]) -> Self {
        let mut units: BTreeMap<PartId, (u32, u32)> = BTreeMap::new();
        for stock in stocks {
            units.entry(stock.id).or_default().0 += stock.units();
        }
        for more in coming {
            units.entry(more.part).or_default().1 += more.units;
        }
        Self(units)
    }

    fn is_same(&self, other: &Self, part: PartId) -> bool {
        self.0.get(&part) == other.0.get(&part)
    }
}

/// The page of one order; `None` if there is none of that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn order_view(store: &Store, order: OrderId, present: &Present) -> Result<Option<OrderView>> {
    let Some(order) = store.orders(Which::Number(order)).await?.pop() else { return Ok(None) };
    let steps = store.order_steps(order.id).await?;
    let stocks = store.stocks(None).await?;
    let place = |part| {
        let stock = stocks.iter().find(|stock| stock.id == part)?;
        stock.lots.iter().max_by_key(|lot| lot.id).map(|lot| lot.place.clone())
    };
    let places = order.lines.iter().map(|line| place(line.part).unwrap_or_default()).collect();
    Ok(Some(OrderView { today: present.today(), order, steps, places }))
}
