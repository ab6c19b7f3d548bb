//! Between the page of one supply and its use case.

use super::StorePages;
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::site::source::SourceError;
use crate::site::supply_source::SupplySource;
use crate::usecase::supply::view::SupplyView;
use crate::usecase::supply::{Asked, supply, supply_of};

impl SupplySource for StorePages {
    async fn supply(
        &self,
        of: (DeviceId, SupplyIndex),
        asked: Asked,
    ) -> Result<Option<SupplyView>, SourceError> {
        let service = &self.0;
        supply(&service.store, of, asked, &service.present(), &service.rules).await.map_err(SourceError::new)
    }

    async fn supply_of(&self, slot: SlotId) -> Result<Option<(DeviceId, SupplyIndex)>, SourceError> {
        supply_of(&self.0.store, slot).await.map_err(SourceError::new)
    }
}
