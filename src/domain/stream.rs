//! Readings to installs and use, one reading at a time, with a bounded memory that can be put away between
//! two readings and taken up again.
//!
//! What is known depends on runs of equal readings only by their first and last moment. So a stream of every
//! poll, and the changes alone with the answer before each, come to the same; and so do one pass over all
//! and many passes, each from where the last one left off.

mod unit;

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use self::unit::Unit;
use super::falls::Falls;
use super::install::{Answer, Arrival, Fall, Install, LASTING, Pending, Question, Suspicion, Yardstick};
use super::ledger::{DayUse, Days, Fit, Run, book, day_of};
use super::reading::{Amount, Level, Reading};
use super::sign::{Evidence, Sign, Signs};
use super::swap::passage;
use super::units::Measure;

/// What is known from outside of the units that go into a slot, in millilitres.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Sizes {
    /// What a full unit holds; gives a size to a device that counts only in percent.
    pub full_ml: Option<f64>,
    /// What the unit held that was in when watching began: a starter holds less.
    pub first_ml: Option<f64>,
}

/// What people and the catalogue say of a slot.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Known {
    /// How much its units hold.
    pub sizes: Sizes,
    /// What the falls were that were asked about, by the moment of the question.
    pub answers: BTreeMap<Timestamp, Answer>,
}

impl From<Sizes> for Known {
    fn from(sizes: Sizes) -> Self {
        Self { sizes, answers: BTreeMap::new() }
    }
}

/// What came to be known by a reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Event {
    /// This level is believed from this moment on; amounts in the install's measure.
    Believed {
        /// When it was first seen.
        at: Timestamp,
        /// What was left, or the room left.
        remaining: f64,
        /// What the unit can hold, where that is known.
        capacity: Option<f64>,
    },
    /// A unit came out; these are its last days, those included that are not final before the event.
    Ended(Install, Days),
    /// A unit went in.
    Began(Install),
    /// A fall may have been a swap or a job.
    Asked(Question),
    /// The device counts the other way than was taken so far: forget every event before this one.
    Reversed,
}

/// What is known of a slot as of its last reading.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// The unit that is in it. Its start and end are those of its ledger.
    pub install: Install,
    /// Its use on the days that are not final yet.
    pub days: Days,
    /// The last level that is believed, as it was read: [`Install::end`] has its jitter taken out.
    pub level: f64,
    /// When the present level was last seen.
    pub seen_at: Timestamp,
}

/// Follows one slot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tracker {
    known: Known,
    signs: Signs,
    last: Option<(Level, Timestamp)>,
    seen_at: Option<Timestamp>,
    unit: Option<Unit>,
    pending: Option<Pending>,
    /// Use per second of the unit before, where it was in for long enough to tell.
    rate_before: Option<f64>,
    /// How fast it has fallen so far.
    falls: Falls,
}

impl Tracker {
    /// Begins to follow a slot.
    #[must_use]
    pub fn new(known: Known) -> Self {
        Self {
            known,
            signs: Signs::default(),
            last: None,
            seen_at: None,
            unit: None,
            pending: None,
            rate_before: None,
            falls: Falls::default(),
        }
    }

    /// The last reading as it came, and when it began.
    #[must_use]
    pub fn latest(&self) -> Option<(Level, Timestamp)> {
        self.last
    }

    /// When the slot last said anything.
    #[must_use]
    pub fn seen_at(&self) -> Option<Timestamp> {
        self.seen_at
    }

    /// Whether a step waits to be believed, so that hearing the same again would tell something.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.pending.is_some()
    }

    /// Notes what was seen at a poll besides the level, before the reading of that poll is taken in.
    pub fn note(&mut self, sign: Sign, at: Timestamp) {
        self.signs.note(sign, at);
    }

    /// Takes in a reading. Readings that are not later than what was seen are passed over.
    pub fn push(&mut self, reading: &Reading, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        if self.seen_at.is_some_and(|seen_at| reading.at <= seen_at) {
            return;
        }
        if let Some(previous_at) = reading.previous_at {
            self.seen(previous_at, zone, tell);
        }
        if self.last.is_some_and(|(level, _)| level == reading.level) {
            return self.seen(reading.at, zone, tell);
        }
        self.close_run(zone);
        self.last = Some((reading.level, reading.at));
        self.seen_at = Some(reading.at);
        if let Amount::Measured(amount) = reading.level.remaining {
            self.observe(Run { from: reading.at, until: reading.at, amount }, zone, tell);
        }
    }

    /// The slot said at `at` what it last said.
    pub fn seen(&mut self, at: Timestamp, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        if self.seen_at.is_none_or(|seen_at| at <= seen_at) {
            return;
        }
        self.seen_at = Some(at);
        match &mut self.pending {
            Some(pending) if pending.open => {
                if let Some(run) = pending.runs.last_mut() {
                    run.until = at;
                }
                self.confirm(zone, tell);
            }
            _ => {
                if let Some(run) = self.unit.as_mut().and_then(|unit| unit.run.as_mut()) {
                    run.until = at;
                }
            }
        }
    }

    fn close_run(&mut self, zone: &TimeZone) {
        if let Some(unit) = &mut self.unit {
            unit.close_run(zone);
        }
        if let Some(pending) = &mut self.pending {
            pending.open = false;
        }
    }

    fn observe(&mut self, run: Run, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        let Some((level, _)) = self.last else { return };
        let Some(unit) = &mut self.unit else {
            let mut found = Pending::new(Suspicion::Risen, Evidence::default(), None);
            found.push(run);
            return self.begin(Arrival::Found, 1.0, found, zone, tell);
        };
        let amount = run.amount * unit.scale;
        let (last, until) = unit.fit.last().unwrap_or((amount, run.from));
        let evidence = self.signs.about(until, run.from);
        let suspicion = if unit.measured_in == (level.measure, level.capacity.known()) {
            let reference = unit.fit.reference(LASTING).unwrap_or(last);
            unit.yardstick.suspicion(last, reference, amount, evidence)
        } else {
            Some(Suspicion::Resized)
        };
        let Some(suspicion) = suspicion else {
            self.pending = None;
            return unit.believe(&run, tell);
        };
        let (scale, yardstick) = (unit.scale, unit.yardstick);
        let wanders = |pending: &Pending| {
            let Some(last) = pending.runs.last() else { return true };
            let step = (run.amount - last.amount).abs() * scale;
            pending.suspicion != suspicion || step > yardstick.fall(run.from.duration_since(last.until))
        };
        if self.pending.as_ref().is_none_or(wanders) {
            self.pending = Some(Pending::new(suspicion, evidence, self.pending.take()));
        }
        if let Some(pending) = &mut self.pending {
            pending.push(run);
        }
        self.confirm(zone, tell);
    }

    /// Believes the step that is waiting, once it has lasted.
    fn confirm(&mut self, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        let lasted = |pending: &mut Pending| pending.suspicion.has_lasted(pending.lasted());
        let Some(pending) = self.pending.take_if(lasted) else { return };
        let (Some(unit), Some(first)) = (&mut self.unit, pending.runs.first()) else { return };
        let Some((level, until)) = unit.fit.last() else { return };
        let wait = first.from.duration_since(until);
        let median = pending.median() * unit.scale;
        let fallen = level - pending.highest() * unit.scale;
        let usual = unit.rate().or(self.rate_before).unwrap_or(0.0) * wait.as_secs_f64();
        let (arrival, fall) = match pending.suspicion {
            Suspicion::Resized => (Arrival::Resized, Fall::Swap),
            Suspicion::Risen => (Arrival::Risen, Fall::Swap),
            Suspicion::Renamed => (Arrival::Renamed, Fall::Swap),
            Suspicion::Fallen => {
                let judged = pending.evidence.judge(unit.yardstick.judge(fallen, wait, usual));
                let pace = unit.yardstick.pace(fallen, wait);
                (Arrival::Fallen, self.falls.judge(judged, pace, pending.evidence.stood_open()))
            }
        };
        match (fall, self.known.answers.get(&first.from)) {
            (Fall::Swap, _) => {
                let step = if arrival == Arrival::Fallen { fallen } else { median - level };
                let confidence = unit.yardstick.confidence(pending.suspicion, step, wait);
                return self.begin(arrival, pending.evidence.weigh(confidence), pending, zone, tell);
            }
            (Fall::Doubtful, Some(Answer::Swap)) => return self.begin(arrival, 1.0, pending, zone, tell),
            (Fall::Doubtful, None) => {
                let measure = unit.install.measure;
                tell(Event::Asked(Question {
                    at: first.from,
                    since: until,
                    from: level,
                    to: median,
                    measure,
                }));
            }
            (Fall::Doubtful, Some(Answer::Job)) | (Fall::Use, _) => {}
        }
        unit.take_in(&pending, zone, tell);
    }

    /// Another unit is in: `pending` are its first levels.
    fn begin(
        &mut self,
        arrival: Arrival,
        confidence: f64,
        pending: Pending,
        zone: &TimeZone,
        tell: &mut impl FnMut(Event),
    ) {
        let (Some((level, _)), Some(first)) = (self.last, pending.runs.first().copied()) else { return };
        let found = arrival == Arrival::Found;
        let (scale, capacity, measure) = self.size_up(&level, found);
        let full = self.known.sizes.full_ml.filter(|_| measure == Measure::Millilitres);
        let amount = pending.highest() * scale;
        let step = level.step * scale;
        let mut unit = Unit {
            install: Install {
                from: first.from,
                to: None,
                arrival,
                confidence,
                measure,
                capacity,
                step,
                start: amount,
                end: amount,
            },
            scale,
            measured_in: (level.measure, level.capacity.known()),
            yardstick: Yardstick::new(step, capacity, full, found, amount),
            fit: Fit::default(),
            run: None,
            level: amount,
            before_first: 0.0,
            largest_job_before: 0.0,
            days: Days::new(),
        };
        if let Some(mut old) = self.unit.take() {
            old.take_in_last_fall(&pending.before, zone, tell);
            self.end(old, &mut unit, zone, tell);
        }
        tell(Event::Began(unit.install.clone()));
        unit.take_in(&pending, zone, tell);
        self.unit = Some(unit);
    }

    /// Ends a unit, and books what went while nobody looked between it and the `new` one.
    fn end(&mut self, mut old: Unit, new: &mut Unit, zone: &TimeZone, tell: &mut impl FnMut(Event)) {
        old.close_run(zone);
        let rate = old.rate().or(self.rate_before);
        self.rate_before = rate;
        let mut further = 0.0;
        if let Some(leaving) = old.leaving(rate) {
            new.largest_job_before = leaving.largest_job;
            new.fit = old.fit.heir();
            old.install.to = Some(leaving.until);
            if old.install.measure == new.install.measure {
                let between = passage(&leaving, &new.install);
                let span = (leaving.until, new.install.from);
                book(&mut old.days, span, DayUse::estimate(between.to_old, 0.0), zone);
                book(&mut new.days, span, DayUse::estimate(between.to_new, between.unseen), zone);
                further = between.to_old;
                new.before_first = between.to_new;
            }
        }
        old.settle_ends(further);
        old.fit.finish(&mut old.days, zone);
        tell(Event::Ended(old.install, old.days));
    }

    /// The scale from the device's measure, the capacity and the measure of a unit that goes in.
    fn size_up(&self, level: &Level, first: bool) -> (f64, Option<f64>, Measure) {
        let sizes = &self.known.sizes;
        let given = if first { sizes.first_ml.or(sizes.full_ml) } else { sizes.full_ml };
        match (level.measure, level.capacity.known(), given) {
            (Measure::Percent, Some(capacity), Some(given)) if capacity > 0.0 => {
                (given / capacity, Some(given), Measure::Millilitres)
            }
            (Measure::Millilitres, None, given) => (1.0, given, Measure::Millilitres),
            (measure, capacity, _) => (1.0, capacity, measure),
        }
    }

    /// What is known as of the last reading; `None` before the first level.
    ///
    /// The run that is going on counts as one poll: how long it will go on is not known, and what is known
    /// must not depend on how often it was asked for meanwhile.
    #[must_use]
    pub fn view(&self, zone: &TimeZone) -> Option<View> {
        let mut unit = self.unit.clone()?;
        let run_until = unit.run.as_mut().map(|run| std::mem::replace(&mut run.until, run.from));
        unit.close_run(zone);
        let (_, until) = unit.fit.last()?;
        let seen_at = run_until.unwrap_or(until);
        unit.settle_ends(0.0);
        unit.fit.finish(&mut unit.days, zone);
        Some(View { install: unit.install, days: unit.days, level: unit.level, seen_at })
    }

    /// When the unit that is in was first seen.
    #[must_use]
    pub fn unit_from(&self) -> Option<Timestamp> {
        self.unit.as_ref().map(|unit| unit.install.from)
    }

    /// The last level that was believed or left out for good; a step that waits came later.
    #[must_use]
    pub fn settled_until(&self) -> Option<Timestamp> {
        match (&self.pending, &self.unit) {
            (Some(_), Some(unit)) => unit.fit.last().map(|(_, until)| until),
            _ => self.seen_at,
        }
    }

    /// Something else is known of the slot from here on.
    pub fn learn(&mut self, known: Known) {
        self.known = known;
    }

    /// Puts the run that is going on back to its first poll, so that what is put away does not depend on how
    /// often that was done: the next reading says how long it lasted, and so does the next [`Tracker::seen`].
    pub fn rewind(&mut self) {
        self.seen_at = self.last.map(|(_, at)| at);
        let waiting = self.pending.as_mut().filter(|pending| pending.open);
        let run = match waiting {
            Some(pending) => pending.runs.last_mut(),
            None => self.unit.as_mut().and_then(|unit| unit.run.as_mut()),
        };
        if let Some(run) = run {
            run.until = run.from;
        }
    }

    /// Forgets the days that are final, which a [`View`] has told. The first day that is not final.
    pub fn forget_final_days(&mut self, zone: &TimeZone) {
        if let Some(unit) = &mut self.unit
            && let Some(until) = unit.fit.settled_until()
        {
            let day = day_of(until, zone);
            unit.days = unit.days.split_off(&day);
        }
    }

    /// The first day whose use may still change.
    #[must_use]
    pub fn first_open_day(&self, zone: &TimeZone) -> Option<Date> {
        let unit = self.unit.as_ref()?;
        unit.fit.settled_until().map(|until| day_of(until, zone))
    }
}

#[cfg(test)]
mod tests;
