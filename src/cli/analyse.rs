//! `ullage analyse`: what follows from a file of past readings. Needs no store and changes nothing.

mod json;
pub(super) mod rows;
mod text;

use std::fs::File;
use std::io::{BufReader, BufWriter, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;
use jiff::SignedDuration;

use crate::domain::calendar::{Calendar, Closed};

/// Rows were left out.
const ROWS_LEFT_OUT: u8 = 1;
/// No more bad rows than this are told one by one.
const TOLD_ROWS: usize = 20;

/// Options of `ullage analyse`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct Args {
    /// The readings: slot,at,capacity,level; - is standard input
    #[arg(long, value_name = "FILE")]
    readings: PathBuf,
    /// What is known of the slots: slot,class,unit,capacity_ml,first_install_ml
    #[arg(long, value_name = "FILE")]
    slots: Option<PathBuf>,
    /// Forecast also this often, each time by the readings up to then: 14d, 12h
    #[arg(long, value_name = "TIME", value_parser = every)]
    as_of_every: Option<SignedDuration>,
    /// Days on which nobody worked or will: sat,2026-12-24..2027-01-02
    #[arg(long, value_name = "DAYS", value_delimiter = ',')]
    closed: Vec<Closed>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

const AFTER_HELP: &str = "\
Both files are comma-separated values with a first row that names the columns, in any order.

Readings: 'at' is RFC 3339 or Unix seconds; capacity and level are as the device gave them, with the \
sentinels -1 (no limit), -2 (unknown) and -3 (some left). Rows of a slot are in the order of their time; \
slots may be mixed. Repeated readings may be left out as long as none is that would show a change.

Slots: 'class' is consumed or filled, 'unit' the standard's number (15 tenths of millilitres, 19 percent), \
'capacity_ml' what a full unit holds, 'first_install_ml' what the first one held, if it was a starter. Blanks \
and whole columns may be left out; a slot without a row is consumed and counts in parts of its capacity. \
Where nothing gives millilitres, amounts are null in JSON.

Days are days of UTC. Falls that may have been a swap or a large job are booked as use and listed as questions.

A row that cannot be read is left out and told with its line on standard error; the rest is analysed. Exit \
status: 0 every row was read; 1 rows were left out, or a file could not be read; 2 the words are wrong.";

fn every(text: &str) -> Result<SignedDuration, String> {
    let wrong = || "write a time of at least an hour, like 14d or 12h".to_owned();
    let hours = match text.strip_suffix('d') {
        Some(days) => days.parse::<u32>().ok().map(|days| i64::from(days) * 24),
        None => text.strip_suffix('h').and_then(|hours| hours.parse::<u32>().ok()).map(i64::from),
    };
    match hours {
        Some(hours @ 1..=876_000) => Ok(SignedDuration::from_hours(hours)),
        _ => Err(wrong()),
    }
}

/// Reads the files, analyses and prints.
///
/// # Errors
/// If a file cannot be read, or lacks a column.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let calendar = Calendar::new(args.closed.iter().copied()).context("--closed")?;
    let mut faults = Faults::default();
    let facts = match &args.slots {
        Some(path) => {
            let file = File::open(path).with_context(|| {
                format!("{} cannot be read; give another file to --slots", path.display())
            })?;
            rows::facts(file, |line, fault| faults.tell(&path.display(), line, &fault))
                .with_context(|| path.display().to_string())?
        }
        None => rows::FactsBySlot::default(),
    };
    let name = args.readings.display();
    let tell = |line, fault: rows::Fault| faults.tell(&name, line, &fault);
    let slots = if args.readings.as_os_str() == "-" {
        rows::analyse(std::io::stdin().lock(), &facts, (args.as_of_every, &calendar), tell)
    } else {
        let file = File::open(&args.readings)
            .with_context(|| format!("{name} cannot be read; give another file to --readings"))?;
        rows::analyse(BufReader::with_capacity(1 << 18, file), &facts, (args.as_of_every, &calendar), tell)
    }
    .with_context(|| name.to_string())?;
    let mut out = BufWriter::new(std::io::stdout().lock());
    if args.json {
        json::write(&mut out, slots)?;
    } else {
        text::write(&mut out, slots)?;
    }
    out.flush()?;
    Ok(faults.close())
}

/// Rows that could not be read.
#[derive(Default)]
pub(super) struct Faults {
    count: usize,
    /// What becomes of the row, where it is not left out.
    then: Option<&'static str>,
}

impl Faults {
    pub(super) fn tell(&mut self, file: &dyn std::fmt::Display, line: u64, fault: &rows::Fault) {
        self.count += 1;
        if self.count <= TOLD_ROWS {
            let then = self.then.unwrap_or("the row is left out");
            eprintln!("ullage: {file}, line {line}: {fault}; {then}");
        }
    }

    /// Those of a file that is taken whole or not at all.
    pub(super) fn of_a_whole() -> Self {
        Self { count: 0, then: Some("correct it") }
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.count
    }

    fn close(self) -> ExitCode {
        if self.count == 0 {
            return ExitCode::SUCCESS;
        }
        if self.count > TOLD_ROWS {
            eprintln!("ullage: {} more rows like these are left out", self.count - TOLD_ROWS);
        }
        eprintln!("ullage: {} rows were left out; correct them and run again", self.count);
        ExitCode::from(ROWS_LEFT_OUT)
    }
}
