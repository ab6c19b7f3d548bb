use std::collections::BTreeMap;
use std::ops::Bound;

use super::*;
use crate::snmp::ask::{self, Question};
use crate::snmp::ber::{self, RawMessage};
use crate::snmp::oid::Oid;
use crate::snmp::printer_mib::{self as mib, snapshot};
use crate::snmp::testing::{Asked, encode_response};
use crate::snmp::value::Value;

/// A device without a network: a table, and what is wrong with it.
pub(in crate::snmp) struct Device {
    pub(in crate::snmp) table: BTreeMap<Oid, Value>,
    pub(in crate::snmp) version: Version,
    pub(in crate::snmp) limit: usize,
    pub(in crate::snmp) asked: Vec<Asked>,
    pub(in crate::snmp) odd: Odd,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::snmp) enum Odd {
    No,
    /// Answers a GETBULK with genErr.
    NoBulk,
    /// One row at most in a GETBULK.
    OneRow,
    /// Says tooBig instead of cutting off.
    TooBig,
    /// The name after the fifth row of a column is the first one's again.
    Loop,
    /// Every table goes on for ever.
    Endless,
    /// Does not answer what has more than this many names.
    Mute(usize),
    /// Answers every read of this column with genErr.
    Broken(u32),
}

pub(super) const TIMELESS: Duration = Duration::from_secs(1_000);

fn machine(supplies: u32) -> BTreeMap<Oid, Value> {
    let mut table = BTreeMap::new();
    let mut put = |base: &Oid, index: &[u32], value: Value| table.insert(base.child(index), value);
    let text = |text: String| Value::OctetString(text.into_bytes().into());
    for arc in [1, 4, 5, 6] {
        put(&mib::SYSTEM, &[arc, 0], text(format!("system {arc}")));
    }
    put(&mib::SYSTEM, &[2, 0], Value::ObjectId(mib::SYSTEM));
    put(&mib::SYSTEM, &[3, 0], Value::TimeTicks(5_000_000));
    put(&mib::HR_DEVICE, &[2, 1], Value::ObjectId(mib::HR_DEVICE_PRINTER));
    put(&mib::HR_DEVICE, &[3, 1], text("Wide-format ink printer".into()));
    put(&mib::HR_DEVICE, &[5, 1], Value::Integer(2));
    put(&mib::HR_PRINTER, &[1, 1], Value::Integer(3));
    put(&mib::HR_PRINTER, &[2, 1], Value::OctetString([0].into()));
    put(&mib::GENERAL, &[1, 1], Value::Counter32(4));
    put(&mib::GENERAL, &[2, 1], Value::Integer(1));
    put(&mib::GENERAL, &[16, 1], text("Bobbin".into()));
    put(&mib::GENERAL, &[17, 1], text("LL000007".into()));
    put(&mib::GENERAL, &[19, 1], Value::Counter32(9));
    put(&mib::LOCALIZATION, &[4, 1, 1], Value::Integer(106));
    for (base, columns, rows) in [(mib::COVER, 3, 2), (mib::INPUT, 18, 1), (mib::MARKER, 5, 1)] {
        for (column, row) in (2..=columns).flat_map(|column| (1..=rows).map(move |row| (column, row))) {
            put(&base, &[column, 1, row], Value::Integer(3));
        }
    }
    for (column, row) in (2..=9).flat_map(|column| (1..=supplies).map(move |row| (column, row))) {
        put(&mib::SUPPLIES, &[column, 1, row], Value::Integer(i64::from(row)));
    }
    for row in 1..=supplies {
        put(&mib::SUPPLIES, &[6, 1, row], text(format!("Ink {row} cartridge")));
        put(&mib::COLORANT, &[4, 1, row], text(format!("ink {row}")));
    }
    table
}

impl Device {
    pub(in crate::snmp) fn new(supplies: u32) -> Self {
        Self {
            table: machine(supplies),
            version: Version::V2c,
            limit: 1_472,
            asked: Vec::new(),
            odd: Odd::No,
        }
    }

    fn set(&mut self, base: &Oid, index: &[u32], value: Value) {
        self.table.insert(base.child(index), value);
    }

    fn next(&self, name: &Oid) -> Varbind {
        if self.odd == Odd::Endless && name.starts_with(&mib::SUPPLIES) {
            let mut arcs = name.arcs().to_vec();
            if arcs.len() == 13 {
                arcs[12] += 1;
                return Varbind { oid: Oid::from_arcs(&arcs), value: Value::Integer(1) };
            }
        }
        let behind = (Bound::Excluded(name), Bound::Unbounded);
        let found = self.table.range::<Oid, _>(behind).next();
        let (mut oid, value) = match found {
            Some((oid, value)) => (oid.clone(), value.clone()),
            None => (name.clone(), Value::EndOfMibView),
        };
        if self.odd == Odd::Loop && oid.starts_with(&mib::SUPPLIES) && oid.arcs().last() == Some(&6) {
            let mut arcs = oid.arcs().to_vec();
            arcs[12] = 1;
            oid = Oid::from_arcs(&arcs);
        }
        Varbind { oid, value }
    }

    /// The answer to a request, or silence.
    pub(in crate::snmp) fn answer(&mut self, datagram: &[u8]) -> Option<Vec<u8>> {
        let asked = Asked::parse(datagram, self.asked.len())?;
        self.asked.push(asked.clone());
        let fail = |status, index| Some(asked.fail(status, index, &asked.echo()));
        let bulk = asked.tag == ber::GET_BULK;
        match self.odd {
            Odd::Mute(most) if asked.oids.len() > most => return None,
            Odd::NoBulk if bulk => return fail(5, 0),
            _ => {}
        }
        let (once, repeat) = match asked.tag {
            ber::GET_BULK => asked.oids.split_at(asked.non_repeaters.min(asked.oids.len())),
            _ => (&asked.oids[..], &[][..]),
        };
        let mut values: Vec<Varbind> = if asked.tag == ber::GET {
            let get = |oid: &Oid| self.table.get(oid).cloned().unwrap_or(Value::NoSuchInstance);
            once.iter().map(|oid| Varbind { oid: oid.clone(), value: get(oid) }).collect()
        } else {
            once.iter().map(|oid| self.next(oid)).collect()
        };
        let mut at = repeat.to_vec();
        let most = if self.odd == Odd::OneRow { 1 } else { asked.max_repetitions };
        for _ in 0..most {
            for oid in &mut at {
                let found = self.next(oid);
                *oid = found.oid.clone();
                values.push(found);
            }
        }
        if let Odd::Broken(column) = self.odd
            && let Some(index) =
                values.iter().position(|value| value.oid.starts_with(&mib::INPUT.child(&[column])))
        {
            return fail(5, u32::try_from(index).unwrap() + 1);
        }
        if self.version == Version::V1
            && let Some(index) = values.iter().position(|value| !value.value.is_present())
        {
            return fail(2, u32::try_from(index).unwrap() + 1);
        }
        if bulk && self.odd != Odd::TooBig {
            while asked.answer(&values).len() > self.limit {
                values.pop();
            }
        }
        let answer = asked.answer(&values);
        if answer.len() > self.limit { Some(asked.fail(1, 0, &[])) } else { Some(answer) }
    }

    /// Reads it through its network's bytes, as a sweep does with two tries.
    pub(in crate::snmp) fn read(
        &mut self,
        warm: Option<Warm>,
        now: Duration,
    ) -> Result<(Outcome, Warm), Fault> {
        self.asked.clear();
        let mut reading = Reading::new(self.version, warm.map(Box::new), now);
        let mut list = Vec::new();
        loop {
            assert!(self.asked.len() < 1_000, "it does not end: {:?}", self.odd);
            let (verb, names) = reading.question(&mut list);
            let mut datagram = Vec::new();
            Question { verb, list: &list, names }.write(&mut datagram, self.version, b"loft", 7);
            let next = match self.answer(&datagram) {
                Some(answer) => {
                    let Ok(RawMessage::Community { pdu, .. }) = ber::raw(&answer) else { panic!() };
                    reading.answer(&pdu, answer.len())?
                }
                None if reading.be_cautious() => continue,
                None => reading.silent()?,
            };
            if next == Next::Done {
                return Ok(reading.finish(true));
            }
        }
    }

    /// What it holds, as a snapshot.
    pub(in crate::snmp) fn truth(&self) -> crate::domain::snapshot::Snapshot {
        let rows: Vec<Varbind> = self
            .table
            .iter()
            .map(|(oid, value)| Varbind { oid: oid.clone(), value: value.clone() })
            .collect();
        snapshot(&rows, true, None).unwrap()
    }
}

pub(in crate::snmp) fn seen(outcome: &Outcome) -> crate::domain::snapshot::Snapshot {
    snapshot(&outcome.varbinds().unwrap(), outcome.is_complete(), None).unwrap()
}

#[test]
fn sixteen_supplies_take_three_round_trips_and_then_one() {
    let mut device = Device::new(16);
    let (outcome, warm) = device.read(None, TIMELESS).unwrap();
    assert_eq!(seen(&outcome), device.truth());
    assert!(device.asked.len() <= 3, "{}", device.asked.len());
    assert_eq!((outcome.supplies, outcome.whole), (16, true));
    device.set(&mib::SUPPLIES, &[9, 1, 4], Value::Integer(77));
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(5_090_000));
    let (outcome, _) = device.read(Some(warm), TIMELESS + Duration::from_secs(900)).unwrap();
    assert_eq!(seen(&outcome), device.truth());
    assert_eq!((device.asked.len(), device.asked[0].tag), (1, ber::GET));
    assert_eq!((outcome.supplies, outcome.whole), (16, false));
}

#[test]
fn what_the_device_says_of_itself_decides_what_is_asked_again() {
    let mut device = Device::new(6);
    let later = TIMELESS + Duration::from_secs(900);
    let (_, warm) = device.read(None, TIMELESS).unwrap();
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(5_090_000));

    // A new alert: the alert table, and nothing else.
    device.set(&mib::GENERAL, &[19, 1], Value::Counter32(10));
    for (column, number) in [(2, 3), (4, 11), (5, 2), (6, 1), (7, 1102)] {
        device.set(&mib::ALERT, &[column, 1, 40], Value::Integer(number));
    }
    let (outcome, with_alert) = device.read(Some(warm.clone()), later).unwrap();
    assert_eq!((seen(&outcome), outcome.whole), (device.truth(), false));
    assert_eq!(seen(&outcome).alerts.len(), 1);
    assert!(device.asked.len() <= 4, "{}", device.asked.len());

    // It clears, which the counter does not tell everywhere; here it does.
    device.set(&mib::GENERAL, &[19, 1], Value::Counter32(11));
    device.table.retain(|oid, _| !oid.starts_with(&mib::ALERT));
    let (outcome, _) = device.read(Some(with_alert), later).unwrap();
    assert_eq!(seen(&outcome), device.truth());

    // Another set of supplies: everything.
    device.set(&mib::GENERAL, &[1, 1], Value::Counter32(5));
    device.set(&mib::SUPPLIES, &[6, 1, 2], Value::OctetString(b"Ink 2, large".as_slice().into()));
    let (outcome, _) = device.read(Some(warm.clone()), later).unwrap();
    assert_eq!((seen(&outcome), outcome.whole), (device.truth(), true));

    // A restart, by which the counter begins anew: everything.
    device.set(&mib::GENERAL, &[1, 1], Value::Counter32(4));
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(4_000));
    let (outcome, _) = device.read(Some(warm.clone()), later).unwrap();
    assert!(outcome.whole);

    // A supply that is no longer there: everything.
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(5_090_000));
    device.table.remove(&mib::SUPPLIES.child(&[9, 1, 6]));
    let (outcome, _) = device.read(Some(warm), later).unwrap();
    assert_eq!((seen(&outcome), outcome.whole), (device.truth(), true));
}

/// An uptime after a restart may be longer than the one before: the time between says that it is one.
#[test]
fn a_restart_is_seen_by_the_time_that_passed() {
    let mut device = Device::new(2);
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(10_000));
    let (_, warm) = device.read(None, TIMELESS).unwrap();
    for (ticks, whole) in [(360_000, true), (8_639_000, false), (8_650_000, false), (8_300_000, true)] {
        device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(ticks));
        let (outcome, _) = device.read(Some(warm.clone()), TIMELESS + Duration::from_secs(86_400)).unwrap();
        assert_eq!(outcome.whole, whole, "{ticks}");
    }
    // The clock of a device that ran 497 days begins anew by itself.
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(u32::MAX - 100));
    let (_, warm) = device.read(None, TIMELESS).unwrap();
    device.set(&mib::SYSTEM, &[3, 0], Value::TimeTicks(89_900));
    let (outcome, _) = device.read(Some(warm), TIMELESS + Duration::from_secs(900)).unwrap();
    assert!(!outcome.whole);
}

#[test]
fn odd_devices_are_read_whole_all_the_same() {
    for odd in [Odd::NoBulk, Odd::OneRow, Odd::TooBig, Odd::Mute(24), Odd::Mute(2)] {
        for version in [Version::V2c, Version::V1] {
            for limit in [484, 1_472, 60_000] {
                let mut device = Device { odd, version, limit, ..Device::new(9) };
                let (outcome, warm) =
                    device.read(None, TIMELESS).unwrap_or_else(|fault| panic!("{odd:?} {fault:?}"));
                assert_eq!(seen(&outcome), device.truth(), "{odd:?} {version:?} {limit}");
                let asked = device.asked.len();
                let (outcome, _) = device.read(Some(warm), TIMELESS).unwrap();
                assert_eq!(seen(&outcome), device.truth(), "{odd:?} {version:?} {limit}, again");
                assert!(device.asked.len() < asked, "{odd:?}: what was learnt is remembered");
            }
        }
    }
}

#[test]
fn a_column_that_fails_costs_only_itself() {
    for version in [Version::V2c, Version::V1] {
        let mut device = Device { odd: Odd::Broken(12), version, ..Device::new(3) };
        let (outcome, _) = device.read(None, TIMELESS).unwrap();
        assert!(!outcome.is_complete());
        assert_eq!(seen(&outcome).supplies, device.truth().supplies, "{version:?}");
    }
}

#[test]
fn loops_and_endless_tables_end() {
    for odd in [Odd::Loop, Odd::Endless] {
        let mut device = Device { odd, ..Device::new(12) };
        let (outcome, _) = device.read(None, TIMELESS).unwrap();
        assert!(!outcome.is_complete(), "{odd:?}");
        assert!(outcome.octets() <= MOST_OCTETS);
        assert_eq!(seen(&outcome).markers, device.truth().markers);
    }
}

/// Columns with holes, and rows that the leading column has not.
#[test]
fn holes_in_tables_hide_no_rows() {
    let mut device = Device::new(8);
    for index in [[6, 1, 3], [9, 1, 5], [6, 1, 8], [2, 1, 1]] {
        device.table.remove(&mib::SUPPLIES.child(&index));
    }
    let (outcome, _) = device.read(None, TIMELESS).unwrap();
    assert_eq!(seen(&outcome), device.truth());
}

#[test]
fn a_device_of_another_kind_and_one_that_refuses_everything() {
    let mut device = Device::new(1);
    device.table.retain(|oid, _| oid.starts_with(&mib::SYSTEM));
    let (outcome, _) = device.read(None, TIMELESS).unwrap();
    assert!(snapshot(&outcome.varbinds().unwrap(), true, None).is_err());
    device.table.clear();
    let (outcome, warm) = device.read(None, TIMELESS).unwrap();
    assert_eq!(outcome.octets(), 0);
    assert!(device.read(Some(warm), TIMELESS).is_ok());
}

#[test]
fn silence_is_silence_and_answers_that_do_not_fit_are_refused() {
    let mut device = Device { odd: Odd::Mute(0), ..Device::new(1) };
    assert_eq!(device.read(None, TIMELESS).unwrap_err(), Fault::Silent);
    let mut reading = Reading::new(Version::V1, None, TIMELESS);
    let mut list = Vec::new();
    let (_, names) = reading.question(&mut list);
    assert!(names > 5);
    let few = encode_response(
        Version::V1,
        b"loft",
        7,
        0,
        0,
        &[Varbind { oid: mib::SYSTEM.child(&[1, 0]), value: Value::Null }],
    );
    let Ok(RawMessage::Community { pdu, .. }) = ber::raw(&few) else { panic!() };
    assert!(matches!(reading.answer(&pdu, few.len()), Err(Fault::Unfitting(_))));
    assert_eq!(ask::names(&[]).len(), 0);
}
