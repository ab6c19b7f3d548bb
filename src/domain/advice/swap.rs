//! What to swap: what a device asks for, and what is about to end.

use jiff::ToSpan;
use jiff::civil::Date;

use super::DeviceState;
use super::words::{amount, lower_first, short};
use crate::domain::cover::Cover;
use crate::domain::outlook::{Outlook, Present};
use crate::domain::reading::Role;
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::{AlertCode, AlertGroup};
use crate::domain::task::{Task, TaskKind};

/// A supply that the device itself calls empty or full is swapped today; a device is believed over a
/// forecast. One that is likely to end within three days is swapped by its early date.
///
/// Where the shelf holds the next unit, it is named.
pub(super) fn swap_task(
    device: &DeviceState,
    outlook: &Outlook,
    cover: &Cover,
    present: &Present,
) -> Option<Task> {
    let label = lower_first(&outlook.slot.label());
    let what = format!("Swap the {label} of {}", device.name);
    let with = match cover {
        Cover::NoPart => String::new(),
        Cover::NoneThere { part } => format!("; no {part} is on the shelf"),
        Cover::NeededElsewhere { part, .. } => {
            format!("; every {part} on the shelf is needed sooner elsewhere")
        }
        Cover::OnOrder(unit) => format!("; no {} is on the shelf, one is on order {}", unit.part, unit.order),
        Cover::Unit(unit) => format!("; use {} ({})", unit.pointed_at(), unit.part),
    };
    let task = |due: Date, why: String| Task {
        due,
        kind: TaskKind::Swap,
        what: what.clone(),
        why: format!("{why}{with}"),
        device: Some(device.id),
        slot: Some(outlook.slot.id),
        part: None,
    };
    let asked = |alert: &&DeviceAlert| {
        alert.group == AlertGroup::MarkerSupplies
            && alert.group_index == outlook.slot.index.0
            && asks_for_swap(alert.code)
    };
    if let Some(alert) = device.alerts.iter().find(asked) {
        let says = alert.code.to_string().replace("marker_", "").replace('_', " ");
        return Some(task(present.today(), format!("the device asks for it: {says}")));
    }
    let horizon = outlook.forecast.horizon()?;
    let soon = present.today().checked_add(3.days()).ok()?;
    (horizon.middle <= soon).then(|| {
        let verb = if outlook.slot.role == Role::Filled { "full" } else { "empty" };
        let why = format!(
            "{}; {verb} between {} and {}",
            amount(outlook),
            short(horizon.early),
            short(horizon.late)
        );
        task(horizon.early.max(present.today()), why)
    })
}

/// Whether a device that complains of this asks for a supply to be replaced.
pub(in crate::domain) fn asks_for_swap(code: AlertCode) -> bool {
    matches!(
        code,
        AlertCode::SubunitEmpty
            | AlertCode::SubunitFull
            | AlertCode::SubunitLifeOver
            | AlertCode::MarkerInkEmpty
            | AlertCode::MarkerTonerEmpty
            | AlertCode::MarkerSupplyEmpty
            | AlertCode::MarkerWasteInkReceptacleFull
            | AlertCode::MarkerWasteTonerReceptacleFull
            | AlertCode::MarkerWasteFull
    )
}
