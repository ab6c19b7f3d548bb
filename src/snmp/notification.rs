//! Notifications: is this a printer's alert, whose is it, and how is it acknowledged?
//!
//! A notification is only ever a hint to poll its sender now: RFC 3805 §2.2.13 asks for one only when a
//! critical alert comes up, and in versions 1 and 2c anybody can send one. What it says is therefore not read
//! any further. Each form is taken apart by a reader of its own; both are asked only about datagrams that come
//! from the address of a known device.

mod community;
mod secure;

use std::sync::Arc;

use tokio::time::Instant;

use super::ber;
use super::credential::Credential;
use super::transport::Engine;
use community::Community;
pub use secure::Identity;
use secure::Secure;

/// `snmpTrapOID.0` (RFC 3418).
const TRAP_OID: &[u64] = &[1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0];
/// `printerV2Alert` (RFC 3805 §6).
const PRINTER_V2_ALERT: &[u64] = &[1, 3, 6, 1, 2, 1, 43, 18, 2, 0, 1];
/// The enterprise of `printerV2Alert` in a trap of version 1, whose specific number is 1.
const PRINTER_V1_ENTERPRISE: &[u64] = &[1, 3, 6, 1, 2, 1, 43, 18, 2];
/// More varbinds than any notification has use for.
const MOST_VARBINDS: usize = 64;

/// What came of a datagram.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// Whether it tells of a printer's alert.
    pub printer_alert: bool,
    /// What its sender waits for: the response to an inform, or what it has to know before it can send one.
    pub answer: Option<Vec<u8>>,
}

/// One form in which notifications come.
trait Form {
    /// Takes a datagram apart that came from a device which lets itself be read in one of these ways. `None`
    /// if it is no notification of this form, or one that cannot be believed.
    fn hear(&mut self, datagram: &[u8], known: &[Arc<Credential>], now: Instant) -> Option<Heard>;
}

/// Takes notifications of every version.
pub struct Listener {
    community: Community,
    secure: Secure,
}

impl Listener {
    /// A listener that goes by this name. Keys of version 3 users are those that the engine made for its polls.
    #[must_use]
    pub fn new(engine: Engine, identity: Identity) -> Self {
        Self { community: Community, secure: Secure::new(engine, identity) }
    }

    /// Takes a datagram in, sent from the address of devices that let themselves be read in these ways. `None`
    /// if it is no notification, or one that cannot be believed.
    pub fn hear(&mut self, datagram: &[u8], known: &[Arc<Credential>]) -> Option<Heard> {
        let form: &mut dyn Form = match ber::version_number(datagram)? {
            3 => &mut self.secure,
            _ => &mut self.community,
        };
        form.hear(datagram, known, Instant::now())
    }
}
