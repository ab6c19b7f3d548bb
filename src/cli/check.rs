//! `ullage check`: are the settings right, and can the store be reached?

use std::process::ExitCode;

use super::refuse;
use crate::app::{Certificates, open_to_all};
use crate::config::{Config, Overrides};
use crate::openid::provider::Provider;
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
    println!("pages          {}://{}/", config.access.scheme(), config.listen);
    if let Some(files) = config.access.certificate.clone() {
        Certificates::read(files)?;
    }
    println!("store          {}", config.store.describe());
    let keys = config.store.keys.held();
    let reached = config.store.at.reach(WhenInUse::Join).await?;
    let answer = async {
        let store = Store::connect(reached.connect_options()?, 1).await?.with_keys(config.store.keys)?;
        let version = store.server_version().await?;
        // A store of an older version knows nobody yet, and has sealed nothing.
        let named = store.has_people().await.unwrap_or(false);
        let sealing = store.sealing().await.ok();
        store.close().await;
        anyhow::Ok((version, named, sealing))
    };
    let answer = answer.await;
    reached.close().await?;
    let (version, named, sealing) = answer?;
    println!("               answers, PostgreSQL {version}");
    let key = sealing.as_ref().and_then(|sealing| sealing.in_use.as_ref());
    match key {
        Some(key) => println!("secrets        sealed with key {}, looked for {}", key.id, keys),
        None => println!("secrets        sealed from the first start on, with a key {keys}"),
    }
    let people = match (named, &config.access.front) {
        (true, _) => "come in by name",
        (false, Some(_)) => "come in by the server in front, and none of them is known here yet",
        (false, None) => {
            "nobody is asked for a name; ullage people add NAME --role administrator changes that"
        }
    };
    println!("people         {people}");
    if let Some(openid) = config.access.openid.clone() {
        let (issuer, back) = (openid.issuer.clone(), openid.redirect_uri());
        let asked = Provider::new(openid).try_out().await;
        asked.map_err(|fault| anyhow::anyhow!("openid.issuer: {}", fault.in_full()))?;
        println!("               or by {issuer}, which answers; it has to send them back to {back}");
    }
    if !named && !config.listen.ip().is_loopback() {
        eprintln!("ullage: {}", open_to_all(config.listen));
        return Ok(ExitCode::from(super::USAGE));
    }
    if let Some(trouble) = sealing.and_then(|sealing| sealing.trouble()) {
        eprintln!("ullage: {trouble}");
        return Ok(ExitCode::FAILURE);
    }
    Ok(ExitCode::SUCCESS)
}
