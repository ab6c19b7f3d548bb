//! GET, GETNEXT and GETBULK over a sorted MIB view (RFC 3416 section 4.2, RFC 1157 section 4.1).

use crate::message::{Pdu, VarBind, encode_varbind, kind};
use crate::oid::{Oid, Value};

/// Error statuses of a response.
pub(crate) mod status {
    pub(crate) const TOO_BIG: i32 = 1;
    pub(crate) const NO_SUCH_NAME: i32 = 2;
    pub(crate) const READ_ONLY: i32 = 4;
    pub(crate) const AUTHORIZATION: i32 = 16;
    pub(crate) const NOT_WRITABLE: i32 = 17;
}

/// What goes into a response.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Answer {
    pub(crate) status: i32,
    pub(crate) index: i32,
    pub(crate) varbinds: Vec<Vec<u8>>,
}

/// How an agent answers.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Terms {
    /// Version 1: errors for the whole request instead of exceptions for each varbind.
    pub(crate) version_1: bool,
    /// Bytes that all varbinds together may take.
    pub(crate) budget: usize,
    /// Most repetitions of a GETBULK; 0 means no limit.
    pub(crate) max_repetitions: u32,
}

/// The answer to a request; `None` for what an agent does not answer.
pub(crate) fn answer(pdu: &Pdu, view: &[VarBind], terms: Terms) -> Option<Answer> {
    let found = match pdu.kind {
        kind::GET => each(pdu, terms, |name| (name.clone(), get(view, name))),
        kind::GET_NEXT => each(pdu, terms, |name| next(view, name)),
        kind::GET_BULK if !terms.version_1 => bulk(pdu, view, terms),
        kind::SET => {
            let error = if terms.version_1 { status::READ_ONLY } else { status::NOT_WRITABLE };
            refuse(pdu, error, i32::from(!pdu.varbinds.is_empty()))
        }
        _ => return None,
    };
    Some(found)
}

/// A response that repeats the request's varbinds beside an error.
pub(crate) fn refuse(pdu: &Pdu, status: i32, index: i32) -> Answer {
    let varbinds = pdu.varbinds.iter().map(|(name, value)| encode_varbind(name, value)).collect();
    Answer { status, index, varbinds }
}

fn each(pdu: &Pdu, terms: Terms, look: impl Fn(&Oid) -> VarBind) -> Answer {
    let mut varbinds = Vec::with_capacity(pdu.varbinds.len());
    let mut size = 0;
    for (index, (name, _)) in (1..).zip(&pdu.varbinds) {
        let (name, value) = look(name);
        let missing = matches!(value, Value::NoSuchObject | Value::NoSuchInstance | Value::EndOfMibView);
        if terms.version_1 && missing {
            return refuse(pdu, status::NO_SUCH_NAME, index);
        }
        let varbind = encode_varbind(&name, &value);
        size += varbind.len();
        varbinds.push(varbind);
    }
    if size <= terms.budget {
        return Answer { status: 0, index: 0, varbinds };
    }
    if terms.version_1 {
        return refuse(pdu, status::TOO_BIG, 0);
    }
    // RFC 3416 section 4.2.1: an answer that is too big comes back with an empty list.
    Answer { status: status::TOO_BIG, index: 0, varbinds: Vec::new() }
}

fn get(view: &[VarBind], name: &Oid) -> Value {
    match view.binary_search_by(|(known, _)| known.cmp(name)) {
        Ok(place) => view[place].1.clone(),
        Err(place) => {
            let kind = object_type(name);
            // Instances of one object type stand together, so one of them is a neighbour.
            let near =
                [place.checked_sub(1), Some(place)].into_iter().flatten().filter_map(|at| view.get(at));
            let known = kind.is_some_and(|kind| near.into_iter().any(|(known, _)| known.starts_with(kind)));
            if known { Value::NoSuchInstance } else { Value::NoSuchObject }
        }
    }
}

/// The part of a name that says which object type it is an instance of, for the groups served here.
fn object_type(name: &Oid) -> Option<&[u32]> {
    let length = match name.0.get(..7)? {
        [1, 3, 6, 1, 2, 1, 1] => 8,
        [1, 3, 6, 1, 2, 1, 25 | 43] => 11,
        _ => return None,
    };
    name.0.get(..length)
}

fn next(view: &[VarBind], name: &Oid) -> VarBind {
    let place = view.partition_point(|(known, _)| known <= name);
    view.get(place).cloned().unwrap_or_else(|| (name.clone(), Value::EndOfMibView))
}

fn bulk(pdu: &Pdu, view: &[VarBind], terms: Terms) -> Answer {
    let singles = usize::try_from(pdu.status).unwrap_or(0).min(pdu.varbinds.len());
    let mut repetitions = u32::try_from(pdu.index).unwrap_or(0);
    if terms.max_repetitions > 0 {
        repetitions = repetitions.min(terms.max_repetitions);
    }
    let mut list = List { varbinds: Vec::new(), size: 0, budget: terms.budget };
    let (single, repeated) = pdu.varbinds.split_at(singles);
    let done = |list: List| Answer { status: 0, index: 0, varbinds: list.varbinds };
    for (name, _) in single {
        if !list.push(&next(view, name)) {
            return done(list);
        }
    }
    let mut names: Vec<Oid> = repeated.iter().map(|(name, _)| name.clone()).collect();
    for _ in 0..repetitions {
        let mut ended = true;
        for name in &mut names {
            let found = next(view, name);
            ended &= found.1 == Value::EndOfMibView;
            if !list.push(&found) {
                return done(list);
            }
            *name = found.0;
        }
        if ended {
            break;
        }
    }
    done(list)
}

/// Varbinds that stop being added when the message is full (RFC 3416 section 4.2.3).
struct List {
    varbinds: Vec<Vec<u8>>,
    size: usize,
    budget: usize,
}

impl List {
    fn push(&mut self, (name, value): &VarBind) -> bool {
        let varbind = encode_varbind(name, value);
        let fits = self.size + varbind.len() <= self.budget;
        if fits {
            self.size += varbind.len();
            self.varbinds.push(varbind);
        }
        fits
    }
}
