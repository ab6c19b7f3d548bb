//! Where the pages about alerts get what they show, and where their forms go.

use std::future::Future;

use jiff::Timestamp;

use super::source::SourceError;
use crate::domain::alert::recipient::{Peace, Recipient, Route};
use crate::domain::alert::ruleset::{Patch, Scope};
use crate::domain::alert::snooze::Snooze;
use crate::domain::alert::{Grade, Rule};
use crate::domain::ids::{AlertId, MessageId, RecipientId};
use crate::usecase::alert_pages::AlertsAsked;
use crate::usecase::alerts::AnswerRefused;
use crate::usecase::rules::{Rehearsed, RuleLine, RuleRefused, RuleView};
use crate::usecase::told::ToldRefused;
use crate::usecase::view::{AlertLine, AlertsView, ToldView};

/// What the pages about alerts are made from.
pub trait AlertSource: Clone + Send + Sync + 'static {
    /// Alerts: one page of those that are open, and one of those that have cleared.
    fn alerts(&self, asked: &AlertsAsked) -> impl Future<Output = Result<AlertsView, SourceError>> + Send;

    /// The alerts that opened or cleared last, newest first, for a feed.
    fn newest_alerts(&self) -> impl Future<Output = Result<Vec<AlertLine>, SourceError>> + Send;

    /// One alert; `None` if there is none of that number.
    fn alert(&self, id: AlertId) -> impl Future<Output = Result<Option<AlertLine>, SourceError>> + Send;

    /// Writes down that somebody has seen an alert, and whether they put it off; or says why not.
    fn answer_alert(
        &self,
        id: AlertId,
        snooze: Option<Snooze>,
        who: String,
        note: String,
    ) -> impl Future<Output = Result<Result<(), AnswerRefused>, SourceError>> + Send;

    /// Who is told, and what became of the messages.
    fn told(&self) -> impl Future<Output = Result<ToldView, SourceError>> + Send;

    /// Tells somebody from now on, or says why not; the identity of what is given counts for nothing.
    fn add_recipient(
        &self,
        recipient: Recipient,
    ) -> impl Future<Output = Result<Result<RecipientId, ToldRefused>, SourceError>> + Send;

    /// Adds a route to somebody's, or says why not.
    fn add_route(
        &self,
        id: RecipientId,
        route: Route,
    ) -> impl Future<Output = Result<Result<(), ToldRefused>, SourceError>> + Send;

    /// Changes how grave what somebody is told has to be, and when they are left alone; `false` if there is nobody of
    /// that number.
    fn change_recipient(
        &self,
        id: RecipientId,
        least: Grade,
        peace: Peace,
    ) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Tells somebody nothing any more; `false` if there is nobody of that number.
    fn remove_recipient(&self, id: RecipientId) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Tries a message again at once; `false` if there is none that could be.
    fn try_again(&self, id: MessageId) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Where the pages are for those elsewhere, without a slash at the end.
    fn link(&self) -> String;

    /// Since when the feeds can be opened by a secret; `None` while they cannot.
    fn feed_open_since(&self) -> impl Future<Output = Result<Option<Timestamp>, SourceError>> + Send;

    /// Makes a new secret, by which alone the feeds are opened from now on.
    fn renew_feed(&self) -> impl Future<Output = Result<String, SourceError>> + Send;

    /// Lets nothing open the feeds any more; `false` if nothing did.
    fn stop_feed(&self) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Whether a secret opens the feeds; that takes as long whatever the secret is.
    fn opens_feed(&self, secret: String) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Every rule as it holds.
    fn rules(&self) -> impl Future<Output = Result<Vec<RuleLine>, SourceError>> + Send;

    /// One rule, and what it has told.
    fn rule(&self, rule: Rule) -> impl Future<Output = Result<RuleView, SourceError>> + Send;

    /// What a change to a rule would have told in the past, latest first; or says why it cannot be made.
    fn rehearse(
        &self,
        patch: Patch,
    ) -> impl Future<Output = Result<Result<Rehearsed, RuleRefused>, SourceError>> + Send;

    /// Changes a rule, or says why not.
    fn keep_rule(
        &self,
        patch: Patch,
        who: String,
    ) -> impl Future<Output = Result<Result<(), RuleRefused>, SourceError>> + Send;

    /// Takes a change to a rule back.
    fn reset_rule(&self, rule: Rule, scope: Scope) -> impl Future<Output = Result<(), SourceError>> + Send;
}
