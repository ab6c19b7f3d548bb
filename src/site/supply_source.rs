//! Where the page of one supply gets what it shows.

use std::future::Future;

use super::source::SourceError;
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::usecase::supply::Asked;
use crate::usecase::supply::view::SupplyView;

/// What the page of a supply is made from.
pub trait SupplySource: Clone + Send + Sync + 'static {
    /// One supply; `None` if there is no such machine, or it has no such supply.
    fn supply(
        &self,
        supply: (DeviceId, SupplyIndex),
        asked: Asked,
    ) -> impl Future<Output = Result<Option<SupplyView>, SourceError>> + Send;

    /// Where a slot is: its machine, and its number there.
    fn supply_of(
        &self,
        slot: SlotId,
    ) -> impl Future<Output = Result<Option<(DeviceId, SupplyIndex)>, SourceError>> + Send;
}
