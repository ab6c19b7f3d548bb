//! The scenario file: which printers stand in a room, how they work, and how they tell about it.

use serde::Deserialize;

use crate::sensor::{Polarity, Rounding, Unit};

/// What can be wrong with a scenario file.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// Not TOML, an unknown key, a missing key or a value of the wrong type; the text shows the line.
    #[error("the scenario file cannot be read: {0}")]
    Syntax(#[from] toml::de::Error),
    /// A value that makes no sense.
    #[error("{key}: {fault}")]
    Value {
        /// Where in the file, such as `printer \"Bobbin\" ink \"Cyan\" stands_at`.
        key: String,
        /// What is wrong and what to write instead.
        fault: String,
    },
}

/// A room of simulated printers.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// What the room is called.
    pub name: String,
    /// An IANA time zone; days, working hours and shut-down dates are counted in it.
    pub time_zone: String,
    /// Every random draw comes from this number.
    #[serde(default)]
    pub seed: u64,
    /// The local time on the phase day at which the supplies stand where `stands_at` says.
    #[serde(default = "ten_o_clock")]
    pub moment: jiff::civil::Time,
    /// Dates (`MM-DD`) on which nobody works.
    #[serde(default)]
    pub closed: Vec<String>,
    /// The printers.
    #[serde(rename = "printer")]
    pub printers: Vec<PrinterPlan>,
}

/// One printer of a scenario.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PrinterPlan {
    /// Its name (sysName and prtGeneralPrinterName).
    pub name: String,
    /// Where it stands (sysLocation).
    #[serde(default)]
    pub location: String,
    /// Who pays for its ink; not told over SNMP.
    #[serde(default)]
    pub cost_centre: String,
    /// What it says it is (sysDescr and hrDeviceDescr).
    pub description: String,
    /// Serial number; empty means that the printer does not tell it.
    #[serde(default)]
    pub serial: String,
    /// Width of the roll in it, in millimetres.
    pub media_width_mm: u32,
    /// Name of the medium in it.
    #[serde(default = "plain_roll")]
    pub media_name: String,
    /// Length of a new roll, in metres.
    #[serde(default = "roll_length")]
    pub roll_m: u32,
    /// hrDeviceIndex of the printer; when it is not 1, a network interface takes index 1.
    #[serde(default = "one")]
    pub device_index: u32,
    /// Whether it tells that it is a printer; `false` for another machine with an agent, which has the system
    /// group and a network interface in its device table, and nothing else.
    #[serde(default = "yes")]
    pub printer_mib: bool,
    /// Metres printed in its life before the history starts.
    #[serde(default)]
    pub life_m: u32,
    /// Who may ask.
    pub snmp: SnmpPlan,
    /// How much is printed.
    #[serde(default)]
    pub work: WorkPlan,
    /// What the automatic head care takes.
    #[serde(default)]
    pub care: CarePlan,
    /// How levels are told.
    #[serde(default)]
    pub sensor: SensorPlan,
    /// Sensors of its surroundings (entPhySensorTable, RFC 3433); none, as in most printers, if left out.
    #[serde(default)]
    pub climate: Vec<ClimatePlan>,
    /// The ink cartridges, in the order of their supply index.
    #[serde(rename = "ink")]
    pub inks: Vec<InkPlan>,
    /// The waste receptacle; its supply index follows the last ink.
    pub waste: Option<WastePlan>,
    /// Print heads; left out, one head per ink is laid out, in two rows of two channels a head.
    #[serde(default, rename = "head")]
    pub heads: Vec<HeadPlan>,
    /// When it does not answer.
    #[serde(default)]
    pub dark: Vec<DarkPlan>,
    /// A part of every day in which it is switched off.
    pub off_hours: Option<OffHours>,
}

/// How a printer may be asked.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SnmpPlan {
    /// The newest version it speaks.
    pub version: Version,
    /// Community of versions 1 and 2c.
    #[serde(default = "public")]
    pub community: String,
    /// User of version 3.
    pub user: Option<crate::usm::UserPlan>,
    /// Largest message it sends, in bytes of UDP payload.
    #[serde(default = "max_message")]
    pub max_message: usize,
    /// Most repetitions of a GETBULK it carries out; 0 means no limit.
    #[serde(default)]
    pub max_repetitions: u32,
}

/// A version of SNMP.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, serde::Serialize)]
pub enum Version {
    /// Version 1 only: no GETBULK.
    #[serde(rename = "v1")]
    V1,
    /// Community-based version 2, and version 1 too.
    #[serde(rename = "v2c")]
    V2c,
    /// Version 3 with the user-based security model, and nothing else.
    #[serde(rename = "v3")]
    V3,
}

/// How much a printer prints.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WorkPlan {
    /// Mean number of jobs on a normal working day.
    pub jobs_per_day: f64,
    /// Median size of a job in square metres.
    pub area_m2: f64,
    /// Spread of job sizes (sigma of the logarithm).
    pub area_spread: f64,
    /// Spread of the ink a square metre takes, from job to job (sigma of the logarithm).
    pub coverage_spread: f64,
    /// Printing speed.
    pub m2_per_hour: f64,
    /// Share of a normal day's jobs, Monday first.
    pub week: [f64; 7],
    /// When people start.
    pub from: jiff::civil::Time,
    /// When people go.
    pub until: jiff::civil::Time,
    /// How much more is printed in a busy campaign.
    pub busy_factor: f64,
    /// Mean length of a busy campaign in days.
    pub busy_days: f64,
    /// Mean length of the calm between two campaigns in days.
    pub calm_days: f64,
}

impl Default for WorkPlan {
    fn default() -> Self {
        Self {
            jobs_per_day: 7.0,
            area_m2: 2.2,
            area_spread: 0.7,
            coverage_spread: 0.3,
            m2_per_hour: 24.0,
            week: [1.0, 1.0, 1.0, 1.0, 1.0, 0.2, 0.05],
            from: jiff::civil::time(8, 0, 0, 0),
            until: jiff::civil::time(18, 0, 0, 0),
            busy_factor: 2.2,
            busy_days: 5.0,
            calm_days: 16.0,
        }
    }
}

/// What automatic head care takes from each ink; all of it ends in the waste receptacle.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CarePlan {
    /// Local time of the daily care.
    pub at: jiff::civil::Time,
    /// Least and most millilitres an ink gives daily.
    pub daily_ml: [f64; 2],
    /// Least and most millilitres an ink gives in Monday's cleaning.
    pub monday_ml: [f64; 2],
}

impl Default for CarePlan {
    fn default() -> Self {
        Self { at: jiff::civil::time(6, 30, 0, 0), daily_ml: [0.3, 1.5], monday_ml: [2.0, 6.0] }
    }
}

/// How a printer tells its levels.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SensorPlan {
    /// Unit of level and capacity.
    pub unit: Unit,
    /// How an exact level becomes a whole number.
    pub rounding: Rounding,
    /// Levels are told in multiples of this many units.
    pub step: u32,
    /// Largest error of a reading, in steps, either way.
    pub jitter: f64,
    /// Chance that a day has a spell of readings that say -2 (unknown).
    pub unknown_spell_chance: f64,
    /// Below this fraction the printer says -3 (some left); 0 means never.
    pub some_left_below: f64,
    /// Ink: fraction left at which the printer warns.
    pub almost_empty_at: f64,
    /// Ink: fraction left at which the printer calls it empty.
    pub empty_at: f64,
    /// Waste: fraction of room left at which the printer warns.
    pub almost_full_at: f64,
    /// Waste: fraction of room left at which the printer calls it full.
    pub full_at: f64,
}

impl Default for SensorPlan {
    fn default() -> Self {
        Self {
            unit: Unit::TenthsOfMillilitres,
            rounding: Rounding::Nearest,
            step: 1,
            jitter: 0.0,
            unknown_spell_chance: 0.0,
            some_left_below: 0.0,
            almost_empty_at: 0.10,
            empty_at: 0.01,
            almost_full_at: 0.15,
            full_at: 0.04,
        }
    }
}

/// One row of a printer's entPhySensorTable (RFC 3433): the numbers that it tells, right or wrong.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClimatePlan {
    /// entPhysicalIndex.
    pub index: u32,
    /// entPhySensorType: celsius is 8, percentRH 9.
    pub kind: i32,
    /// entPhySensorScale; left out, units.
    #[serde(default = "units")]
    pub scale: i32,
    /// entPhySensorPrecision: decimal places of the value.
    #[serde(default)]
    pub precision: i32,
    /// entPhySensorValue.
    pub value: i32,
    /// entPhySensorOperStatus; left out, ok.
    #[serde(default = "ok")]
    pub status: i32,
}

/// One ink of a printer.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InkPlan {
    /// Colour, such as `Cyan` or `Matte black`.
    pub colour: String,
    /// What the supply is called; left out, it is the colour and `ink cartridge`.
    pub description: Option<String>,
    /// A spot colour or coating (role 4), not a process colour (role 3).
    #[serde(default)]
    pub spot: bool,
    /// Mean ink on a printed square metre, in millilitres.
    pub ml_per_m2: f64,
    /// What a full cartridge holds, in millilitres.
    #[serde(default = "full_cartridge")]
    pub capacity_ml: f64,
    /// The first cartridge of the history is a starter of this many millilitres, if it can have lasted.
    pub starter_ml: Option<f64>,
    /// Fraction left on the phase day at the scenario's moment.
    pub stands_at: Option<f64>,
    /// The last swap was on this day, counted from the phase day (-1 is the day before).
    pub swapped_on: Option<i32>,
    /// Least and most fraction left when people swap the cartridge.
    #[serde(default = "swap_at_ink")]
    pub swap_at: [f64; 2],
}

/// The waste receptacle of a printer.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WastePlan {
    /// What the supply is called.
    #[serde(default = "waste_receptacle")]
    pub description: String,
    /// What it holds, in millilitres.
    #[serde(default = "waste_capacity")]
    pub capacity_ml: f64,
    /// Fraction of *room left* on the phase day at the scenario's moment.
    pub stands_at: Option<f64>,
    /// The last swap was on this day, counted from the phase day.
    pub swapped_on: Option<i32>,
    /// Least and most fraction of room left when people swap it.
    #[serde(default = "swap_at_waste")]
    pub swap_at: [f64; 2],
    /// `filled` for a printer that reports what is in it; RFC 3805 wants the room left.
    #[serde(default)]
    pub polarity: Polarity,
}

/// One print head.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeadPlan {
    /// What the head is called.
    pub name: String,
    /// The colours that run through it.
    pub colours: Vec<String>,
}

/// A time in which a printer does not answer, in days counted from the midnight that starts the phase day.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DarkPlan {
    /// Start; -2.5 is noon three days before.
    pub from: f64,
    /// End; left out, it stays dark.
    pub until: Option<f64>,
    /// It is only unreachable and goes on printing.
    #[serde(default)]
    pub still_working: bool,
}

/// A part of every day in which a printer is switched off.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OffHours {
    /// Switched off at this local time.
    pub from: jiff::civil::Time,
    /// Switched on at this local time (the next day, when it is not later than `from`).
    pub until: jiff::civil::Time,
}

fn ten_o_clock() -> jiff::civil::Time {
    jiff::civil::time(10, 0, 0, 0)
}
fn plain_roll() -> String {
    "Matte paper roll".to_owned()
}
fn roll_length() -> u32 {
    45
}
fn one() -> u32 {
    1
}
fn yes() -> bool {
    true
}
fn units() -> i32 {
    9
}
fn ok() -> i32 {
    1
}
fn public() -> String {
    "public".to_owned()
}
fn max_message() -> usize {
    1472
}
fn full_cartridge() -> f64 {
    775.0
}
fn swap_at_ink() -> [f64; 2] {
    [0.01, 0.04]
}
fn waste_receptacle() -> String {
    "Waste receptacle".to_owned()
}
fn waste_capacity() -> f64 {
    1500.0
}
fn swap_at_waste() -> [f64; 2] {
    [0.02, 0.05]
}

const VELLMOOR: &str = include_str!("../rooms/vellmoor.toml");

impl Scenario {
    /// Reads a scenario file and checks every value in it.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Self = toml::from_str(text)?;
        crate::check::scenario(&scenario)?;
        Ok(scenario)
    }

    /// The built-in room: the print loft of the Vellmoor Opera, six machines.
    #[allow(clippy::expect_used)]
    pub fn vellmoor() -> Self {
        Self::parse(VELLMOOR).expect("the built-in room is read by a test")
    }
}

#[cfg(test)]
#[path = "scenario_tests.rs"]
mod tests;
