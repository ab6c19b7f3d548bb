//! Reading operations over requests: some instances, or whole columns of tables.
//!
//! A walk always ends: it stops a column at the first name that does not increase, and at a row cap; and
//! it asks for less when a device cannot answer so much at once.

use super::error::SnmpError;
use super::oid::Oid;
use super::pdu::{ErrorStatus, Pdu, Request, Version};
use super::transport::{Engine, Target};
use super::value::{Value, Varbind};

/// About what a name and its value take in an answer beyond the name's own arcs, octets.
const VALUE_OCTETS: usize = 12;

/// How much to ask for.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// The most rows of one column.
    pub rows: usize,
    /// How large an answer should be about, octets. 1,400 fits an Ethernet frame.
    pub answer_octets: usize,
    /// The most rows to ask for at once.
    pub repetitions: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self { rows: 256, answer_octets: 1_400, repetitions: 24 }
    }
}

/// Why a walk did not bring all there is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Partial {
    /// A name was not larger than the one before it: the device goes in circles.
    NotIncreasing,
    /// There are more rows than the cap.
    TooManyRows,
    /// The device failed in the middle.
    Agent(ErrorStatus),
    /// A row's index is none, or longer than the table's can be.
    StrangeIndex,
    /// One single value is too big for the device's answers, or it gave none.
    Unanswered,
}

/// What a walk brought.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Rows {
    /// The instances, in the order they came.
    pub varbinds: Vec<Varbind>,
    /// Why there may be more.
    pub partial: Option<Partial>,
}

/// Walks one device, and remembers what it turned out to be able to do.
pub struct Walker<'a> {
    engine: &'a Engine,
    target: &'a Target,
    limits: Limits,
    /// The most columns to ask for at once.
    columns: usize,
    bulk: bool,
    /// Something came back already: silence now may be about the size of what was asked.
    answered: bool,
}

struct Column<'a> {
    oid: &'a Oid,
    last: Oid,
    rows: usize,
    done: bool,
}

/// The values of these instances; see [`Walker::get`].
///
/// # Errors
/// When the device does not answer, or lets nothing be read.
pub async fn get(engine: &Engine, target: &Target, oids: &[Oid]) -> Result<Vec<Varbind>, SnmpError> {
    Walker::new(engine, target, Limits::default()).get(oids).await
}

/// Whole columns; see [`Walker::columns`].
///
/// # Errors
/// When the device does not answer.
pub async fn walk_columns(
    engine: &Engine,
    target: &Target,
    columns: &[Oid],
    limits: Limits,
) -> Result<Rows, SnmpError> {
    Walker::new(engine, target, limits).columns(columns).await
}

impl<'a> Walker<'a> {
    /// A walker for one device.
    #[must_use]
    pub fn new(engine: &'a Engine, target: &'a Target, limits: Limits) -> Self {
        let bulk = target.credential.version() != Version::V1;
        Self { engine, target, limits, columns: usize::MAX, bulk, answered: false }
    }

    /// The values of these instances, in their order, in as few requests as their answers fit into.
    ///
    /// What the device has not is an exception value; what it fails on, asked alone, is [`Value::Null`].
    ///
    /// # Errors
    /// When the device does not answer, or fails on everything.
    pub async fn get(&mut self, oids: &[Oid]) -> Result<Vec<Varbind>, SnmpError> {
        let mut found = vec![Value::Null; oids.len()];
        let mut left = self.chunks(oids);
        let mut refused = None;
        while let Some(mut asked) = left.pop() {
            let names = asked.iter().map(|at| oids[*at].clone()).collect();
            let pdu = match self.ask(&Request::Get { oids: names }).await {
                Ok(pdu) => pdu,
                Err(error) if error.is_silence() && self.answered && asked.len() > 1 => {
                    halve(asked, &mut left);
                    continue;
                }
                Err(error) => return Err(error),
            };
            if pdu.status == ErrorStatus::NoError {
                for (at, varbind) in asked.into_iter().zip(pdu.varbinds) {
                    if varbind.oid == oids[at] {
                        found[at] = varbind.value;
                    }
                }
                continue;
            }
            let named = named(&pdu, asked.len()).filter(|_| pdu.status != ErrorStatus::TooBig);
            match named.or((asked.len() == 1).then_some(0)) {
                Some(position) => {
                    // Version 1 gives nothing at all when one is missing: once more without that one.
                    let at = asked.remove(position);
                    if pdu.status == ErrorStatus::NoSuchName {
                        found[at] = Value::NoSuchObject;
                    } else {
                        refused = Some((pdu.status, at));
                    }
                    left.extend((!asked.is_empty()).then_some(asked));
                }
                None => halve(asked, &mut left),
            }
        }
        if let Some((status, at)) = refused
            && !found.iter().any(Value::is_present)
        {
            return Err(SnmpError::Agent {
                address: self.target.address,
                status,
                oid: Some(oids[at].clone()),
            });
        }
        Ok(oids.iter().cloned().zip(found).map(|(oid, value)| Varbind { oid, value }).collect())
    }

    /// Whole columns of one table or of several, row by row, in as few requests as their answers fit into:
    /// by GETBULK, or by GETNEXT where there is no GETBULK.
    ///
    /// # Errors
    /// When the device does not answer.
    pub async fn columns(&mut self, columns: &[Oid]) -> Result<Rows, SnmpError> {
        let mut columns: Vec<Column<'_>> =
            columns.iter().map(|oid| Column { oid, last: oid.clone(), rows: 0, done: false }).collect();
        let mut rows = Rows::default();
        loop {
            let mut active: Vec<&mut Column<'_>> =
                columns.iter_mut().filter(|column| !column.done).take(self.columns).collect();
            if active.is_empty() {
                return Ok(rows);
            }
            let repetitions = self.repetitions(&active);
            let oids: Vec<Oid> = active.iter().map(|column| column.last.clone()).collect();
            let request = if self.bulk {
                Request::GetBulk { non_repeaters: 0, max_repetitions: repetitions, oids }
            } else {
                Request::GetNext { oids }
            };
            match self.ask(&request).await {
                Ok(pdu) if pdu.status == ErrorStatus::NoError && !pdu.varbinds.is_empty() => {
                    absorb(pdu, &mut active, &mut rows, self.limits.rows);
                }
                Ok(pdu) => self.failed(&pdu, &mut active, &mut rows, repetitions),
                Err(error) if error.is_silence() && self.answered && self.bulk => {
                    // Large answers get lost on the way, and some devices have no GETBULK at all. Each
                    // guess costs every retry, so there are only two.
                    if repetitions > 1 {
                        self.limits.repetitions = 1;
                    } else {
                        self.bulk = false;
                    }
                }
                Err(error) => return Err(error),
            }
        }
    }

    async fn ask(&mut self, request: &Request) -> Result<Pdu, SnmpError> {
        let pdu = self.engine.request(self.target, request).await?;
        self.answered = true;
        Ok(pdu)
    }

    /// How many rows of these columns fit an answer.
    fn repetitions(&self, active: &[&mut Column<'_>]) -> u32 {
        let row: usize = active.iter().map(|column| octets(&column.last)).sum();
        let left = active.iter().map(|column| self.limits.rows - column.rows).max().unwrap_or(1);
        let fit = (self.limits.answer_octets / row.max(1)).min(left.saturating_add(1));
        u32::try_from(fit).unwrap_or(u32::MAX).clamp(1, self.limits.repetitions.max(1))
    }

    /// What to do about an error status, or about an answer with nothing in it.
    fn failed(&mut self, pdu: &Pdu, active: &mut [&mut Column<'_>], rows: &mut Rows, repetitions: u32) {
        let size = matches!(pdu.status, ErrorStatus::TooBig | ErrorStatus::NoError);
        if pdu.status == ErrorStatus::NoSuchName
            && let Some(at) = named(pdu, active.len())
        {
            // How version 1 says that there is nothing behind this.
            active[at].done = true;
        } else if size && self.bulk && repetitions > 1 {
            self.limits.repetitions = repetitions / 2;
        } else if !size && self.bulk {
            self.bulk = false;
        } else if !size && let Some(at) = named(pdu, active.len()) {
            active[at].done = true;
            rows.partial = Some(Partial::Agent(pdu.status));
        } else if active.len() > 1 {
            self.columns = active.len() / 2;
        } else {
            active[0].done = true;
            match pdu.status {
                ErrorStatus::NoSuchName => {}
                ErrorStatus::NoError | ErrorStatus::TooBig => rows.partial = Some(Partial::Unanswered),
                status => rows.partial = Some(Partial::Agent(status)),
            }
        }
    }

    /// The positions of these names, in lots whose answers fit; the first lot last.
    fn chunks(&self, oids: &[Oid]) -> Vec<Vec<usize>> {
        let mut chunks: Vec<Vec<usize>> = Vec::new();
        let mut room = 0;
        for (at, oid) in oids.iter().enumerate() {
            let octets = octets(oid);
            match chunks.last_mut() {
                Some(chunk) if octets <= room => chunk.push(at),
                _ => {
                    chunks.push(vec![at]);
                    room = self.limits.answer_octets;
                }
            }
            room = room.saturating_sub(octets);
        }
        chunks.reverse();
        chunks
    }
}

/// The position that an error names, from 0.
fn named(pdu: &Pdu, asked: usize) -> Option<usize> {
    usize::try_from(pdu.error_index).ok()?.checked_sub(1).filter(|at| *at < asked)
}

fn halve(mut asked: Vec<usize>, left: &mut Vec<Vec<usize>>) {
    let second = asked.split_off(asked.len() / 2);
    left.push(second);
    left.push(asked);
}

fn octets(oid: &Oid) -> usize {
    oid.arcs().len() + VALUE_OCTETS
}

/// Takes an answer's values into their columns: the `n`th is of the `n`th column, over and over.
fn absorb(pdu: Pdu, active: &mut [&mut Column<'_>], rows: &mut Rows, cap: usize) {
    let width = active.len();
    for (at, varbind) in pdu.varbinds.into_iter().enumerate() {
        let column = &mut *active[at % width];
        if column.done {
            continue;
        }
        if varbind.value == Value::EndOfMibView || !varbind.oid.starts_with(column.oid) {
            column.done = true;
        } else if varbind.oid <= column.last {
            column.done = true;
            rows.partial = Some(Partial::NotIncreasing);
        } else if column.rows == cap {
            column.done = true;
            rows.partial = Some(Partial::TooManyRows);
        } else {
            column.last = varbind.oid.clone();
            column.rows += 1;
            if varbind.value.is_present() {
                rows.varbinds.push(varbind);
            }
        }
    }
}

#[cfg(test)]
mod tests;
