//! What really happened in a room, for tests to compare with what a program made of the readings.

use std::io::Write;
use std::path::Path;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;

/// The whole truth about a room, up to the instant it has been advanced to.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Truth {
    /// The room's name.
    pub room: String,
    /// IANA name of the time zone in which days are counted.
    pub time_zone: String,
    /// When the history starts.
    pub opened: Timestamp,
    /// The civil day that entry 0 of every `daily_ml` belongs to.
    pub first_day: Date,
    /// The instant up to which the truth is told.
    pub as_of: Timestamp,
    /// The printers, in the order of the scenario.
    pub printers: Vec<PrinterTruth>,
    /// Every swap, in the order of time.
    pub swaps: Vec<Swap>,
}

/// The truth about one printer.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct PrinterTruth {
    /// Its name.
    pub name: String,
    /// Its serial number.
    pub serial: String,
    /// Its supplies, in the order of their index in the MIB.
    pub supplies: Vec<SupplyTruth>,
    /// Its print heads.
    pub heads: Vec<HeadTruth>,
    /// When it did not answer.
    pub dark: Vec<DarkSpan>,
}

/// The truth about one supply slot.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct SupplyTruth {
    /// prtMarkerSuppliesIndex.
    pub index: u32,
    /// What the printer calls it.
    pub description: String,
    /// The ink's colour; empty for the receptacle.
    pub colour: String,
    /// A receptacle that fills, rather than ink that is used.
    pub receptacle: bool,
    /// What the first unit held when it was new, in millilitres.
    pub first_capacity_ml: f64,
    /// What was left in the first unit when the history started (room left, for a receptacle).
    pub first_level_ml: f64,
    /// What the present unit holds when it is full.
    pub capacity_ml: f64,
    /// What is left now (room left, for a receptacle).
    pub level_ml: f64,
    /// Millilitres used (filled in, for a receptacle) on each civil day.
    pub daily_ml: Vec<f64>,
}

/// The truth about one print head.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct HeadTruth {
    /// Its name.
    pub name: String,
    /// Which supplies run through it (positions in `supplies`), and which share of each one's ink.
    pub shares: Vec<(usize, f64)>,
    /// Millilitres of ink that went through it on each civil day.
    pub daily_ml: Vec<f64>,
}

/// A supply was swapped.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Swap {
    /// When.
    pub at: Timestamp,
    /// Position of the printer in the room.
    pub printer: usize,
    /// Name of the printer.
    pub printer_name: String,
    /// prtMarkerSuppliesIndex of the supply.
    pub supply: u32,
    /// What was left in the old unit.
    pub old_ml: f64,
    /// What the old unit held when it was full.
    pub old_capacity_ml: f64,
    /// What is in the new unit.
    pub new_ml: f64,
    /// What the new unit holds when it is full.
    pub capacity_ml: f64,
}

/// A printer did not answer from `from` to `until` (open while it lasts).
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct DarkSpan {
    /// First instant without an answer.
    pub from: Timestamp,
    /// First instant with an answer again.
    pub until: Option<Timestamp>,
}

impl Truth {
    /// Writes the truth as JSON; the file is whole at every moment, because it is renamed into place.
    pub fn write_json(&self, path: &Path) -> std::io::Result<()> {
        let draft = path.with_extension("part");
        let mut file = std::fs::File::create(&draft)?;
        serde_json::to_writer(&mut file, self)?;
        file.write_all(b"\n")?;
        file.sync_all()?;
        std::fs::rename(&draft, path)
    }
}
