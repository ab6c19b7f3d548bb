//! What has gone through the heads of a machine, and when that reaches their limits.
//!
//! It is worked out when the machine's ledger changes, in the same transaction, and put away: a page or the
//! tasks of a whole room then read one row a head.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};

use crate::domain::flow::{Scale, daily, through};
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::ids::{DeviceId, HeadId, SlotId};
use crate::domain::outlook::{Forecast, Present, Slot};
use crate::domain::part::Part;
use crate::domain::plumbing::{Map, Plumbing, is_ink};
use crate::domain::units::Measure;
use crate::store::heads::{Heads, SpanUse};
use crate::store::{Result, Store, Work};

/// How many days of ink through a head its forecast looks back over.
const MEMORY_DAYS: i32 = 400;

/// Use per day of each slot, in its own measure.
type Daily = BTreeMap<SlotId, BTreeMap<Date, f64>>;

/// How ink runs through a machine: its map, and how its slots' figures become millilitres.
pub(super) struct Inks {
    /// The map.
    pub(super) map: Map,
    /// Its ink slots with their scales, as they count at present.
    pub(super) slots: Vec<(Slot, Scale)>,
    /// The model, where it is told.
    pub(super) model: Option<String>,
    /// When it last answered.
    pub(super) seen_until: Option<Timestamp>,
    measures: BTreeMap<SlotId, (Measure, Option<f64>)>,
    catalogue: Vec<Part>,
}

impl Inks {
    pub(super) async fn load(work: &mut Work, device: DeviceId) -> Result<Self> {
        let (model, seen_until) = Store::model_and_answer(work, device).await?;
        let measures = Store::measures_of(work, device).await?;
        let all_told = measures.values().all(|(measure, _)| *measure == Measure::Millilitres);
        let catalogue = if all_told { Vec::new() } else { Store::stocks_in(work, None).await? };
        let catalogue: Vec<Part> = catalogue.into_iter().map(|stock| stock.part).collect();
        let parts: Vec<&Part> = catalogue.iter().collect();
        let scale = |slot: &Slot| match measures.get(&slot.id) {
            Some((measure, capacity)) => {
                let scale = Scale::of(slot, model.as_deref(), *measure, &parts);
                if scale.ml_each(*measure, *capacity).is_some() { scale } else { Scale::Unknown }
            }
            None => Scale::Told,
        };
        let slots = Store::slots_of(work, device).await?.into_iter().filter(is_ink);
        let slots: Vec<(Slot, Scale)> = slots.map(|slot| (slot.clone(), scale(&slot))).collect();
        let map = map(work, device, model.as_deref()).await?;
        Ok(Self { map, slots, model, seen_until, measures, catalogue })
    }

    /// Millilitres that went from each slot while heads were in from one day to another.
    fn used(&self, spans: &[SpanUse], head: &Head) -> Vec<(&Slot, f64)> {
        let parts: Vec<&Part> = self.catalogue.iter().collect();
        let of_head = spans.iter().filter(|span| (span.in_on, span.out_on) == (head.in_on, head.out_on));
        let in_ml = |span: &SpanUse| {
            let (slot, _) = self.slots.iter().find(|(slot, _)| slot.id == span.slot)?;
            let scale = Scale::of(slot, self.model.as_deref(), span.measure, &parts);
            Some((slot, span.used * scale.ml_each(span.measure, span.capacity)?))
        };
        of_head.filter_map(in_ml).collect()
    }

    /// Use per day of each slot with the millilitres of one of its measure.
    fn daily<'a>(&'a self, use_by_slot: &'a Daily) -> Vec<(&'a Slot, f64, &'a BTreeMap<Date, f64>)> {
        let with_days = self.slots.iter().filter_map(|(slot, scale)| {
            let (measure, capacity) = self.measures.get(&slot.id)?;
            Some((slot, scale.ml_each(*measure, *capacity)?, use_by_slot.get(&slot.id)?))
        });
        with_days.collect()
    }

    fn outlook(
        &self,
        plumbing: &Plumbing,
        head: &Head,
        (spans, use_by_slot): (&[SpanUse], &Daily),
        present: &Present,
    ) -> HeadOutlook {
        let ml = head.before_ml + through(plumbing, head.position, self.used(spans, head));
        if head.out_on.is_some() {
            let by_limit = Forecast::NotYet("it is out".to_owned());
            return HeadOutlook { ml: Some(ml), daily_ml: None, by_limit };
        }
        let days = daily(plumbing, head.position, self.daily(use_by_slot));
        HeadOutlook::new(head, ml, &days, self.seen_until.unwrap_or(present.now), present)
    }
}

/// The map of a machine's model.
pub(super) async fn map(work: &mut Work, device: DeviceId, model: Option<&str>) -> Result<Map> {
    let written = match model {
        Some(model) => Store::plumbing(work, model).await?,
        None => None,
    };
    Ok(Map::of(written, &Store::slots_of(work, device).await?))
}

/// Why nothing can be counted where no map says which ink runs through a head.
pub(super) const NO_MAP: &str = "there is no plumbing map for this model yet";

/// Works out what is said of a machine's heads, and puts it away.
pub(in crate::usecase) async fn refresh(work: &mut Work, device: DeviceId, present: &Present) -> Result<()> {
    let heads = Store::heads_in(work, Heads::Device(device)).await?;
    if heads.is_empty() {
        return Ok(());
    }
    let inks = Inks::load(work, device).await?;
    let mut said: Vec<(HeadId, HeadOutlook)> = Vec::new();
    match inks.map.plumbing() {
        None => said.extend(heads.iter().map(|row| (row.head.id, HeadOutlook::unknown(NO_MAP)))),
        Some(plumbing) => {
            let spans = Store::use_by_head_span(work, device).await?;
            let from = present.today().checked_sub(MEMORY_DAYS.days()).unwrap_or(Date::MIN);
            let use_by_slot = Store::daily_use(work, device, from).await?;
            for row in &heads {
                let outlook = inks.outlook(plumbing, &row.head, (&spans, &use_by_slot), present);
                said.push((row.head.id, outlook));
            }
        }
    }
    Store::save_head_outlooks(work, &said, present.now).await
}

/// The same for several machines.
pub(super) async fn refresh_all(work: &mut Work, devices: &[DeviceId], present: &Present) -> Result<()> {
    for device in devices {
        refresh(work, *device, present).await?;
    }
    Ok(())
}
