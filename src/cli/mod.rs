//! The command line: one file per command.
//!
//! Results go to standard output, everything else to standard error. Exit status 0: done; 1: it could not be
//! done, and the last line says why and what to do; 2: the words or settings are wrong; 3 and 4 are
//! `ullage poll`'s own.

pub mod advice;
pub mod analyse;
pub mod check;
pub mod db;
pub mod demo;
pub mod devices;
pub mod discover;
pub mod feed;
pub mod heads;
pub mod import_readings;
pub mod notify;
pub mod orders;
pub mod people;
pub mod poll;
pub mod report;
pub mod run_check;
pub mod runs;
pub mod secrets;
pub mod serve;
pub mod settings;
pub mod shelf;
pub mod slots;
mod snmp_options;
pub mod swaps;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::actor::{Actor, acting};
use crate::clock::Clock;
use crate::config::{Config, Faults, Overrides, StoreSettings};
use crate::store::Store;
use crate::store::reach::{Reached, WhenInUse};

/// The words or settings are wrong.
const USAGE: u8 = 2;

/// Reads the supplies of networked printers and says what to order, what to swap, and when.
#[derive(Debug, Parser)]
#[command(name = "ullage", version, max_term_width = 100)]
pub struct Cli {
    #[command(flatten)]
    overrides: Overrides,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Watch the devices and serve the pages
    Serve(serve::Args),
    /// Show a running print room of simulated machines
    Demo(demo::Args),
    /// Ask devices once and print what they say; needs no store
    Poll(poll::Args),
    /// Work out installs, use and run-out dates from a file of readings; needs no store
    Analyse(analyse::Args),
    /// Bring a file of past readings into the store, as history of a machine
    ImportReadings(import_readings::Args),
    /// Print a month's supply report
    Report(report::Args),
    /// Check the settings and reach the store
    Check,
    /// Print every setting, with what holds without it and what it does; needs no store
    Settings(settings::Args),
    /// Search ranges of addresses for printers
    Discover(discover::Args),
    /// Send a test message by mail or to a web address, and say what happened; needs no store
    #[command(subcommand)]
    NotifyTest(notify::NotifyCommand),
    /// Make the addresses of the calendar of tasks and the feed of alerts, or stop them
    #[command(subcommand)]
    Feed(feed::FeedCommand),
    /// Say who may come in to the pages, and what they may do
    #[command(subcommand)]
    People(people::PeopleCommand),
    /// Add, list or remove the devices that are watched
    #[command(subcommand)]
    Devices(devices::DevicesCommand),
    /// Say what to order, by when, and why
    Advice(advice::Args),
    /// Say whether a planned run finishes without a swap
    RunCheck(run_check::Args),
    /// Write down what was printed, and how wide media are
    #[command(subcommand)]
    Runs(runs::RunsCommand),
    /// Order from suppliers, and receive what comes
    #[command(subcommand)]
    Orders(orders::OrdersCommand),
    /// See what is believed of supplies and their units, and say what you know better
    #[command(subcommand)]
    Slots(slots::SlotsCommand),
    /// Show the record of swaps
    Swaps(swaps::Args),
    /// Keep the print heads: which are in, how ink runs through them, how long they are warranted
    #[command(subcommand)]
    Heads(heads::HeadsCommand),
    /// Keep the shelf: parts, lots, and what moves
    #[command(subcommand)]
    Shelf(shelf::ShelfCommand),
    /// Look after the keys that communities, passwords and web addresses are sealed with
    #[command(subcommand)]
    Secrets(secrets::SecretsCommand),
    /// Look into the store, copy it, bring it back
    #[command(subcommand)]
    Db(db::DbCommand),
}

/// Runs the program with the words of the command line.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(cli: Cli) -> anyhow::Result<ExitCode> {
    let overrides = cli.overrides;
    match cli.command {
        Command::Poll(args) => return poll::run(args).await,
        Command::Analyse(args) => return analyse::run(&args),
        Command::Demo(args) => return demo::run(args, overrides).await,
        Command::Check => return check::run(&overrides).await,
        Command::Settings(args) => return Ok(settings::run(&args)),
        _ => {}
    }
    let config = match Config::load(&overrides) {
        Ok(config) => config,
        Err(faults) => return Ok(refuse(&faults)),
    };
    // What the service does by itself is no change of a person's.
    if let Command::Serve(args) = cli.command {
        return serve::run(args, config).await;
    }
    acting(at_the_command_line(), on_the_store(cli.command, config)).await
}

/// Who changes something by a command: the user of the machine, as the environment names them.
fn at_the_command_line() -> Actor {
    let name = ["SUDO_USER", "USER", "LOGNAME"].into_iter().find_map(|name| std::env::var(name).ok());
    Actor::unnamed(&format!("{} at the command line", name.as_deref().unwrap_or("somebody")))
}

async fn on_the_store(command: Command, config: Config) -> anyhow::Result<ExitCode> {
    match command {
        Command::ImportReadings(args) => import_readings::run(args, config).await,
        Command::Report(args) => report::run(args, config).await,
        Command::Discover(args) => discover::run(args, config).await,
        Command::NotifyTest(command) => notify::run(command, config).await,
        Command::Feed(command) => feed::run(command, config).await,
        Command::People(command) => people::run(command, config).await,
        Command::Devices(command) => devices::run(command, config).await,
        Command::Advice(args) => advice::run(args, config).await,
        Command::RunCheck(args) => run_check::run(args, config).await,
        Command::Runs(command) => runs::run(command, config).await,
        Command::Orders(command) => orders::run(command, config).await,
        Command::Slots(command) => slots::run(command, config).await,
        Command::Swaps(args) => swaps::run(args, config).await,
        Command::Heads(command) => heads::run(command, config).await,
        Command::Shelf(command) => shelf::run(command, config).await,
        Command::Secrets(command) => secrets::run(command, config).await,
        Command::Db(command) => db::run(command, config.store.at).await,
        Command::Serve(_)
        | Command::Poll(_)
        | Command::Analyse(_)
        | Command::Demo(_)
        | Command::Check
        | Command::Settings(_) => Ok(ExitCode::SUCCESS),
    }
}

/// An address and port to serve pages at, as written on the command line.
fn address_and_port(text: &str) -> Result<std::net::SocketAddr, String> {
    text.parse().map_err(|_| "write it like 127.0.0.1:7830".to_owned())
}

/// Tells every fault of the settings.
fn refuse(faults: &Faults) -> ExitCode {
    for fault in &faults.0 {
        eprintln!("ullage: {fault}");
    }
    ExitCode::from(USAGE)
}

/// A store that is open, and the database to be closed after it.
struct OpenStore {
    store: Store,
    reached: Reached,
}

impl OpenStore {
    /// Reaches the store and brings its schema up to date.
    async fn open(settings: StoreSettings, when_in_use: WhenInUse, connections: u32) -> anyhow::Result<Self> {
        let reached = settings.at.reach(when_in_use).await?;
        match Store::open(reached.connect_options()?, connections, settings.keys).await {
            Ok(store) => Ok(Self { store, reached }),
            Err(fault) => {
                reached.close().await?;
                Err(fault.into())
            }
        }
    }

    /// Closes it, whatever became of the work.
    async fn close_after<T>(self, result: anyhow::Result<T>) -> anyhow::Result<T> {
        self.store.close().await;
        let closed = self.reached.close().await;
        let value = result?;
        closed?;
        Ok(value)
    }
}

/// The machine's clock, for commands that run once.
fn clock() -> Clock {
    Clock::system()
}
