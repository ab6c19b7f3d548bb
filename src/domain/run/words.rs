//! A check in words, for pages and commands.

use super::before::Before;
use super::check::{Check, Verdict};
use super::odds::Band;
use super::plan::{Metres, RunPlan};
use crate::domain::advice::enumerated;
use crate::domain::reading::Role;

/// A head is told of from this chance on.
pub const HEAD_TOLD: f64 = 0.05;

/// A chance as `85 %`. What is neither sure nor out of the question is never shown as either.
#[must_use]
pub fn percent(chance: f64) -> String {
    match (chance * 100.0).round() {
        low if low < 1.0 => "under 1\u{a0}%".to_owned(),
        high if high > 99.0 => "over 99\u{a0}%".to_owned(),
        middle => format!("{middle:.0}\u{a0}%"),
    }
}

/// A band of chances as `60 to 75 %`.
#[must_use]
pub fn band(band: Band) -> String {
    let (low, high) = (percent(band.low), percent(band.high));
    if low == high {
        return low;
    }
    // The sign stands once, as in `60 to 75 %`.
    format!("{} to {high}", low.trim_end_matches("\u{a0}%"))
}

/// What is said of a queue, as a sentence.
#[must_use]
pub fn verdict(check: &Check) -> String {
    match (check.verdict, check.band) {
        (Verdict::CannotTell, _) | (_, None) => {
            let named: Vec<String> = check.untold().map(|(of, _)| of.tank.label.to_lowercase()).collect();
            match named.is_empty() {
                true => "cannot tell: no ink is known to be in it.".to_owned(),
                false => format!("cannot tell: nothing is known of {}.", enumerated(&named)),
            }
        }
        (Verdict::Finishes, Some(chance)) => format!("finishes without a swap: {}.", band(chance)),
        (Verdict::MayStop, Some(chance)) => {
            format!("may stop on the way: it finishes with a chance of {}.", band(chance))
        }
        (Verdict::Stops, Some(chance)) => {
            format!("is likely to stop on the way: it finishes with a chance of {}.", band(chance))
        }
    }
}

/// Which supply stops it first and after how much, as a sentence; none if hardly any does.
#[must_use]
pub fn first_to_end(check: &Check, plan: &RunPlan, media: Option<Metres>) -> Option<String> {
    let of = &check.tanks[check.first?];
    let what = if of.tank.role == Role::Filled { "is full" } else { "ends" };
    let stops = 1.0 - of.chance.as_ref().ok()?;
    let middle = of.reach?.middle.filter(|middle| *middle <= check.area);
    let Some(middle) = middle else {
        return Some(format!("If anything stops it, {} first ({}).", of.tank.label, percent(stops)));
    };
    let after = match plan.metres_after(middle, media) {
        Some(metres) => format!("{} m of {}", short(metres), short(plan.metres_after(check.area, media)?)),
        None => format!("{} m² of {}", short(middle), short(check.area)),
    };
    Some(format!("{} {what} first, with even odds after {after} ({}).", of.tank.label, percent(stops)))
}

/// What swapping beforehand comes to, as a sentence; none where nothing need be done.
#[must_use]
pub fn after_swaps(check: &Check, before: &Before) -> Option<String> {
    match (check.verdict, before.enough, before.band) {
        (Verdict::Finishes, ..) => None,
        (_, _, None) => Some("Look at what is not told before you rely on it.".to_owned()),
        (_, true, Some(then)) => Some(format!("With that done it finishes with a chance of {}.", band(then))),
        (_, false, Some(then)) if before.swaps.is_empty() => Some(format!(
            "No fresh unit alone carries it ({}): plan a swap on the way, or part the run.",
            band(then)
        )),
        (_, false, Some(then)) => Some(format!(
            "Even with that done it finishes with a chance of {} only: plan a swap on the way, or part the run.",
            band(then)
        )),
    }
}

/// A length or an area with as many digits as it means.
#[must_use]
pub fn short(value: f64) -> String {
    if value < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") }
}

#[cfg(test)]
mod tests {
    use super::super::check::tests::tank;
    use super::*;

    #[test]
    fn a_check_is_told_in_sentences() {
        let tanks = vec![tank("Cyan", 40.0, 0.8), tank("Magenta", 700.0, 0.9), tank("Yellow", 30.0, 0.9)];
        let told = |plan: &str| {
            let plan: RunPlan = plan.parse().unwrap();
            let check = Check::new(tanks.clone(), &[], &plan, 0.95);
            let before = Before::new(&check, 0.95);
            let parts =
                [Some(verdict(&check)), first_to_end(&check, &plan, None), after_swaps(&check, &before)];
            parts.into_iter().flatten().collect::<Vec<_>>().join("\n").replace('\u{a0}', " ")
        };
        insta::assert_snapshot!(told("40 x 1.5 matte"), @r"
        is likely to stop on the way: it finishes with a chance of 1 to 3 %.
        Yellow ends first, with even odds after 23 m of 40 (97 %).
        With that done it finishes with a chance of over 99 %.
        ");
        insta::assert_snapshot!(told("20 m2 matte"), @r"
        finishes without a swap: 97 %.
        If anything stops it, Yellow first (3 %).
        ");
        insta::assert_snapshot!(told("1 m2 matte"), @"finishes without a swap: over 99 %.");
        insta::assert_snapshot!(told("5000 m2 matte"), @r"
        is likely to stop on the way: it finishes with a chance of under 1 %.
        Yellow ends first, with even odds after 35 m² of 5000 (over 99 %).
        No fresh unit alone carries it (under 1 %): plan a swap on the way, or part the run.
        ");
    }
}
