//! What people write down: runs that were printed, and how wide media are.

use jiff::ToSpan;
use jiff::civil::Date;

use super::{MEMORY_DAYS, machine_names};
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Present;
use crate::domain::run::past::{MediaWidth, Printed};
use crate::domain::run::plan::Metres;
use crate::store::runs::PrintedRow;
use crate::store::{Result, Store};
use crate::usecase::book::Note;
use crate::usecase::once::{Token, settle, taken};

/// So many runs are shown.
const SHOWN: i64 = 200;

/// Why something is not written down. The text says what is the matter.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LogRefusal {
    /// No watched machine is meant.
    #[error("no such machine is watched")]
    NoSuchMachine,
    /// The day lies ahead.
    #[error("{0} has not come yet")]
    Ahead(Date),
    /// A name is missing.
    #[error("it must not be empty")]
    NoName,
}

/// What was written down.
#[derive(Debug, Clone)]
pub struct RunsView {
    /// The day.
    pub today: Date,
    /// Every watched machine, by name, with how wide its media are.
    pub devices: Vec<(DeviceId, String, Option<MediaWidth>)>,
    /// Runs, the latest first.
    pub runs: Vec<PrintedRow>,
}

/// What was written down of runs and widths.
///
/// # Errors
/// If the store cannot be reached.
pub async fn runs(store: &Store, present: &Present) -> Result<RunsView> {
    let names = machine_names(store).await?;
    let mut work = store.begin().await?;
    let widths = Store::media_widths(&mut work).await?;
    let from = present.today().checked_sub(MEMORY_DAYS.days()).unwrap_or(Date::MIN);
    Ok(RunsView {
        today: present.today(),
        devices: names.into_iter().map(|(id, name)| (id, name, widths.get(&id).copied())).collect(),
        runs: Store::printed(&mut work, from, SHOWN).await?,
    })
}

async fn refusal(store: &Store, device: DeviceId, note: &Note) -> Result<Option<LogRefusal>> {
    if note.who.trim().is_empty() {
        return Ok(Some(LogRefusal::NoName));
    }
    Ok(store.devices(Some(device)).await?.is_empty().then_some(LogRefusal::NoSuchMachine))
}

/// Writes a run down, once however often the form is sent; or says why not.
///
/// # Errors
/// If the store cannot be reached.
pub async fn log_run(
    store: &Store,
    device: DeviceId,
    run: &Printed,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Result<std::result::Result<(), LogRefusal>> {
    if let Some(refusal) = refusal(store, device, note).await? {
        return Ok(Err(refusal));
    }
    if run.day > present.today() {
        return Ok(Err(LogRefusal::Ahead(run.day)));
    }
    let mut work = store.begin().await?;
    if taken(&mut work, token, present.now).await?.is_none() {
        let id = Store::add_printed(&mut work, device, run, note.who.trim(), present.now).await?;
        settle(&mut work, token, id).await?;
        work.commit().await?;
    }
    Ok(Ok(()))
}

/// Writes down how wide a machine's media are; none: what the device tells counts again. Or says why not.
///
/// # Errors
/// If the store cannot be reached.
pub async fn write_width(
    store: &Store,
    device: DeviceId,
    width: Option<Metres>,
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<(), LogRefusal>> {
    if let Some(refusal) = refusal(store, device, note).await? {
        return Ok(Err(refusal));
    }
    let mut work = store.begin().await?;
    Store::put_media_width(&mut work, device, width, note.who.trim(), present.now).await?;
    work.commit().await?;
    Ok(Ok(()))
}
