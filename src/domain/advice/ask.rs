//! What to ask a person who was there: what a fall was, and which lots went in.

use std::collections::BTreeMap;

use super::words::{lower_first, short};
use crate::domain::ids::DeviceId;
use crate::domain::install::Question;
use crate::domain::outlook::{Present, Slot};
use crate::domain::task::{Task, TaskKind};

/// What is asked about one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The machine's name.
    pub name: String,
    /// Falls that may have been swaps, by slot.
    pub falls: Vec<(Slot, Question)>,
    /// The slots of units of which nobody has said which lot they came from, once for each unit.
    pub units: Vec<Slot>,
}

impl Asked {
    /// Nothing yet.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self { name: name.to_owned(), falls: Vec::new(), units: Vec::new() }
    }
}

/// One task a machine for each of the two questions. They are due today, while somebody still knows.
#[must_use]
pub fn ask_tasks(asked: &BTreeMap<DeviceId, Asked>, present: &Present) -> Vec<Task> {
    let mut tasks = Vec::new();
    for (device, asked) in asked {
        let mut task = |what: String, why: String, slot: Option<&Slot>| {
            tasks.push(Task {
                due: present.today(),
                kind: TaskKind::Answer,
                what,
                why,
                device: Some(*device),
                slot: slot.map(|slot| slot.id),
                part: None,
            });
        };
        if let Some((slot, question)) = asked.falls.last() {
            let label = lower_first(&slot.label());
            let others = match asked.falls.len() - 1 {
                0 => String::new(),
                1 => "; one more fall is asked about".to_owned(),
                more => format!("; {more} more falls are asked about"),
            };
            let symbol = question.measure.symbol();
            task(
                format!("Say whether the {label} of {} was swapped", asked.name),
                format!(
                    "it fell from {:.0} to {:.0} {symbol} on {}, by a swap or by a large job{others}",
                    question.from,
                    question.to,
                    short(present.date(question.at))
                ),
                Some(slot),
            );
        }
        match asked.units.as_slice() {
            [] => {}
            [only] => task(
                format!("Say which lot went into {}", asked.name),
                format!("a unit went into its {}, and none was issued to it", lower_first(&only.label())),
                Some(only),
            ),
            several => task(
                format!("Say which lots went into {}", asked.name),
                format!("{} units went in, and none was issued for them", several.len()),
                None,
            ),
        }
    }
    tasks
}
