//! `ullage demo`: a running print room of simulated machines.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

use jiff::Timestamp;
use mock_agent::Scenario;

use super::{OpenStore, clock};
use crate::app::{Running, Service, Standing, open_door, until_told};
use crate::clock::Clock;
use crate::config::{Config, Overrides, StoreSettings};
use crate::demo::{
    DemoRoom, Opening, bring_in, catch_up, fill_shelf, fit_heads, kept_until, place_orders, write_swaps,
};
use crate::store::cluster::{ClusterOptions, ThrowawayDir};
use crate::store::reach::{StoreAt, WhenInUse};
use crate::store::seal::KeySource;

/// Connections to the store: history comes in for all machines at once, beside the pages.
const CONNECTIONS: u32 = 12;

/// Options of `ullage demo`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where the pages are served; a port of 0 takes any that is free
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = super::address_and_port)]
    listen: Option<SocketAddr>,
    /// How many times faster than life the demo's clock runs
    #[arg(long, value_name = "N", default_value_t = 60.0, value_parser = speed)]
    speed: f64,
    /// Days of history to begin with
    #[arg(long, value_name = "N", default_value_t = 120, value_parser = clap::value_parser!(u32).range(15..=1000))]
    days: u32,
    /// Keep the demo's data in this directory, and go on from there next time; --data-dir means the same
    #[arg(long, value_name = "DIR")]
    keep: Option<PathBuf>,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=3600.0).contains(&speed) => Ok(speed),
        _ => Err("write a number from 0.1 to 3600".to_owned()),
    }
}

/// Runs until it is told to stop; then nothing of it is left but what was to be kept.
///
/// # Errors
/// If the address or a database cannot be had.
pub async fn run(args: Args, overrides: Overrides) -> anyhow::Result<ExitCode> {
    if overrides.database_url.is_some() {
        eprintln!("ullage: a demo has a database of its own; leave --database-url out");
        return Ok(ExitCode::from(super::USAGE));
    }
    let keep = args.keep.or_else(|| overrides.data_dir.clone());
    let scenario = Scenario::vellmoor();
    let at = args.listen.unwrap_or(SocketAddr::from(([127, 0, 0, 1], 7830)));
    anyhow::ensure!(
        at.ip().is_loopback(),
        "{at} can be reached from other machines, and a demo asks nobody who they are; give a loopback address to \
         --listen, such as 127.0.0.1:{}",
        at.port()
    );
    let listener = open_door(at).await?;
    let address = listener.local_addr()?;
    let mut config = match settings(&scenario, &overrides) {
        Ok(config) => config,
        Err(faults) => return Ok(super::refuse(&faults)),
    };
    let real_now = clock().now();
    let mut opening = Opening::before(real_now, args.days, &config.site.zone)?;
    let thrown_away = if keep.is_none() { Some(ThrowawayDir::new()?) } else { None };
    let data_dir = match (&keep, &thrown_away) {
        (Some(dir), _) => dir.clone(),
        (None, Some(dir)) => dir.path().to_owned(),
        (None, None) => std::env::temp_dir(),
    };
    if keep.is_some() {
        opening = opening.keep(&data_dir)?;
    }
    let options = ClusterOptions {
        data_dir,
        binaries: overrides.binaries,
        throwaway: thrown_away.is_some(),
        allow_fetch: true,
    };
    let keys = KeySource::File(options.data_dir.join("secrets.key"));
    config.store = StoreSettings { at: StoreAt::Managed(options), keys };
    let open = OpenStore::open(config.store.clone(), WhenInUse::Refuse, CONNECTIONS).await?;
    let played = Play { scenario, opening, speed: args.speed, real_now };
    let result = play(&open, &config, listener, address, played).await;
    open.close_after(result).await?;
    if let Some(dir) = &keep {
        println!("The demo is kept in {}; go on with: ullage demo --keep {0}", dir.display());
    }
    Ok(ExitCode::SUCCESS)
}

/// What is played, from when, and how fast.
struct Play {
    scenario: Scenario,
    opening: Opening,
    speed: f64,
    real_now: Timestamp,
}

/// A demo takes nothing from files or the environment: what it shows must not depend on the machine.
fn settings(scenario: &Scenario, overrides: &Overrides) -> Result<Config, crate::config::Faults> {
    let zone = scenario.time_zone.clone();
    let in_zone = move |name: &str| (name == "ULLAGE_SITE_TIME_ZONE").then(|| zone.clone());
    let mut config = Config::parse("", &in_zone, &Overrides { config: None, ..overrides.clone() })?;
    config.site.name.clone_from(&scenario.name);
    Ok(config)
}

async fn play(
    open: &OpenStore,
    config: &Config,
    listener: tokio::net::TcpListener,
    address: SocketAddr,
    play: Play,
) -> anyhow::Result<()> {
    let (from, latest) = kept_until(&open.store, play.opening.opened).await?;
    let span = (play.opening.opened, play.real_now);
    fill_shelf(&open.store, &play.scenario, span, &config.site.zone).await?;
    place_orders(&open.store, span, &config.site.zone, &config.rules.practice).await?;
    // A kept demo whose clock ran ahead of life goes on from where it stood.
    let start = play.real_now.max(latest);
    let clock = Clock::scaled(start, play.speed);
    let service = Service::new(open.store.clone(), clock.clone(), config);
    let demo = DemoRoom::open(&open.store, &play.scenario, play.opening).await?;
    fit_heads(&open.store, &demo, &play.scenario, span, &config.site.zone).await?;
    let mut running = Running::new();
    let stop = running.stop_signal();
    let name = play.scenario.name.clone();
    let days = |at: Timestamp| at.duration_since(play.opening.opened).as_hours() / 24;
    let whole = days(start);
    let past_at =
        |at| Standing { notice: Some(notice(&name, play.speed, Some((days(at), whole)))), as_of: Some(at) };
    service.set_standing(past_at(from));
    running.start_site(&service, listener, None);
    println!("The {name}, made up and simulated: open http://{address}/ in a browser.");
    println!("Its clock runs {} times as fast as life. Ctrl-C ends it.", play.speed);

    let told = until_told();
    tokio::pin!(told);
    let past = async {
        demo.lock().advance_to(from);
        let progress = |at| service.set_standing(past_at(at));
        bring_in(&service, &demo, (from, start), progress, || !stop.is_cancelled()).await?;
        catch_up(&service, &demo, start, || !stop.is_cancelled()).await?;
        write_swaps(&service, &demo).await?;
        service.set_standing(Standing { notice: Some(notice(&name, play.speed, None)), as_of: None });
        demo.go_live(&open.store, &clock).await
    };
    let result = tokio::select! {
        told = &mut told => told,
        agents = past => match agents {
            Ok(agents) => {
                running.start_poller(&service, &config.poll, None)?;
                running.start_alerts(&service);
                running.start_delivery(&service);
                running.start_keeping(&service);
                running.start_tidying(&service, config.detail_months);
                let told = tokio::select! {
                    told = &mut told => told,
                    how = open.reached.ended() => Err(anyhow::anyhow!("the demo's database ended by itself ({how})")),
                };
                running.drain().await;
                agents.stop().await;
                return told;
            }
            Err(fault) => Err(fault.context("the demo's past could not be brought in")),
        },
    };
    running.drain().await;
    result
}

/// What every page of the demo says on top.
fn notice(name: &str, speed: f64, day: Option<(i64, i64)>) -> String {
    let what = format!("This is a demo: the machines of the {name} are made up and simulated.");
    match day {
        Some((day, whole)) => {
            format!("{what} Its past is being brought in: this is how it stood on day {day} of {whole}.")
        }
        None if speed > 1.0 => format!("{what} Its clock runs {speed} times as fast as life."),
        None => what,
    }
}
