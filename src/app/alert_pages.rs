//! Between the pages about alerts and the use cases.

use super::StorePages;
use crate::domain::alert::recipient::{Channel, Recipient, Route};
use crate::domain::alert::snooze::Snooze;
use crate::domain::ids::{AlertId, MessageId, RecipientId};
use crate::notify::address::{mail_address, web_address};
use crate::site::alert_source::AlertSource;
use crate::site::source::SourceError;
use crate::usecase::alert_pages;
use crate::usecase::alerts::{AnswerRefused, answer};
use crate::usecase::told::{self, ToldRefused};
use crate::usecase::view::{AlertLine, AlertsView, ToldView};

impl AlertSource for StorePages {
    async fn alerts(&self, cleared_page: u32) -> Result<AlertsView, SourceError> {
        alert_pages::alerts(&self.0.store, cleared_page).await.map_err(SourceError::new)
    }

    async fn alert(&self, id: AlertId) -> Result<Option<AlertLine>, SourceError> {
        alert_pages::alert(&self.0.store, id).await.map_err(SourceError::new)
    }

    async fn answer_alert(
        &self,
        id: AlertId,
        snooze: Option<Snooze>,
        who: String,
        note: String,
    ) -> Result<Result<(), AnswerRefused>, SourceError> {
        let present = self.0.present();
        let answered = answer(&self.0.store, id, snooze, (&who, &note), (&present, &self.0.rules)).await;
        answered.map_err(SourceError::new)
    }

    async fn told(&self) -> Result<ToldView, SourceError> {
        let settings = &self.0.deliver;
        let view = told::told(&self.0.store, settings.mail.is_some(), settings.webhook.secret.is_some());
        view.await.map_err(SourceError::new)
    }

    async fn add_recipient(
        &self,
        recipient: Recipient,
    ) -> Result<Result<RecipientId, ToldRefused>, SourceError> {
        let address = &recipient.address;
        let fault = match recipient.channel {
            Channel::Mail => mail_address(address).err(),
            Channel::Webhook => web_address(address, self.0.deliver.webhook.allow_private).err(),
        };
        if let Some(fault) = fault {
            return Ok(Err(ToldRefused::Address(fault.to_string())));
        }
        told::add(&self.0.store, &recipient, self.0.present().now).await.map_err(SourceError::new)
    }

    async fn add_route(&self, id: RecipientId, route: Route) -> Result<Result<(), ToldRefused>, SourceError> {
        told::add_route(&self.0.store, id, route).await.map_err(SourceError::new)
    }

    async fn remove_recipient(&self, id: RecipientId) -> Result<bool, SourceError> {
        self.0.store.remove_recipient(id, self.0.present().now).await.map_err(SourceError::new)
    }

    async fn try_again(&self, id: MessageId) -> Result<bool, SourceError> {
        self.0.store.try_again(id, self.0.present().now).await.map_err(SourceError::new)
    }
}
