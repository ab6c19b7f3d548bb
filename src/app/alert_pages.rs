//! Between the pages about alerts and the use cases.

use super::StorePages;
use crate::domain::alert::snooze::Snooze;
use crate::domain::ids::AlertId;
use crate::site::alert_source::AlertSource;
use crate::site::source::SourceError;
use crate::usecase::alert_pages;
use crate::usecase::alerts::{AnswerRefused, answer};
use crate::usecase::view::{AlertLine, AlertsView};

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
}
