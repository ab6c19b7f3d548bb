//! The life of alerts: what opens, waits, comes to the fore and clears, from what is the case and what stands.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::ruleset::{Place, RuleSet};
use super::walk::{Stand, step};
use super::{Alert, Grade, Rule, Subject};
use crate::domain::ids::AlertId;

/// What is the case at one subject, as a rule sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// Which rule.
    pub rule: Rule,
    /// What it is about.
    pub subject: Subject,
    /// The site of its device.
    pub site: Option<i64>,
    /// The model of its device.
    pub model: Option<String>,
    /// The figure, in the rule's gauge; `None` where it cannot be told, and everything stays as it is.
    pub figure: Option<f64>,
    /// What an alert would say, in a sentence without its full stop.
    pub summary: String,
}

impl Condition {
    /// Where the rule's setting is to be looked up.
    #[must_use]
    pub fn place(&self) -> Place<'_> {
        Place { subject: self.subject, site: self.site, model: self.model.as_deref() }
    }
}

/// An open alert, as far as its further life depends on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// Its identity.
    pub id: AlertId,
    /// Its rule.
    pub rule: Rule,
    /// What it is about.
    pub subject: Subject,
    /// Since when it is open.
    pub opened_at: Timestamp,
    /// Whether it follows from another, and nobody is told.
    pub folded: bool,
}

/// What has crossed a rule and does not yet last long enough.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Waiting {
    /// Which rule.
    pub rule: Rule,
    /// What it is about.
    pub subject: Subject,
    /// Since when.
    pub since: Timestamp,
}

/// A change to what stands.
#[derive(Debug, Clone, PartialEq)]
pub enum Edge {
    /// An alert opens.
    Open {
        /// Which rule.
        rule: Rule,
        /// What it is about.
        subject: Subject,
        /// How grave.
        grade: Grade,
        /// What it says.
        summary: String,
        /// It follows from another that is open: nobody is told.
        folded: bool,
    },
    /// An alert that followed from another outlasts it: it is told now.
    Unfold(Standing),
    /// An alert clears.
    Clear(Standing),
    /// A crossing begins to last.
    Wait(Rule, Subject),
    /// It did not last.
    Forget(Rule, Subject),
}

/// What stands when the rules are applied.
#[derive(Debug, Clone, Default)]
pub struct Stands {
    /// Open alerts.
    pub open: Vec<Standing>,
    /// Crossings that do not last long enough yet.
    pub waiting: Vec<Waiting>,
}

impl Stands {
    fn open(&self, rule: Rule, subject: Subject) -> Option<Standing> {
        self.open.iter().copied().find(|open| open.rule == rule && open.subject == subject)
    }

    fn waiting(&self, rule: Rule, subject: Subject) -> Option<Timestamp> {
        let found = self.waiting.iter().find(|waiting| waiting.rule == rule && waiting.subject == subject);
        found.map(|waiting| waiting.since)
    }

    /// How a walk of that rule stands at a subject.
    #[must_use]
    pub fn stand(&self, rule: Rule, subject: Subject) -> Stand {
        match (self.open(rule, subject), self.waiting(rule, subject)) {
            (Some(_), _) => Stand::Open,
            (None, Some(since)) => Stand::Waiting(since),
            (None, None) => Stand::Quiet,
        }
    }

    /// Whether an alert of that rule at a subject would follow from one that is open.
    #[must_use]
    pub fn is_folded(&self, rule: Rule, subject: Subject) -> bool {
        let open: BTreeSet<_> = self.open.iter().map(|open| (open.rule, open.subject)).collect();
        follows(rule, subject, &open)
    }
}

/// Whether something open for the same subject, or for its device, says already what that rule would.
fn follows(rule: Rule, subject: Subject, open: &BTreeSet<(Rule, Subject)>) -> bool {
    rule.follows_from().iter().any(|cause| {
        let device = subject.device().map(Subject::Device);
        open.contains(&(*cause, subject)) || device.is_some_and(|device| open.contains(&(*cause, device)))
    })
}

/// Applies the rules to what is the case. `judged` are the rules that `conditions` speak of: an open alert of one
/// of them whose subject is no longer there clears.
///
/// What is applied twice changes nothing the second time, so that it does not matter who asks, or how often.
#[must_use]
pub fn judge(
    conditions: &[Condition],
    judged: &[Rule],
    stands: &Stands,
    rules: &RuleSet,
    now: Timestamp,
) -> Vec<Edge> {
    let mut open: BTreeSet<(Rule, Subject)> =
        stands.open.iter().map(|open| (open.rule, open.subject)).collect();
    let mut edges = Vec::new();
    let gone = |open: &&Standing| {
        let same = |c: &Condition| c.rule == open.rule && c.subject == open.subject;
        judged.contains(&open.rule) && !conditions.iter().any(same)
    };
    for standing in stands.open.iter().filter(gone) {
        open.remove(&(standing.rule, standing.subject));
        edges.push(Edge::Clear(*standing));
    }
    let mut in_order: Vec<&Condition> = conditions.iter().collect();
    in_order.sort_by_key(|c| Rule::ALL.iter().position(|rule| *rule == c.rule));
    for condition in in_order {
        judge_one(condition, stands, rules, now, &mut open, &mut edges);
    }
    // Last, when it is known what all of them follow from.
    for standing in stands.open.iter().filter(|standing| standing.folded) {
        let stays = open.contains(&(standing.rule, standing.subject));
        if stays && !follows(standing.rule, standing.subject, &open) {
            edges.push(Edge::Unfold(*standing));
        }
    }
    edges
}

fn judge_one(
    condition: &Condition,
    stands: &Stands,
    rules: &RuleSet,
    now: Timestamp,
    open: &mut BTreeSet<(Rule, Subject)>,
    edges: &mut Vec<Edge>,
) {
    let (rule, subject) = (condition.rule, condition.subject);
    let setting = rules.at(rule, &condition.place());
    let before = stands.stand(rule, subject);
    let (after, edge) = match condition.figure {
        Some(figure) => step(rule, &setting, before, (now, figure)),
        // What is switched off needs no figure to clear.
        None if !setting.on => step(rule, &setting, before, (now, 0.0)),
        None => return,
    };
    match (edge, stands.open(rule, subject)) {
        (Some(true), _) => {
            open.insert((rule, subject));
            let folded = follows(rule, subject, open);
            let summary = condition.summary.clone();
            edges.push(Edge::Open { rule, subject, grade: setting.grade, summary, folded });
        }
        (Some(false), Some(standing)) => {
            open.remove(&(rule, subject));
            edges.push(Edge::Clear(standing));
        }
        _ => {}
    }
    match (before, after) {
        (Stand::Waiting(_), Stand::Waiting(_)) => {}
        (_, Stand::Waiting(_)) => edges.push(Edge::Wait(rule, subject)),
        (Stand::Waiting(_), _) => edges.push(Edge::Forget(rule, subject)),
        _ => {}
    }
}

/// Open alerts as groups, by their places in the list: each that stands for itself, the gravest and then the newest
/// first, with those that follow from it. One that follows from nothing that is open stands for itself.
#[must_use]
pub fn groups(open: &[&Alert]) -> Vec<(usize, Vec<usize>)> {
    let known: BTreeMap<(Rule, Subject), usize> =
        open.iter().enumerate().rev().map(|(place, alert)| ((alert.rule, alert.subject), place)).collect();
    // The first cause in the order of the rules is the one that it is shown under.
    let cause = |other: &Alert| {
        let causes = Rule::ALL.iter().filter(|rule| other.rule.follows_from().contains(rule));
        let device = other.subject.device().map(Subject::Device);
        let subjects = || [Some(other.subject), device].into_iter().flatten();
        causes.flat_map(|rule| subjects().map(|of| (*rule, of))).find_map(|head| known.get(&head).copied())
    };
    let mut heads = Vec::new();
    let mut followers: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (place, alert) in open.iter().enumerate() {
        match cause(alert) {
            Some(head) => followers.entry(head).or_default().push(place),
            None => heads.push((std::cmp::Reverse((alert.grade, alert.opened_at, alert.id)), place)),
        }
    }
    heads.sort_unstable();
    heads.into_iter().map(|(_, head)| (head, followers.remove(&head).unwrap_or_default())).collect()
}

/// What stands after some changes: how the store will find it, for those who go on reckoning without it.
#[must_use]
pub fn after(stands: &Stands, edges: &[Edge], now: Timestamp) -> Stands {
    let mut next = stands.clone();
    for (n, edge) in edges.iter().enumerate() {
        match edge {
            Edge::Open { rule, subject, folded, .. } => next.open.push(Standing {
                id: AlertId(-1 - i64::try_from(n).unwrap_or(0)),
                rule: *rule,
                subject: *subject,
                opened_at: now,
                folded: *folded,
            }),
            Edge::Unfold(standing) => {
                let same =
                    |open: &&mut Standing| (open.rule, open.subject) == (standing.rule, standing.subject);
                next.open.iter_mut().filter(same).for_each(|open| open.folded = false);
            }
            Edge::Clear(standing) => {
                next.open.retain(|open| (open.rule, open.subject) != (standing.rule, standing.subject));
            }
            Edge::Wait(rule, subject) => {
                next.waiting.push(Waiting { rule: *rule, subject: *subject, since: now });
            }
            Edge::Forget(rule, subject) => {
                next.waiting.retain(|waiting| (waiting.rule, waiting.subject) != (*rule, *subject));
            }
        }
    }
    next
}

#[cfg(test)]
mod tests;
