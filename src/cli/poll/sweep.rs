//! `ullage poll --targets FILE`: reads a list of devices and prints what it took, for people who want to
//! know what their printers' network bears, and for benchmarks.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context;
use rustix::time::{ClockId, clock_gettime};
use serde::Serialize;

use super::{Args, NO_ANSWER, address};
use crate::app::credential;
use crate::cli::USAGE;
use crate::snmp::credential::Credential;
use crate::snmp::plan::{Shapes, Warm};
use crate::snmp::sweep::{SweepOptions, SweepTarget, Sweeper, Swept};
use crate::snmp::transport::EngineStats;

/// The most failures that are told one by one.
const FAILURES_TOLD: usize = 20;
/// The longest list that is read, octets.
const LONGEST_LIST: u64 = 256 << 20;

/// How a summary is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum Form {
    /// Words
    Text,
    /// One JSON object a sweep, one a line
    Json,
}

/// What a sweep took.
#[derive(Debug, Default, Serialize)]
struct Summary {
    /// 1, and 2 for the repeat.
    sweep: u32,
    devices: usize,
    answered: usize,
    failed: usize,
    /// Devices whose tables were read whole in this sweep, rather than what changes in them.
    whole: usize,
    /// Devices that broke a table off.
    incomplete: usize,
    /// Supplies that told their level.
    supplies: u64,
    wall_s: f64,
    /// Processor time of the whole process.
    cpu_s: f64,
    cpu_s_per_1000: f64,
    datagrams_sent: u64,
    datagrams_received: u64,
    /// Late, double, or from somebody else.
    datagrams_unasked: u64,
    datagrams_malformed: u64,
    /// The most memory the process had so far.
    peak_rss_mb: f64,
}

/// Reads the list, and sweeps it.
pub(super) async fn run(path: &Path, args: &Args) -> anyhow::Result<ExitCode> {
    let usual = match args.snmp.row().and_then(|row| credential(&row).map_err(|fault| fault.to_string())) {
        Ok(usual) => usual,
        Err(fault) => return Ok(refuse(&fault)),
    };
    let lines = match parse(&read(path)?, usual) {
        Ok(lines) if lines.is_empty() => return Ok(refuse("the list has no devices in it")),
        Ok(lines) => lines,
        Err(fault) => return Ok(refuse(&fault)),
    };
    let mut targets = Vec::with_capacity(lines.len());
    for (host, port, credential) in lines {
        let at = crate::poller::probe::find(&host, port).await?;
        targets.push(SweepTarget { address: at, credential, warm: None, silent: false });
    }
    let usual = SweepOptions::default();
    let wait = args.timeout.map(Duration::from_secs_f64);
    let options = SweepOptions {
        window: args.window as usize,
        timeout: wait.unwrap_or(usual.timeout),
        retries: args.retries.unwrap_or(usual.retries),
        short: wait.unwrap_or(usual.short),
        keep_rows: false,
    };
    let (form, sweeps) = (args.summary, if args.repeat { 2 } else { 1 });
    tokio::task::spawn_blocking(move || sweep_all(targets, options, form, sweeps)).await?
}

fn refuse(fault: &str) -> ExitCode {
    eprintln!("ullage: {fault}");
    ExitCode::from(USAGE)
}

fn read(path: &Path) -> anyhow::Result<String> {
    let mut text = String::new();
    if path.as_os_str() == "-" {
        std::io::stdin()
            .take(LONGEST_LIST)
            .read_to_string(&mut text)
            .context("standard input cannot be read")?;
    } else {
        std::fs::File::open(path)
            .and_then(|file| file.take(LONGEST_LIST).read_to_string(&mut text))
            .with_context(|| format!("the list {} cannot be read", path.display()))?;
    }
    Ok(text)
}

/// A line each: host, perhaps with a port, perhaps with a community. Empty lines, and what stands behind a
/// `#`, are left out.
fn parse(text: &str, usual: Credential) -> Result<Vec<(String, u16, Arc<Credential>)>, String> {
    let usual = Arc::new(usual);
    let mut known: BTreeMap<&str, Arc<Credential>> = BTreeMap::new();
    let mut found = Vec::new();
    for (number, line) in (1..).zip(text.lines()) {
        let at = |fault: String| format!("line {number} of the list: {fault}");
        let mut words = line.split('#').next().unwrap_or_default().split_whitespace();
        let Some(host) = words.next() else { continue };
        let (host, port) = address(host).map_err(at)?;
        let credential = match words.next() {
            None => Arc::clone(&usual),
            Some(community) => match known.get(community) {
                Some(credential) => Arc::clone(credential),
                None => {
                    let made = Credential::v2c(community).map_err(|fault| at(fault.to_string()))?;
                    Arc::clone(known.entry(community).or_insert(Arc::new(made)))
                }
            },
        };
        if words.next().is_some() {
            return Err(at("write HOST[:PORT] and perhaps a community, and no more".to_owned()));
        }
        found.push((host, port, credential));
    }
    Ok(found)
}

fn sweep_all(
    targets: Vec<SweepTarget>,
    options: SweepOptions,
    form: Form,
    sweeps: u32,
) -> anyhow::Result<ExitCode> {
    let mut sweeper = Sweeper::new(options);
    let mut shapes = Shapes::default();
    let mut known: Vec<Option<Box<Warm>>> = Vec::new();
    known.resize_with(targets.len(), || None);
    let mut failed = false;
    for sweep in 1..=sweeps {
        let list: Vec<SweepTarget> = targets
            .iter()
            .zip(&mut known)
            .map(|(target, warm)| SweepTarget {
                silent: sweep > 1 && warm.is_none(),
                warm: warm.take(),
                ..target.clone()
            })
            .collect();
        let mut summary = Summary { sweep, devices: list.len(), ..Summary::default() };
        let (before, began, cpu) = (sweeper.stats(), Instant::now(), cpu());
        sweeper.sweep(list, &mut |at, swept: Swept| match swept {
            Ok((outcome, mut warm)) => {
                summary.answered += 1;
                summary.whole += usize::from(outcome.whole);
                summary.incomplete += usize::from(!outcome.is_complete());
                summary.supplies += u64::from(outcome.supplies);
                if sweep < sweeps {
                    warm.share(&mut shapes);
                    known[at] = Some(Box::new(warm));
                }
            }
            Err(fault) => {
                summary.failed += 1;
                if summary.failed <= FAILURES_TOLD {
                    eprintln!("ullage: {fault}");
                }
            }
        })?;
        summary.wall_s = began.elapsed().as_secs_f64();
        summary.cpu_s = (self::cpu() - cpu).as_secs_f64();
        summary.finish(before, sweeper.stats());
        summary.print(form)?;
        failed |= summary.failed > 0;
    }
    Ok(if failed { ExitCode::from(NO_ANSWER) } else { ExitCode::SUCCESS })
}

impl Summary {
    fn finish(&mut self, before: EngineStats, after: EngineStats) {
        if self.failed > FAILURES_TOLD {
            eprintln!("ullage: and {} more that failed", self.failed - FAILURES_TOLD);
        }
        self.cpu_s_per_1000 = self.cpu_s * 1_000.0 / self.devices.max(1) as f64;
        self.datagrams_sent = after.sent - before.sent;
        self.datagrams_received = after.received - before.received;
        self.datagrams_unasked = after.unasked - before.unasked;
        self.datagrams_malformed = after.malformed - before.malformed;
        self.peak_rss_mb = peak_rss_mb().unwrap_or(0.0);
    }

    fn print(&self, form: Form) -> anyhow::Result<()> {
        if form == Form::Json {
            println!("{}", serde_json::to_string(self)?);
            return Ok(());
        }
        println!(
            "sweep {}: {} of {} devices answered, {} failed; {} supplies\n  {:.2} s, {:.3} s of a processor \
             ({:.4} s for 1,000 devices), {:.1} MB at most\n  {} datagrams sent, {} received, {} of those \
             not asked for, {} not understood",
            self.sweep,
            self.answered,
            self.devices,
            self.failed,
            self.supplies,
            self.wall_s,
            self.cpu_s,
            self.cpu_s_per_1000,
            self.peak_rss_mb,
            self.datagrams_sent,
            self.datagrams_received,
            self.datagrams_unasked,
            self.datagrams_malformed
        );
        Ok(())
    }
}

/// Processor time that this process has used, in the system and outside of it.
fn cpu() -> Duration {
    let time = clock_gettime(ClockId::ProcessCPUTime);
    Duration::new(time.tv_sec.try_into().unwrap_or(0), time.tv_nsec.try_into().unwrap_or(0))
}

/// The most memory that this process has had (`VmHWM` of Linux), megabytes.
fn peak_rss_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kilobytes: f64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kilobytes / 1_024.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_are_read_or_refused_by_their_line() {
        let usual = Credential::v2c("public").unwrap();
        let text =
            "10.0.0.7\n\n# the loft\nbobbin.example:1161 backstage # by the door\n[::1]:1161 backstage\n";
        let list = parse(text, usual.clone()).unwrap();
        let backstage = Credential::v2c("backstage").unwrap();
        assert_eq!(list.len(), 3);
        assert_eq!((list[0].0.as_str(), list[0].1, &*list[0].2), ("10.0.0.7", 161, &usual));
        assert_eq!((list[1].0.as_str(), list[1].1, &*list[1].2), ("bobbin.example", 1161, &backstage));
        assert!(Arc::ptr_eq(&list[1].2, &list[2].2));
        for (wrong, line) in [("10.0.0.7\nhost:x", "line 2"), ("\n\na b c", "line 3")] {
            let said = parse(wrong, usual.clone()).unwrap_err();
            assert!(said.contains(line), "{said}");
        }
    }

    #[test]
    fn the_meter_measures() {
        assert!(peak_rss_mb().is_some_and(|size| size > 1.0));
        assert!(cpu() > Duration::ZERO);
    }
}
