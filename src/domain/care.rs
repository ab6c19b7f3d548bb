//! Whether a machine had power: automatic head care only runs on a powered machine, asleep or awake.
//!
//! What a machine tells over the network is all there is to go by. An answer tells that it has power, and
//! whether it sleeps: *running* with the printer's state *other* is standby by the table of RFC 3805,
//! §2.2.13.2. Silence tells nothing by itself: a machine that is off and one that cannot be reached are the
//! same. Once it answers again, `sysUpTime` (RFC 3418) tells whether its agent ran on through the silence, so
//! that it had power, or began anew, so that it was off for some of it or was started again. That counter comes
//! back to nothing after 497 days, which looks like a start.

use jiff::{SignedDuration, Timestamp};

use super::poll::Poll;
use super::snapshot::Snapshot;
use super::standard::{DeviceStatus, PrinterStatus};

/// A run is broken off when this many intervals pass without an answer.
const MISSED_INTERVALS: i32 = 3;
/// An agent that began this much before the last answer, by two clocks and a slow answer, began after it.
const START_SLACK: SignedDuration = SignedDuration::from_secs(90);

/// A run of answers that told the same of a machine's power.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PowerRun {
    /// The first answer.
    pub started_at: Timestamp,
    /// The last answer.
    pub ended_at: Timestamp,
    /// Whether it slept; none where it does not tell.
    pub asleep: Option<bool>,
    /// When its agent had started, as the first answer told.
    pub up_since: Option<Timestamp>,
}

/// Folds polls, earliest first, into runs: those that began, and the last one if it grew. Polls up to and with
/// `after` are passed over.
#[must_use]
pub fn fold(
    last: Option<PowerRun>,
    polls: &[Poll],
    after: Option<Timestamp>,
    poll_every: SignedDuration,
) -> Vec<PowerRun> {
    let mut runs: Vec<PowerRun> = Vec::new();
    let mut current = last;
    let mut latest = after;
    for poll in polls {
        if latest.is_some_and(|latest| poll.at <= latest) {
            continue;
        }
        latest = Some(poll.at);
        let Ok(snapshot) = &poll.outcome else { continue };
        let (asleep, up_since) = (asleep(snapshot), up_since(snapshot, poll.at));
        let goes_on = current.as_ref().is_some_and(|run| {
            run.asleep == asleep
                && run.up_since.is_some() == up_since.is_some()
                && !began_after(up_since, run.ended_at)
                && poll.at.duration_since(run.ended_at) <= poll_every * MISSED_INTERVALS
        });
        let run = match current.take() {
            Some(run) if goes_on => PowerRun { ended_at: poll.at, ..run },
            _ => PowerRun { started_at: poll.at, ended_at: poll.at, asleep, up_since },
        };
        match runs.last_mut() {
            Some(known) if known.started_at == run.started_at => known.clone_from(&run),
            _ => runs.push(run.clone()),
        }
        current = Some(run);
    }
    runs
}

/// Whether it sleeps, by RFC 3805, §2.2.13.2.
fn asleep(snapshot: &Snapshot) -> Option<bool> {
    let states = (snapshot.device_status?, snapshot.printer_status?);
    Some(states == (DeviceStatus::Running, PrinterStatus::Other))
}

fn up_since(snapshot: &Snapshot, at: Timestamp) -> Option<Timestamp> {
    let up = SignedDuration::from_millis(i64::from(snapshot.uptime_centiseconds?) * 10);
    at.checked_sub(up).ok()
}

fn began_after(up_since: Option<Timestamp>, at: Timestamp) -> bool {
    up_since.is_some_and(|began| began.duration_since(at) > -START_SLACK)
}

/// What a silence was, as far as what came after it tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// The agent began anew: it was off for some of it, or was started again.
    Restarted,
    /// The agent ran on: it had power, and could not be reached.
    RanOn,
    /// It does not tell when its agent began.
    Untold,
    /// It is silent still.
    Lasting,
}

/// A span without an answer, longer than the usual wait between polls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Silence {
    /// The last answer before it.
    pub from: Timestamp,
    /// The first answer after it, or the present.
    pub to: Timestamp,
    /// What it was.
    pub cause: Cause,
}

/// How a machine's time was spent, as far as it tells. The parts add up to the whole.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Availability {
    /// The time that was looked at; from the first answer on.
    pub whole: SignedDuration,
    /// Powered, reachable and awake.
    pub awake: SignedDuration,
    /// Powered, reachable and asleep.
    pub asleep: SignedDuration,
    /// Powered and reachable, and it does not tell which.
    pub powered: SignedDuration,
    /// Without an answer.
    pub silent: SignedDuration,
    /// The silences, earliest first.
    pub silences: Vec<Silence>,
}

impl Availability {
    /// From runs, earliest first, over `from..to`; silences no longer than `patience` are the usual wait
    /// between polls.
    #[must_use]
    pub fn of(runs: &[PowerRun], (from, to): (Timestamp, Timestamp), patience: SignedDuration) -> Self {
        let mut told = Self::default();
        let Some(first) = runs.first() else { return told };
        let from = from.max(first.started_at);
        told.whole = to.duration_since(from).max(SignedDuration::ZERO);
        for (n, run) in runs.iter().enumerate() {
            let next = runs.get(n + 1);
            let until = next.map_or(to, |next| next.started_at);
            let quiet = until.duration_since(run.ended_at) > patience;
            let lasted = if quiet { run.ended_at } else { until };
            let within = |at: Timestamp| at.clamp(from, to.max(from));
            let span = within(lasted).duration_since(within(run.started_at));
            match run.asleep {
                Some(true) => told.asleep += span,
                Some(false) => told.awake += span,
                None => told.powered += span,
            }
            if quiet && within(until) > within(run.ended_at) {
                let cause = match next {
                    None => Cause::Lasting,
                    Some(next) if next.up_since.is_none() => Cause::Untold,
                    Some(next) if began_after(next.up_since, run.ended_at) => Cause::Restarted,
                    Some(_) => Cause::RanOn,
                };
                let silence = Silence { from: within(run.ended_at), to: within(until), cause };
                told.silent += silence.to.duration_since(silence.from);
                told.silences.push(silence);
            }
        }
        told
    }

    /// Powered and reachable, awake or asleep.
    #[must_use]
    pub fn answered(&self) -> SignedDuration {
        self.awake + self.asleep + self.powered
    }

    /// How many silences were of a cause, and how long they were in all.
    #[must_use]
    pub fn silences_by(&self, cause: Cause) -> (usize, SignedDuration) {
        let of = self.silences.iter().filter(|silence| silence.cause == cause);
        of.fold((0, SignedDuration::ZERO), |(count, sum), silence| {
            (count + 1, sum + silence.to.duration_since(silence.from))
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const QUARTER: SignedDuration = SignedDuration::from_mins(15);

    fn at(n: i64) -> Timestamp {
        Timestamp::from_second(1_764_000_000 + n * 900).unwrap()
    }

    /// Awake (`a`), asleep (`s`), begun anew and awake (`b`), or silent (any other letter), a quarter each.
    fn polls(day: &str) -> Vec<Poll> {
        let mut began = at(-40);
        let poll = |(n, letter): (usize, char)| {
            let at = at(n as i64);
            if letter == 'b' {
                began = at - SignedDuration::from_secs(30);
            }
            let up = at.duration_since(began).as_millis() / 10;
            let snapshot = Snapshot {
                device_status: Some(DeviceStatus::Running),
                printer_status: Some(if letter == 's' { PrinterStatus::Other } else { PrinterStatus::Idle }),
                uptime_centiseconds: Some(u32::try_from(up).unwrap()),
                ..Snapshot::default()
            };
            let answers = "abs".contains(letter);
            Poll { at, outcome: if answers { Ok(snapshot) } else { Err("no answer".to_owned()) } }
        };
        day.chars().enumerate().map(poll).collect()
    }

    fn hours(of: SignedDuration) -> f64 {
        of.as_secs_f64() / 3600.0
    }

    #[test]
    fn a_day_is_told_apart_as_far_as_it_tells() {
        let runs = fold(None, &polls("aaaassssssss......aaaa......baaa......"), None, QUARTER);
        let told = Availability::of(&runs, (at(0), at(38)), QUARTER * 2);
        assert_eq!([told.awake, told.asleep, told.silent].map(hours), [2.5, 1.75, 5.25]);
        let causes: Vec<Cause> = told.silences.iter().map(|silence| silence.cause).collect();
        assert_eq!(causes, [Cause::RanOn, Cause::Restarted, Cause::Lasting]);
        assert_eq!(told.silences_by(Cause::RanOn), (1, SignedDuration::from_mins(105)));
        // A look at a part of it.
        let later = Availability::of(&runs, (at(14), at(20)), QUARTER * 2);
        assert_eq!([later.whole, later.awake, later.silent].map(hours), [1.5, 0.5, 1.0]);
        assert_eq!(Availability::of(&[], (at(0), at(9)), QUARTER), Availability::default());
    }

    #[test]
    fn a_machine_that_does_not_tell_its_state_has_power_all_the_same() {
        let mut polls = polls("aa....aa");
        for poll in &mut polls {
            if let Ok(snapshot) = &mut poll.outcome {
                snapshot.printer_status = None;
                snapshot.uptime_centiseconds = None;
            }
        }
        let told = Availability::of(&fold(None, &polls, None, QUARTER), (at(0), at(8)), QUARTER * 2);
        assert_eq!([told.powered, told.silent].map(hours), [0.75, 1.25]);
        assert_eq!(told.silences[0].cause, Cause::Untold);
    }

    proptest! {
        #[test]
        fn the_parts_are_the_whole_and_batches_keep_what_one_keeps(
            day in "[abs.]{0,60}", cut in 0usize..60, from in 0i64..60, span in 0i64..60,
        ) {
            let polls = polls(&day);
            let one = fold(None, &polls, None, QUARTER);
            let cut = cut.min(polls.len());
            let first = fold(None, &polls[..cut], None, QUARTER);
            let until = cut.checked_sub(1).map(|last| polls[last].at);
            let second = fold(first.last().cloned(), &polls, until, QUARTER);
            let mut both = first;
            if both.last().map(|run| run.started_at) == second.first().map(|run| run.started_at) {
                both.pop();
            }
            both.extend(second);
            prop_assert_eq!(&both, &one);
            let told = Availability::of(&one, (at(from), at(from + span)), QUARTER * 2);
            prop_assert_eq!(told.answered() + told.silent, told.whole);
        }
    }
}
