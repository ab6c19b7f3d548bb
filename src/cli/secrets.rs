//! `ullage secrets`: the keys that communities, passwords and web addresses are sealed with.

use std::process::ExitCode;

use super::OpenStore;
use crate::config::Config;
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::store::seal::Key;

/// What to do about the keys.
#[derive(Debug, clap::Subcommand)]
pub enum SecretsCommand {
    /// Show which key seals, where it is, and whether everything opens
    Show,
    /// Seal every secret with a new key, and take the old one out of the key file
    Rotate {
        /// Go on although the present key is lost; what it sealed has to be entered again
        #[arg(long)]
        lost: bool,
    },
    /// Print a new key for store.key or ULLAGE_STORE_KEY; needs no store
    NewKey,
}

/// Runs one of the commands. They work beside a running service.
///
/// # Errors
/// If the store cannot be had, or the keys.
pub async fn run(command: SecretsCommand, config: Config) -> anyhow::Result<ExitCode> {
    if matches!(command, SecretsCommand::NewKey) {
        println!("{}", *Key::fresh()?.digits());
        return Ok(ExitCode::SUCCESS);
    }
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let result = match command {
        SecretsCommand::Rotate { lost } => rotate(&open.store, lost).await,
        SecretsCommand::Show | SecretsCommand::NewKey => show(&open.store, &config).await,
    };
    open.close_after(result).await
}

async fn show(store: &Store, config: &Config) -> anyhow::Result<ExitCode> {
    let sealing = store.sealing().await?;
    match &sealing.in_use {
        Some(key) => {
            let since = key.since.to_zoned(config.site.zone.clone()).strftime("%Y-%m-%d %H:%M");
            println!("seals      key {}, since {since}; it was {} then", key.id, key.place);
        }
        None => println!("seals      no key yet"),
    }
    let held: Vec<String> = sealing.held.iter().map(ToString::to_string).collect();
    let held = if held.is_empty() { "none".to_owned() } else { held.join(", ") };
    println!("at hand    {held}, {}", sealing.whence);
    println!(
        "secrets    {}, of which {} open; {} in the clear",
        sealing.secrets,
        sealing.secrets - sealing.lost.len(),
        sealing.clear
    );
    for lost in &sealing.lost {
        println!("lost       {lost}");
    }
    match sealing.trouble() {
        Some(trouble) => {
            eprintln!("ullage: {trouble}");
            Ok(ExitCode::FAILURE)
        }
        None => Ok(ExitCode::SUCCESS),
    }
}

async fn rotate(store: &Store, lost: bool) -> anyhow::Result<ExitCode> {
    let rotated = store.rotate(lost).await?;
    println!("Sealed anew with key {}: {}.", rotated.key, counted(rotated.sealed));
    for id in &rotated.retired {
        println!("Key {id} is out of the key file. Copies of the store from before open with it alone.");
    }
    for lost in &rotated.lost {
        println!("Does not open, and has to be entered again: {lost}.");
    }
    eprintln!("Keep a copy of the key apart from copies of the store.");
    Ok(ExitCode::SUCCESS)
}

fn counted(secrets: usize) -> String {
    match secrets {
        1 => "1 secret".to_owned(),
        n => format!("{n} secrets"),
    }
}
