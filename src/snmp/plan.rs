//! What to ask a printer next: a first contact that finds out what tables it has in as few round trips as
//! their values fit into, and later polls that ask for what changes, in one.
//!
//! A `Reading` is one poll of one device as a machine without I/O: it says what to ask, takes the answer
//! or the silence in, and says whether there is more to ask. Sweeps and the live poller drive the same one.
//! What it learns of a device is kept in a [`Warm`] plan.
//!
//! Every answer moves a column on, ends one, or makes the next question smaller, and the number of questions
//! is bounded as well: a reading always ends.

mod cold;
#[cfg(test)]
mod mutation_tests;
mod tables;
#[cfg(test)]
pub(super) mod tests;
mod warm;

use std::net::SocketAddr;
use std::time::Duration;

use super::ask::{RawPdu, Values, Verb};
use super::ber::{BerError, decode_oid};
use super::error::SnmpError;
use super::oid::Oid;
use super::pdu::{ErrorStatus, Version};
use super::value::Varbind;
use cold::Cold;
pub use warm::{Shapes, Warm};

/// The largest answer that fits an Ethernet frame unbroken: 1,500 octets without the headers of IPv4 and UDP.
const FRAME: usize = 1_472;
/// The least that every agent can send (RFC 3417 §3.2).
const SMALLEST: usize = 484;
/// As many names of the Printer MIB, 20 octets each with their frame, fit a question of that size.
const NAMES_IN_SMALLEST: usize = 20;
/// More questions than this a reading does not ask.
const MOST_QUESTIONS: u32 = 600;
/// More octets than this a reading does not keep.
const MOST_OCTETS: usize = 256 << 10;

/// What a device turned out to be able to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Manners {
    /// It has GETBULK.
    bulk: bool,
    /// How large an answer to ask for, octets.
    answer_octets: usize,
    /// Whether it cuts its answers off by itself, so that asking for too much does no harm; if that is known.
    cuts_off: Option<bool>,
    /// The most rows to ask for at once.
    repetitions: usize,
    /// The most names to ask for at once.
    names: usize,
}

impl Manners {
    /// What is taken for granted of a device that was never asked. One of version 1 may drop a question that
    /// is larger than it has to take, without a word, so it is asked in small ones from the start.
    fn presumed(version: Version) -> Self {
        let (answer_octets, names) =
            if version == Version::V1 { (SMALLEST, NAMES_IN_SMALLEST) } else { (FRAME, 64) };
        Self { bulk: version != Version::V1, answer_octets, cuts_off: None, repetitions: 64, names }
    }

    /// The least that can be asked for.
    fn least(self) -> Self {
        Self { bulk: false, answer_octets: SMALLEST, repetitions: 1, names: 2, ..self }
    }
}

/// Why a reading did not bring all there is.
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

/// What a poll brought.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Names and values as they stood in the answers.
    rows: Vec<u8>,
    /// Why rows may be missing, if the device broke a table off.
    pub partial: Option<Partial>,
    /// How many supplies told their level in this poll.
    pub supplies: u32,
    /// Whether all was asked, or only what changes.
    pub whole: bool,
}

impl Outcome {
    /// The instances.
    ///
    /// # Errors
    /// When a name among them is none.
    pub fn varbinds(&self) -> Result<Vec<Varbind>, BerError> {
        Values::new(&self.rows)?.owned()
    }

    /// Whether every table came to its end.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.partial.is_none()
    }

    /// How many octets of names and values there are.
    #[must_use]
    pub fn octets(&self) -> usize {
        self.rows.len()
    }
}

/// Why a reading ended without an outcome.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Fault {
    /// The device refused everything.
    Refused { status: ErrorStatus, about: Option<Oid> },
    /// An answer that does not fit its question.
    Unfitting(&'static str),
    /// It stopped answering, and asking for less did not help.
    Silent,
}

impl Fault {
    /// As an error about a device.
    pub(crate) fn error(self, address: SocketAddr) -> SnmpError {
        match self {
            Self::Refused { status, about } => SnmpError::Agent { address, status, oid: about },
            Self::Unfitting(what) => SnmpError::Unfitting { address, what },
            Self::Silent => SnmpError::NoAnswer { address, tries: 0, waited: Duration::ZERO },
        }
    }
}

/// What comes next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    /// There is another question.
    Ask,
    /// That was all.
    Done,
}

/// What is being asked.
enum Phase {
    /// Tables, from their start.
    Tables(Box<Cold>),
    /// The names of the warm plan, from this one on.
    Changes { asked: usize, asking: usize },
}

/// One poll of one device.
pub(crate) struct Reading {
    manners: Manners,
    phase: Phase,
    /// What was known before, until it turns out to be no longer true.
    warm: Option<Box<Warm>>,
    /// What came in answer to the warm plan's names.
    changes: Vec<u8>,
    /// What came of tables.
    rows: Vec<u8>,
    partial: Option<Partial>,
    refused: Option<(ErrorStatus, Option<Oid>)>,
    heard: warm::Heard,
    questions: u32,
    answered: bool,
    /// Nothing came back so far, and the smallest question is tried.
    cautious: bool,
    /// How often a device that had answered fell silent.
    silences: u8,
    now: Duration,
}

impl Reading {
    /// A poll of a device that speaks this version, with what is remembered of it. `now` counts from
    /// whenever the one who asks began to count.
    pub(crate) fn new(version: Version, warm: Option<Box<Warm>>, now: Duration) -> Self {
        let manners = warm.as_ref().map_or_else(|| Manners::presumed(version), |warm| warm.manners);
        // A device in which nothing changes may have become another one, and what it broke off the last time
        // it may give now.
        let warm = warm.filter(|warm| warm.names() > 0 && warm.is_complete());
        let phase = match &warm {
            Some(_) => Phase::Changes { asked: 0, asking: 0 },
            None => Phase::Tables(Box::new(Cold::everything())),
        };
        Self {
            manners,
            phase,
            warm,
            changes: Vec::new(),
            rows: Vec::new(),
            partial: None,
            refused: None,
            heard: warm::Heard::default(),
            questions: 0,
            answered: false,
            cautious: false,
            silences: 0,
            now,
        }
    }

    /// What to ask now; the list of names is written into `list`. Asked again, it says the same.
    pub(crate) fn question(&mut self, list: &mut Vec<u8>) -> (Verb, usize) {
        list.clear();
        let manners = if self.cautious { self.manners.least() } else { self.manners };
        match (&mut self.phase, &self.warm) {
            (Phase::Tables(cold), _) => cold.question(manners, list),
            (Phase::Changes { asked, asking }, Some(warm)) => {
                *asking = warm.write(*asked, manners, list);
                (Verb::Get, *asking)
            }
            (Phase::Changes { .. }, None) => (Verb::Get, 0),
        }
    }

    /// Takes an answer in: `octets` is how many its datagram had.
    pub(crate) fn answer(&mut self, pdu: &RawPdu<'_>, octets: usize) -> Result<Next, Fault> {
        self.questions += 1;

        if !self.answered && self.cautious {
            // It spoke when it was asked for little; so be it.
            self.manners.answer_octets = self.manners.answer_octets.min(SMALLEST);
        }
        (self.answered, self.cautious) = (true, false);
        if octets > FRAME {
            self.manners.cuts_off = Some(false);
        }
        if self.questions >= MOST_QUESTIONS || self.rows.len() + self.changes.len() > MOST_OCTETS {
            self.partial = Some(Partial::TooManyRows);
            return self.done();
        }
        match self.phase {
            Phase::Tables(_) => self.take_tables(pdu),
            Phase::Changes { asked, asking } => self.take_changes(pdu, asked, asking),
        }
    }

    /// Takes in that no try of the last question was answered.
    pub(crate) fn silent(&mut self) -> Result<Next, Fault> {
        if !self.answered {
            return Err(Fault::Silent);
        }
        self.silences += 1;
        match self.silences {
            // Large answers get lost on the way, some devices have no GETBULK at all, and some take only
            // few names. Each guess costs every retry, so there are only three; what helped is remembered.
            1 => self.manners.answer_octets = (self.manners.answer_octets / 2).min(SMALLEST),
            2 => (self.manners.bulk, self.manners.names) = (false, 8),
            3 => self.manners.names = 2,
            _ => return Err(Fault::Silent),
        }
        Ok(Next::Ask)
    }

    /// Before the last try of a device that never answered: asks for as little as can be, in case it is the
    /// size of the question that keeps it from answering. Whether that changes the question.
    pub(crate) fn be_cautious(&mut self) -> bool {
        let changes = !self.answered && !self.cautious && matches!(self.phase, Phase::Tables(_));
        self.cautious |= changes;
        changes
    }

    /// Whether any answer came.
    pub(crate) fn has_answered(&self) -> bool {
        self.answered
    }

    fn take_tables(&mut self, pdu: &RawPdu<'_>) -> Result<Next, Fault> {
        let Phase::Tables(cold) = &mut self.phase else { return Err(Fault::Unfitting("out of turn")) };
        if pdu.status != ErrorStatus::NoError || pdu.values.is_empty() {
            cold.failed(pdu, &mut self.manners, &mut self.partial, &mut self.refused);
        } else {
            if self.rows.is_empty() {
                // A printer with many supplies fills three answers. Growing by and by would copy them twice.
                self.rows.reserve(3 * pdu.values.octets().len().min(FRAME));
            }
            let came = cold.take(pdu.values, &mut self.rows, &mut self.partial);
            match cold.most() {
                (most, _) if came > most => {
                    return Err(Fault::Unfitting("there are more values than were asked for"));
                }
                (most, true) if came < most && !cold.is_at_end() => self.manners.cuts_off = Some(true),
                (most, false) if came < most => {
                    return Err(Fault::Unfitting("there are fewer values than names"));
                }
                _ => {}
            }
        }
        if cold.is_done() { self.done() } else { Ok(Next::Ask) }
    }

    fn take_changes(&mut self, pdu: &RawPdu<'_>, asked: usize, asking: usize) -> Result<Next, Fault> {
        let Some(warm) = &self.warm else { return Err(Fault::Unfitting("out of turn")) };
        if pdu.status == ErrorStatus::TooBig && asking > 1 {
            self.manners.answer_octets /= 2;
            self.manners.names = asking / 2;
            return Ok(Next::Ask);
        }
        if pdu.status != ErrorStatus::NoError {
            // Version 1 says so when one is missing; others for reasons of their own.
            return Ok(self.everything());
        }
        let before = self.changes.len();
        if !warm.same_names(asked, asking, pdu.values) {
            return Err(Fault::Unfitting("there are other values than those that were asked for"));
        }
        self.changes.extend_from_slice(pdu.values.octets());
        if !warm.listen(asked, Values::checked(&self.changes[before..]), &mut self.heard) {
            return Ok(self.everything());
        }
        self.phase = Phase::Changes { asked: asked + asking, asking: 0 };
        if asked + asking < warm.names() {
            return Ok(Next::Ask);
        }
        if warm.is_outdated(&self.heard, self.now) {
            return Ok(self.everything());
        }
        if warm.alerts_may_differ(&self.heard) {
            self.phase = Phase::Tables(Box::new(Cold::alerts()));
            return Ok(Next::Ask);
        }
        Ok(Next::Done)
    }

    /// What was remembered is no longer true.
    fn everything(&mut self) -> Next {
        self.warm = None;
        self.changes.clear();
        self.rows.clear();
        self.heard = warm::Heard::default();
        self.phase = Phase::Tables(Box::new(Cold::everything()));
        Next::Ask
    }

    fn done(&mut self) -> Result<Next, Fault> {
        match self.refused.take() {
            Some((status, about)) if self.rows.is_empty() && self.warm.is_none() => Err(match status {
                ErrorStatus::NoError => Fault::Unfitting("no answer has a value in it"),
                status => Fault::Refused { status, about },
            }),
            _ => Ok(Next::Done),
        }
    }

    /// What came of it, and the plan for the next time. `keep` says whether the plan is to hold the values
    /// too, without which later polls give nothing but what changed.
    pub(crate) fn finish(self, keep: bool) -> (Outcome, Warm) {
        let read = warm::Read {
            manners: self.manners,
            partial: self.partial,
            heard: self.heard,
            now: self.now,
            keep,
        };
        match (self.warm, self.phase) {
            (Some(warm), Phase::Tables(_)) => warm.renewed(&read, &self.changes, Some(self.rows)),
            (Some(warm), Phase::Changes { .. }) => warm.renewed(&read, &self.changes, None),
            (None, Phase::Tables(cold)) => Warm::first(&read, self.rows, cold.changing()),
            (None, Phase::Changes { .. }) => Warm::first(&read, self.rows, &[]),
        }
    }
}

/// A name's octets as a name.
fn named(octets: &[&[u8]]) -> Option<Oid> {
    decode_oid(&octets.concat()).ok()
}
