//! When somebody last looked at Today, kept in a cookie of this site alone: two moments, and nothing about who it is.
//!
//! Views less than half an hour apart are one visit. The cookie says when the last view was and when the visit before
//! this one ended, so that loading a page again does not make its news old.

use axum::http::header::{COOKIE, HeaderMap, HeaderValue};
use jiff::{SignedDuration, Timestamp};

/// Views that are further apart belong to two visits.
const APART: SignedDuration = SignedDuration::from_mins(30);
const NAME: &str = "seen";
/// Somebody who has been away for longer is a new visitor: 90 days, in seconds.
const KEPT_S: i64 = 90 * 86_400;

/// One who looks at Today.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Visit {
    /// When the visit before this one ended; none at the first.
    pub(crate) before: Option<Timestamp>,
    now: Timestamp,
}

impl Visit {
    /// From what the browser says; a cookie that this site has not written, or one of the future, says nothing.
    pub(crate) fn of(headers: &HeaderMap, now: Timestamp) -> Self {
        let first = Self { before: None, now };
        let Some((last, before)) = headers.get_all(COOKIE).iter().find_map(read) else { return first };
        if last > now || now.duration_since(last) > SignedDuration::from_secs(KEPT_S) {
            return first;
        }
        let apart = now.duration_since(last) > APART;
        Self { before: if apart { Some(last) } else { before.filter(|before| *before <= last) }, now }
    }

    /// What the browser is asked to keep.
    pub(crate) fn cookie(&self) -> HeaderValue {
        let before = self.before.map_or(0, Timestamp::as_second);
        let text = format!(
            "{NAME}={}.{before}; Path=/; Max-Age={KEPT_S}; SameSite=Lax; HttpOnly",
            self.now.as_second()
        );
        HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(""))
    }
}

/// The last view and the end of the visit before.
fn read(cookies: &HeaderValue) -> Option<(Timestamp, Option<Timestamp>)> {
    let own = |cookie: &str| cookie.trim().strip_prefix(NAME)?.strip_prefix('=').map(str::to_owned);
    let value = cookies.to_str().ok()?.split(';').find_map(own)?;
    let (last, before) = value.split_once('.')?;
    let moment = |text: &str| Timestamp::from_second(text.parse().ok()?).ok();
    Some((moment(last)?, moment(before).filter(|before| before.as_second() > 0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_second(1_795_000_000 + 60 * minute).unwrap()
    }

    /// The cookie that a visit leaves, as the browser sends it back.
    fn back(visit: Visit) -> HeaderMap {
        let cookie = visit.cookie();
        let sent = cookie.to_str().unwrap().split(';').next().unwrap();
        HeaderMap::from_iter([(COOKIE, HeaderValue::from_str(&format!("other=1; {sent}")).unwrap())])
    }

    #[test]
    fn news_stay_news_for_the_whole_visit() {
        let first = Visit::of(&HeaderMap::new(), at(0));
        assert_eq!(first.before, None);
        let again = Visit::of(&back(first), at(20));
        assert_eq!(again.before, None, "the same visit");
        let next = Visit::of(&back(again), at(600));
        assert_eq!(next.before, Some(at(20)));
        let reloaded = Visit::of(&back(next), at(610));
        assert_eq!(reloaded.before, Some(at(20)));
        assert_eq!(Visit::of(&back(reloaded), at(1000)).before, Some(at(610)));
    }

    #[test]
    fn a_cookie_that_nobody_wrote_says_nothing() {
        for value in ["seen=", "seen=x.y", "seen=1", "seen=99999999999999999999.0", "unseen=1.2"] {
            let headers = HeaderMap::from_iter([(COOKIE, HeaderValue::from_static(value))]);
            assert_eq!(Visit::of(&headers, at(0)).before, None, "{value}");
        }
        assert_eq!(
            Visit::of(&back(Visit::of(&HeaderMap::new(), at(50))), at(0)).before,
            None,
            "of the future"
        );
    }
}
