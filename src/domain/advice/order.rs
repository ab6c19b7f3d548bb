//! What to order, and by when.

use jiff::ToSpan;
use jiff::civil::Date;

use super::DeviceState;
use super::words::{amount, lower_first, short};
use crate::domain::cover::Cover;
use crate::domain::outlook::{Forecast, Outlook, Present};
use crate::domain::reading::Role;
use crate::domain::reorder::room::PartAdvice;
use crate::domain::rules::Practice;
use crate::domain::task::{Task, TaskKind};

/// One line for all that is to be ordered of a part.
pub(super) fn part_task(advice: &PartAdvice, practice: &Practice) -> Task {
    let mut why = advice.why(practice.waste_order_fill);
    if let Some(otherwise) = advice.otherwise() {
        why = format!("{why}; {otherwise}");
    }
    Task {
        due: advice.order_by,
        kind: TaskKind::Order,
        what: advice.headline(),
        why,
        device: advice.first.map(|(device, _)| device),
        slot: advice.first.map(|(_, slot)| slot),
        part: Some(advice.part.number.clone()),
    }
}

/// A slot whose need is not counted with its part's: without a part in the catalogue, or without a forecast.
/// Nothing is ordered for a slot whose next unit is on the shelf already.
pub(super) fn order_task(
    device: &DeviceState,
    outlook: &Outlook,
    order_by: Option<Date>,
    cover: &Cover,
    present: &Present,
    practice: &Practice,
) -> Option<Task> {
    let order_by = order_by?;
    let shelf = match cover {
        Cover::Unit(_) | Cover::OnOrder(_) => return None,
        Cover::NoPart => String::new(),
        Cover::NoneThere { part } => format!("; none on the shelf ({part})"),
        Cover::NeededElsewhere { part, units: 1 } => {
            format!("; the one on the shelf is needed sooner elsewhere ({part})")
        }
        Cover::NeededElsewhere { part, units } => {
            format!("; all {units} on the shelf are needed sooner elsewhere ({part})")
        }
    };
    let until = present.today().checked_add(i64::from(practice.look_ahead_days).days()).ok()?;
    if order_by > until {
        return None;
    }
    let end = match (&outlook.forecast, outlook.slot.role) {
        (Forecast::Known(horizon), Role::Filled) => {
            format!("full about {} ({} at the earliest)", short(horizon.middle), short(horizon.early))
        }
        (Forecast::Known(horizon), Role::Consumed) => {
            format!("runs out between {} and {}", short(horizon.early), short(horizon.late))
        }
        (Forecast::NotYet(reason), _) => reason.clone(),
    };
    let past = outlook.slot.role == Role::Filled && order_by <= present.today();
    let point = if past {
        format!(", past its order point of {:.0} %", practice.waste_order_fill * 100.0)
    } else {
        String::new()
    };
    Some(Task {
        due: order_by,
        kind: TaskKind::Order,
        what: format!("Order 1 {} for {}", lower_first(&outlook.slot.label()), device.name),
        why: format!("{}{point}; {end}{shelf}; {} days to arrive", amount(outlook), practice.lead_days),
        device: Some(device.id),
        slot: Some(outlook.slot.id),
        part: None,
    })
}
