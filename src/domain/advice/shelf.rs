//! What lies on the shelf and passes its date.

use jiff::ToSpan;
use jiff::civil::Date;

use super::words::short;
use crate::domain::cover::pointed_at;
use crate::domain::ids::SlotId;
use crate::domain::outlook::Present;
use crate::domain::rules::Practice;
use crate::domain::shelf::{Lot, Standing, Stock, Supply, needs_of, standings, use_first};
use crate::domain::task::{Task, TaskKind};

/// What passes its date soon is used first, and what has passed it is taken off the shelf.
pub(super) fn shelf_tasks(
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
