//! `ullage run-check`: whether a planned run finishes without a swap.

mod figures;
mod json;

use std::path::PathBuf;
use std::process::ExitCode;

use crate::config::Config;

/// Options of `ullage run-check`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Work it out from the figures in a file (JSON) instead of the store, and print JSON
    #[arg(long, value_name = "FILE")]
    figures: PathBuf,
}

/// Says whether a queue of runs finishes.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    println!("{}", figures::by_figures(&args.figures, &config.rules.practice)?);
    Ok(ExitCode::SUCCESS)
}
