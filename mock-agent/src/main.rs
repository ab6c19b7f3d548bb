//! The `mock-agent` program: plays a room of simulated printers, or a crowd of them, and answers SNMP for
//! them on loopback.

mod clock;
mod crowd;

use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use clap::Parser;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan};
use mock_agent::{AgentServer, Bind, Credential, Now, Printer, Room, Scenario};

/// Simulated printers with known truth that answer SNMP on loopback.
#[derive(Debug, Parser)]
#[command(version)]
struct Options {
    /// Scenario file; left out, the built-in room is played.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Address of the first printer; the others take the following ports. Port 0 means any free ports.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:0", value_parser = loopback)]
    listen: SocketAddr,
    /// How many times faster than real time the room lives.
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = speed)]
    speed: f64,
    /// Days of history before now.
    #[arg(long, value_name = "N", default_value_t = 120, value_parser = clap::value_parser!(u32).range(0..=3660))]
    days: u32,
    /// Writes what really happened to this file, as JSON, every simulated day and at the end.
    #[arg(long, value_name = "FILE")]
    truth: Option<PathBuf>,
    /// Lists the printers of the room and ends.
    #[arg(long)]
    list: bool,
    #[command(flatten)]
    crowd: crowd::CrowdOptions,
}

fn loopback(text: &str) -> Result<SocketAddr, String> {
    let address: SocketAddr = text.parse().map_err(|_| "write it as 127.0.0.1:PORT".to_owned())?;
    if address.ip() == IpAddr::from([127, 0, 0, 1]) {
        Ok(address)
    } else {
        Err("simulated printers answer on 127.0.0.1 only".to_owned())
    }
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.0..=1e6).contains(&speed) => Ok(speed),
        _ => Err("write a number from 0 to 1000000".to_owned()),
    }
}

fn main() -> Result<()> {
    let options = Options::parse();
    if let Some(printers) = options.crowd.printers {
        return crowd::run(&options.crowd, printers, options.listen);
    }
    let scenario = match options.scenario.as_deref().map(read) {
        Some(Ok(scenario)) => scenario,
        Some(Err(fault)) => {
            // A scenario that cannot be used is an error of usage, like a wrong option.
            eprintln!("mock-agent: {fault:#}");
            std::process::exit(2);
        }
        None => Scenario::vellmoor(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(run(options, scenario))
}

fn read(path: &Path) -> Result<Scenario> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("the scenario file {} cannot be opened", path.display()))?;
    Scenario::parse(&text).with_context(|| path.display().to_string())
}

async fn run(options: Options, scenario: Scenario) -> Result<()> {
    let start = clock::now();
    let opened = midnight(&scenario, start, options.days)?;
    let mut room = Room::new(&scenario, opened, options.days);
    let printers = room.printers().to_vec();
    if options.list {
        for printer in &printers {
            println!("{:<10} {:<24} {}", printer.name, printer.serial, credential(printer));
        }
        return Ok(());
    }
    room.advance_to(start);
    let room = Arc::new(Mutex::new(room));
    let now = simulated(start, options.speed);
    let bind = match options.listen.port() {
        0 => Bind::AnyPort,
        port => Bind::FirstPort(port),
    };
    let server = AgentServer::start(Arc::clone(&room), Arc::clone(&now), bind).await?;
    for (printer, address) in printers.iter().zip(server.addresses()) {
        println!("{:<10} {:<21} {}", printer.name, address.to_string(), credential(printer));
    }
    live(&room, &now, options.truth.as_deref()).await?;
    server.stop().await;
    if let Some(path) = &options.truth {
        write(&room, path)?;
    }
    Ok(())
}

/// Midnight of the day, in the room's time zone, that lies `days` before now.
fn midnight(scenario: &Scenario, now: Timestamp, days: u32) -> Result<Timestamp> {
    let zone = TimeZone::get(&scenario.time_zone)?;
    let date = now.to_zoned(zone.clone()).date().checked_sub(i64::from(days).days())?;
    Ok(date.to_zoned(zone)?.timestamp())
}

fn simulated(start: Timestamp, speed: f64) -> Now {
    let began = Instant::now();
    Arc::new(move || {
        let passed = SignedDuration::try_from_secs_f64(began.elapsed().as_secs_f64() * speed);
        passed.ok().and_then(|passed| start.checked_add(passed).ok()).unwrap_or(Timestamp::MAX)
    })
}

/// Keeps the room moving, and the truth written, until somebody stops the program.
async fn live(room: &Mutex<Room>, now: &Now, truth: Option<&Path>) -> Result<()> {
    let mut ticks = tokio::time::interval(Duration::from_millis(200));
    let mut written = None;
    let mut terminated = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?;
    loop {
        tokio::select! {
            stopped = tokio::signal::ctrl_c() => return stopped.context("cannot listen for Ctrl-C"),
            _ = terminated.recv() => return Ok(()),
            _ = ticks.tick() => {}
        }
        let day = {
            let mut room = room.lock().unwrap_or_else(PoisonError::into_inner);
            room.advance_to(now());
            let truth = room.truth();
            truth
                .printers
                .first()
                .and_then(|printer| printer.supplies.first())
                .map(|supply| supply.daily_ml.len())
        };
        if day != written {
            written = day;
            if let Some(path) = truth {
                write(room, path)?;
            }
        }
    }
}

fn write(room: &Mutex<Room>, path: &Path) -> Result<()> {
    let truth = room.lock().unwrap_or_else(PoisonError::into_inner).truth().clone();
    match truth.write_json(path) {
        Ok(()) => Ok(()),
        Err(fault) => bail!("the truth cannot be written to {}: {fault}", path.display()),
    }
}

fn credential(printer: &Printer) -> String {
    match &printer.credential {
        Credential::V1 { community } => format!("v1   community {community}"),
        Credential::V2c { community } => format!("v2c  community {community}"),
        Credential::V3(user) => {
            let mut text = format!("v3   user {}", user.name);
            if let Some(auth) = user.auth {
                text += &format!(" {} {}", auth.word(), user.auth_password);
            }
            if let Some(privacy) = user.privacy {
                text += &format!(" {} {}", privacy.word(), user.privacy_password);
            }
            text
        }
    }
}
