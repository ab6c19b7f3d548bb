//! `ullage check`: are the settings right, and can the store be reached?

use std::process::ExitCode;

use super::refuse;
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
    if !config.listen.ip().is_loopback() {
        eprintln!(
            "ullage: listen.address: {} can be reached from other machines, and nobody would be asked who they \
             are; write a loopback address such as 127.0.0.1:{}",
            config.listen,
            config.listen.port()
        );
        return Ok(ExitCode::from(super::USAGE));
    }
    let file =
        config.file.as_ref().map_or("none; all is as built in".to_owned(), |f| f.display().to_string());
    println!("settings file  {file}");
    println!("print room     {}, {}", config.site.name, config.site.zone.iana_name().unwrap_or("UTC"));
    println!("pages          http://{}/", config.listen);
    println!("store          {}", config.store.describe());
    let reached = config.store.reach(WhenInUse::Join).await?;
    let answer = async {
        let store = Store::connect(reached.connect_options()?, 1).await?;
        let version = store.server_version().await?;
        store.close().await;
        anyhow::Ok(version)
    };
    let version = answer.await;
    reached.close().await?;
    println!("               answers, PostgreSQL {}", version?);
    Ok(ExitCode::SUCCESS)
}
