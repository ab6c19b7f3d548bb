//! Answers that were spoilt in every way, at every moment of a poll.
//!
//! `ULLAGE_MUTATIONS=1000000 cargo test --lib mutations_never_panic` for many, which takes longer than nextest lets a
//! test take; the same seed makes the same datagrams.

use super::tests::{Device, Odd, TIMELESS, seen};
use super::*;
use crate::snmp::ask::Question;
use crate::snmp::ber::{self, RawMessage};
use crate::snmp::printer_mib::snapshot;
use crate::snmp::usm_keys::tests::{open_any, sealed};

const USUAL: u64 = 20_000;
const SEED: u64 = 0x5eed_0f1e;

/// Marsaglia's xorshift: enough for choosing octets, and the same everywhere.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, most: usize) -> usize {
        usize::try_from(self.roll() % most.max(1) as u64).unwrap()
    }

    fn octet(&mut self) -> u8 {
        // Octets that mean something in BER come more often than others.
        const TELLING: [u8; 16] =
            [0, 1, 2, 4, 5, 6, 0x30, 0x40, 0x7f, 0x80, 0x81, 0x82, 0x84, 0xa2, 0xa8, 0xff];
        match self.below(3) {
            0 => self.roll().to_be_bytes()[0],
            _ => TELLING[self.below(TELLING.len())],
        }
    }

    /// Spoils a datagram in one to four ways.
    fn spoil(&mut self, datagram: &mut Vec<u8>) {
        for _ in 0..=self.below(4) {
            let at = self.below(datagram.len());
            match self.below(8) {
                0..=3 => {
                    let octet = self.octet();
                    if let Some(place) = datagram.get_mut(at) {
                        *place = octet;
                    }
                }
                4 => datagram.truncate(at),
                5 => datagram.insert(at, self.octet()),
                6 if !datagram.is_empty() => _ = datagram.remove(at),
                _ => {
                    let piece = datagram[at..(at + self.below(60)).min(datagram.len())].to_vec();
                    let to = self.below(datagram.len());
                    datagram.splice(to..to, piece);
                }
            }
        }
    }
}

/// One poll in which answers are spoilt now and then. Gives back how many were.
fn poll(dice: &mut Dice, warm: Option<&Warm>) -> u64 {
    let odds = [Odd::No, Odd::NoBulk, Odd::OneRow, Odd::TooBig, Odd::Loop, Odd::Endless];
    let version = if dice.below(4) == 0 { Version::V1 } else { Version::V2c };
    let mut device = Device { odd: odds[dice.below(odds.len())], version, ..Device::new(6) };
    let mut reading = Reading::new(version, warm.cloned().map(Box::new), TIMELESS);
    let mut list = Vec::new();
    let mut spoilt = 0;
    for step in 0.. {
        assert!(step < 2_000, "a reading ends");
        let (verb, names) = reading.question(&mut list);
        let mut datagram = Vec::new();
        Question { verb, list: &list, names }.write(&mut datagram, version, b"loft", 7);
        let mut answer = device.answer(&datagram).unwrap();
        if dice.below(3) > 0 {
            dice.spoil(&mut answer);
            spoilt += 1;
        }
        let next = match ber::raw(&answer) {
            Ok(RawMessage::Community { pdu, .. }) => reading.answer(&pdu, answer.len()),
            _ if dice.below(2) == 0 => reading.silent(),
            _ => continue,
        };
        match next {
            Ok(Next::Ask) => {}
            Ok(Next::Done) => break,
            Err(_) => return spoilt,
        }
    }
    let (outcome, warm) = reading.finish(true);
    assert!(outcome.octets() <= 2 * MOST_OCTETS && warm.octets() <= 3 * MOST_OCTETS);
    if let Ok(rows) = outcome.varbinds() {
        let _ = snapshot(&rows, outcome.is_complete(), None);
    }
    spoilt
}

#[test]
fn mutations_never_panic_and_stay_bounded() {
    let wanted = std::env::var("ULLAGE_MUTATIONS").ok().and_then(|text| text.parse().ok()).unwrap_or(USUAL);
    let mut dice = Dice(SEED);
    let (outcome, warm) = Device::new(6).read(None, TIMELESS).unwrap();
    assert_eq!(seen(&outcome).supplies.len(), 6);
    let sealed = sealed();
    let (mut spoilt, mut opened) = (0, 0);
    while spoilt < wanted {
        let known = (dice.below(3) == 0).then_some(&warm);
        spoilt += poll(&mut dice, known);
        for whole in &sealed {
            let mut datagram = whole.clone();
            dice.spoil(&mut datagram);
            opened += u64::from(datagram != *whole && open_any(&datagram));
            spoilt += 1;
        }
    }
    // What stands behind a message in its datagram is not part of it.
    println!("{spoilt} mutations; {opened} secured messages opened with something changed behind them");
}
