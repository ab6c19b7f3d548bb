//! The figures that rules went by moment by moment: levels, what devices said, and silences.

use std::collections::BTreeSet;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Span;
use crate::domain::alert::facts::{errors_to_see_to, said};
use crate::domain::alert::walk::level_figure;
use crate::domain::polarity::Watch;
use crate::domain::reading::{Polarity, Reading, Role};
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::DetectedErrors;
use crate::domain::stream::{Event, Known};
use crate::domain::units::Fraction;

/// How finely a silence is looked at.
const LOOK_EVERY: SignedDuration = SignedDuration::from_mins(15);

/// A run of polls with one outcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PollRun {
    /// The first poll.
    pub from: Timestamp,
    /// The last poll.
    pub to: Timestamp,
    /// Whether they were answered.
    pub answered: bool,
}

/// The runs of polls that were answered.
#[must_use]
pub fn answered(runs: &[PollRun]) -> Vec<(Timestamp, Timestamp)> {
    runs.iter().filter(|run| run.answered).map(|run| (run.from, run.to)).collect()
}

/// From which failed poll to which answer a device was silent.
#[must_use]
pub fn silences(runs: &[PollRun]) -> Vec<Span> {
    let mut silent: Vec<Span> = Vec::new();
    for run in runs {
        match (silent.last_mut(), run.answered) {
            (Some((_, to @ None)), true) => *to = Some(run.from),
            (Some((_, None)), false) | (_, true) => {}
            (_, false) => silent.push((run.from, None)),
        }
    }
    silent
}

/// The runs of answers in which a slot stood, from the answered ones and the spans in which it was missing.
#[must_use]
pub fn seen(answered: &[(Timestamp, Timestamp)], missing: &[Span]) -> Vec<(Timestamp, Timestamp)> {
    let mut runs = answered.to_vec();
    for (from, to) in missing {
        let cut = |(first, last): (Timestamp, Timestamp)| {
            let before = (first <= *from).then(|| (first, last.min(*from)));
            let after = to.filter(|to| *to <= last).map(|to| (first.max(to), last));
            [before, after].into_iter().flatten()
        };
        runs = runs.into_iter().flat_map(cut).collect();
    }
    runs
}

/// The figures of the rule about a slot's level, from its readings. `seen_until` is the device's last answer.
#[must_use]
pub fn level_figures(
    role: Role,
    counts: Polarity,
    readings: &[Reading],
    seen_until: Timestamp,
    zone: &TimeZone,
) -> Vec<(Timestamp, f64)> {
    let mut watch = Watch::new(role, Some(counts), Known::default());
    let mut figures = Vec::new();
    let mut tell = |event| {
        if let Event::Believed { at, remaining, capacity: Some(capacity) } = event
            && let Some(left) = Fraction::of(remaining, capacity)
        {
            figures.push((at, level_figure(role, left).1));
        }
    };
    for reading in readings {
        watch.push(reading, zone, &mut tell);
    }
    watch.seen(seen_until, zone, &mut tell);
    figures.sort_by_key(|(at, _)| *at);
    figures
}

/// The figures of the rule about what devices say themselves: from the course of a level, in hundredths, and from when
/// to when the device's own alert table asked for a swap.
#[must_use]
pub fn replace_figures(
    role: Role,
    levels: &[(Timestamp, f64)],
    asked: &[(Timestamp, Option<Timestamp>)],
) -> Vec<(Timestamp, f64)> {
    let nothing_left = |figure: f64| match role {
        Role::Consumed => figure <= 0.0,
        Role::Filled => figure >= 100.0,
    };
    let ends = asked.iter().filter_map(|(_, to)| *to);
    let moments: BTreeSet<Timestamp> =
        levels.iter().map(|(at, _)| *at).chain(asked.iter().map(|(from, _)| *from)).chain(ends).collect();
    moments
        .into_iter()
        .map(|at| {
            let asks = asked.iter().any(|(from, to)| *from <= at && to.is_none_or(|to| at < to));
            let level = levels.partition_point(|(then, _)| *then <= at).checked_sub(1).map(|n| levels[n].1);
            (at, f64::from(u8::from(asks || level.is_some_and(nothing_left))))
        })
        .collect()
}

/// The figures of the rule about errors, from what a device detected, from each of these moments on, and from when to
/// when a row of its own alert table stood there.
#[must_use]
pub fn error_figures(
    detected: &[(Timestamp, DetectedErrors)],
    complaints: &[(DeviceAlert, Timestamp, Option<Timestamp>)],
) -> Vec<(Timestamp, f64)> {
    let Some((first, _)) = detected.first() else { return Vec::new() };
    let turns = complaints.iter().flat_map(|(_, from, to)| [Some(*from), *to]).flatten();
    let moments: BTreeSet<Timestamp> =
        detected.iter().map(|(at, _)| *at).chain(turns.filter(|at| at > first)).collect();
    moments
        .into_iter()
        .filter_map(|at| {
            let (_, errors) = detected[detected.partition_point(|(then, _)| *then <= at).checked_sub(1)?];
            let standing =
                complaints.iter().filter(|(_, from, to)| *from <= at && to.is_none_or(|to| at < to));
            let errors = errors_to_see_to(errors, standing.map(|(complaint, ..)| complaint));
            Some((at, said(errors.needs_person())))
        })
        .collect()
}

/// The figures of the rules about silence: how long it was since the end of the last of these runs, as `hours` counts
/// it. Of each silence they tell the first quarter of an hour at which `told` says that the rule is crossed: it goes on
/// to grow until the next run.
#[must_use]
pub fn silence_figures(
    runs: &[(Timestamp, Timestamp)],
    now: Timestamp,
    hours: impl Fn(Timestamp, Timestamp) -> f64,
    told: impl Fn(f64) -> bool,
) -> Vec<(Timestamp, f64)> {
    let mut figures = Vec::new();
    let nexts = runs.iter().skip(1).map(|(from, _)| *from).chain([now]);
    for ((from, until), back) in runs.iter().zip(nexts) {
        figures.push((*from, 0.0));
        let look = |n: i32| until.checked_add(LOOK_EVERY.checked_mul(n)?).ok();
        let figure = |n: i32| Some((look(n)?, hours(*until, look(n)?)));
        let wait = (back.duration_since(*until).as_nanos() - 1).max(0) / LOOK_EVERY.as_nanos();
        let looks = i32::try_from(wait).unwrap_or(i32::MAX);
        if looks < 1 || !figure(looks).is_some_and(|(_, hours)| told(hours)) {
            continue;
        }
        let (mut quiet, mut crossed) = (0, looks);
        while crossed - quiet > 1 {
            let between = quiet + (crossed - quiet) / 2;
            if figure(between).is_some_and(|(_, hours)| told(hours)) {
                crossed = between;
            } else {
                quiet = between;
            }
        }
        figures.extend(figure(crossed));
    }
    figures
}
