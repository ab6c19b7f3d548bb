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
    end_quietly_with_the_reader();
    match ullage::cli::run(ullage::cli::Cli::parse()).await {
        Ok(code) => code,
        Err(fault) => {
            eprintln!("ullage: {fault:#}");
            ExitCode::FAILURE
        }
    }
}

/// Whoever pipes the output into a program such as `head`, which stops reading, has seen enough: that is no fault to
/// tell of. The status is the one that a shell shows for a program that the signal for it ended.
fn end_quietly_with_the_reader() {
    const ENDED_BY_SIGPIPE: i32 = 128 + 13;
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let said = panic.payload().downcast_ref::<String>().map_or("", String::as_str);
        if said.starts_with("failed printing to stdout") && said.contains("Broken pipe") {
            std::process::exit(ENDED_BY_SIGPIPE);
        }
        usual(panic);
    }));
}
