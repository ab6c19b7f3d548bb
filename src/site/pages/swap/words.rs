//! Swaps in words.

use jiff::tz::TimeZone;

use crate::domain::guide::walk::Passed;
use crate::domain::guide::{Confirmation, Step};
use crate::site::pages::Moment;
use crate::site::{format, pages::shelf::day_in_full};
use crate::usecase::swap::{FromLot, SwapRow};

/// A step with how it was passed.
pub(super) struct StepRow {
    pub(super) text: String,
    pub(super) how: String,
    pub(super) current: bool,
}

/// A caution or what stands before a step, and what the machine is asked.
pub(super) fn waits_for(step: &Step) -> Option<&'static str> {
    step.confirm.map(|confirm| match confirm {
        Confirmation::NotPrinting => "The machine is asked whether it rests.",
        Confirmation::CoverOpen => "The machine is asked whether a cover is open.",
        Confirmation::CoverClosed => "The machine is asked whether every cover is closed.",
        Confirmation::SupplyMissing => "The machine is asked whether the old one is out.",
        Confirmation::NewLevel => "The machine is asked for the level of the new one.",
    })
}

pub(super) fn steps(row: &SwapRow, zone: &TimeZone) -> Vec<StepRow> {
    let under_way = row.ended.is_none();
    let told = |number: usize| {
        let Some(passed) = row.steps.get(number) else { return String::new() };
        let how = match &passed.how {
            Passed::Confirmed => "the machine says so".to_owned(),
            Passed::Said => "done".to_owned(),
            Passed::Skipped(why) => format!("left out: {}", why.text()),
        };
        format!("{how}; {}, {}", passed.who, format::moment(passed.at, zone))
    };
    let steps = row.walk.guide().steps().iter().enumerate();
    steps
        .map(|(number, step)| StepRow {
            text: step.text.clone(),
            how: told(number),
            current: under_way && number == row.steps.len(),
        })
        .collect()
}

pub(super) fn lot(from: Option<&FromLot>) -> String {
    match from {
        None => "not from the shelf".to_owned(),
        Some(from) => format!("{}, made {}, {}", from.part, day_in_full(from.made_on), from.place),
    }
}

/// What was left in the unit that came out.
pub(super) fn left(row: &SwapRow) -> String {
    let role = row.slot.as_ref().map(|slot| slot.role);
    match (&row.was, role) {
        (Some(seen), Some(role)) => format::level(&seen.level, role),
        _ => "not told".to_owned(),
    }
}

pub(super) fn became(row: &SwapRow) -> String {
    let role = row.slot.as_ref().map(|slot| slot.role);
    match (&row.became, role) {
        (Some(seen), Some(role)) => format::level(&seen.level, role),
        _ => "not told".to_owned(),
    }
}

pub(super) fn outcome(row: &SwapRow) -> String {
    match &row.ended {
        None => format!("under way, step {} of {}", row.steps.len() + 1, row.walk.guide().steps().len())
            .replace(&format!("step {} of", row.walk.guide().steps().len() + 1), "at the end of"),
        Some(ended) => {
            match (&ended.given_up, row.steps.iter().filter(|step| step.how.reason().is_some()).count()) {
                (Some(why), _) => format!("given up: {why}"),
                (None, 0) => "swapped".to_owned(),
                (None, 1) => "swapped, one step left out".to_owned(),
                (None, n) => format!("swapped, {} steps left out", format::number_word(n)),
            }
        }
    }
}

pub(super) fn when(row: &SwapRow, zone: &TimeZone) -> Moment {
    Moment::new(row.ended.as_ref().map_or(row.begun_at, |ended| ended.at), zone)
}
