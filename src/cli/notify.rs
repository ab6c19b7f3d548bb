//! `ullage notify-test`: does a message arrive?

use std::process::ExitCode;

use super::clock;
use crate::config::Config;
use crate::notify::Post;
use crate::notify::address::{mail_address, web_address};
use crate::notify::{letter::Letter, mail, webhook};

/// Which way to try.
#[derive(Debug, clap::Subcommand)]
pub enum NotifyCommand {
    /// Send a test mail by the server of the settings
    Mail {
        /// To whom
        address: String,
    },
    /// Call a web address with a test event
    Webhook {
        /// Which
        url: String,
    },
}

/// Sends one message and says what became of it.
///
/// # Errors
/// If it was not taken, and why.
pub async fn run(command: NotifyCommand, config: Config) -> anyhow::Result<ExitCode> {
    let post = Post::new(&config.deliver, config.site.zone.clone(), config.deliver.again);
    let now = clock().now();
    let key = format!("test-{}", now.as_nanosecond());
    let (place, sent) = match &command {
        NotifyCommand::Mail { address } => {
            if let Err(fault) = mail_address(address) {
                return Ok(refuse(address, &fault));
            }
            let Some(settings) = &post.mail else {
                anyhow::bail!("no mail server is set; write mail.server and mail.from into the settings");
            };
            let letter = Letter::trial(&key, now, &post.link);
            let sending = mail::send(settings, address, &letter, post.patience);
            (address, tokio::time::timeout(post.patience, sending).await)
        }
        NotifyCommand::Webhook { url } => {
            if let Err(fault) = web_address(url, post.webhook.allow_private) {
                return Ok(refuse(url, &fault));
            }
            let event = webhook::trial(&key, now, &post.link);
            let calling = webhook::send(&post.webhook, url, &event);
            (url, tokio::time::timeout(post.patience, calling).await)
        }
    };
    let sent = sent.map_err(|_| anyhow::anyhow!("{place} took longer than {:?}", post.patience))?;
    match sent {
        Ok(()) => {
            println!("Handed over to {place}, with the key {key}.");
            Ok(ExitCode::SUCCESS)
        }
        Err(failure) => anyhow::bail!("{place} was not reached: {failure}"),
    }
}

fn refuse(address: &str, fault: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("ullage: {address}: {fault}");
    ExitCode::from(super::USAGE)
}
