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
    /// Seconds that the first try waits for an answer [default: 2, or 1 for a list]
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    timeout: Option<f64>,
    /// How often a device is asked again
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(0..=10))]
    retries: u32,
}

pub(super) fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (0.05..=60.0).contains(&seconds) => Ok(seconds),
        _ => Err("write a number of seconds from 0.05 to 60".to_owned()),
    }
}

/// Splits an address into host and port; 161 if no port is given.
///
/// # Errors
/// What is wrong with it.
pub(super) fn address(text: &str) -> Result<(String, u16), String> {
    let wrong =
        || format!("'{text}' is no address: write it like 10.0.0.7, printer.example:1161 or [::1]:161");
    let port = |port: &str| port.parse::<u16>().ok().filter(|port| *port != 0).ok_or_else(wrong);
    let (host, port) = if let Some(rest) = text.strip_prefix('[') {
        let (host, tail) = rest.split_once(']').ok_or_else(wrong)?;
        (host, tail.strip_prefix(':').map_or(if tail.is_empty() { Ok(161) } else { Err(wrong()) }, port)?)
    } else if text.matches(':').count() == 1 {
        let (host, tail) = text.split_once(':').ok_or_else(wrong)?;
        (host, port(tail)?)
    } else {
        (text, 161)
    };
    let odd = |c: char| c.is_whitespace() || c.is_control() || "/@,;'\"".contains(c);
    if host.is_empty() || host.len() > 255 || host.contains(odd) {
        Err(wrong())
    } else {
        Ok((host.to_owned(), port))
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
    let patience =
        Patience { timeout: Duration::from_secs_f64(args.timeout.unwrap_or(2.0)), retries: args.retries };
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_split_or_refused() {
        let ok = |text| address(text).unwrap();
        assert_eq!(ok("10.0.0.7"), ("10.0.0.7".to_owned(), 161));
        assert_eq!(ok("loft.example:1161"), ("loft.example".to_owned(), 1161));
        assert_eq!(ok("[::1]:1161"), ("::1".to_owned(), 1161));
        assert_eq!(ok("[fe80::1]"), ("fe80::1".to_owned(), 161));
        assert_eq!(ok("fe80::1"), ("fe80::1".to_owned(), 161));
        for wrong in ["", "a b", "host:", "host:0", "host:99999", "host:x", "[::1", "[::1]x", "http://host"] {
            assert!(address(wrong).is_err(), "{wrong}");
        }
    }
}
