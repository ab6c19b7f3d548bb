//! When a machine answered, when it did not, and when nobody asked it.

use jiff::{SignedDuration, Timestamp};

use super::report::{Gap, Silence, share};

/// A run of polls with one outcome.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PollRun {
    /// The first of them.
    pub from: Timestamp,
    /// The last of them.
    pub until: Timestamp,
    /// Why they failed; none: they were answered.
    pub fault: Option<String>,
}

/// How a machine answered over a span.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Presence {
    /// The share of the span for which there are answers, 0 to 1.
    pub coverage: f64,
    /// The share for which it answered of the time in which it was asked, 0 to 1; none where it never was.
    pub availability: Option<f64>,
    /// The rest, earliest first.
    pub gaps: Vec<Gap>,
}

impl Presence {
    /// From the runs of polls that touch `from..to`, earliest first. Silences no longer than `patience` are the
    /// usual wait between polls.
    #[must_use]
    pub fn of(runs: &[PollRun], from: Timestamp, to: Timestamp, patience: SignedDuration) -> Self {
        let answered: Vec<_> =
            runs.iter().filter(|run| run.fault.is_none()).map(|run| (run.from, run.until)).collect();
        let asked: Vec<_> = runs.iter().map(|run| (run.from, run.until)).collect();
        let silent = gaps(&answered, from, to, patience);
        let unasked = gaps(&asked, from, to, patience);
        let mut named = Vec::new();
        for gap in &silent {
            named.extend(pieces(*gap, &unasked, runs));
        }
        let seconds = |asked: bool| -> f64 {
            let of = |gap: &&Gap| (gap.why != Silence::NotAsked) == asked;
            named.iter().filter(of).map(|gap| gap.to.duration_since(gap.from).as_secs_f64()).sum()
        };
        let asked_for = to.duration_since(from).as_secs_f64() - seconds(false);
        Self {
            coverage: share(coverage(&answered, from, to, patience)),
            availability: (asked_for > 0.0).then(|| share(1.0 - seconds(true) / asked_for)),
            gaps: named,
        }
    }
}

/// A silence cut where asking stopped and began again.
fn pieces(gap: (Timestamp, Timestamp), unasked: &[(Timestamp, Timestamp)], runs: &[PollRun]) -> Vec<Gap> {
    let mut pieces = Vec::new();
    let mut from = gap.0;
    let unanswered = |from: Timestamp, to: Timestamp| {
        let failed = runs.iter().find(|run| run.fault.is_some() && run.until > from && run.from < to);
        let fault = failed.and_then(|run| run.fault.clone()).unwrap_or_default();
        Gap { from, to, why: Silence::Unanswered(fault) }
    };
    let within = unasked.iter().filter(|(a, b)| *a < gap.1 && *b > gap.0);
    for (begins, ends) in within.map(|(a, b)| ((*a).max(gap.0), (*b).min(gap.1))) {
        if begins > from {
            pieces.push(unanswered(from, begins));
        }
        pieces.push(Gap { from: begins, to: ends, why: Silence::NotAsked });
        from = ends;
    }
    if from < gap.1 {
        pieces.push(unanswered(from, gap.1));
    }
    pieces
}

/// The spans within `from..to` that no run of answered polls covers, earliest first. `answered` is sorted;
/// silences no longer than `patience` are the usual wait between polls and not gaps.
#[must_use]
pub fn gaps(
    answered: &[(Timestamp, Timestamp)],
    from: Timestamp,
    to: Timestamp,
    patience: SignedDuration,
) -> Vec<(Timestamp, Timestamp)> {
    let mut gaps = Vec::new();
    let mut covered_to = from;
    let end = std::iter::once((to, to));
    for (begins, ends) in answered.iter().copied().filter(|span| span.1 >= from && span.0 <= to).chain(end) {
        if begins.duration_since(covered_to) > patience {
            gaps.push((covered_to, begins));
        }
        covered_to = covered_to.max(ends.min(to));
    }
    gaps
}

/// The share of `from..to` that lies outside its [`gaps`]; 0 for an empty span.
#[must_use]
pub fn coverage(
    answered: &[(Timestamp, Timestamp)],
    from: Timestamp,
    to: Timestamp,
    patience: SignedDuration,
) -> f64 {
    let whole = to.duration_since(from).as_secs_f64();
    if whole <= 0.0 {
        return 0.0;
    }
    let silent: f64 =
        gaps(answered, from, to, patience).iter().map(|(a, b)| b.duration_since(*a).as_secs_f64()).sum();
    (1.0 - silent / whole).clamp(0.0, 1.0)
}
