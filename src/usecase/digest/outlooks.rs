//! What is said of a device's supplies, worked out again where something it rests on is new.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};

use crate::domain::advice::order_by;
use crate::domain::alert::{Rule, Subject};
use crate::domain::horizon::BORROWS_BELOW_DAYS;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::lending::lent;
use crate::domain::outlook::{Outlook, Present, Slot, Terms, prospect};
use crate::domain::reading::Level;
use crate::domain::rightness::KeptForecast;
use crate::domain::rules::Rules;
use crate::store::outlooks::OutlookRow;
use crate::store::{Result, Store, Work};
use crate::usecase::alerts::Bell;

/// How many days of use a forecast looks back over.
const MEMORY_DAYS: i32 = 400;

/// A device's supplies as they are believed to stand.
pub(super) struct Supplies {
    /// Which device.
    pub(super) device: DeviceId,
    /// Its last answer.
    pub(super) seen_until: Timestamp,
    /// Its slots and their levels.
    pub(super) levels: BTreeMap<SlotId, (Slot, Level)>,
    /// Those with news since they were last looked at.
    pub(super) news: BTreeSet<SlotId>,
    /// What each outlook was worked out with.
    pub(super) bases: BTreeMap<SlotId, Option<i64>>,
}

impl Supplies {
    /// What is said of a device so far.
    pub(super) fn of(device: DeviceId, seen_until: Timestamp, said: Vec<OutlookRow>) -> Self {
        let bases = said.iter().map(|row| (row.outlook.slot.id, row.basis)).collect();
        let level = |row: OutlookRow| (row.outlook.slot.id, (row.outlook.slot, row.outlook.level));
        let levels = said.into_iter().map(level).collect();
        Self { device, seen_until, levels, news: BTreeSet::new(), bases }
    }

    /// Notes what is believed of a slot now.
    pub(super) fn believe(&mut self, slot: Slot, level: Level) {
        self.levels.insert(slot.id, (slot, level));
    }

    /// Says again what there is to say. An outlook without news that was worked out in the same quarter of the
    /// same day by the same rules is only confirmed.
    pub(super) async fn renew(
        self,
        work: &mut Work,
        present: &Present,
        rules: &Rules,
        bell: &Bell<'_>,
    ) -> Result<()> {
        let Self { device, seen_until, levels, news, bases } = self;
        // The order point is where the rule about it stands for this receptacle.
        let fill = |id| {
            let place = bell.place(Subject::Slot(device, id));
            bell.rules.at(Rule::WasteOrderPoint, &place).open_at / 100.0
        };
        let basis = |id| fingerprint(present, seen_until, rules, fill(id));
        let (stay, anew): (Vec<_>, Vec<_>) = levels
            .into_iter()
            .partition(|(id, _)| !news.contains(id) && bases.get(id).copied().flatten() == Some(basis(*id)));
        let stay: Vec<SlotId> = stay.into_iter().map(|(id, _)| id).collect();
        Store::confirm_outlooks(work, &stay, seen_until, present.now).await?;
        if anew.is_empty() {
            return Ok(());
        }
        let from = present.today().checked_sub(MEMORY_DAYS.days()).unwrap_or(Date::MIN);
        let use_by_slot = Store::daily_use(work, device, from).await?;
        let none = BTreeMap::new();
        let known_since = present.today().checked_sub(BORROWS_BELOW_DAYS.days()).unwrap_or(Date::MIN);
        let is_young = |id| {
            let days: &BTreeMap<Date, f64> = use_by_slot.get(id).unwrap_or(&none);
            days.first_key_value().is_none_or(|(first, _)| *first > known_since)
        };
        let lenders = if anew.iter().any(|(id, _)| is_young(id)) {
            Store::lenders(work, device, known_since).await?
        } else {
            Vec::new()
        };
        let (mut said, mut usage, mut kept) = (Vec::new(), Vec::new(), Vec::new());
        for (id, (slot, level)) in anew {
            let days = use_by_slot.get(&id).unwrap_or(&none);
            let borrowed = lent(&slot, &level, &lenders);
            let terms = Terms { order_fill: fill(id), calendar: &rules.practice.calendar, borrowed };
            let prospect = prospect(slot.role, &level, days, seen_until, present, &terms);
            usage.push((id, prospect.usage));
            let order_by = order_by(slot.role, &prospect, &rules.practice);
            let (daily_use, forecast) = (prospect.daily_use, prospect.forecast);
            let outlook = Outlook { slot, as_of: seen_until, level, daily_use, forecast };
            kept.extend(
                KeptForecast::of(&outlook, days, present).map(|kept| (kept, outlook.level.measure.word())),
            );
            said.push((outlook, order_by, basis(id)));
        }
        Store::save_outlooks(work, &said, present.now).await?;
        Store::keep_forecasts(work, &kept).await?;
        Store::save_usage(work, &usage).await
    }
}

/// What an outlook goes by besides the readings of its slot. Another program may make another number of the same:
/// then the outlook is worked out once more.
fn fingerprint(present: &Present, seen_until: Timestamp, rules: &Rules, order_fill: f64) -> i64 {
    let mut hasher = DefaultHasher::new();
    (present.today(), present.quarters_over(), present.date(seen_until)).hash(&mut hasher);
    format!("{:?} {order_fill} {}", rules.practice, env!("CARGO_PKG_VERSION")).hash(&mut hasher);
    hasher.finish().cast_signed()
}
