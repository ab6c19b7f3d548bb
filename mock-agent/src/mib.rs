//! What a printer tells over SNMP: the system group, Host Resources (RFC 2790) and the Printer MIB
//! (RFC 3805), with the sensor table of RFC 3433 where a printer has one, as one sorted list that is built once and
//! then only patched.

use crate::alert::{Alert, Trouble};
use crate::machine::Machine;
use crate::oid::{Oid, Value};
use crate::scenario::ClimatePlan;
use crate::sensor::{self, Look, Polarity};

const SYSTEM: [u32; 7] = [1, 3, 6, 1, 2, 1, 1];
const HOST: [u32; 7] = [1, 3, 6, 1, 2, 1, 25];
const PRINTER: [u32; 7] = [1, 3, 6, 1, 2, 1, 43];
/// entPhySensorEntry (RFC 3433).
const SENSOR: [u32; 10] = [1, 3, 6, 1, 2, 1, 99, 1, 1, 1];
/// Invented: nobody asked for this enterprise number, and nothing real answers with it.
const PRODUCT: [u32; 8] = [1, 3, 6, 1, 4, 1, 99_999, 1];

/// A value that changes while the printer runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Live {
    Uptime,
    DeviceStatus,
    PrinterStatus,
    ErrorState,
    CriticalEvents,
    AllEvents,
    RollLevel,
    Life,
    LifeSinceOn,
    MarkerStatus,
    Cover(u32),
    Capacity(usize),
    Level(usize),
}

/// A printer's whole MIB view, sorted by object identifier.
#[derive(Debug)]
pub(crate) struct View {
    entries: Vec<(Oid, Value)>,
    /// Places of live values in `entries`.
    live: Vec<(usize, Live)>,
    uptime: usize,
    /// Entries before the alert table.
    fixed: usize,
    /// What comes behind the alert table in the order.
    sensors: Vec<(Oid, Value)>,
    device: u32,
}

/// Collects entries in any order.
struct Builder {
    entries: Vec<(Oid, Value, Option<Live>)>,
}

impl Builder {
    fn add(&mut self, base: &[u32], tail: &[u32], value: Value) {
        self.entries.push((Oid::from(base).child(tail), value, None));
    }

    fn live(&mut self, base: &[u32], tail: &[u32], live: Live) {
        self.entries.push((Oid::from(base).child(tail), Value::Null, Some(live)));
    }
}

impl View {
    pub(crate) fn new(machine: &Machine) -> Self {
        let mut builder = Builder { entries: Vec::with_capacity(320) };
        system(&mut builder, machine);
        if machine.plan.printer_mib {
            devices(&mut builder, machine);
            general(&mut builder, machine);
            input(&mut builder, machine);
            marker(&mut builder, machine);
            supplies(&mut builder, machine);
        } else {
            interface(&mut builder, machine.plan.device_index);
        }
        builder.entries.sort_by(|a, b| a.0.cmp(&b.0));
        let live: Vec<(usize, Live)> = builder
            .entries
            .iter()
            .enumerate()
            .filter_map(|(place, (_, _, live))| live.map(|live| (place, live)))
            .collect();
        let uptime = live.iter().find(|(_, live)| *live == Live::Uptime).map_or(0, |(place, _)| *place);
        let entries: Vec<(Oid, Value)> =
            builder.entries.into_iter().map(|(oid, value, _)| (oid, value)).collect();
        let sensors = sensors(&machine.plan.climate);
        Self { fixed: entries.len(), entries, live, uptime, device: machine.plan.device_index, sensors }
    }

    pub(crate) fn entries(&self) -> &[(Oid, Value)] {
        &self.entries
    }

    /// Sets sysUpTime, which changes between two slots as well.
    pub(crate) fn set_uptime(&mut self, seconds: u32) {
        if let Some((_, value)) = self.entries.get_mut(self.uptime) {
            *value = Value::TimeTicks(seconds.wrapping_mul(100));
        }
    }

    /// Brings every live value and the alert table up to date.
    pub(crate) fn refresh(&mut self, machine: &Machine) {
        let spell = sensor::spell(&machine.plan.sensor, machine.seed, machine.boundary);
        for (place, live) in &self.live {
            if *live == Live::Uptime {
                continue;
            }
            if let Some((_, value)) = self.entries.get_mut(*place) {
                *value = now(machine, *live, spell);
            }
        }
        self.entries.truncate(self.fixed);
        if machine.plan.printer_mib {
            self.add_alerts(machine);
        }
        self.entries.extend_from_slice(&self.sensors);
    }

    fn add_alerts(&mut self, machine: &Machine) {
        let mut rows: Vec<&Alert> = machine.alerts.rows.iter().collect();
        rows.sort_by_key(|row| row.index);
        let base = Oid::from(PRINTER.as_slice());
        for column in 1..=9_u32 {
            for row in &rows {
                let value = match column {
                    1 => Value::Integer(i32::try_from(row.index).unwrap_or(i32::MAX)),
                    2 => Value::Integer(row.severity),
                    3 => Value::Integer(row.training),
                    4 => Value::Integer(11),
                    5 => Value::Integer(row.supply as i32),
                    6 => Value::Integer(-2),
                    7 => Value::Integer(row.code),
                    8 => Value::text(&row.text),
                    _ => Value::TimeTicks(row.ticks),
                };
                self.entries.push((base.child(&[18, 1, 1, column, self.device, row.index]), value));
            }
        }
    }
}

/// entPhySensorTable, sorted.
fn sensors(plans: &[ClimatePlan]) -> Vec<(Oid, Value)> {
    let base = Oid::from(SENSOR.as_slice());
    let cells = |plan: &ClimatePlan| {
        let numbers = [plan.kind, plan.scale, plan.precision, plan.value, plan.status];
        let index = plan.index;
        (1..)
            .zip(numbers)
            .map(|(column, number)| (base.child(&[column, index]), Value::Integer(number)))
            .collect::<Vec<_>>()
    };
    let mut entries: Vec<(Oid, Value)> = plans.iter().flat_map(cells).collect();
    entries.sort_by(|a, b| a.0.cmp(&b.0));
    entries
}

fn system(builder: &mut Builder, machine: &Machine) {
    let plan = &machine.plan;
    builder.add(&SYSTEM, &[1, 0], Value::text(&plan.description));
    builder.add(
        &SYSTEM,
        &[2, 0],
        Value::ObjectId(Oid::from(PRODUCT.as_slice()).child(&[plan.inks.len() as u32])),
    );
    builder.live(&SYSTEM, &[3, 0], Live::Uptime);
    builder.add(&SYSTEM, &[4, 0], Value::text(""));
    builder.add(&SYSTEM, &[5, 0], Value::text(&plan.name));
    builder.add(&SYSTEM, &[6, 0], Value::text(&plan.location));
}

/// The hrDeviceTable of a machine that is no printer: a network interface (hrDeviceNetwork, RFC 2790).
fn interface(builder: &mut Builder, dev: u32) {
    let network = Oid::from(HOST.as_slice()).child(&[3, 1, 4]);
    builder.add(&HOST, &[3, 2, 1, 1, dev], Value::Integer(dev as i32));
    builder.add(&HOST, &[3, 2, 1, 2, dev], Value::ObjectId(network));
    builder.add(&HOST, &[3, 2, 1, 3, dev], Value::text("Network interface"));
    builder.add(&HOST, &[3, 2, 1, 5, dev], Value::Integer(2));
}

/// hrDeviceTable and hrPrinterTable.
fn devices(builder: &mut Builder, machine: &Machine) {
    let dev = machine.plan.device_index;
    let types = Oid::from(HOST.as_slice()).child(&[3, 1]);
    let mut row = |index: u32, kind: u32, description: &str| {
        builder.add(&HOST, &[3, 2, 1, 1, index], Value::Integer(index as i32));
        builder.add(&HOST, &[3, 2, 1, 2, index], Value::ObjectId(types.child(&[kind])));
        builder.add(&HOST, &[3, 2, 1, 3, index], Value::text(description));
        builder.add(&HOST, &[3, 2, 1, 4, index], Value::ObjectId(Oid(vec![0, 0])));
        builder.add(&HOST, &[3, 2, 1, 6, index], Value::Counter32(0));
    };
    row(dev, 5, &machine.plan.description);
    if dev != 1 {
        row(1, 4, "Network interface");
        builder.add(&HOST, &[3, 2, 1, 5, 1], Value::Integer(2));
    }
    builder.live(&HOST, &[3, 2, 1, 5, dev], Live::DeviceStatus);
    builder.live(&HOST, &[3, 5, 1, 1, dev], Live::PrinterStatus);
    builder.live(&HOST, &[3, 5, 1, 2, dev], Live::ErrorState);
}

/// prtGeneralTable, prtCoverTable and prtLocalizationTable.
fn general(builder: &mut Builder, machine: &Machine) {
    let (plan, dev) = (&machine.plan, machine.plan.device_index);
    builder.add(&PRINTER, &[5, 1, 1, 1, dev], Value::Counter32(1));
    builder.add(&PRINTER, &[5, 1, 1, 2, dev], Value::Integer(1));
    // notResetting(3); the agent refuses every SET, so it can never be asked to reset.
    builder.add(&PRINTER, &[5, 1, 1, 3, dev], Value::Integer(3));
    builder.add(&PRINTER, &[5, 1, 1, 10, dev], Value::Integer(1));
    builder.add(&PRINTER, &[5, 1, 1, 16, dev], Value::text(&plan.name));
    if !plan.serial.is_empty() {
        builder.add(&PRINTER, &[5, 1, 1, 17, dev], Value::text(&plan.serial));
    }
    builder.live(&PRINTER, &[5, 1, 1, 18, dev], Live::CriticalEvents);
    builder.live(&PRINTER, &[5, 1, 1, 19, dev], Live::AllEvents);
    for (cover, name) in [(1, "Front cover"), (2, "Ink bay door")] {
        builder.add(&PRINTER, &[6, 1, 1, 2, dev, cover], Value::text(name));
        builder.live(&PRINTER, &[6, 1, 1, 3, dev, cover], Live::Cover(cover));
    }
    builder.add(&PRINTER, &[7, 1, 1, 2, dev, 1], Value::text("en"));
    builder.add(&PRINTER, &[7, 1, 1, 3, dev, 1], Value::text("GB"));
    builder.add(&PRINTER, &[7, 1, 1, 4, dev, 1], Value::Integer(106));
}

/// prtInputTable: one continuous roll, measured in metres.
fn input(builder: &mut Builder, machine: &Machine) {
    let (plan, dev) = (&machine.plan, machine.plan.device_index);
    let width = i32::try_from(plan.media_width_mm).unwrap_or(0) * 1000;
    let roll = i32::try_from(plan.roll_m).unwrap_or(i32::MAX);
    for (column, number) in
        [(2, 6), (3, 4), (4, -2), (5, width), (6, -2), (7, width), (8, 17), (9, roll), (11, 0)]
    {
        builder.add(&PRINTER, &[8, 2, 1, column, dev, 1], Value::Integer(number));
    }
    builder.live(&PRINTER, &[8, 2, 1, 10, dev, 1], Live::RollLevel);
    builder.add(&PRINTER, &[8, 2, 1, 12, dev, 1], Value::text(&plan.media_name));
    builder.add(&PRINTER, &[8, 2, 1, 13, dev, 1], Value::text("Roll 1"));
    builder.add(&PRINTER, &[8, 2, 1, 18, dev, 1], Value::text("Media roll at the back"));
}

/// prtMarkerTable and prtMarkerColorantTable.
fn marker(builder: &mut Builder, machine: &Machine) {
    let (plan, dev) = (&machine.plan, machine.plan.device_index);
    let spots = plan.inks.iter().filter(|ink| ink.spot).count() as i32;
    let process = plan.inks.len() as i32 - spots;
    // inkjetAqueous(12), metres(17), 1200 dots per inch (per 10 000 ten-thousandths of an inch).
    for (column, number) in [(2, 12), (3, 17), (6, process), (7, spots), (8, 3), (9, 1200), (10, 1200)] {
        builder.add(&PRINTER, &[10, 2, 1, column, dev, 1], Value::Integer(number));
    }
    for margin in 11..=14 {
        builder.add(&PRINTER, &[10, 2, 1, margin, dev, 1], Value::Integer(-1));
    }
    builder.live(&PRINTER, &[10, 2, 1, 4, dev, 1], Live::Life);
    builder.live(&PRINTER, &[10, 2, 1, 5, dev, 1], Live::LifeSinceOn);
    builder.live(&PRINTER, &[10, 2, 1, 15, dev, 1], Live::MarkerStatus);
    for (index, ink) in (1..).zip(&plan.inks) {
        builder.add(&PRINTER, &[12, 1, 1, 2, dev, index], Value::Integer(1));
        builder.add(&PRINTER, &[12, 1, 1, 3, dev, index], Value::Integer(if ink.spot { 4 } else { 3 }));
        builder.add(&PRINTER, &[12, 1, 1, 4, dev, index], Value::text(&ink.colour.to_lowercase()));
        builder.add(&PRINTER, &[12, 1, 1, 5, dev, index], Value::Integer(256));
    }
}

/// prtMarkerSuppliesTable: inkCartridge(6) that is consumed(3), wasteInk(8) receptacle that is filled(4).
fn supplies(builder: &mut Builder, machine: &Machine) {
    let dev = machine.plan.device_index;
    for place in 0..machine.supplies.len() {
        let index = place as u32 + 1;
        let receptacle = machine.receptacle(place);
        let colorant = if receptacle { 0 } else { index as i32 };
        let (class, kind) = if receptacle { (4, 8) } else { (3, 6) };
        for (column, number) in
            [(2, 1), (3, colorant), (4, class), (5, kind), (7, machine.plan.sensor.unit.number())]
        {
            builder.add(&PRINTER, &[11, 1, 1, column, dev, index], Value::Integer(number));
        }
        builder.add(&PRINTER, &[11, 1, 1, 6, dev, index], Value::text(&machine.description(place)));
        builder.live(&PRINTER, &[11, 1, 1, 8, dev, index], Live::Capacity(place));
        builder.live(&PRINTER, &[11, 1, 1, 9, dev, index], Live::Level(place));
    }
}

/// The present value of a live entry.
fn now(machine: &Machine, live: Live, spell: Option<i32>) -> Value {
    let (trouble, printing) = (machine.trouble(), machine.printing());
    match live {
        Live::Uptime => Value::Null,
        // The state table of RFC 3805 section 2.2.13.2.
        Live::DeviceStatus => Value::Integer(match trouble {
            _ if machine.stands_open() => 5,
            Trouble::None => 2,
            Trouble::Almost => 3,
            Trouble::Out | Trouble::Missing => 5,
        }),
        Live::PrinterStatus => Value::Integer(match (trouble, printing) {
            (Trouble::Out | Trouble::Missing, _) => 1,
            _ if machine.stands_open() => 1,
            (_, true) => 4,
            (_, false) => 3,
        }),
        Live::ErrorState => Value::OctetString(error_bits(machine)),
        Live::CriticalEvents => Value::Counter32(machine.alerts.critical_events),
        Live::AllEvents => Value::Counter32(machine.alerts.all_events),
        Live::RollLevel => {
            let roll = f64::from(machine.plan.roll_m);
            Value::Integer((roll - machine.life_m % roll).floor() as i32)
        }
        Live::Life => Value::Counter32((machine.life_m as u64 & 0xffff_ffff) as u32),
        Live::LifeSinceOn => Value::Counter32((machine.since_on_m as u64 & 0xffff_ffff) as u32),
        Live::MarkerStatus => {
            let alert = match trouble {
                Trouble::None => 0,
                Trouble::Almost => 8,
                Trouble::Out | Trouble::Missing => 16,
            };
            Value::Integer(alert + if printing { 4 } else { 0 })
        }
        // coverOpen(3), coverClosed(4).
        Live::Cover(cover) => Value::Integer(if machine.is_open(cover) { 3 } else { 4 }),
        Live::Capacity(place) => {
            Value::Integer(sensor::capacity(&machine.plan.sensor, machine.supplies[place].capacity_ml))
        }
        // Of what is not in, nothing is known.
        Live::Level(place) if machine.is_out(place) => Value::Integer(-2),
        Live::Level(place) => Value::Integer(spell.unwrap_or_else(|| level(machine, place))),
    }
}

fn level(machine: &Machine, place: usize) -> i32 {
    let supply = &machine.supplies[place];
    let polarity = match (&machine.plan.waste, machine.receptacle(place)) {
        (Some(waste), true) => waste.polarity,
        _ => Polarity::Remaining,
    };
    let look = Look { seed: machine.seed, place: place as u64, slot: machine.boundary, polarity };
    sensor::level(&machine.plan.sensor, supply.capacity_ml, supply.level_ml, look)
}

/// hrPrinterDetectedErrorState: lowToner and noToner serve ink too; a full receptacle asks for service. Its second
/// octet is there only where a bit of it is set: markerSupplyMissing.
fn error_bits(machine: &Machine) -> Vec<u8> {
    let bit = |place: usize| match (machine.alerts.state(place), machine.receptacle(place)) {
        (Trouble::Almost, false) => 0x20,
        (Trouble::Out, false) => 0x10,
        (Trouble::Out, true) => 0x01,
        _ => 0,
    };
    let door = if machine.stands_open() { 0x08 } else { 0 };
    let first = (0..machine.supplies.len()).map(bit).fold(door, |bits, bit| bits | bit);
    let missing = (0..machine.supplies.len()).any(|place| machine.is_out(place));
    if missing { vec![first, 0x20] } else { vec![first] }
}
