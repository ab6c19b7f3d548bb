//! Between the site and the use cases: each page's data, from the store as of now.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Service;
use crate::domain::ids::{DeviceId, LotId};
use crate::domain::month::Month;
use crate::site::source::{Notice, Source, SourceError};
use crate::usecase::book::{Booked, Booking, Note, Refusal};
use crate::usecase::view::{MachineLine, MachineView, MonthView, PartView, ShelfView, TodayView};
use crate::usecase::{book, month, pages, shelf};

/// The site's source over the store.
#[derive(Clone)]
pub struct StorePages(pub Service);

impl Source for StorePages {
    fn now(&self) -> Timestamp {
        self.0.present().now
    }

    fn zone(&self) -> TimeZone {
        self.0.zone.clone()
    }

    fn notice(&self) -> Option<Notice> {
        self.0.standing().notice.map(|text| Notice { text })
    }

    async fn today(&self) -> Result<TodayView, SourceError> {
        let Service { store, rules, .. } = &self.0;
        pages::today(store, &self.0.present(), &rules.practice).await.map_err(SourceError::new)
    }

    async fn machines(&self) -> Result<Vec<MachineLine>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        pages::machines(store, &self.0.present(), &rules.practice).await.map_err(SourceError::new)
    }

    async fn machine(&self, device: DeviceId, span_days: u16) -> Result<Option<MachineView>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        let days = u32::from(span_days);
        pages::machine(store, device, days, &self.0.present(), &rules.practice)
            .await
            .map_err(SourceError::new)
    }

    async fn shelf(&self) -> Result<ShelfView, SourceError> {
        let Service { store, rules, .. } = &self.0;
        shelf::shelf(store, &self.0.present(), &rules.practice).await.map_err(SourceError::new)
    }

    async fn part(&self, number: &str) -> Result<Option<PartView>, SourceError> {
        let Service { store, rules, .. } = &self.0;
        shelf::part(store, number, &self.0.present(), &rules.practice).await.map_err(SourceError::new)
    }

    async fn book(
        &self,
        part: &str,
        booking: Booking,
        note: Note,
    ) -> Result<Result<Booked, Refusal>, SourceError> {
        let present = self.0.present();
        book::book(&self.0.store, part, &booking, &note, &present).await.map_err(SourceError::new)
    }

    async fn count(
        &self,
        counts: Vec<(LotId, u32)>,
        note: Note,
    ) -> Result<Result<Vec<Booked>, (LotId, Refusal)>, SourceError> {
        let present = self.0.present();
        book::count_all(&self.0.store, &counts, &note, &present).await.map_err(SourceError::new)
    }

    async fn month(&self, month: Month) -> Result<MonthView, SourceError> {
        month::month_view(&self.0.store, month, &self.0.present()).await.map_err(SourceError::new)
    }
}
