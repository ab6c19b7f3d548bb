//! The unit that is in a slot: what is believed of it, and its use as far as it is not final.

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::Event;
use crate::domain::install::{Fall, Install, Pending, Yardstick};
use crate::domain::ledger::{Days, Fit, Run};
use crate::domain::swap::Leaving;
use crate::domain::units::Measure;

/// The unit that is in the slot, and its use as far as it is not final.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Unit {
    pub(super) install: Install,
    /// The install's measure for one of the device's.
    pub(super) scale: f64,
    /// The measure and the capacity that the device gives.
    pub(super) measured_in: (Measure, Option<f64>),
    pub(super) yardstick: Yardstick,
    pub(super) fit: Fit,
    pub(super) run: Option<Run>,
    /// The last level, as it was read.
    pub(super) level: f64,
    /// What was booked around the swap that brought it, above its first level.
    pub(super) before_first: f64,
    /// The largest job of the units before.
    pub(super) largest_job_before: f64,
    pub(super) days: Days,
}

impl Unit {
    pub(super) fn believe(&mut self, run: &Run, tell: &mut impl FnMut(Event)) {
        self.level = run.amount * self.scale;
        self.run = Some(Run { amount: self.level, ..*run });
        tell(Event::Believed { at: run.from, remaining: self.level, capacity: self.install.capacity });
    }

    pub(super) fn close_run(&mut self, zone: &TimeZone) {
        if let Some(run) = self.run.take() {
            self.fit.push(run, self.yardstick.rise(), &mut self.days, zone);
        }
    }

    /// Believes what was waiting.
    pub(super) fn take_in(&mut self, pending: &Pending, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        for run in &pending.runs {
            self.close_run(zone);
            self.believe(run, tell);
        }
        if !pending.open {
            self.close_run(zone);
        }
    }

    /// Believes the last levels before a swap, which had no time to last, if a job explains them.
    pub(super) fn take_in_last_fall(&mut self, runs: &[Run], zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        let (Some((level, until)), Some(first)) = (self.fit.last(), runs.first()) else { return };
        let wait = first.from.duration_since(until);
        let lowest = runs.iter().map(|run| run.amount * self.scale).fold(level, f64::min);
        if self.yardstick.judge(level - lowest, wait, 0.0) == Fall::Use {
            for run in runs {
                self.believe(run, tell);
                self.close_run(zone);
            }
        }
    }

    /// Use per second so far, where there are three days of it.
    pub(super) fn rate(&self) -> Option<f64> {
        let (level, until) = self.fit.last()?;
        let seconds = until.duration_since(self.install.from).as_secs_f64();
        (seconds >= 3.0 * 86_400.0).then(|| (self.fit.start().unwrap_or(level) - level) / seconds)
    }

    pub(super) fn leaving(&self, rate: Option<f64>) -> Option<Leaving> {
        let (level, until) = self.fit.last()?;
        let dry_since = self.fit.below_since(1.01 * self.install.step);
        Some(Leaving {
            level,
            until,
            dry_since,
            rate: rate.unwrap_or(0.0),
            largest_job: self.fit.largest_job().max(self.largest_job_before),
            flow: self.fit.last_flow(),
        })
    }

    /// Writes down where its levels began and ended; `further` went after the last one.
    pub(super) fn settle_ends(&mut self, further: f64) {
        if let (Some(start), Some((end, _))) = (self.fit.start(), self.fit.last()) {
            self.install.start = start + self.before_first;
            self.install.end = end - further;
        }
    }
}
