//! What a rule would have told in the past: walked over what is kept, as it would have been at the time.
//!
//! Whatever was past its mark already when the past begins would have been told before, and does not count.

mod days;
mod figures;

use std::collections::BTreeMap;

use jiff::Timestamp;

pub use self::days::{
    HEAD_MEMORY_DAYS, HeadTurn, OrderDay, Piled, forecast_figures, late_figures, off_figures, order_figures,
    stock_figures, warranty_figures,
};
pub use self::figures::{
    PollRun, answered, error_figures, level_figures, replace_figures, seen, silence_figures, silences,
};
use super::Rule;
use super::ruleset::{Place, RuleSet, Setting};
use super::walk::{Stand, step};

/// A figure in the rule's gauge, from a moment on; none where it cannot be told, and everything stays as it is.
pub type Figure = (Timestamp, Option<f64>);

/// A span in which something was so, still without an end where it is so now.
pub type Span = (Timestamp, Option<Timestamp>);

/// What one figure did over the past, at a place.
#[derive(Debug, Clone)]
pub struct Path<'a> {
    /// Where.
    pub place: Place<'a>,
    /// The figures, earliest first.
    pub figures: Vec<Figure>,
}

/// An alert that there would have been.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Telling {
    /// When it would have opened.
    pub opened_at: Timestamp,
    /// When it would have cleared, if it would have by now.
    pub cleared_at: Option<Timestamp>,
    /// The figure at which it would have opened.
    pub figure: f64,
}

/// What a rule would have told along one path from `from` to `to`, earliest first.
#[must_use]
pub fn rehearse(
    rule: Rule,
    rules: &RuleSet,
    path: &Path<'_>,
    (from, to): (Timestamp, Timestamp),
) -> Vec<Telling> {
    let setting = rules.at(rule, &path.place);
    let mut all: Vec<Telling> = Vec::new();
    let mut open: Option<Telling> = None;
    for (at, opens, figure) in crossings(rule, &setting, &path.figures, to) {
        if opens {
            open = Some(Telling { opened_at: at, cleared_at: None, figure });
        } else if let Some(telling) = open.take() {
            all.push(Telling { cleared_at: Some(at), ..telling });
        }
    }
    all.extend(open);
    all.retain(|telling| from <= telling.opened_at && telling.opened_at <= to);
    all
}

/// Openings (true) and clearings along a path. A figure stands until the next one comes, so that what has to last
/// opens between two of them.
fn crossings(
    rule: Rule,
    setting: &Setting,
    figures: &[Figure],
    to: Timestamp,
) -> Vec<(Timestamp, bool, f64)> {
    let Some(first) = figures.iter().find_map(|(_, figure)| *figure) else { return Vec::new() };
    let told_before = setting.on && setting.holds(rule, first, false);
    let mut stand = if told_before { Stand::Open } else { Stand::Quiet };
    let mut found = Vec::new();
    let ends = figures.iter().skip(1).map(|(at, _)| *at).chain([to]);
    for ((at, figure), until) in figures.iter().zip(ends) {
        let Some(figure) = *figure else { continue };
        let (next, edge) = step(rule, setting, stand, (*at, figure));
        found.extend(edge.map(|opens| (*at, opens, figure)));
        stand = next;
        let ripe = match stand {
            Stand::Waiting(since) => since.checked_add(setting.lasting).ok(),
            Stand::Quiet | Stand::Open => None,
        };
        if let Some(ripe) = ripe.filter(|ripe| *ripe < until) {
            let (next, edge) = step(rule, setting, stand, (ripe, figure));
            found.extend(edge.map(|opens| (ripe, opens, figure)));
            stand = next;
        }
    }
    found
}

/// Figures that can be told at all times.
#[must_use]
pub fn always(figures: Vec<(Timestamp, f64)>) -> Vec<Figure> {
    figures.into_iter().map(|(at, figure)| (at, Some(figure))).collect()
}

/// Figures of a device that cannot be told while it is silent, and are told again as they stand then once it answers.
/// `silent` are its silences, earliest first.
#[must_use]
pub fn while_answering(figures: &[(Timestamp, f64)], silent: &[Span]) -> Vec<Figure> {
    let within = |at: Timestamp| {
        let next = silent.partition_point(|(from, _)| *from <= at);
        next > 0 && silent[next - 1].1.is_none_or(|to| at < to)
    };
    let told = figures.iter().filter(|(at, _)| !within(*at)).map(|(at, figure)| (*at, Some(*figure)));
    let mut told: BTreeMap<Timestamp, Option<f64>> = told.collect();
    for (from, to) in silent {
        told.insert(*from, None);
        let standing = to.and_then(|to| figures.partition_point(|(at, _)| *at <= to).checked_sub(1));
        if let (Some(to), Some(standing)) = (to, standing) {
            told.insert(*to, Some(figures[standing].1));
        }
    }
    told.into_iter().collect()
}

#[cfg(test)]
mod tests;
