//! Messages out: what the outbox holds, by mail or to a web address.
//!
//! Nothing is decided here, and nothing is kept: a message goes out, or it does not and why.

pub mod address;
pub mod http;
pub mod letter;
pub mod mail;
pub mod webhook;

use std::time::Duration;

use jiff::tz::TimeZone;

use crate::config::deliver::{DeliverSettings, MailSettings, WebhookSettings};
use crate::domain::alert::recipient::Channel;
use crate::store::outbox::Due;
use crate::usecase::deliver::{Carrier, Failure};

/// No try takes longer, however long the wait for the next.
const PATIENCE: Duration = Duration::from_secs(30);

/// Everything that messages go out by.
#[derive(Debug, Clone)]
pub struct Post {
    /// How mail is handed over, if the settings name a server.
    pub mail: Option<MailSettings>,
    /// How web addresses are called.
    pub webhook: WebhookSettings,
    /// Where the links in messages lead, without a slash at the end.
    pub link: String,
    /// The zone that times are written in.
    pub zone: TimeZone,
    /// How long one try may take.
    pub patience: Duration,
}

impl Post {
    /// By the settings. `again` is how long, in life, a message waits for its second try: a try is over by then, so
    /// that none is ever made twice at a time.
    #[must_use]
    pub fn new(settings: &DeliverSettings, zone: TimeZone, again: Duration) -> Self {
        Self {
            mail: settings.mail.clone(),
            webhook: settings.webhook.clone(),
            link: settings.link.clone(),
            zone,
            patience: PATIENCE.min(again),
        }
    }

    async fn hand_over(&self, due: &Due) -> Result<(), Failure> {
        let address = due.address.as_ref().map_err(|why| Failure::Later(why.clone()))?.expose();
        match due.channel {
            Channel::Mail => {
                let Some(mail) = &self.mail else {
                    return Err(Failure::Later(
                        "no mail server is set: see mail.server in the settings".to_owned(),
                    ));
                };
                let letter = letter::Letter::of(due, &self.link, &self.zone);
                mail::send(mail, address, &letter, self.patience).await
            }
            Channel::Webhook => {
                let event = webhook::event(due, &self.link);
                webhook::send(&self.webhook, address, &event).await
            }
        }
    }
}

impl Carrier for Post {
    async fn carry(&self, due: &Due) -> Result<(), Failure> {
        match tokio::time::timeout(self.patience, self.hand_over(due)).await {
            Ok(done) => done,
            Err(_) => Err(Failure::Later(format!("it took longer than {:?}", self.patience))),
        }
    }
}
