//! Outlooks and device states to dated tasks: what to order, what to swap, what to check, and why.
//!
//! Plan first, act later: this only says; ordering and swapping are done by people.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};

use super::ids::DeviceId;
use super::outlook::{Forecast, Outlook, Present, Prospect};
use super::reading::Role;
use super::snapshot::DeviceAlert;
use super::standard::{AlertCode, AlertGroup, DetectedErrors};
use super::task::{Task, TaskKind};

/// What the advice takes for granted until somebody says otherwise: common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Practice {
    /// Days that a supplier takes.
    pub lead_days: u32,
    /// The fill at which a receptacle's successor is ordered.
    pub waste_order_fill: f64,
    /// Tasks further ahead than this are not shown yet.
    pub look_ahead_days: u32,
    /// A device that has been silent for longer than this is called dark: its automatic head care may not
    /// be running.
    pub dark_after: SignedDuration,
    /// A lot whose date passes within so many days is told.
    pub expiry_ahead_days: u32,
}

impl Default for Practice {
    fn default() -> Self {
        Self {
            lead_days: 7,
            waste_order_fill: 0.70,
            look_ahead_days: 14,
            dark_after: SignedDuration::from_hours(24),
            expiry_ahead_days: 60,
        }
    }
}

/// The day by which the next unit is to be ordered: a receptacle's at its order point, a container's so that
/// it arrives before the early date.
#[must_use]
pub fn order_by(role: Role, prospect: &Prospect, practice: &Practice) -> Option<Date> {
    match role {
        Role::Filled => prospect.order_point,
        Role::Consumed => {
            prospect.forecast.horizon()?.early.checked_sub(i64::from(practice.lead_days).days()).ok()
        }
    }
}

/// What is known of a device when its tasks are worked out.
#[derive(Debug, Clone)]
pub struct DeviceState {
    /// Its identity.
    pub id: DeviceId,
    /// Its name.
    pub name: String,
    /// Since when it has been silent, if the last poll failed.
    pub silent_since: Option<Timestamp>,
    /// What it detected at its last answer.
    pub errors: DetectedErrors,
    /// What it complained of at its last answer.
    pub alerts: Vec<DeviceAlert>,
    /// Its supplies, with the day by which each successor is to be ordered.
    pub supplies: Vec<(Outlook, Option<Date>)>,
}

/// The tasks of a print room, earliest first.
#[must_use]
pub fn tasks(devices: &[DeviceState], present: &Present, practice: &Practice) -> Vec<Task> {
    let mut tasks = Vec::new();
    for device in devices {
        let dark = silence_task(device, present, practice);
        if dark.is_none() {
            tasks.extend(error_task(device, present));
        }
        tasks.extend(dark);
        for (outlook, order_by) in &device.supplies {
            tasks.extend(swap_task(device, outlook, present));
            tasks.extend(order_task(device, outlook, *order_by, present, practice));
        }
    }
    tasks.sort_by(|a, b| (a.due, a.kind, &a.what).cmp(&(b.due, b.kind, &b.what)));
    tasks
}

fn silence_task(device: &DeviceState, present: &Present, practice: &Practice) -> Option<Task> {
    let since = device.silent_since?;
    let silent = present.now.duration_since(since);
    (silent >= practice.dark_after).then(|| Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("Switch {} on, or find out why it does not answer", device.name),
        why: format!("silent for {}; automatic head care only runs on a powered machine", in_days(silent)),
        device: device.id,
        slot: None,
    })
}

fn error_task(device: &DeviceState, present: &Present) -> Option<Task> {
    if device.silent_since.is_some() || !device.errors.needs_person() {
        return None;
    }
    let words: Vec<String> = device.errors.labels().map(|label| label.replace('_', " ")).collect();
    Some(Task {
        due: present.today(),
        kind: TaskKind::Check,
        what: format!("See to {}", device.name),
        why: format!("it reports: {}", words.join(", ")),
        device: device.id,
        slot: None,
    })
}

/// A supply that the device itself calls empty or full is swapped today; a device is believed over a
/// forecast. One that is likely to end within three days is swapped by its early date.
fn swap_task(device: &DeviceState, outlook: &Outlook, present: &Present) -> Option<Task> {
    let label = lower_first(&outlook.slot.label());
    let what = format!("Swap the {label} of {}", device.name);
    let task = |due: Date, why: String| Task {
        due,
        kind: TaskKind::Swap,
        what: what.clone(),
        why,
        device: device.id,
        slot: Some(outlook.slot.id),
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

fn asks_for_swap(code: AlertCode) -> bool {
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

fn order_task(
    device: &DeviceState,
    outlook: &Outlook,
    order_by: Option<Date>,
    present: &Present,
    practice: &Practice,
) -> Option<Task> {
    let order_by = order_by?;
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
        why: format!("{}{point}; {end}; {} days to arrive", amount(outlook), practice.lead_days),
        device: device.id,
        slot: Some(outlook.slot.id),
    })
}

/// What is left in a container, or how full a receptacle is.
fn amount(outlook: &Outlook) -> String {
    let level = &outlook.level;
    match (outlook.slot.role, level.fraction(), level.remaining.measured()) {
        (Role::Filled, Some(room), _) => format!("{} full", room.complement()),
        (Role::Consumed, _, Some(left)) => format!("{left:.0} {} left", level.measure.symbol()),
        _ => "level unknown".to_owned(),
    }
}

fn in_days(span: SignedDuration) -> String {
    let hours = span.as_hours();
    if hours < 48 { format!("{hours} hours") } else { format!("{} days", hours / 24) }
}

fn short(day: Date) -> String {
    day.strftime("%-d %b").to_string()
}

fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_lowercase().chain(letters).collect(),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::domain::ids::{SlotId, SupplyIndex};
    use crate::domain::outlook::{Horizon, Slot};
    use crate::domain::reading::Level;
    use crate::domain::standard::{Severity, SupplyKind, SupplyUnit};

    fn present() -> Present {
        Present { now: "2026-11-25T08:10:00Z".parse().unwrap(), zone: TimeZone::UTC }
    }

    fn supply(index: i32, role: Role, raw: (i32, i32), days: [i8; 3]) -> Outlook {
        let (kind, label) = match role {
            Role::Filled => (SupplyKind::WasteInk, "Waste receptacle"),
            Role::Consumed => (SupplyKind::InkCartridge, "Light magenta"),
        };
        Outlook {
            slot: Slot {
                id: SlotId(i64::from(index)),
                device: DeviceId(1),
                index: SupplyIndex(index),
                role,
                kind,
                colorant: (role == Role::Consumed).then(|| label.to_owned()),
                description: label.to_owned(),
            },
            as_of: present().now,
            level: Level::from_raw(SupplyUnit::TenthsOfMilliliters, raw.0, raw.1),
            daily_use: Some(9.0),
            forecast: Forecast::Known(Horizon {
                early: Date::constant(2026, 12, days[0]),
                middle: Date::constant(2026, 12, days[1]),
                late: Date::constant(2026, 12, days[2]),
            }),
        }
    }

    fn device(supplies: Vec<(Outlook, Option<Date>)>) -> DeviceState {
        DeviceState {
            id: DeviceId(1),
            name: "Bobbin".to_owned(),
            silent_since: None,
            errors: DetectedErrors::default(),
            alerts: Vec::new(),
            supplies,
        }
    }

    fn text(device: DeviceState) -> String {
        let tasks = tasks(&[device], &present(), &Practice::default());
        let lines = tasks.iter().map(|task| format!("{} {}: {}", task.due, task.what, task.why));
        lines.collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn a_receptacle_past_its_order_point_is_ordered_today_and_ink_by_its_day() {
        let waste = supply(9, Role::Filled, (15000, 4200), [8, 14, 27]);
        let ink = supply(2, Role::Consumed, (7750, 1180), [4, 9, 16]);
        let device = device(vec![
            (waste, Some(Date::constant(2026, 11, 25))),
            (ink, Some(Date::constant(2026, 11, 27))),
        ]);
        insta::assert_snapshot!(text(device), @r"
        2026-11-25 Order 1 waste receptacle for Bobbin: 72 % full, past its order point of 70 %; full about 14 Dec (8 Dec at the earliest); 7 days to arrive
        2026-11-27 Order 1 light magenta for Bobbin: 118 ml left; runs out between 4 Dec and 16 Dec; 7 days to arrive
        ");
    }

    #[test]
    fn a_device_that_asks_is_believed_over_a_forecast() {
        let mut device = device(vec![(supply(2, Role::Consumed, (7750, 1180), [24, 27, 30]), None)]);
        device.alerts.push(DeviceAlert {
            severity: Severity::Critical,
            training: Some(4),
            group: AlertGroup::MarkerSupplies,
            group_index: 2,
            location: -2,
            code: AlertCode::MarkerInkEmpty,
            description: String::new(),
        });
        insta::assert_snapshot!(text(device), @"2026-11-25 Swap the light magenta of Bobbin: the device asks for it: ink empty");
    }

    #[test]
    fn a_long_silence_is_a_task_because_head_care_needs_power() {
        let mut device = device(Vec::new());
        device.silent_since = Some("2026-11-22T18:40:00Z".parse().unwrap());
        insta::assert_snapshot!(text(device), @"2026-11-25 Switch Bobbin on, or find out why it does not answer: silent for 2 days; automatic head care only runs on a powered machine");
    }
}
