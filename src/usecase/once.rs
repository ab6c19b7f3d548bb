//! A form that is sent twice is booked once.
//!
//! Every form that books carries a token of its own. The booking and the token are written down in one
//! transaction: whoever sends the same form again, at the same moment or later, changes nothing and is led to where
//! the first one was led.

use jiff::Timestamp;

use crate::store::{Result, Store, Work};

/// What tells one opened form from every other: 32 hexadecimal digits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// From its digits.
    #[must_use]
    pub fn from_digits(text: &str) -> Option<Self> {
        let digit = |byte: u8| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte);
        (text.len() == 32 && text.bytes().all(digit)).then(|| Self(text.to_owned()))
    }
}

/// Takes a token for the work that is about to be done; gives back what the form led to if it was booked before.
/// Work without a form has no token and is always done.
pub(super) async fn taken(work: &mut Work, token: Option<&Token>, now: Timestamp) -> Result<Option<i64>> {
    match token {
        Some(Token(token)) => Store::take_token(work, token, now).await,
        None => Ok(None),
    }
}

/// Writes down what the form led to.
pub(super) async fn settle(work: &mut Work, token: Option<&Token>, led_to: i64) -> Result<()> {
    match token {
        Some(Token(token)) => Store::settle_token(work, token, led_to).await,
        None => Ok(()),
    }
}
