//! The only reader of the present time in the program.

use jiff::Timestamp;

/// The present instant.
#[allow(clippy::disallowed_methods)] // The one place of the program that reads the clock.
pub(crate) fn now() -> Timestamp {
    Timestamp::now()
}
