//! What is known of an engine, and what its messages mean.

use std::net::SocketAddr;
use std::sync::Arc;

use tokio::time::Instant;

use super::super::ask::RawPdu;
use super::super::ber::{
    self, BerError, COUNTER32, OBJECT_ID, REPORT, RawMessage, SEQUENCE, ScopedData, V3Message, Writer,
};
use super::super::credential::UsmUser;
use super::super::error::SnmpError;
use super::super::pdu::PduKind;
use super::super::usm_keys::{Closed, Keys};

/// The scalars that reports carry, 1.3.6.1.6.3.15.1.1 in octets: usmStats, RFC 3414 §5.
const USM_STATS: &[u8] = &[0x2b, 6, 1, 6, 3, 15, 1, 1];
/// How far a message may lag behind (RFC 3414 §2.2.3), seconds.
pub(in crate::snmp) const WINDOW: i64 = 150;
/// The boot counter at which an engine has run out of clock.
pub(in crate::snmp) const LAST_BOOT: i64 = 0x7fff_ffff;
/// An engine as it is known.
#[derive(Clone)]
pub(in crate::snmp) struct Known {
    engine_id: Arc<[u8]>,
    boots: i64,
    time: i64,
    read_at: Instant,
    /// A signed message came from it.
    proven: bool,
}

impl Known {
    /// Boots and time as its clock shows them `now`.
    pub(in crate::snmp) fn clock(&self, now: Instant) -> (i64, i64) {
        let passed = now.saturating_duration_since(self.read_at).as_secs();
        let passed = i64::try_from(passed).unwrap_or(i64::MAX);
        (self.boots, self.time.saturating_add(passed).min(LAST_BOOT))
    }
}

/// What a message turned out to be.
pub(in crate::snmp) enum Heard<'a> {
    /// The answer.
    Answer(RawPdu<'a>),
    /// The clock was off; it is set now.
    ClockSet,
    /// The engine is not the one that was known.
    OtherEngine,
    /// The device refuses the user, and asking again will not help.
    Refusal(Reason),
    /// An unsigned report to a user who signs. Whoever saw the request could have sent it, so that it is
    /// true only if no signed message comes.
    Doubtful(Reason),
    /// Nothing that can be trusted: as good as none.
    Nothing,
    /// Signed, and nonsense.
    Broken(BerError),
}

/// What a report says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::snmp) enum Reason {
    UnsupportedSecurityLevel,
    NotInTimeWindow,
    UnknownUser,
    UnknownEngine,
    WrongDigest,
    Decryption,
    Other,
}

impl Reason {
    fn of(report: &RawPdu<'_>) -> Self {
        let arc = report.values.into_iter().find_map(|varbind| varbind.name.strip_prefix(USM_STATS)?.first());
        match arc {
            Some(1) => Self::UnsupportedSecurityLevel,
            Some(2) => Self::NotInTimeWindow,
            Some(3) => Self::UnknownUser,
            Some(4) => Self::UnknownEngine,
            Some(5) => Self::WrongDigest,
            Some(6) => Self::Decryption,
            _ => Self::Other,
        }
    }

    /// The number of its counter in usmStats.
    pub(in crate::snmp) fn counter(self) -> Option<u8> {
        match self {
            Self::UnsupportedSecurityLevel => Some(1),
            Self::NotInTimeWindow => Some(2),
            Self::UnknownUser => Some(3),
            Self::UnknownEngine => Some(4),
            Self::WrongDigest => Some(5),
            Self::Decryption => Some(6),
            Self::Other => None,
        }
    }

    /// As an error, if asking another engine will not help.
    pub(in crate::snmp) fn refusal(self, address: SocketAddr, user: &UsmUser) -> Option<SnmpError> {
        let elsewhere = matches!(self, Self::NotInTimeWindow | Self::UnknownEngine);
        (!elsewhere).then(|| self.error(address, user))
    }

    /// As an error about a device.
    pub(in crate::snmp) fn error(self, address: SocketAddr, user: &UsmUser) -> SnmpError {
        let name = user.name().to_owned();
        match self {
            Self::UnknownUser => SnmpError::UnknownUser { address, user: name },
            Self::WrongDigest => SnmpError::WrongPasswordOrProtocol { address, user: name },
            Self::UnsupportedSecurityLevel => {
                SnmpError::UnsupportedSecurityLevel { address, user: name, level: user.level() }
            }
            Self::Decryption => SnmpError::Decryption { address, user: name },
            Self::NotInTimeWindow | Self::UnknownEngine | Self::Other => SnmpError::Clock { address },
        }
    }
}

impl Known {
    /// An engine by what one of its messages says.
    pub(in crate::snmp) fn of(engine_id: &[u8], (boots, time): (i64, i64), now: Instant) -> Self {
        Self {
            engine_id: engine_id.into(),
            boots: boots.clamp(0, LAST_BOOT),
            time: time.clamp(0, LAST_BOOT),
            read_at: now,
            proven: false,
        }
    }

    /// Makes sense of a message, and learns from it only what its signature vouches for.
    pub(in crate::snmp) fn hear<'a>(
        &mut self,
        keys: &Keys,
        datagram: &[u8],
        message: &V3Message<'a>,
        clear: &'a mut Vec<u8>,
        now: Instant,
    ) -> Heard<'a> {
        let opened = match keys.open(datagram, message, clear) {
            Ok(opened) => opened,
            Err(Closed::NotOurs) => return Heard::Nothing,
            Err(Closed::Broken(fault)) => return Heard::Broken(fault),
        };
        if opened.pdu.kind == PduKind::Report {
            let reason = Reason::of(&opened.pdu);
            if !opened.signed && keys.signs() && reason != Reason::Other {
                return Heard::Doubtful(reason);
            }
            return match reason {
                // Signed, and in answer to a number that nobody could foresee: it is fresh, so it may set
                // the clock back as well, which a device needs that lost its own.
                Reason::NotInTimeWindow if opened.signed => {
                    (self.boots, self.time, self.read_at) = (opened.clock.0, opened.clock.1, now);
                    self.proven = true;
                    Heard::ClockSet
                }
                Reason::NotInTimeWindow | Reason::UnknownEngine => Heard::OtherEngine,
                Reason::Other => Heard::Nothing,
                reason => Heard::Refusal(reason),
            };
        }
        if opened.signed && !self.is_timely(opened.clock, now) {
            return Heard::Nothing;
        }
        Heard::Answer(opened.pdu)
    }

    /// RFC 3414 §3.2 step 7b: whether a signed message is of now, and what it teaches about the clock.
    pub(in crate::snmp) fn is_timely(&mut self, (boots, time): (i64, i64), at: Instant) -> bool {
        let (known_boots, now) = self.clock(at);
        if boots == LAST_BOOT || boots < known_boots || (boots == known_boots && time < now - WINDOW) {
            return false;
        }
        self.proven = true;
        if boots > known_boots || time > now {
            (self.boots, self.time, self.read_at) = (boots, time, at);
        }
        true
    }

    /// All that a message can change.
    pub(in crate::snmp) fn state(&self) -> impl PartialEq + use<> {
        (self.boots, self.time, self.read_at, self.proven)
    }

    /// The engine's octets.
    pub(in crate::snmp) fn engine_id(&self) -> &Arc<[u8]> {
        &self.engine_id
    }

    /// Whether a signed message came from it.
    pub(in crate::snmp) fn is_proven(&self) -> bool {
        self.proven
    }
}

/// The engine that a report names.
pub(in crate::snmp) fn discovered(datagram: &[u8], now: Instant) -> Option<Known> {
    let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return None };
    let ScopedData::Plain(contents) = message.data else { return None };
    let report = ber::raw_scoped(contents).ok()?;
    let named = report.kind == PduKind::Report && (1..=32).contains(&message.engine_id.len());
    named.then(|| Known::of(message.engine_id, (message.boots, message.time), now))
}

/// A scoped PDU with the report of a counter of usmStats.
pub(in crate::snmp) fn write_report(engine_id: &[u8], request_id: i32, counter: u8, count: u32) -> Vec<u8> {
    let mut scoped = Writer::new();
    scoped.tagged(SEQUENCE, |w| {
        w.tagged(REPORT, |w| {
            w.tagged(SEQUENCE, |w| {
                w.tagged(SEQUENCE, |w| {
                    w.tagged(COUNTER32, |w| w.number(count.into()));
                    w.tagged(OBJECT_ID, |w| {
                        w.raw(&[counter, 0]);
                        w.raw(USM_STATS);
                    });
                });
            });
            w.integer(0);
            w.integer(0);
            w.integer(request_id.into());
        });
        w.octets(&[]);
        w.octets(engine_id);
    });
    scoped.finish()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::snmp::usm_keys::tests::ENGINE;

    /// A session of the crate fails its first request after 165 idle seconds, because its clock stands still.
    #[test]
    fn the_clock_of_an_engine_goes_on_while_nobody_asks() {
        let read_at = Instant::now();
        let known = Known { engine_id: ENGINE.into(), boots: 3, time: 1_000, read_at, proven: true };
        assert_eq!(known.clock(read_at + Duration::from_secs(165)), (3, 1_165));
        assert_eq!(known.clock(read_at + Duration::from_secs(u64::from(u32::MAX))), (3, LAST_BOOT));
    }
}
