//! `ullage check`: are the settings right, and can the store be reached?

use std::process::ExitCode;

use super::refuse;
use crate::app::open_to_all;
use crate::config::{Config, Overrides};
use crate::store::Store;
use crate::store::reach::WhenInUse;

/// Tells every fault with its key; prints what holds if there is none.
///
/// # Errors
/// If the store cannot be reached.
pub async fn run(overrides: &Overrides) -> anyhow::Result<ExitCode> {
    let config = match Config::load(overrides) {
        Ok(config) => config,
        Err(faults) => return Ok(refuse(&faults)),
    };
    let file =
        config.file.as_ref().map_or("none; all is as built in".to_owned(), |f| f.display().to_string());
    println!("settings file  {file}");
    println!("print room     {}, {}", config.site.name, config.site.zone.iana_name().unwrap_or("UTC"));
    let scheme = if config.access.certificate.is_some() { "https" } else { "http" };
    println!("pages          {scheme}://{}/", config.listen);
    println!("store          {}", config.store.describe());
    let reached = config.store.reach(WhenInUse::Join).await?;
    let answer = async {
        let store = Store::connect(reached.connect_options()?, 1).await?;
        let version = store.server_version().await?;
        // A store of an older version knows nobody yet.
        let named = store.has_people().await.unwrap_or(false);
        store.close().await;
        anyhow::Ok((version, named))
    };
    let answer = answer.await;
    reached.close().await?;
    let (version, named) = answer?;
    println!("               answers, PostgreSQL {version}");
    println!("people         {}", if named { "come in by name" } else { "nobody is asked for a name" });
    if !named && !config.listen.ip().is_loopback() {
        eprintln!("ullage: {}", open_to_all(config.listen));
        return Ok(ExitCode::from(super::USAGE));
    }
    Ok(ExitCode::SUCCESS)
}
