//! Between the pages about alerts and the use cases.

use jiff::Timestamp;

use super::StorePages;
use crate::domain::alert::recipient::{Channel, Peace, Recipient, Route};
use crate::domain::alert::ruleset::{Patch, Scope};
use crate::domain::alert::snooze::Snooze;
use crate::domain::alert::{Grade, Rule};
use crate::domain::ids::{AlertId, MessageId, RecipientId};
use crate::notify::address::{mail_address, web_address};
use crate::site::alert_source::AlertSource;
use crate::site::source::SourceError;
use crate::usecase::alert_pages::{self, AlertsAsked};
use crate::usecase::alerts::{AnswerRefused, answer};
use crate::usecase::rules::{Rehearsed, RuleLine, RuleRefused, RuleView};
use crate::usecase::told::{self, ToldRefused};
use crate::usecase::view::{AlertLine, AlertsView, ToldView};
use crate::usecase::{feed, rules};

impl AlertSource for StorePages {
    async fn alerts(&self, asked: &AlertsAsked) -> Result<AlertsView, SourceError> {
        alert_pages::alerts(&self.0.store, asked).await.map_err(SourceError::new)
    }

    async fn newest_alerts(&self) -> Result<Vec<AlertLine>, SourceError> {
        alert_pages::newest(&self.0.store).await.map_err(SourceError::new)
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

    async fn change_recipient(
        &self,
        id: RecipientId,
        least: Grade,
        peace: Peace,
    ) -> Result<bool, SourceError> {
        self.0.store.change_recipient(id, least, peace).await.map_err(SourceError::new)
    }

    async fn remove_recipient(&self, id: RecipientId) -> Result<bool, SourceError> {
        self.0.store.remove_recipient(id, self.0.present().now).await.map_err(SourceError::new)
    }

    async fn try_again(&self, id: MessageId) -> Result<bool, SourceError> {
        self.0.store.try_again(id, self.0.present().now).await.map_err(SourceError::new)
    }

    fn link(&self) -> String {
        self.0.deliver.link.clone()
    }

    async fn feed_open_since(&self) -> Result<Option<Timestamp>, SourceError> {
        feed::open_since(&self.0.store).await.map_err(SourceError::new)
    }

    async fn renew_feed(&self) -> Result<String, SourceError> {
        feed::renew(&self.0.store, self.0.present().now).await.map_err(SourceError::new)
    }

    async fn stop_feed(&self) -> Result<bool, SourceError> {
        self.0.store.drop_feed().await.map_err(SourceError::new)
    }

    async fn opens_feed(&self, secret: String) -> Result<bool, SourceError> {
        feed::opens(&self.0.store, &secret).await.map_err(SourceError::new)
    }

    async fn rules(&self) -> Result<Vec<RuleLine>, SourceError> {
        rules::rules(&self.0.store, &self.0.rules).await.map_err(SourceError::new)
    }

    async fn rule(&self, rule: Rule) -> Result<RuleView, SourceError> {
        let present = self.0.present();
        rules::rule(&self.0.store, rule, &present, &self.0.rules).await.map_err(SourceError::new)
    }

    async fn rehearse(&self, patch: Patch) -> Result<Result<Rehearsed, RuleRefused>, SourceError> {
        let present = self.0.present();
        let told = rules::rehearse_change(&self.0.store, &patch, &present, &self.0.rules).await;
        told.map_err(SourceError::new)
    }

    async fn keep_rule(&self, patch: Patch, who: String) -> Result<Result<(), RuleRefused>, SourceError> {
        let present = self.0.present();
        let kept = rules::keep(&self.0.store, &patch, &who, &present, &self.0.rules).await;
        kept.map_err(SourceError::new)
    }

    async fn reset_rule(&self, rule: Rule, scope: Scope) -> Result<(), SourceError> {
        self.0.store.drop_patch(rule, &scope).await.map_err(SourceError::new)
    }
}
