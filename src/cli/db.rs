//! `ullage db`: a shell on the store, a copy of it, the way back, and a database for another command.

mod address;
mod dump;
mod foreground;

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context, bail};

use crate::store::cluster::{ClusterOptions, ThrowawayDir, find_client};
use crate::store::reach::{Reached, StoreAt, WhenInUse};
use foreground::Signals;

/// What to do with the store as a whole.
#[derive(Debug, clap::Subcommand)]
pub enum DbCommand {
    /// Open psql on the store; it only reads unless --write is given
    Shell {
        /// Allow changes
        #[arg(long)]
        write: bool,
        /// Arguments for psql, such as -c 'SELECT 1'
        #[arg(last = true)]
        arguments: Vec<OsString>,
    },
    /// Copy the whole store into one file
    Dump {
        /// The file to write; by default ullage-DATE.dump in this directory
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Bring a copy into an empty store: all of it, or nothing
    Restore {
        /// The file that `ullage db dump` wrote
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Run a command with DATABASE_URL set to the store, and stop the database after it
    With {
        /// Use a new, empty database that is thrown away afterwards
        #[arg(long)]
        throwaway: bool,
        /// The command with its arguments
        #[arg(last = true, required = true, value_name = "COMMAND")]
        command: Vec<OsString>,
    },
}

/// Runs one of the commands and returns the exit status of the program that it ran.
///
/// # Errors
/// Texts for people: what could not be done, and what to do next.
pub async fn run(command: DbCommand, source: StoreAt) -> anyhow::Result<ExitCode> {
    match command {
        DbCommand::Shell { write, arguments } => {
            let store = source.reach(WhenInUse::Join).await?;
            let result = shell(&store, write, arguments).await;
            close_after(store, result).await
        }
        DbCommand::Dump { out } => {
            let store = source.reach(WhenInUse::Join).await?;
            let result = dump::dump(&store, out).await;
            close_after(store, result).await
        }
        DbCommand::Restore { file } => {
            let archive = dump::Archive::open(&file)?;
            let store = source.reach(WhenInUse::Refuse).await?;
            let result = dump::restore(&store, &archive).await;
            close_after(store, result).await
        }
        DbCommand::With { throwaway: false, command } => with(source, &command).await,
        DbCommand::With { throwaway: true, command } => {
            let dir = ThrowawayDir::new()?;
            let (binaries, allow_fetch) = match source {
                StoreAt::Managed(options) => (options.binaries, options.allow_fetch),
                StoreAt::Server(_) => (None, true),
            };
            let data_dir = dir.path().to_owned();
            let options = ClusterOptions { data_dir, binaries, throwaway: true, allow_fetch };
            with(StoreAt::Managed(options), &command).await
        }
    }
}

/// A client program that is connected to the store, of version `at_least` or the server's.
fn client(store: &Reached, program: &str, at_least: u32) -> anyhow::Result<tokio::process::Command> {
    let at_least = at_least.max(store.version.major);
    let mut command =
        tokio::process::Command::new(find_client(program, at_least, store.binaries.as_deref())?);
    let address = address::for_clients(&store.url);
    command.arg("--dbname").arg(address.url);
    if let Some(password) = address.password {
        // In the environment rather than among the arguments, which everybody on the machine can read.
        command.env("PGPASSWORD", password);
    }
    if store.binaries.is_some() {
        // Either would lead away from the socket that the address names.
        command.env_remove("PGHOSTADDR").env_remove("PGSERVICE");
    }
    Ok(command)
}

/// Stops what was started, whatever became of the work.
async fn close_after<T>(store: Reached, result: anyhow::Result<T>) -> anyhow::Result<T> {
    let stopped = store.close().await;
    let value = result?;
    stopped?;
    Ok(value)
}

async fn shell(store: &Reached, write: bool, arguments: Vec<OsString>) -> anyhow::Result<ExitCode> {
    let mut command = client(store, "psql", 0)?;
    if !write {
        let given = std::env::var("PGOPTIONS").unwrap_or_default();
        command.env("PGOPTIONS", format!("{given} -c default_transaction_read_only=on").trim_start());
    }
    command.args(arguments);
    // The shell itself takes Ctrl-C for the end of a query, and so must not lose us to it.
    let mut signals = Signals::listen()?;
    Ok(ExitCode::from(foreground::run(command, &mut signals).await.context("psql could not be run")?))
}

async fn with(source: StoreAt, words: &[OsString]) -> anyhow::Result<ExitCode> {
    let Some((program, arguments)) = words.split_first() else {
        bail!("no command was given; put it after --, as in: ullage db with -- psql");
    };
    let mut signals = Signals::listen()?;
    let store = source.reach(WhenInUse::Refuse).await?;
    let result = match signals.already_come().await {
        // Nobody waits for the command any more.
        Some(status) => Ok(status),
        None => {
            let mut command = tokio::process::Command::new(program);
            command.args(arguments).env("DATABASE_URL", &store.url);
            let name = program.to_string_lossy();
            foreground::run(command, &mut signals)
                .await
                .with_context(|| format!("the command {name} could not be run"))
        }
    };
    store.close().await?;
    Ok(ExitCode::from(result?))
}
