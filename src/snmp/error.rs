//! What can go wrong between this program and a device, in words that a person can act on.

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use super::ber::BerError;
use super::oid::Oid;
use super::pdu::ErrorStatus;

/// How often, as an adverb.
fn times(n: u32) -> String {
    match n {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{n} times"),
    }
}

/// Why a device was not read.
#[derive(Debug, thiserror::Error)]
pub enum SnmpError {
    /// No answer at all.
    #[error(
        "{address} did not answer in {:.1} s, asked {}: see that it is switched on, that SNMP is enabled in it, and that its community or user is the one set here",
        waited.as_secs_f64(),
        times(*tries)
    )]
    NoAnswer {
        /// Who was asked.
        address: SocketAddr,
        /// How many datagrams were sent.
        tries: u32,
        /// How long was waited in all.
        waited: Duration,
    },
    /// It answers discovery but not this user's encrypted requests. RFC 3414 lets an agent drop what it
    /// cannot make sense of once decrypted.
    #[error(
        "{address} speaks SNMPv3 but did not answer user “{user}”, asked {}: see that the privacy protocol and password here are the ones set in the device",
        times(*tries)
    )]
    SilentToUser {
        /// Who was asked.
        address: SocketAddr,
        /// The user.
        user: String,
        /// How many datagrams were sent.
        tries: u32,
    },
    /// The system would not send.
    #[error("cannot send to {address}: {source}; see that this machine has a route to it")]
    Send {
        /// Who was to be asked.
        address: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
    /// The system gave no socket.
    #[error(
        "cannot open a UDP socket: {source}; see that the process may open sockets and has file descriptors left"
    )]
    Socket {
        /// What the system said.
        source: io::Error,
    },
    /// Usm: the device has no such user.
    #[error(
        "{address} has no SNMPv3 user “{user}”: add that user in the device, or write here the name it has"
    )]
    UnknownUser {
        /// Who was asked.
        address: SocketAddr,
        /// The user.
        user: String,
    },
    /// Usm: the signature did not fit.
    #[error(
        "{address} refused the signature of SNMPv3 user “{user}”: the authentication password or protocol here differs from the one in the device"
    )]
    WrongPasswordOrProtocol {
        /// Who was asked.
        address: SocketAddr,
        /// The user.
        user: String,
    },
    /// Usm: this user may not be used at this level.
    #[error(
        "{address} does not let SNMPv3 user “{user}” read at level {level}: give the user here the authentication and privacy that it has in the device, or let it read at this level there"
    )]
    UnsupportedSecurityLevel {
        /// Who was asked.
        address: SocketAddr,
        /// The user.
        user: String,
        /// The level that was used.
        level: &'static str,
    },
    /// Usm: the device could not decrypt.
    #[error(
        "{address} could not decrypt what user “{user}” sent: the privacy password or protocol here differs from the one in the device"
    )]
    Decryption {
        /// Who was asked.
        address: SocketAddr,
        /// The user.
        user: String,
    },
    /// Usm: its clock cannot be followed.
    #[error(
        "{address} refuses every SNMPv3 clock, its own too: restart the device, and see that it keeps its boot counter"
    )]
    Clock {
        /// Who was asked.
        address: SocketAddr,
    },
    /// Usm: discovery failed, or the device changed its engine under us.
    #[error(
        "{address} does not keep one SNMPv3 engine ID: {what}; see that no two devices share this address"
    )]
    Engine {
        /// Who was asked.
        address: SocketAddr,
        /// What happened.
        what: &'static str,
    },
    /// A key could not be made, or a message not put together.
    #[error(
        "cannot secure a message for {address} as user “{user}”: {what}; try another protocol for this user"
    )]
    Security {
        /// Who was to be asked.
        address: SocketAddr,
        /// The user.
        user: String,
        /// What failed.
        what: String,
    },
    /// The device answered with an error.
    #[error("{address} answered {status}{}; see that this community or user may read the whole of its MIB", about(oid.as_ref()))]
    Agent {
        /// Who answered.
        address: SocketAddr,
        /// How.
        status: ErrorStatus,
        /// About which name, if it said.
        oid: Option<Oid>,
    },
    /// The device's answer can not be understood.
    #[error(
        "{address} sent an answer that is not SNMP as the standard has it: {source}; see whether newer firmware mends it"
    )]
    Malformed {
        /// Who answered.
        address: SocketAddr,
        /// Where it broke.
        source: BerError,
    },
    /// The answer does not fit the question.
    #[error(
        "{address} answered something else than what it was asked: {what}; see whether newer firmware mends it"
    )]
    Unfitting {
        /// Who answered.
        address: SocketAddr,
        /// What does not fit.
        what: &'static str,
    },
    /// GETBULK in version 1.
    #[error("{address} is read by SNMPv1, which has no GETBULK")]
    NoBulkInV1 {
        /// Who was to be asked.
        address: SocketAddr,
    },
    /// The engine was shut while the request was under way.
    #[error("the request to {address} was given up, because the service is stopping")]
    Stopped {
        /// Who was asked.
        address: SocketAddr,
    },
}

fn about(oid: Option<&Oid>) -> String {
    oid.map(|oid| format!(" about {oid}")).unwrap_or_default()
}

impl SnmpError {
    /// Whether nothing came back, so that asking for less may help.
    #[must_use]
    pub fn is_silence(&self) -> bool {
        matches!(self, Self::NoAnswer { .. } | Self::SilentToUser { .. })
    }

    /// Whether only a person can mend it, by setting another user or password: asking again soon will not.
    #[must_use]
    pub fn is_settings(&self) -> bool {
        matches!(
            self,
            Self::UnknownUser { .. }
                | Self::WrongPasswordOrProtocol { .. }
                | Self::UnsupportedSecurityLevel { .. }
                | Self::Decryption { .. }
                | Self::SilentToUser { .. }
        )
    }
}
