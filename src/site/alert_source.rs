//! Where the pages about alerts get what they show, and where their forms go.

use std::future::Future;

use super::source::SourceError;
use crate::domain::alert::snooze::Snooze;
use crate::domain::ids::AlertId;
use crate::usecase::alerts::AnswerRefused;
use crate::usecase::view::{AlertLine, AlertsView};

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
}
