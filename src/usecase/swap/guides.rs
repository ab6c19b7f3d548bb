//! Guides: the version that counts of each, the versions before, and how another is written.

use super::{Outcome, Refusal};
use crate::domain::guide::Guide;
use crate::domain::outlook::Present;
use crate::domain::part::PartKind;
use crate::store::guides::GuideRow;
use crate::store::{Result, Store};
use crate::usecase::book::Note;
use crate::usecase::once::{Token, settle, taken};

/// What the page of guides shows.
#[derive(Debug, Clone)]
pub struct GuidesView {
    /// Every version of every guide that somebody wrote, the latest first.
    pub written: Vec<GuideRow>,
    /// The models of the machines that are watched.
    pub models: Vec<String>,
}

impl GuidesView {
    /// The version that counts for a kind of part at a model; for all others where there is none.
    #[must_use]
    pub fn current(&self, kind: PartKind, model: Option<&str>) -> Option<&GuideRow> {
        self.written.iter().find(|row| row.kind == kind && row.model.as_deref() == model)
    }
}

/// What the page of guides shows.
///
/// # Errors
/// If the store cannot be reached.
pub async fn guides(store: &Store) -> Result<GuidesView> {
    let mut models: Vec<String> =
        store.devices(None).await?.into_iter().filter_map(|row| row.model).collect();
    models.sort();
    models.dedup();
    Ok(GuidesView { written: store.guides().await?, models })
}

/// Writes a version of a guide; the ones before stay. Or says why not.
///
/// # Errors
/// If the store cannot be reached.
pub async fn write_guide(
    store: &Store,
    (kind, model): (PartKind, Option<&str>),
    text: &str,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Outcome<()> {
    if note.who.trim().is_empty() {
        return Ok(Err(Refusal::NoName));
    }
    let guide = match Guide::for_kind(kind, text) {
        Ok(guide) => guide,
        Err(fault) => return Ok(Err(fault.into())),
    };
    if let Some(model) = model
        && !guides(store).await?.models.iter().any(|known| known == model)
    {
        return Ok(Err(Refusal::NoSuchModel));
    }
    let mut work = store.begin().await?;
    if taken(&mut work, token, present.now).await?.is_none() {
        let signed = (note.who.trim(), note.why.trim());
        let id = Store::add_guide(&mut work, (kind, model), &guide, signed, present.now).await?;
        settle(&mut work, token, id.0).await?;
        work.commit().await?;
    }
    Ok(Ok(()))
}
