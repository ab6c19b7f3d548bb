//! What a check rests on, in sentences.

use crate::domain::outlook::Present;
use crate::domain::reading::Role;
use crate::domain::run::black::Turn;
use crate::domain::run::check::{Check, Inside};
use crate::domain::run::learn::{Basis, Source, USUAL_ML};
use crate::domain::run::past::MediaWidth;
use crate::domain::run::plan::RunPlan;
use crate::store::devices::DeviceRow;

/// What a check at a machine rests on.
pub(super) struct Ground<'a> {
    pub(super) device: &'a DeviceRow,
    pub(super) width: Option<MediaWidth>,
    /// Something is known of what it printed so far.
    pub(super) printed: bool,
    /// What whole units are taken to hold, without the full stop.
    pub(super) scaled: Vec<String>,
    /// Ink through its heads is counted.
    pub(super) heads: bool,
}

/// The notes on a check.
pub(super) fn of(check: &Check, plan: &RunPlan, ground: &Ground<'_>, present: &Present) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(fault) = &ground.device.fault {
        let since = ground.device.last_answer_at.map(|at| present.date(at).to_string());
        let since = since
            .map_or_else(|| "It has never answered".to_owned(), |day| format!("It last answered on {day}"));
        notes.push(format!("{since}, and levels are as they were then. The last poll met: {fault}."));
    }
    notes.extend(coverage(check, ground));
    notes.extend(blacks(check, plan));
    for of in &check.tanks {
        if let (Inside::SomeLeft(_), Some(left)) = (&of.tank.inside, of.tank.inside.left()) {
            notes.push(format!(
                "{}: the device says only that some is left. It is taken as anything from nothing to {:.0} {}, each as \
                 likely: look at it before you rely on this.",
                of.tank.label,
                left.high(),
                of.tank.measure.symbol()
            ));
        }
    }
    if !check.tanks.iter().any(|of| of.tank.role == Role::Filled) {
        notes.push("The machine lists no waste receptacle: look at it before the run.".to_owned());
    }
    if !ground.heads {
        notes.push(
            "No ink is counted through print heads here, so none is held against its limit.".to_owned(),
        );
    }
    let mut scaled = ground.scaled.clone();
    scaled.dedup();
    if let Some(first) = scaled.first() {
        let others = scaled.len() - 1;
        let others = if others == 0 { String::new() } else { format!(", and {others} more likewise") };
        notes.push(format!("{first}{others}: the device does not tell it."));
    }
    notes
}

fn coverage(check: &Check, ground: &Ground<'_>) -> Vec<String> {
    let mut notes = Vec::new();
    let past = check.tanks.iter().find_map(|of| match of.basis {
        Some(Basis::Past { source, days, area }) => Some((source, days, area)),
        _ => None,
    });
    if let Some((source, days, area)) = past {
        notes.push(match (source, ground.width) {
            (Source::Logged, _) => format!(
                "What a square metre takes is learned from {area:.0} m² that people wrote down over {days} days; days \
                 without an entry are taken to have printed nothing."
            ),
            (Source::Counted, width) => format!(
                "What a square metre takes is learned from {days} days and {area:.0} m² of the machine's own life \
                 count, on media taken to have been {} all that time, head care included.",
                width.map_or_else(|| "as wide as now".to_owned(), |width| {
                    let by = if matches!(width, MediaWidth::Written(_)) { "as somebody wrote down" } else { "as it tells now" };
                    format!("{:.0} mm wide ({by})", width.metres().value() * 1000.0)
                })
            ),
        });
    }
    if check.assumes() {
        let why = match (ground.printed, ground.width) {
            (true, _) => "its past is too short yet",
            (false, None) => "it does not tell how wide its media are, and nobody wrote it down",
            (false, Some(_)) => "its life count gives no length, and no runs are written down",
        };
        notes.push(format!(
            "Nothing is known of what it takes for a square metre ({why}). {USUAL_ML:.0} ml of all inks together, give \
             or take half, parted evenly, is assumed: a figure of the trade, no source."
        ));
    }
    notes
}

/// Which black is used. Common practice, no source.
fn blacks(check: &Check, plan: &RunPlan) -> Option<String> {
    let names = || check.tanks.iter().map(|of| of.tank.label.as_str());
    let media = plan.runs().first()?.media;
    let used = check.tanks.iter().find(|of| Turn::of(&of.tank.label, names(), media) == Turn::Takes)?;
    let several = plan.runs().iter().any(|run| Turn::of(&used.tank.label, names(), run.media) != Turn::Takes);
    let which = if several {
        "Gloss takes photo black and all other media matte black".to_owned()
    } else {
        format!("{} takes {}", capital(media.word()), used.tank.label.to_lowercase())
    };
    Some(format!(
        "{which} (common practice); the one in use is taken to give what both did, as the past does not tell media \
         apart, and the other gives nothing but head care."
    ))
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
