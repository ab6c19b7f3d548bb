//! `ullage settings`: what can be set, what holds without it, and what it does.

use std::process::ExitCode;

use crate::config::reference;

/// Options of `ullage settings`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// As a table in Markdown, instead of a settings file
    #[arg(long)]
    markdown: bool,
}

/// Prints every setting.
pub fn run(args: &Args) -> ExitCode {
    if args.markdown {
        print!("{}", reference::markdown());
    } else {
        print!("{}", reference::file());
    }
    ExitCode::SUCCESS
}
