//! One printer as it runs: it prints, cares for its heads, is swapped, warns, goes dark and starts again.
//! Besides, somebody may lay hands on it.

use std::collections::BTreeSet;

use jiff::Timestamp;

use crate::alert::{Alerts, Trouble};
use crate::calendar::Calendar;
use crate::demand::{Darkness, DayUse, Demand, printer_seed};
use crate::history::{Frame, lay_out};
use crate::scenario::{PrinterPlan, Scenario};
use crate::supply::Supply;
use crate::truth::{DarkSpan, HeadTruth, PrinterTruth, SupplyTruth, Swap};

/// A printer's state at one boundary between slots.
#[derive(Debug)]
pub(crate) struct Machine {
    pub(crate) plan: PrinterPlan,
    pub(crate) seed: u64,
    demand: Demand,
    darkness: Darkness,
    today: DayUse,
    /// Inks in their order, then the receptacle if there is one.
    pub(crate) supplies: Vec<Supply>,
    care_factor: f64,
    phase_slot: u32,
    /// The last boundary that has been carried out.
    pub(crate) boundary: u32,
    /// Metres printed in its life and since it was switched on.
    pub(crate) life_m: f64,
    pub(crate) since_on_m: f64,
    pub(crate) dark: bool,
    off: bool,
    /// Second (Unix time) at which it was last switched on.
    on_since: i64,
    pub(crate) boots: u32,
    pub(crate) alerts: Alerts,
    hands: Hands,
}

/// What somebody did to a printer by hand, and has not undone.
#[derive(Debug, Default)]
struct Hands {
    /// Whether a job runs, whatever the day's work says.
    job: Option<bool>,
    /// The numbers of covers that stand open.
    open: BTreeSet<u32>,
    /// The places of supplies that are out.
    out: BTreeSet<usize>,
}

/// Something that a person does at a printer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hand {
    /// Sends a job that runs until it is ended.
    StartJob,
    /// Ends every job.
    EndJob,
    /// Opens a cover, by its number.
    Open(u32),
    /// Closes it.
    Close(u32),
    /// Takes a supply out, by its number.
    TakeOut(u32),
    /// Puts a new unit in, by the supply's number.
    PutIn(u32),
}

/// The shares of each ink that run through each head.
fn heads(plan: &PrinterPlan) -> Vec<HeadTruth> {
    let colours = |name: &str, inks: Vec<usize>| HeadTruth {
        name: name.to_owned(),
        shares: inks.into_iter().map(|ink| (ink, 0.0)).collect(),
        daily_ml: vec![0.0],
    };
    let mut heads: Vec<HeadTruth> = if plan.heads.is_empty() {
        // Two rows of heads, two channels each: every colour runs through one head of each row.
        let count = plan.inks.len();
        let row = |letter: char| {
            (0..count.div_ceil(2)).map(move |place| {
                let inks = (2 * place..(2 * place + 2).min(count)).collect();
                colours(&format!("Head {letter}{}", place + 1), inks)
            })
        };
        row('A').chain(row('B')).collect()
    } else {
        let place = |colour: &String| plan.inks.iter().position(|ink| ink.colour == *colour);
        plan.heads
            .iter()
            .map(|head| colours(&head.name, head.colours.iter().filter_map(place).collect()))
            .collect()
    };
    let mut channels = vec![0_u32; plan.inks.len()];
    for (ink, _) in heads.iter().flat_map(|head| &head.shares) {
        channels[*ink] += 1;
    }
    for (ink, share) in heads.iter_mut().flat_map(|head| &mut head.shares) {
        *share = 1.0 / f64::from(channels[*ink].max(1));
    }
    heads
}

impl Machine {
    pub(crate) fn new(scenario: &Scenario, plan: &PrinterPlan, calendar: &Calendar, phase_day: u32) -> Self {
        let seed = printer_seed(scenario.seed, &plan.name);
        let darkness = Darkness::new(plan, calendar, phase_day);
        let frame = Frame::new(scenario, calendar, &darkness, seed, phase_day);
        let layout = lay_out(plan, &frame);
        let phase_slot = frame.phase_slot;
        let mut demand = Demand::new(seed);
        let today = demand.next_day(plan, calendar, &darkness);
        let supplies: Vec<Supply> = layout.inks.into_iter().chain(layout.waste).collect();
        // It has been on for one to five days when the history starts.
        let before = 86_400 + (seed % 345_600) as i64;
        let mut machine = Self {
            seed,
            demand,
            today,
            care_factor: layout.care_factor,
            phase_slot,
            boundary: 0,
            life_m: f64::from(plan.life_m),
            since_on_m: 0.0,
            dark: darkness.dark(calendar, 0),
            off: darkness.off(calendar, 0),
            on_since: calendar.opened().as_second() - before,
            boots: 1 + (seed % 40) as u32,
            alerts: Alerts::new(supplies.len()),
            hands: Hands::default(),
            supplies,
            darkness,
            plan: plan.clone(),
        };
        machine.warn(calendar);
        machine
    }

    /// The truth at the start of the history.
    pub(crate) fn first_truth(&self, calendar: &Calendar) -> PrinterTruth {
        let supplies = self.supplies.iter().enumerate().map(|(place, supply)| SupplyTruth {
            index: place as u32 + 1,
            description: self.description(place),
            colour: self.plan.inks.get(place).map(|ink| ink.colour.clone()).unwrap_or_default(),
            receptacle: self.receptacle(place),
            first_capacity_ml: supply.capacity_ml,
            first_level_ml: supply.level_ml,
            capacity_ml: supply.capacity_ml,
            level_ml: supply.level_ml,
            daily_ml: vec![0.0],
        });
        let dark = self.dark.then(|| DarkSpan { from: calendar.opened(), until: None });
        PrinterTruth {
            name: self.plan.name.clone(),
            serial: self.plan.serial.clone(),
            supplies: supplies.collect(),
            heads: heads(&self.plan),
            dark: dark.into_iter().collect(),
        }
    }

    pub(crate) fn receptacle(&self, place: usize) -> bool {
        place >= self.plan.inks.len()
    }

    pub(crate) fn description(&self, place: usize) -> String {
        match (self.plan.inks.get(place), &self.plan.waste) {
            (Some(ink), _) => {
                ink.description.clone().unwrap_or_else(|| format!("{} ink cartridge", ink.colour))
            }
            (None, Some(waste)) => waste.description.clone(),
            (None, None) => String::new(),
        }
    }

    /// Seconds it has been switched on, at a Unix second.
    pub(crate) fn seconds_on(&self, now: i64) -> u32 {
        u32::try_from(now.saturating_sub(self.on_since).max(0)).unwrap_or(u32::MAX)
    }

    pub(crate) fn printing(&self) -> bool {
        let works = || self.today.at(self.boundary).is_some_and(|what| what.area_m2 > 0.0);
        self.hands.job.unwrap_or_else(works)
    }

    pub(crate) fn trouble(&self) -> Trouble {
        self.alerts.worst()
    }

    pub(crate) fn is_open(&self, cover: u32) -> bool {
        self.hands.open.contains(&cover)
    }

    pub(crate) fn stands_open(&self) -> bool {
        !self.hands.open.is_empty()
    }

    pub(crate) fn is_out(&self, place: usize) -> bool {
        self.hands.out.contains(&place)
    }

    /// Carries out what somebody does; gives the swap that it was, if it was one.
    pub(crate) fn handle(&mut self, hand: Hand, at: Timestamp, calendar: &Calendar) -> Option<Swap> {
        let place = |supply: u32| (supply as usize).wrapping_sub(1);
        let mut swap = None;
        match hand {
            Hand::StartJob => self.hands.job = Some(true),
            Hand::EndJob => self.hands.job = Some(false),
            Hand::Open(cover) => drop(self.hands.open.insert(cover)),
            Hand::Close(cover) => drop(self.hands.open.remove(&cover)),
            Hand::TakeOut(supply) if place(supply) < self.supplies.len() => {
                self.hands.out.insert(place(supply));
            }
            Hand::TakeOut(_) => {}
            Hand::PutIn(supply) => {
                self.hands.out.remove(&place(supply));
                swap = self.put_in(place(supply), at);
            }
        }
        self.warn(calendar);
        swap
    }

    fn put_in(&mut self, place: usize, at: Timestamp) -> Option<Swap> {
        let supply = self.supplies.get_mut(place)?;
        let swapped = supply.swap();
        Some(Swap {
            at,
            // The room fills in which printer this is.
            printer: 0,
            printer_name: self.plan.name.clone(),
            supply: place as u32 + 1,
            old_ml: swapped.old_ml,
            old_capacity_ml: swapped.old_capacity_ml,
            new_ml: swapped.new_ml,
            capacity_ml: supply.capacity_ml,
        })
    }

    /// Carries out the slot that ends at the next boundary, and what people do at that boundary.
    pub(crate) fn step(&mut self, calendar: &Calendar, truth: &mut PrinterTruth, swaps: &mut Vec<Swap>) {
        self.use_up(truth);
        self.boundary += 1;
        if self.boundary >= self.today.day.end {
            self.today = self.demand.next_day(&self.plan, calendar, &self.darkness);
            let days = truth.supplies.iter_mut().map(|supply| &mut supply.daily_ml);
            for daily in days.chain(truth.heads.iter_mut().map(|head| &mut head.daily_ml)) {
                daily.push(0.0);
            }
        }
        self.power(calendar, truth);
        if !self.off {
            self.swap(calendar, swaps);
            self.warn(calendar);
        }
        for (told, supply) in truth.supplies.iter_mut().zip(&self.supplies) {
            told.capacity_ml = supply.capacity_ml;
            told.level_ml = supply.level_ml;
        }
    }

    fn use_up(&mut self, truth: &mut PrinterTruth) {
        let Some(what) = self.today.at(self.boundary) else { return };
        let metres = what.area_m2 * 1000.0 / f64::from(self.plan.media_width_mm);
        self.life_m += metres;
        self.since_on_m += metres;
        let mut waste_ml = 0.0;
        let inks = self.plan.inks.len();
        for (place, supply) in self.supplies.iter_mut().take(inks).enumerate() {
            let wanted = what.jobs_ml.get(place).copied().unwrap_or(0.0) * supply.factor;
            let printed = supply.take(wanted);
            let cared = supply.take(what.care_ml.get(place).copied().unwrap_or(0.0) * self.care_factor);
            waste_ml += cared;
            count(&mut truth.supplies[place].daily_ml, printed + cared);
            for head in &mut truth.heads {
                for (_, share) in head.shares.iter().filter(|(ink, _)| *ink == place) {
                    count(&mut head.daily_ml, share * (printed + cared));
                }
            }
        }
        if let (Some(supply), Some(told)) = (self.supplies.get_mut(inks), truth.supplies.get_mut(inks)) {
            count(&mut told.daily_ml, supply.take(waste_ml));
        }
    }

    fn power(&mut self, calendar: &Calendar, truth: &mut PrinterTruth) {
        let (dark, off) =
            (self.darkness.dark(calendar, self.boundary), self.darkness.off(calendar, self.boundary));
        let at = calendar.instant(self.boundary);
        if dark && !self.dark {
            truth.dark.push(DarkSpan { from: at, until: None });
        }
        if let (false, true, Some(span)) = (dark, self.dark, truth.dark.last_mut()) {
            span.until = Some(at);
        }
        if self.off && !off {
            self.on_since = at.as_second();
            self.since_on_m = 0.0;
            self.boots = self.boots.saturating_add(1);
            self.alerts.restart();
        }
        (self.dark, self.off) = (dark, off);
    }

    fn swap(&mut self, calendar: &Calendar, swaps: &mut Vec<Swap>) {
        let history = self.boundary <= self.phase_slot;
        let hands_free = self.today.hands_free(self.boundary);
        for place in 0..self.supplies.len() {
            let supply = &mut self.supplies[place];
            let wanted = supply.planned_at(self.boundary) || (!history && hands_free && supply.due());
            if wanted {
                swaps.extend(self.put_in(place, calendar.instant(self.boundary)));
            }
        }
    }

    fn warn(&mut self, calendar: &Calendar) {
        let ticks = self.seconds_on(calendar.instant(self.boundary).as_second()).wrapping_mul(100);
        let sensor = &self.plan.sensor;
        for place in 0..self.supplies.len() {
            let receptacle = place >= self.plan.inks.len();
            let (almost, out) = if receptacle {
                (sensor.almost_full_at, sensor.full_at)
            } else {
                (sensor.almost_empty_at, sensor.empty_at)
            };
            let state = match self.supplies[place].fraction() {
                _ if self.is_out(place) => Trouble::Missing,
                left if left <= out => Trouble::Out,
                left if left <= almost => Trouble::Almost,
                _ => Trouble::None,
            };
            if state != self.alerts.state(place) {
                let name = self.description(place);
                self.alerts.note(place, state, receptacle, &name, ticks);
            }
        }
    }
}

fn count(daily: &mut [f64], ml: f64) {
    if let Some(today) = daily.last_mut() {
        *today += ml;
    }
}
