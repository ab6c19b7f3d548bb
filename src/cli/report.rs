//! `ullage report`: a month's supply report, and closing the month.

use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::month::Month;
use crate::domain::outlook::Present;
use crate::report::{Format, Paper, month_file};
use crate::store::reach::WhenInUse;
use crate::usecase::month::mail::{Mailed, mail};
use crate::usecase::month::{close, statement};

/// Options of `ullage report`.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct Args {
    #[command(subcommand)]
    command: Option<ReportCommand>,
    /// The month, like 2026-10
    #[arg(value_name = "YYYY-MM", required = true)]
    month: Option<Month>,
    /// The format; by default what the ending of FILE says, else CSV
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// What a PDF or a workbook is printed on; by default what the settings say
    #[arg(long, value_enum)]
    paper: Option<Paper>,
    /// Mail it to whom the settings name (report.mail_to), once for each month and address
    #[arg(long, conflicts_with_all = ["format", "out"])]
    mail: bool,
    /// The file to write; standard output if none is given
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// What to do about a month.
#[derive(Debug, clap::Subcommand)]
enum ReportCommand {
    /// Freeze the report of a month that is over; what changes later is told in the next one
    Close {
        /// The month, like 2026-10
        #[arg(value_name = "YYYY-MM")]
        month: Month,
        /// Who closes it
        #[arg(long)]
        who: String,
    },
}

/// Prints a report, or closes a month; both work beside a running service.
///
/// # Errors
/// If the store cannot be reached, the file cannot be written, or the month cannot be closed.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let format = args.format.unwrap_or_else(|| {
        let ending = args.out.as_deref().and_then(|path| path.extension()?.to_str());
        ending.and_then(Format::of_ending).unwrap_or(Format::Csv)
    });
    if args.command.is_none() && args.out.is_none() && !format.is_text() && std::io::stdout().is_terminal() {
        anyhow::bail!("a terminal cannot show this; name a file with --out report.{}", format.ending());
    }
    if args.mail && config.report.mail_to.is_empty() {
        anyhow::bail!("nobody is named who gets the report: say who in report.mail_to of the settings");
    }
    let paper = args.paper.unwrap_or(config.report.paper);
    let open = OpenStore::open(config.store, WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone };
    match (args.command, args.month) {
        (Some(ReportCommand::Close { month, who }), _) => {
            let closed = close(&open.store, month, &who, &present).await.map_err(anyhow::Error::from);
            let closing = open.close_after(closed).await??;
            println!("Closed {}: SHA-256 {}", month.name(), closing.sha256);
        }
        (None, Some(month)) if args.mail => {
            let done = mail(&open.store, month, &config.report.mail_to, (paper, &present)).await;
            let mailed = open.close_after(done.map_err(anyhow::Error::from)).await?;
            tell(month, &mailed);
        }
        (None, Some(month)) => {
            let found = statement(&open.store, month, &present).await.map_err(anyhow::Error::from);
            let statement = open.close_after(found).await?;
            if statement.report.devices.is_empty() {
                eprintln!("ullage: nothing was read in {}; the report has no rows", month.name());
            }
            write(&month_file(format, &statement, paper)?, args.out)?;
        }
        (None, None) => open.close_after(Ok(())).await?,
    }
    Ok(ExitCode::SUCCESS)
}

/// Says what became of a report that was to be mailed.
fn tell(month: Month, mailed: &Mailed) {
    for address in &mailed.before {
        println!("{} was mailed to {address} before; nothing is sent twice", month.name());
    }
    for address in &mailed.to {
        println!("{} goes to {address}: a running service (`ullage serve`) hands it over", month.name());
    }
}

fn write(bytes: &[u8], out: Option<PathBuf>) -> anyhow::Result<()> {
    match out {
        Some(path) => std::fs::write(&path, bytes)
            .with_context(|| format!("{} cannot be written; choose another file with --out", path.display())),
        None => Ok(std::io::stdout().write_all(bytes)?),
    }
}
