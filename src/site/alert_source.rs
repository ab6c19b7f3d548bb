//! Where the pages about alerts get what they show, and where their forms go.

use std::future::Future;

use super::source::SourceError;
use crate::domain::alert::recipient::{Recipient, Route};
use crate::domain::alert::snooze::Snooze;
use crate::domain::ids::{AlertId, MessageId, RecipientId};
use crate::usecase::alerts::AnswerRefused;
use crate::usecase::told::ToldRefused;
use crate::usecase::view::{AlertLine, AlertsView, ToldView};

/// What the pages about alerts are made from.
pub trait AlertSource: Clone + Send + Sync + 'static {
    /// Alerts: all that are open, and one page, counted from 1, of those that have cleared.
    fn alerts(&self, cleared_page: u32) -> impl Future<Output = Result<AlertsView, SourceError>> + Send;

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

    /// Tells somebody nothing any more; `false` if there is nobody of that number.
    fn remove_recipient(&self, id: RecipientId) -> impl Future<Output = Result<bool, SourceError>> + Send;

    /// Tries a message again at once; `false` if there is none that could be.
    fn try_again(&self, id: MessageId) -> impl Future<Output = Result<bool, SourceError>> + Send;
}
