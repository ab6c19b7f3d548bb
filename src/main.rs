//! The `ullage` program.

use std::io::IsTerminal;
use std::process::ExitCode;

use clap::Parser;
use tracing_subscriber::EnvFilter;

#[tokio::main]
async fn main() -> ExitCode {
    let filter = EnvFilter::try_from_env("ULLAGE_LOG").unwrap_or_else(|_| EnvFilter::new("warn"));
    // Colours are for people: a log file or a service manager's journal would show their codes.
    let colours = std::io::stderr().is_terminal();
    tracing_subscriber::fmt().with_env_filter(filter).with_ansi(colours).with_writer(std::io::stderr).init();
    match ullage::cli::run(ullage::cli::Cli::parse()).await {
        Ok(code) => code,
        Err(fault) => {
            eprintln!("ullage: {fault:#}");
            ExitCode::FAILURE
        }
    }
}
