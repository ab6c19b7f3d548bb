//! `ullage report`: a month's supply report.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::month::Month;
use crate::domain::outlook::Present;
use crate::report::csv;
use crate::store::reach::WhenInUse;
use crate::usecase::month::month_report;

/// Options of `ullage report`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The month, like 2026-10
    #[arg(value_name = "YYYY-MM")]
    month: Month,
    /// The file to write; standard output if none is given
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Prints the report as comma-separated values.
///
/// # Errors
/// If the store cannot be reached or the file cannot be written.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store, WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone };
    let report = month_report(&open.store, args.month, &present).await.map_err(anyhow::Error::from);
    let report = open.close_after(report).await?;
    if report.devices.is_empty() {
        eprintln!("ullage: nothing was read in {}; the report has no rows", args.month.name());
    }
    let bytes = csv::month(&report)?;
    match args.out {
        Some(path) => std::fs::write(&path, bytes).with_context(|| {
            format!("{} cannot be written; choose another file with --out", path.display())
        })?,
        None => std::io::stdout().write_all(&bytes)?,
    }
    Ok(ExitCode::SUCCESS)
}
