//! Outlooks and device states to dated tasks: what to order, what to swap, what to check, and why.
//!
//! Plan first, act later: this only says; ordering and swapping are done by people.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};

use super::cover::{Cover, covers, pointed_at};
use super::ids::{DeviceId, SlotId};
use super::outlook::{Forecast, Outlook, Present, Prospect};
use super::reading::Role;
use super::shelf::{Lot, Standing, Stock, Supply, needs_of, standings, use_first};
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
    /// Its model, which decides what fits it.
    pub model: Option<String>,
    /// Since when it has been silent, if the last poll failed.
    pub silent_since: Option<Timestamp>,
    /// What it detected at its last answer.
    pub errors: DetectedErrors,
    /// What it complained of at its last answer.
    pub alerts: Vec<DeviceAlert>,
    /// Its supplies, with the day by which each successor is to be ordered.
    pub supplies: Vec<(Outlook, Option<Date>)>,
}

impl DeviceState {
    /// Its supplies, as the shelf is asked for what fits them.
    fn wants(&self) -> impl Iterator<Item = Supply<'_>> {
        let supply = |outlook| Supply { outlook, device_name: &self.name, model: self.model.as_deref() };
        self.supplies.iter().map(move |(outlook, _)| supply(outlook))
    }
}

/// The tasks of a print room with what is on its shelf, earliest first.
#[must_use]
pub fn tasks(devices: &[DeviceState], shelf: &[Stock], present: &Present, practice: &Practice) -> Vec<Task> {
    let supplies: Vec<Supply<'_>> = devices.iter().flat_map(DeviceState::wants).collect();
    let covers = covers(&supplies, shelf, present.today());
    let mut tasks = shelf_tasks(shelf, &supplies, present, practice);
    for device in devices {
        let dark = silence_task(device, present, practice);
        if dark.is_none() {
            tasks.extend(error_task(device, present));
        }
        tasks.extend(dark);
        for (outlook, order_by) in &device.supplies {
            let cover = covers.get(&outlook.slot.id).unwrap_or(&Cover::NoPart);
            tasks.extend(swap_task(device, outlook, cover, present));
            tasks.extend(order_task(device, outlook, *order_by, cover, present, practice));
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
        device: Some(device.id),
        slot: None,
        part: None,
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
        device: Some(device.id),
        slot: None,
        part: None,
    })
}

/// A supply that the device itself calls empty or full is swapped today; a device is believed over a
/// forecast. One that is likely to end within three days is swapped by its early date.
///
/// Where the shelf holds the next unit, it is named.
fn swap_task(device: &DeviceState, outlook: &Outlook, cover: &Cover, present: &Present) -> Option<Task> {
    let label = lower_first(&outlook.slot.label());
    let what = format!("Swap the {label} of {}", device.name);
    let with = match cover {
        Cover::NoPart => String::new(),
        Cover::NoneThere { part } => format!("; no {part} is on the shelf"),
        Cover::NeededElsewhere { part, .. } => {
            format!("; every {part} on the shelf is needed sooner elsewhere")
        }
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

/// Nothing is ordered for a slot whose next unit is on the shelf already.
fn order_task(
    device: &DeviceState,
    outlook: &Outlook,
    order_by: Option<Date>,
    cover: &Cover,
    present: &Present,
    practice: &Practice,
) -> Option<Task> {
    let order_by = order_by?;
    let shelf = match cover {
        Cover::Unit(_) => return None,
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

/// What passes its date soon is used first, and what has passed it is taken off the shelf.
fn shelf_tasks(
    shelf: &[Stock],
    supplies: &[Supply<'_>],
    present: &Present,
    practice: &Practice,
) -> Vec<Task> {
    let today = present.today();
    let until = today.checked_add(i64::from(practice.expiry_ahead_days).days()).unwrap_or(Date::MAX);
    let mut tasks = Vec::new();
    for stock in shelf {
        let needs = needs_of(stock, shelf, supplies);
        let first = use_first(&needs).and_then(|need| {
            let supply = supplies.iter().find(|supply| supply.outlook.slot.id == need.slot)?;
            Some((supply, need.slot))
        });
        for (lot, standing) in standings(stock, &needs, today, practice.expiry_ahead_days) {
            let Some(good_until) = stock.good_until(lot).filter(|day| *day <= until) else { continue };
            tasks.push(match standing {
                Standing::Past => past_task(stock, lot, good_until, today),
                _ => use_task(stock, lot, good_until, &standing, first),
            });
        }
    }
    tasks
}

fn past_task(stock: &Stock, lot: &Lot, good_until: Date, today: Date) -> Task {
    let Lot { units, made_on, place, .. } = lot;
    Task {
        due: today,
        kind: TaskKind::Check,
        what: format!("Write off {} past {} date", counted(*units, &stock.part.label()), its(*units)),
        why: format!(
            "{}, {}; {} good until {}",
            stock.part.number,
            lot_words(*units, *made_on, place),
            if *units == 1 { "it was" } else { "they were" },
            good_until.strftime("%-d %b %Y")
        ),
        device: None,
        slot: None,
        part: Some(stock.part.number.clone()),
    }
}

fn use_task(
    stock: &Stock,
    lot: &Lot,
    good_until: Date,
    standing: &Standing,
    first: Option<(&Supply<'_>, SlotId)>,
) -> Task {
    let Lot { units, made_on, place, .. } = lot;
    let what = match first {
        Some((supply, _)) => {
            format!("Use {} in {} first", counted(*units, &stock.part.label()), supply.device_name)
        }
        None => format!("Find a use for {}", counted(*units, &stock.part.label())),
    };
    let need = match standing {
        Standing::Idle(idle) if idle == units => "; nothing needs it in time".to_owned(),
        Standing::Idle(idle) => format!("; {idle} of {units} are not needed in time"),
        _ => String::new(),
    };
    Task {
        due: good_until,
        kind: TaskKind::Check,
        what,
        why: format!(
            "{}, {}, {} good until {}{need}",
            stock.part.number,
            lot_words(*units, *made_on, place),
            if *units == 1 { "is" } else { "are" },
            short(good_until)
        ),
        device: first.map(|(supply, _)| supply.outlook.slot.device),
        slot: None,
        part: Some(stock.part.number.clone()),
    }
}

fn counted(units: u32, label: &str) -> String {
    format!("{units} {label}{}", if units == 1 { "" } else { "s" })
}

fn its(units: u32) -> &'static str {
    if units == 1 { "its" } else { "their" }
}

fn lot_words(units: u32, made_on: Date, place: &str) -> String {
    match units {
        1 => pointed_at(made_on, place),
        _ => format!("the {units} made {}, {place}", made_on.strftime("%b %Y")),
    }
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
            model: None,
            silent_since: None,
            errors: DetectedErrors::default(),
            alerts: Vec::new(),
            supplies,
        }
    }

    fn text(device: DeviceState) -> String {
        text_with(device, &[])
    }

    fn text_with(device: DeviceState, shelf: &[Stock]) -> String {
        let tasks = tasks(&[device], shelf, &present(), &Practice::default());
        let lines = tasks.iter().map(|task| format!("{} {}: {}", task.due, task.what, task.why));
        lines.collect::<Vec<_>>().join("\n")
    }

    fn stock(colour: &str, lots: &[(Date, u32)]) -> Stock {
        let lot = |(n, (made_on, units)): (i64, &(Date, u32))| Lot {
            id: crate::domain::ids::LotId(n),
            part: crate::domain::ids::PartId(1),
            made_on: *made_on,
            place: "shelf B".to_owned(),
            left_over: None,
            units: *units,
            out: 0,
        };
        let part = crate::domain::part::tests::cartridge(colour);
        Stock { id: crate::domain::ids::PartId(1), part, lots: (1..).zip(lots).map(lot).collect() }
    }

    #[test]
    fn nothing_is_ordered_for_a_slot_that_the_shelf_covers() {
        let ink = |index| supply(index, Role::Consumed, (7750, 1180), [4, 9, 16]);
        let order_by = Some(Date::constant(2026, 11, 27));
        let device = device(vec![(ink(2), order_by), (ink(3), order_by)]);
        let shelf = |lots: &[(Date, u32)]| text_with(device.clone(), &[stock("Light magenta", lots)]);
        let made = Date::constant(2025, 3, 14);
        assert_eq!(shelf(&[(made, 2)]), "");
        insta::assert_snapshot!([shelf(&[]), shelf(&[(made, 1)])].join("\n\n"));
    }

    #[test]
    fn a_swap_names_the_unit_to_take_and_old_stock_is_used_first() {
        let mut ink = supply(2, Role::Consumed, (7750, 80), [4, 9, 16]);
        ink.forecast = Forecast::Known(Horizon {
            early: Date::constant(2026, 11, 26),
            middle: Date::constant(2026, 11, 27),
            late: Date::constant(2026, 11, 29),
        });
        let lots = [
            (Date::constant(2024, 5, 24), 1),
            (Date::constant(2024, 6, 30), 3),
            (Date::constant(2025, 3, 14), 1),
        ];
        insta::assert_snapshot!(text_with(device(vec![(ink, None)]), &[stock("Light magenta", &lots)]));
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
