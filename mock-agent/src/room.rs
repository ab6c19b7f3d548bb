//! A room of simulated printers, moved forward in time by whoever holds it.

use jiff::Timestamp;

use crate::calendar::Calendar;
use crate::machine::{Hand, Machine};
use crate::mib::View;
use crate::oid::{Oid, Value};
use crate::scenario::{Scenario, SnmpPlan, Version};
use crate::truth::Truth;
use crate::usm::UserPlan;

/// How a printer has to be asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Credential {
    /// Version 1.
    V1 {
        /// The community.
        community: String,
    },
    /// Version 2c.
    V2c {
        /// The community.
        community: String,
    },
    /// Version 3, user-based security model.
    V3(UserPlan),
}

/// What is known about a printer without asking it.
#[derive(Debug, Clone)]
pub struct Printer {
    /// Its name.
    pub name: String,
    /// Where it stands.
    pub location: String,
    /// Who pays for its ink.
    pub cost_centre: String,
    /// What it says it is.
    pub description: String,
    /// Its serial number; empty if it does not tell it.
    pub serial: String,
    /// Width of the roll in it, in millimetres.
    pub media_width_mm: u32,
    /// hrDeviceIndex of the printer.
    pub device_index: u32,
    /// How it has to be asked.
    pub credential: Credential,
    /// Limits and access of its agent.
    pub snmp: SnmpPlan,
}

/// The simulation.
#[derive(Debug)]
pub struct Room {
    calendar: Calendar,
    printers: Vec<Printer>,
    machines: Vec<Machine>,
    views: Vec<View>,
    truth: Truth,
    now: Timestamp,
    boundary: u32,
}

impl Room {
    /// Sets a room up at the start of its history.
    ///
    /// `opened` is the civil midnight, in the scenario's time zone, at which history starts; `phase_day` is
    /// the number of the day (0 is the day of `opened`) on which, at the scenario's moment, the levels stand
    /// where the scenario says. The same arguments always make the same room.
    pub fn new(scenario: &Scenario, opened: Timestamp, phase_day: u32) -> Self {
        let calendar = Calendar::new(&scenario.time_zone, opened, &scenario.closed);
        let machines: Vec<Machine> =
            scenario.printers.iter().map(|plan| Machine::new(scenario, plan, &calendar, phase_day)).collect();
        let truth = Truth {
            room: scenario.name.clone(),
            time_zone: scenario.time_zone.clone(),
            opened,
            first_day: calendar.date(0),
            as_of: opened,
            printers: machines.iter().map(|machine| machine.first_truth(&calendar)).collect(),
            swaps: Vec::new(),
        };
        let views = machines.iter().map(View::new).collect();
        let printers = scenario.printers.iter().map(printer).collect();
        let mut room = Self { calendar, printers, machines, views, truth, now: opened, boundary: 0 };
        room.refresh();
        room
    }

    /// The printers, in the order of the scenario.
    pub fn printers(&self) -> &[Printer] {
        &self.printers
    }

    /// Moves the room forward to `at`; an earlier instant changes nothing.
    pub fn advance_to(&mut self, at: Timestamp) {
        if at <= self.now {
            return;
        }
        self.now = at;
        self.truth.as_of = at;
        let target = self.calendar.slot_of(at);
        let moved = self.boundary < target;
        while self.boundary < target {
            for (place, machine) in self.machines.iter_mut().enumerate() {
                let before = self.truth.swaps.len();
                machine.step(&self.calendar, &mut self.truth.printers[place], &mut self.truth.swaps);
                for swap in &mut self.truth.swaps[before..] {
                    swap.printer = place;
                }
            }
            self.boundary += 1;
        }
        if moved {
            self.refresh();
        } else {
            self.tick();
        }
    }

    /// Somebody lays hands on a printer: at once it tells what came of it. Nothing happens at a number out of range.
    pub fn handle(&mut self, printer: usize, hand: Hand) {
        let (Some(machine), Some(view)) = (self.machines.get_mut(printer), self.views.get_mut(printer))
        else {
            return;
        };
        if let Some(swap) = machine.handle(hand, self.now, &self.calendar) {
            self.truth.swaps.push(crate::truth::Swap { printer, ..swap });
        }
        view.refresh(machine);
        view.set_uptime(machine.seconds_on(self.now.as_second()));
    }

    /// The instant the room stands at.
    pub fn now(&self) -> Timestamp {
        self.now
    }

    /// Whether a printer is switched off or unreachable now, so that it answers nothing at all.
    pub fn is_dark(&self, printer: usize) -> bool {
        self.machines.get(printer).is_none_or(|machine| machine.dark)
    }

    /// A printer's whole MIB view now, sorted by object identifier; empty for a number out of range.
    pub fn mib(&self, printer: usize) -> Vec<(Oid, Value)> {
        self.view(printer).to_vec()
    }

    /// Like [`Room::mib`], without a copy.
    pub fn view(&self, printer: usize) -> &[(Oid, Value)] {
        self.views.get(printer).map_or(&[], View::entries)
    }

    /// How often a printer has been switched on (snmpEngineBoots).
    pub fn boots(&self, printer: usize) -> u32 {
        self.machines.get(printer).map_or(0, |machine| machine.boots)
    }

    /// Seconds since a printer was last switched on (sysUpTime and snmpEngineTime).
    pub fn uptime_seconds(&self, printer: usize) -> u32 {
        self.machines.get(printer).map_or(0, |machine| machine.seconds_on(self.now.as_second()))
    }

    /// What really happened.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    fn refresh(&mut self) {
        for (view, machine) in self.views.iter_mut().zip(&self.machines) {
            view.refresh(machine);
        }
        self.tick();
    }

    fn tick(&mut self) {
        for (view, machine) in self.views.iter_mut().zip(&self.machines) {
            view.set_uptime(machine.seconds_on(self.now.as_second()));
        }
    }
}

fn printer(plan: &crate::scenario::PrinterPlan) -> Printer {
    let community = plan.snmp.community.clone();
    let credential = match (plan.snmp.version, &plan.snmp.user) {
        (Version::V1, _) => Credential::V1 { community },
        (Version::V3, Some(user)) => Credential::V3(user.clone()),
        (Version::V2c | Version::V3, _) => Credential::V2c { community },
    };
    Printer {
        name: plan.name.clone(),
        location: plan.location.clone(),
        cost_centre: plan.cost_centre.clone(),
        description: plan.description.clone(),
        serial: plan.serial.clone(),
        media_width_mm: plan.media_width_mm,
        device_index: plan.device_index,
        credential,
        snmp: plan.snmp.clone(),
    }
}
