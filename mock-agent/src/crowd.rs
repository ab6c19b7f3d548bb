//! `mock-agent --printers N`: thousands of printers behind one socket, to measure a poller with.

use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Context, Result};
use mock_agent::many::{MOST_PRINTERS, Many, ManyPlan};

use crate::clock;

/// Options of a crowd of printers.
#[derive(Debug, clap::Args)]
pub(crate) struct CrowdOptions {
    /// Serves this many printers of a few kinds from addresses in 127.0.0.0/8 behind one socket, instead of
    /// a room. One thread answers; on one core of a small server that is about 50,000 answers of 1,472
    /// octets a second, which is a whole reading of some 15,000 printers.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST_PRINTERS)))]
    pub(crate) printers: Option<u32>,
    /// Writes the list of their addresses to this file, for `ullage poll --targets`.
    #[arg(long, value_name = "FILE", requires = "printers")]
    targets_out: Option<PathBuf>,
    /// Supplies of each printer.
    #[arg(long, value_name = "N", default_value_t = 16, requires = "printers", value_parser = clap::value_parser!(u8).range(2..=60))]
    supplies: u8,
    /// They speak version 3 only: user loft, sha256 velvet-curtain, aes128 painted-forest.
    #[arg(long, requires = "printers")]
    secure: bool,
    /// Largest answer, octets.
    #[arg(long, value_name = "OCTETS", default_value_t = 1472, requires = "printers", value_parser = clap::value_parser!(u16).range(484..))]
    max_message: u16,
    /// Per mille of the printers that never answer.
    #[arg(long, value_name = "SHARE", default_value_t = 0, requires = "printers", value_parser = share())]
    dead: u16,
    /// Per mille of the printers that answer late.
    #[arg(long, value_name = "SHARE", default_value_t = 0, requires = "printers", value_parser = share())]
    slow: u16,
    /// How late, milliseconds.
    #[arg(long, value_name = "MS", default_value_t = 500, requires = "printers", value_parser = clap::value_parser!(u64).range(1..=60_000))]
    delay: u64,
    /// Per mille of the answers that are lost.
    #[arg(long, value_name = "SHARE", default_value_t = 0, requires = "printers", value_parser = share())]
    lost: u16,
    /// Per mille of the answers that are sent twice.
    #[arg(long, value_name = "SHARE", default_value_t = 0, requires = "printers", value_parser = share())]
    twice: u16,
    /// Which printers are dead or slow, and which answers are lost or doubled.
    #[arg(long, value_name = "NUMBER", default_value_t = 0, requires = "printers")]
    seed: u32,
}

fn share() -> clap::builder::RangedI64ValueParser<u16> {
    clap::value_parser!(u16).range(0..=1000)
}

/// Serves a crowd until somebody stops the program.
pub(crate) fn run(options: &CrowdOptions, printers: u32, listen: SocketAddr) -> Result<()> {
    let plan = ManyPlan {
        printers,
        supplies: options.supplies,
        secure: options.secure,
        port: listen.port(),
        max_message: options.max_message,
        dead: options.dead,
        slow: options.slow,
        delay: Duration::from_millis(options.delay),
        lost: options.lost,
        twice: options.twice,
        seed: options.seed,
    };
    let many = Many::bind(plan, clock::now())
        .with_context(|| format!("cannot listen on port {} of the loopback device", listen.port()))?;
    let addresses = many.addresses()?;
    if let Some(path) = &options.targets_out {
        let mut list = String::new();
        for address in &addresses {
            let _ = writeln!(list, "{address}");
        }
        std::fs::write(path, list)
            .with_context(|| format!("the list cannot be written to {}", path.display()))?;
    }
    if let (Some(first), Some(last)) = (addresses.first(), addresses.last()) {
        println!("{printers} printers from {first} to {last}");
    }
    let stop = Arc::new(AtomicBool::new(false));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let told = Arc::clone(&stop);
    let serving = std::thread::spawn(move || many.serve(clock::now, &told));
    runtime.block_on(async {
        let mut terminated = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?;
        tokio::select! {
            stopped = tokio::signal::ctrl_c() => stopped.context("cannot listen for Ctrl-C"),
            _ = terminated.recv() => Ok(()),
        }
    })?;
    stop.store(true, Ordering::Relaxed);
    if let Ok(counts) = serving.join() {
        println!("{} datagrams came, {} went out", counts.asked, counts.answered);
    }
    Ok(())
}
