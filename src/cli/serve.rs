//! `ullage serve`: watch the devices and serve the pages.

use std::net::SocketAddr;
use std::process::ExitCode;

use tokio::net::TcpListener;

use super::{OpenStore, clock};
use crate::app::{
    Certificates, Running, Service, Sharing, open_door, open_notifications, see_to_the_door, see_to_the_zone,
    until_told,
};
use crate::config::{Config, SpoolSettings};
use crate::spool::Spool;
use crate::store::Store;
use crate::store::reach::{StoreAt, WhenInUse};
use crate::usecase::access::people::first_link;

/// Connections to the store: a poll or a page holds one for a moment, and two are held by who listens for news.
const CONNECTIONS: u32 = 14;

/// Options of `ullage serve`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where the pages are served; a port of 0 takes any that is free
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = super::address_and_port)]
    listen: Option<SocketAddr>,
    /// Do one half of the work alone, where other processes on the same PostgreSQL server do the other
    #[arg(long, value_enum, value_name = "HALF")]
    only: Option<Half>,
}

/// One half of the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Half {
    /// The pages, the alerts and the mail
    Pages,
    /// Polling the devices; with --listen, /healthz, /readyz and /metrics are served there
    Polls,
}

/// Where something is served.
struct Door {
    listener: TcpListener,
    address: SocketAddr,
    certificates: Option<Certificates>,
}

/// Runs until it is told to stop.
///
/// # Errors
/// If the store or the address cannot be had.
pub async fn run(args: Args, mut config: Config) -> anyhow::Result<ExitCode> {
    let is_own = matches!(config.store.at, StoreAt::Managed(_));
    if args.only.is_some() && is_own {
        eprintln!(
            "ullage: --only is for processes that share a PostgreSQL server, and a database of our own is one \
             process's; name the server in DATABASE_URL or store.database_url"
        );
        return Ok(ExitCode::from(super::USAGE));
    }
    let (pages, polls) = (args.only != Some(Half::Polls), args.only != Some(Half::Pages));
    let at = args.listen.or(pages.then_some(config.listen));
    let door = open_at(at, &config).await?;
    if let (Some(door), true) = (&door, pages) {
        config.served_at(door.address).map_err(|fault| anyhow::anyhow!("{fault}"))?;
    }
    let notifications = match polls {
        true => open_notifications(config.notifications).await?,
        false => None,
    };
    let open = OpenStore::open(config.store.clone(), WhenInUse::Refuse, CONNECTIONS).await?;
    if let Err(fault) = see_to(&open.store, door.as_ref(), pages, &config).await {
        return open.close_after(Err(fault)).await;
    }
    if let Some(trouble) = open.store.sealing().await?.trouble() {
        eprintln!("ullage: {trouble}");
    }
    let mut service = Service::new(open.store.clone(), clock(), &config);
    let mut running = Running::new();
    if polls {
        service.spool = open_spool(&config.spool);
        let sharing = Sharing::new(&config.sharing, is_own);
        running.start_sharing_poller(&service, &config.poll, notifications, sharing)?;
        running.start_bringing(&service);
    }
    if pages {
        running.start_alerts(&service);
        running.start_reports(&service);
        running.start_delivery(&service);
        running.start_keeping(&service);
        running.start_hearing(&service);
        running.start_tidying(&service, config.detail_months);
    }
    println!("Ullage {}; readings are kept in {}.", does(args.only, &config), config.store.describe());
    if let Some(Door { listener, address, certificates }) = door {
        if pages {
            running.start_site(&service, listener, certificates);
            welcome(&open.store, address, &config).await?;
        } else {
            running.start_watch(&service, listener, certificates);
            println!("Its figures are at {}://{address}/metrics.", config.access.scheme());
        }
    }
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

/// What the process does, in words.
fn does(only: Option<Half>, config: &Config) -> String {
    match only {
        None => "watches the print room".to_owned(),
        Some(Half::Pages) => "serves the pages".to_owned(),
        Some(Half::Polls) => format!("polls as {}", config.sharing.name),
    }
}

/// Opens the door at an address, if there is to be one.
async fn open_at(at: Option<SocketAddr>, config: &Config) -> anyhow::Result<Option<Door>> {
    let certificates = config.access.certificate.clone().map(Certificates::read).transpose()?;
    let Some(at) = at else { return Ok(None) };
    let listener = open_door(at).await?;
    let address = listener.local_addr()?;
    Ok(Some(Door { listener, address, certificates }))
}

/// Sees to what has to be so before anything begins. The site is written down by who serves its pages.
async fn see_to(store: &Store, door: Option<&Door>, pages: bool, config: &Config) -> anyhow::Result<()> {
    if let Some(door) = door {
        see_to_the_door(door.address, store).await?;
    }
    let zone = config.site.zone.iana_name().unwrap_or("UTC");
    if pages {
        store.put_site(&config.site.name, zone).await?;
        return Ok(());
    }
    see_to_the_zone(store, &config.site.name, zone).await
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
