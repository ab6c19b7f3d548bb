//! Settings of the door.

use std::time::Duration;

use jiff::SignedDuration;

use super::read::Reader;
use crate::domain::access::Limits;

/// How people come in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AccessSettings {
    /// How long a visit lasts.
    pub limits: Limits,
    /// Whether browsers reach the pages by https, through a server in front.
    pub https: bool,
}

pub(super) fn access(reader: &mut Reader<'_>) -> AccessSettings {
    let mut span = |key, usual: SignedDuration, least, most| {
        let usual = usual.unsigned_abs();
        let said = reader.duration(key, usual, (least, most));
        SignedDuration::try_from(said).unwrap_or(SignedDuration::MAX)
    };
    let day = Duration::from_hours(24);
    let idle = span("access.idle", Limits::USUAL.idle, Duration::from_mins(5), 30 * day);
    let at_most = span("access.at_most", Limits::USUAL.at_most, Duration::from_hours(1), 90 * day);
    AccessSettings { limits: Limits { idle, at_most }, https: reader.flag("listen.https", false) }
}
