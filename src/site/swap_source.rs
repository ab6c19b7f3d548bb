//! Where the pages about swaps get what they show, and where their forms go.

use std::future::Future;

use super::source::SourceError;
use crate::domain::ids::{DeviceId, LotId, SwapId};
use crate::domain::part::PartKind;
use crate::usecase::book::Note;
use crate::usecase::once::Token;
use crate::usecase::swap::{Act, At, BeginView, GuidesView, Refusal, SwapRow, SwapsWanted};

/// What becomes of a form: it is taken down, or the text of the refusal says why not.
pub type Done<T> = Result<Result<T, Refusal>, SourceError>;

/// What the pages about swaps are made from.
pub trait SwapSource: Clone + Send + Sync + 'static {
    /// What is known before a walk begins; `None` if there is no such machine or supply.
    fn swap_view(
        &self,
        device: DeviceId,
        at: At,
    ) -> impl Future<Output = Result<Option<BeginView>, SourceError>> + Send;

    /// Asks the device, and begins a walk.
    fn begin_swap(
        &self,
        place: (DeviceId, At),
        lot: Option<LotId>,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Done<SwapId>> + Send;

    /// Walks, the latest first.
    fn swaps(&self, wanted: SwapsWanted) -> impl Future<Output = Result<Vec<SwapRow>, SourceError>> + Send;

    /// Goes on with a walk that stands at a step, counted from 0; where the step needs it, the device is asked.
    fn act_swap(
        &self,
        swap: SwapId,
        step: usize,
        act: Act,
        who: String,
    ) -> impl Future<Output = Done<()>> + Send;

    /// The picture of a swap: its type and its octets.
    fn swap_photo(
        &self,
        swap: SwapId,
    ) -> impl Future<Output = Result<Option<(String, Vec<u8>)>, SourceError>> + Send;

    /// Keeps the picture of a swap.
    fn put_photo(&self, swap: SwapId, octets: Vec<u8>, who: String) -> impl Future<Output = Done<()>> + Send;

    /// The guides.
    fn guides(&self) -> impl Future<Output = Result<GuidesView, SourceError>> + Send;

    /// Writes a version of a guide.
    fn write_guide(
        &self,
        kind: PartKind,
        model: Option<String>,
        text: String,
        note: Note,
        token: Option<Token>,
    ) -> impl Future<Output = Done<()>> + Send;
}
