//! `ullage feed`: the addresses of the calendar of tasks and of the feed of alerts.

use std::process::ExitCode;

use super::{OpenStore, clock};
use crate::config::Config;
use crate::store::reach::WhenInUse;
use crate::usecase::feed;

/// What to do about the addresses.
#[derive(Debug, Clone, Copy, clap::Subcommand)]
pub enum FeedCommand {
    /// Make new addresses and print them, once; those in use lead nowhere then
    Renew,
    /// Let no address lead to the feeds any more
    Stop,
}

/// Runs one of the commands. They work beside a running service.
///
/// # Errors
/// If the store cannot be had.
pub async fn run(command: FeedCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 1).await?;
    let result = match command {
        FeedCommand::Renew => feed::renew(&open.store, clock().now()).await.map(Some),
        FeedCommand::Stop => open.store.drop_feed().await.map(|_| None),
    };
    let secret = open.close_after(result.map_err(anyhow::Error::from)).await?;
    let Some(secret) = secret else {
        println!("No address leads to the feeds any more.");
        return Ok(ExitCode::SUCCESS);
    };
    let link = &config.deliver.link;
    for file in ["tasks.ics", "days.ics", "alerts.atom"] {
        println!("{link}/feeds/{secret}/{file}");
    }
    eprintln!("Copy them now: they are not shown again.");
    Ok(ExitCode::SUCCESS)
}
