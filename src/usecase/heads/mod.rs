//! Print heads: registering and replacing them, the maps of ink through them, and what is said of each.

mod count;
mod pages;
mod refusal;
pub mod view;

use jiff::civil::Date;

pub(super) use self::count::refresh;
pub use self::pages::{all_heads, heads_page, machine_heads};
pub use self::refusal::Refusal;
use super::book::Note;
use crate::domain::head::{Head, is_head_for, usual_limit};
use crate::domain::ids::{DeviceId, HeadId, PartId};
use crate::domain::outlook::Present;
use crate::domain::part::{Part, PartKind};
use crate::domain::plumbing::{Map, Plumbing, Position};
use crate::store::heads::{Heads, NewHead};
use crate::store::{Result, Store, Work};

/// More ink than this goes through no head, in millilitres: it is a slip of the hand.
pub const MOST_ML: f64 = 1_000_000.0;

/// A head as a person writes it down.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// In which place.
    pub position: Position,
    /// The number of its part, if it is in the catalogue.
    pub part: Option<String>,
    /// The day it went in.
    pub in_on: Date,
    /// The day it came out; none while it is in.
    pub out_on: Option<Date>,
    /// The warranty's date stamped on it.
    pub warranty_until: Option<Date>,
    /// Ink after which its warranty ends, ml; none: by its part, or what is usual.
    pub limit_ml: Option<f64>,
    /// Ink that had gone through it before the machine was watched, ml.
    pub before_ml: f64,
}

/// A line of a file of heads.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryRow {
    /// The line of the file.
    pub line: u64,
    /// The machine's name.
    pub machine: String,
    /// The head.
    pub entry: Entry,
    /// Who wrote it down; none: who brings the file in.
    pub who: Option<String>,
    /// Why.
    pub why: Option<String>,
}

/// A machine whose heads nobody else changes until the work ends.
struct Machine {
    device: DeviceId,
    model: Option<String>,
    map: Map,
    heads: Vec<Head>,
    parts: Vec<(PartId, Part)>,
}

impl Machine {
    async fn lock(work: &mut Work, device: DeviceId) -> Result<Option<Self>> {
        let Some((_, model)) = Store::lock_heads(work, device).await? else { return Ok(None) };
        let heads = Store::heads_in(work, Heads::Device(device)).await?;
        let stocks = Store::stocks_in(work, None).await?;
        Ok(Some(Self {
            device,
            map: count::map(work, device, model.as_deref()).await?,
            model,
            heads: heads.into_iter().map(|row| row.head).collect(),
            parts: stocks.into_iter().map(|stock| (stock.id, stock.part)).collect(),
        }))
    }

    /// The head that is in a place.
    fn current(&self, position: Position) -> Option<&Head> {
        self.heads.iter().find(|head| head.position == position && head.out_on.is_none())
    }

    /// What is to be written down for an entry, or what is wrong with it.
    fn checked(
        &self,
        entry: &Entry,
        note: &Note,
        present: &Present,
    ) -> std::result::Result<NewHead, Refusal> {
        let today = present.today();
        let part = match &entry.part {
            None => None,
            Some(number) => Some(self.head_part(number)?),
        };
        let limit_ml = entry.limit_ml.unwrap_or_else(|| usual_limit(part.map(|(_, part)| part)));
        if let Some(plumbing) = self.map.plumbing()
            && !plumbing.heads().contains(&entry.position)
        {
            return Err(Refusal::NoSuchPlace { position: entry.position, places: plumbing.heads() });
        }
        match entry {
            Entry { in_on, .. } if *in_on > today => return Err(Refusal::Ahead("in_on", *in_on)),
            Entry { out_on: Some(out_on), .. } if *out_on > today => {
                return Err(Refusal::Ahead("out_on", *out_on));
            }
            Entry { in_on, out_on: Some(out_on), .. } if out_on <= in_on => {
                return Err(Refusal::OutBeforeIn { in_on: *in_on, out_on: *out_on });
            }
            _ if !(limit_ml > 0.0 && limit_ml <= MOST_ML) => return Err(Refusal::Ml("limit_ml")),
            Entry { before_ml, .. } if !(0.0..=MOST_ML).contains(before_ml) => {
                return Err(Refusal::Ml("before_ml"));
            }
            _ if note.who.trim().is_empty() => return Err(Refusal::Empty("who")),
            _ => {}
        }
        Ok(NewHead {
            device: self.device,
            position: entry.position,
            part: part.map(|(id, _)| *id),
            in_on: entry.in_on,
            out_on: entry.out_on,
            warranty_until: entry.warranty_until,
            limit_ml,
            before_ml: entry.before_ml,
            booked_at: present.now,
            who: note.who.trim().to_owned(),
            why: note.why.trim().to_owned(),
        })
    }

    fn head_part(&self, number: &str) -> std::result::Result<&(PartId, Part), Refusal> {
        let found = self.parts.iter().find(|(_, part)| part.number == number);
        match found {
            None => Err(Refusal::NoSuchPart(number.chars().take(64).collect())),
            Some((_, part)) if part.kind != PartKind::Head => Err(Refusal::NotAHead(number.to_owned())),
            Some((_, part)) if !is_head_for(part, self.model.as_deref()) => {
                Err(Refusal::OtherModel(number.to_owned()))
            }
            Some(found) => Ok(found),
        }
    }
}

/// What became of something that could be refused.
pub type Outcome<T> = Result<std::result::Result<T, Refusal>>;

/// Writes down a head that is in a place where none is known to be.
///
/// # Errors
/// If the store cannot be reached.
pub async fn register(
    store: &Store,
    device: DeviceId,
    entry: &Entry,
    note: &Note,
    present: &Present,
) -> Outcome<HeadId> {
    let mut work = store.begin().await?;
    let Some(machine) = Machine::lock(&mut work, device).await? else {
        return Ok(Err(Refusal::NoSuchMachine));
    };
    if machine.current(entry.position).is_some() {
        return Ok(Err(Refusal::Occupied(entry.position)));
    }
    // What is known of a place on the same day is history, and is put right by a file.
    if machine.heads.iter().any(|known| (known.position, known.in_on) == (entry.position, entry.in_on)) {
        return Ok(Err(Refusal::Taken(entry.position)));
    }
    let written = match machine.checked(entry, note, present) {
        Ok(head) => write(&mut work, &head).await?,
        Err(refusal) => Err(refusal),
    };
    if written.is_ok() {
        count::refresh_all(&mut work, &[device], present).await?;
        work.commit().await?;
    }
    Ok(written)
}

/// Takes the head that is in a place out on the day its successor goes in; the old one stays as history.
///
/// # Errors
/// If the store cannot be reached.
pub async fn replace(
    store: &Store,
    device: DeviceId,
    entry: &Entry,
    note: &Note,
    present: &Present,
) -> Outcome<HeadId> {
    let mut work = store.begin().await?;
    let Some(machine) = Machine::lock(&mut work, device).await? else {
        return Ok(Err(Refusal::NoSuchMachine));
    };
    if machine.current(entry.position).is_none() {
        return Ok(Err(Refusal::Vacant(entry.position)));
    }
    let written = put_in(&mut work, device, entry, note, present).await?;
    if written.is_ok() {
        work.commit().await?;
    }
    Ok(written)
}

/// Writes down, within a transaction that the caller ends, a head that goes into a place: whoever was there comes out on
/// that day. What has gone through the machine's heads is counted anew.
pub(super) async fn put_in(
    work: &mut Work,
    device: DeviceId,
    entry: &Entry,
    note: &Note,
    present: &Present,
) -> Outcome<HeadId> {
    let Some(machine) = Machine::lock(work, device).await? else { return Ok(Err(Refusal::NoSuchMachine)) };
    let head = match machine.checked(entry, note, present) {
        Ok(head) => head,
        Err(refusal) => return Ok(Err(refusal)),
    };
    if let Some(old) = machine.current(entry.position) {
        if entry.in_on <= old.in_on {
            return Ok(Err(Refusal::BeforeTheOld { position: entry.position, in_on: old.in_on }));
        }
        Store::take_head_out(work, old.id, entry.in_on).await?;
    }
    let written = write(work, &head).await?;
    if written.is_ok() {
        count::refresh_all(work, &[device], present).await?;
    }
    Ok(written)
}

async fn write(work: &mut Work, head: &NewHead) -> Outcome<HeadId> {
    let put = Store::put_head(work, head).await?;
    Ok(put.ok_or(Refusal::Taken(head.position)))
}

/// Takes a file of heads in, or none of it: then every row that is refused is told with its line. A head that
/// is known by its machine, place and first day is put right.
///
/// # Errors
/// If the store cannot be reached.
pub async fn import(
    store: &Store,
    rows: &[EntryRow],
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<usize, Vec<(u64, Refusal)>>> {
    let devices = store.devices(None).await?;
    let mut work = store.begin().await?;
    let mut machines: Vec<(DeviceId, Machine)> = Vec::new();
    let mut refused = Vec::new();
    // Whoever came out is written first, so that its place is free for who went in after it.
    let mut in_turn: Vec<&EntryRow> = rows.iter().collect();
    in_turn.sort_by_key(|row| (&row.machine, row.entry.position, row.entry.in_on));
    for row in in_turn {
        let Some(device) = devices.iter().find(|device| device.name == row.machine) else {
            refused.push((row.line, Refusal::NoSuchMachine));
            continue;
        };
        if !machines.iter().any(|(known, _)| *known == device.id)
            && let Some(machine) = Machine::lock(&mut work, device.id).await?
        {
            machines.push((device.id, machine));
        }
        let Some((_, machine)) = machines.iter().find(|(known, _)| *known == device.id) else {
            refused.push((row.line, Refusal::NoSuchMachine));
            continue;
        };
        let note = Note {
            who: row.who.clone().unwrap_or_else(|| note.who.clone()),
            why: row.why.clone().unwrap_or_else(|| note.why.clone()),
        };
        match machine.checked(&row.entry, &note, present) {
            Err(refusal) => refused.push((row.line, refusal)),
            Ok(head) => match write(&mut work, &head).await? {
                Ok(_) => {}
                // The database gives nothing more in this transaction.
                Err(refusal) => {
                    refused.push((row.line, refusal));
                    break;
                }
            },
        }
    }
    if !refused.is_empty() {
        refused.sort_by_key(|(line, _)| *line);
        return Ok(Err(refused));
    }
    let devices: Vec<DeviceId> = machines.into_iter().map(|(device, _)| device).collect();
    count::refresh_all(&mut work, &devices, present).await?;
    work.commit().await?;
    Ok(Ok(rows.len()))
}

/// Writes the map of ink through heads for the model of a machine; none: what is usual counts again. Returns
/// the model. What has gone through the heads of all machines of that model is counted anew.
///
/// # Errors
/// If the store cannot be reached.
pub async fn write_plumbing(
    store: &Store,
    device: DeviceId,
    plumbing: Option<&Plumbing>,
    present: &Present,
) -> Outcome<String> {
    let mut work = store.begin().await?;
    let model = match Store::lock_heads(&mut work, device).await? {
        None => return Ok(Err(Refusal::NoSuchMachine)),
        Some((_, None)) => return Ok(Err(Refusal::NoModel)),
        Some((_, Some(model))) => model,
    };
    Store::put_plumbing(&mut work, &model, plumbing).await?;
    let devices = Store::devices_of_model(&mut work, &model).await?;
    count::refresh_all(&mut work, &devices, present).await?;
    work.commit().await?;
    Ok(Ok(model))
}
