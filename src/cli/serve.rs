//! `ullage serve`: watch the devices and serve the pages.

use std::net::SocketAddr;
use std::process::ExitCode;

use super::{OpenStore, clock};
use crate::app::{
    Certificates, Running, Service, open_door, open_notifications, see_to_the_door, until_told,
};
use crate::config::{Config, SpoolSettings};
use crate::spool::Spool;
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::usecase::access::people::first_link;

/// Connections to the store: a poll or a page holds one for a moment.
const CONNECTIONS: u32 = 12;

/// Options of `ullage serve`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where the pages are served; a port of 0 takes any that is free
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = super::address_and_port)]
    listen: Option<SocketAddr>,
}

/// Runs until it is told to stop.
///
/// # Errors
/// If the store or the address cannot be had.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let certificates = config.access.certificate.clone().map(Certificates::read).transpose()?;
    let listener = open_door(args.listen.unwrap_or(config.listen)).await?;
    let address = listener.local_addr()?;
    let notifications = open_notifications(config.notifications).await?;
    let open = OpenStore::open(config.store.clone(), WhenInUse::Refuse, CONNECTIONS).await?;
    if let Err(fault) = see_to_the_door(address, &open.store).await {
        return open.close_after(Err(fault)).await;
    }
    let zone = config.site.zone.iana_name().unwrap_or("UTC");
    open.store.put_site(&config.site.name, zone).await?;
    let mut service = Service::new(open.store.clone(), clock(), &config);
    service.spool = open_spool(&config.spool);
    let mut running = Running::new();
    running.start_poller(&service, &config.poll, notifications)?;
    running.start_bringing(&service);
    running.start_alerts(&service);
    running.start_reports(&service);
    running.start_delivery(&service);
    running.start_keeping(&service);
    running.start_tidying(&service, config.detail_months);
    running.start_site(&service, listener, certificates);
    println!("Ullage watches the print room; readings are kept in {}.", config.store.describe());
    welcome(&open.store, address, &config).await?;
    let result = tokio::select! {
        told = until_told() => told,
        how = open.reached.ended() => {
            // Whoever waits for a connection is told that there will be none, and puts its poll into the spool.
            let store = open.store.clone();
            tokio::spawn(async move { store.close().await });
            Err(anyhow::anyhow!(
                "the database ended by itself ({how}); start the service again, and see the log in its data directory"
            ))
        }
    };
    running.drain().await;
    open.close_after(result).await?;
    Ok(ExitCode::SUCCESS)
}

/// Opens the spool. A service that has none still serves, and says so: it only loses what the store cannot take.
fn open_spool(settings: &SpoolSettings) -> Option<Spool> {
    match Spool::open(&settings.dir, settings.bytes) {
        Ok(spool) => Some(spool),
        Err(fault) => {
            eprintln!("ullage: what machines say is lost while the store is away: {fault}");
            None
        }
    }
}

/// Says where to look, and how the first administrator comes in.
async fn welcome(store: &Store, address: SocketAddr, config: &Config) -> anyhow::Result<()> {
    let scheme = config.access.scheme();
    match first_link(store, clock().now()).await? {
        None => println!("Open {} in a browser, and come in by name.", config.deliver.link),
        Some(key) => {
            println!(
                "Open {scheme}://{address}/ in a browser. Only this machine can, and nobody is asked for a name."
            );
            println!(
                "To let others in, become the first administrator at {scheme}://{address}/link/{}",
                key.letters()
            );
        }
    }
    Ok(())
}
