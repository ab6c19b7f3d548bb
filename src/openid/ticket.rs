//! What a browser carries on its way to the provider and back: a random key from which all that the provider is told
//! follows, when it went out, and where it is led to then. Sealed, so that nobody writes one; good once, and not long.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, Mac};
use jiff::{SignedDuration, Timestamp};
use sha2::{Digest, Sha256};

use super::Fault;
use crate::usecase::access::Key;

/// How long somebody may take at the provider.
pub const LASTS: SignedDuration = SignedDuration::from_mins(10);
/// The longest way back that is carried, in octets.
const WAY_BACK: usize = 1024;
/// So many sign-ins are remembered as used; those of ten minutes, of a very busy room.
const REMEMBERED: usize = 10_000;

/// One sign-in that is under way.
#[derive(Debug, Clone)]
pub struct Ticket {
    key: Key,
    /// Where the browser is led to then; a page of this site has still to be made sure of.
    pub then: String,
}

impl Ticket {
    /// What the provider gives back unchanged.
    #[must_use]
    pub fn state(&self) -> String {
        self.derived("state")
    }

    /// What the ID token has to hold.
    #[must_use]
    pub fn nonce(&self) -> String {
        self.derived("nonce")
    }

    /// What the code is redeemed with: the `code_verifier` of RFC 7636.
    #[must_use]
    pub fn verifier(&self) -> String {
        self.derived("verifier")
    }

    /// Letters that follow from the key and do not lead back to it, nor to one another.
    fn derived(&self, purpose: &str) -> String {
        URL_SAFE_NO_PAD.encode(mac(self.key.bytes(), purpose.as_bytes()).finalize().into_bytes())
    }
}

/// The `code_challenge` of a verifier by S256: its SHA-256 in letters that fit into an address (RFC 7636, 4.2).
#[must_use]
pub fn challenge(verifier: &str) -> String {
    URL_SAFE_NO_PAD.encode(Sha256::digest(verifier))
}

/// Gives tickets out, and takes each back once.
#[derive(Debug)]
pub struct Tickets {
    /// Ends with the program: whoever is on the way then begins again.
    seal: Key,
    used: Mutex<HashMap<[u8; 32], Timestamp>>,
}

impl Tickets {
    /// None is out yet.
    ///
    /// # Errors
    /// If the system has no randomness to give.
    pub fn new() -> Result<Self, Fault> {
        Ok(Self { seal: Key::fresh()?, used: Mutex::default() })
    }

    /// A new ticket, and the letters that the browser carries.
    ///
    /// # Errors
    /// If the system has no randomness to give.
    pub fn issue(&self, then: &str, now: Timestamp) -> Result<(Ticket, String), Fault> {
        let then = if then.len() <= WAY_BACK { then } else { "/" };
        let ticket = Ticket { key: Key::fresh()?, then: then.to_owned() };
        let back = URL_SAFE_NO_PAD.encode(then);
        let text = format!("{}.{}.{back}", ticket.key.letters(), now.as_second());
        let seal = URL_SAFE_NO_PAD.encode(mac(self.seal.bytes(), text.as_bytes()).finalize().into_bytes());
        Ok((ticket, format!("{text}.{seal}")))
    }

    /// The ticket that a browser carries, if `state` goes with it. It is used up then, whatever comes of it.
    ///
    /// # Errors
    /// [`Fault::Stale`] if it is none of ours, too old, used, or another's.
    pub fn redeem(&self, carried: &str, state: &str, now: Timestamp) -> Result<Ticket, Fault> {
        let (ticket, begun) = self.opened(carried).ok_or(Fault::Stale)?;
        let passed = now.duration_since(begun);
        if passed >= LASTS || passed < -LASTS {
            return Err(Fault::Stale);
        }
        // Both sides are made of hashes of a secret, so that how long it takes to compare them tells nothing.
        let same = Sha256::digest(ticket.state()) == Sha256::digest(state);
        if !same {
            return Err(Fault::Stale);
        }
        let mut used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
        used.retain(|_, at| now.duration_since(*at).abs() < LASTS * 2);
        if used.len() >= REMEMBERED {
            return Err(Fault::Busy);
        }
        match used.insert(ticket.key.hash(), now) {
            None => Ok(ticket),
            Some(_) => Err(Fault::Stale),
        }
    }

    fn opened(&self, carried: &str) -> Option<(Ticket, Timestamp)> {
        let (text, seal) = carried.rsplit_once('.')?;
        let seal = URL_SAFE_NO_PAD.decode(seal).ok()?;
        mac(self.seal.bytes(), text.as_bytes()).verify_slice(&seal).ok()?;
        let mut parts = text.splitn(3, '.');
        let key = Key::from_letters(parts.next()?)?;
        let begun = Timestamp::from_second(parts.next()?.parse().ok()?).ok()?;
        let then = String::from_utf8(URL_SAFE_NO_PAD.decode(parts.next()?).ok()?).ok()?;
        Some((Ticket { key, then }, begun))
    }
}

/// HMAC takes keys of every length, so that this does not fail.
fn mac(key: &[u8; 32], text: &[u8]) -> Hmac<Sha256> {
    Hmac::<Sha256>::new_from_slice(key).expect("a key of any length").chain_update(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_795_000_000 + second).unwrap()
    }

    /// RFC 7636, appendix B.
    #[test]
    fn a_challenge_is_the_worked_example_of_rfc_7636() {
        let verifier = "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk";
        assert_eq!(challenge(verifier), "E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM");
    }

    #[test]
    fn all_that_the_provider_is_told_differs_and_fits() {
        let tickets = Tickets::new().unwrap();
        let (one, _) = tickets.issue("/", at(0)).unwrap();
        let (other, _) = tickets.issue("/", at(0)).unwrap();
        let told = [one.state(), one.nonce(), one.verifier(), other.state(), other.nonce(), other.verifier()];
        assert_eq!(told.iter().collect::<std::collections::BTreeSet<_>>().len(), 6);
        // RFC 7636, 4.1: 43 to 128 letters.
        assert!(told.iter().all(|letters| letters.len() == 43 && *letters != one.key.letters()));
    }

    #[test]
    fn a_ticket_is_good_once_for_its_state_and_not_long() {
        let tickets = Tickets::new().unwrap();
        let (ticket, carried) = tickets.issue("/machines/1?days=30", at(0)).unwrap();
        let state = ticket.state();
        let stale = |result: Result<Ticket, Fault>| matches!(result, Err(Fault::Stale));
        assert!(stale(tickets.redeem(&carried, "", at(1))));
        assert!(stale(tickets.redeem(&carried, &ticket.nonce(), at(1))));
        assert!(stale(tickets.redeem(&carried, &state, at(600))), "too old");
        assert!(stale(Tickets::new().unwrap().redeem(&carried, &state, at(1))), "of another run");
        let back = tickets.redeem(&carried, &state, at(599)).unwrap();
        assert_eq!((back.then.as_str(), back.verifier()), ("/machines/1?days=30", ticket.verifier()));
        assert!(stale(tickets.redeem(&carried, &state, at(599))), "used");
        assert!(stale(tickets.redeem(&carried, &state, at(1))), "used, whatever the clock says");
    }

    #[test]
    fn nobody_writes_a_ticket() {
        let tickets = Tickets::new().unwrap();
        let (ticket, carried) = tickets.issue("/", at(0)).unwrap();
        let state = ticket.state();
        for at_octet in 0..carried.len() {
            let other = if carried.as_bytes()[at_octet] == b'A' { "B" } else { "A" };
            let spoiled = [&carried[..at_octet], other, &carried[at_octet + 1..]].concat();
            assert!(tickets.redeem(&spoiled, &state, at(1)).is_err(), "at {at_octet}");
        }
        for other in ["", ".", "...", "....", "é"] {
            assert!(tickets.redeem(other, &state, at(1)).is_err(), "{other}");
        }
        let (long, _) = tickets.issue(&"/x".repeat(WAY_BACK), at(0)).unwrap();
        assert_eq!(long.then, "/");
    }

    #[test]
    fn what_is_remembered_is_bounded() {
        let tickets = Tickets::new().unwrap();
        for _ in 0..REMEMBERED {
            tickets.used.lock().unwrap().insert(*Key::fresh().unwrap().bytes(), at(0));
        }
        let (ticket, carried) = tickets.issue("/", at(0)).unwrap();
        assert!(matches!(tickets.redeem(&carried, &ticket.state(), at(1)), Err(Fault::Busy)));
        let (ticket, carried) = tickets.issue("/", at(1300)).unwrap();
        assert!(tickets.redeem(&carried, &ticket.state(), at(1300)).is_ok());
    }
}
