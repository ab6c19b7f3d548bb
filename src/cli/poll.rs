//! `ullage poll`: ask devices once and print what they say. Needs no store and changes nothing.

mod json;
mod sweep;
mod text;

use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use super::USAGE;
use super::snmp_options::SnmpOptions;
use crate::app::credential;
use crate::domain::snapshot::Snapshot;
use crate::poller::probe::{Patience, ProbeError, probe};
use crate::snmp::credential::Credential;
use crate::snmp::transport::{Engine, EngineOptions};
use crate::usecase::discover::read_address as address;

/// A device did not answer, or not so that it could be understood.
const NO_ANSWER: u8 = 3;
/// A device answered, and is no printer.
const NOT_A_PRINTER: u8 = 4;

/// Options of `ullage poll`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Exit status: 0 all answered; 2 the words are wrong; 3 a device did not answer; 4 a \
                        device answered, and is no printer.")]
pub struct Args {
    /// The devices: a name or number each, and a port if it is not 161
    #[arg(required_unless_present = "targets", value_name = "HOST[:PORT]")]
    addresses: Vec<String>,
    /// Read a list of devices instead, and print what it took: a line each, HOST[:PORT] [COMMUNITY]; - for
    /// standard input
    #[arg(long, value_name = "FILE", conflicts_with_all = ["addresses", "json"])]
    targets: Option<std::path::PathBuf>,
    /// How to print what it took
    #[arg(long, value_enum, default_value_t = sweep::Form::Text, requires = "targets")]
    summary: sweep::Form,
    /// Read the list once more, now that the devices are known
    #[arg(long, requires = "targets")]
    repeat: bool,
    /// The most devices of the list under way at the same moment
    #[arg(long, value_name = "N", default_value_t = 1024, requires = "targets", value_parser = clap::value_parser!(u32).range(1..=16_384))]
    window: u32,
    /// Print one JSON object a device, one a line
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    snmp: SnmpOptions,
    /// Seconds that the first try waits for an answer [default: 2, or 0.5 for a list]
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    timeout: Option<f64>,
    /// How often a device is asked again [default: 2, or 4 for a list]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(0..=10))]
    retries: Option<u32>,
}

pub(super) fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (0.05..=60.0).contains(&seconds) => Ok(seconds),
        _ => Err("write a number of seconds from 0.05 to 60".to_owned()),
    }
}

/// Asks every device and prints what they say, in the order of the words.
///
/// # Errors
/// If this machine gives no socket.
pub async fn run(args: Args) -> anyhow::Result<ExitCode> {
    if let Some(path) = &args.targets {
        return sweep::run(path, &args).await;
    }
    let parsed: Result<Vec<_>, String> = args.addresses.iter().map(|text| address(text)).collect();
    let parsed = parsed.and_then(|addresses| {
        let row = args.snmp.row()?;
        Ok((addresses, credential(&row).map_err(|fault| fault.to_string())?))
    });
    let (addresses, credential) = match parsed {
        Ok(parsed) => parsed,
        Err(fault) => {
            eprintln!("ullage: {fault}");
            return Ok(ExitCode::from(USAGE));
        }
    };
    let timeout = Duration::from_secs_f64(args.timeout.unwrap_or(2.0));
    let patience = Patience { timeout, retries: args.retries.unwrap_or(2) };
    let mut status = 0;
    for (at, outcome) in ask_all(addresses, credential, patience).await? {
        match outcome {
            Ok(snapshot) if args.json => println!("{}", json::device(&at, &snapshot)),
            Ok(snapshot) => print!("{}", text::device(&at, &snapshot)),
            Err(ProbeError::NotAPrinter(fault)) => {
                eprintln!("ullage: {at}: {fault}");
                status = status.max(NOT_A_PRINTER);
            }
            Err(fault) => {
                eprintln!("ullage: {fault}");
                status = status.max(NO_ANSWER);
            }
        }
    }
    Ok(ExitCode::from(status))
}

/// Asks all devices at once, as many as the engine lets in, and returns their answers in order.
async fn ask_all(
    addresses: Vec<(String, u16)>,
    credential: Credential,
    patience: Patience,
) -> anyhow::Result<Vec<(String, Result<Snapshot, ProbeError>)>> {
    let engine = Engine::start(&EngineOptions::default())?;
    let credential = Arc::new(credential);
    let asked: Vec<_> = addresses
        .into_iter()
        .map(|(host, port)| {
            let (engine, credential) = (engine.clone(), Arc::clone(&credential));
            tokio::spawn(async move {
                let outcome = probe(&engine, (&host, port), credential, patience).await;
                let at =
                    if host.contains(':') { format!("[{host}]:{port}") } else { format!("{host}:{port}") };
                (at, outcome)
            })
        })
        .collect();
    let mut outcomes = Vec::new();
    for answer in asked {
        outcomes.push(answer.await?);
    }
    Ok(outcomes)
}
