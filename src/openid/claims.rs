//! What an ID token has to say before it is believed (OpenID Connect Core 1.0, 3.1.3.7).

use jiff::{SignedDuration, Timestamp};
use serde_json::{Map, Value};

/// The clocks of both machines may be so far apart.
const APART: SignedDuration = SignedDuration::from_secs(60);
/// A token that was made for this sign-in was made since it began, give or take what clocks are apart.
const OLDEST: SignedDuration = SignedDuration::from_mins(15);
/// The longest subject (Core 1.0, section 2).
const SUBJECT_LETTERS: usize = 255;

/// Why a token is not believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Doubt {
    /// It is no token.
    #[error("it cannot be read")]
    Unreadable,
    /// It is not signed, or in a way that is not taken.
    #[error("it is not signed in a way that is trusted")]
    Algorithm,
    /// No key of the provider's goes with it.
    #[error("it is signed by a key that is not the provider's")]
    Key,
    /// The signature is not that of the key.
    #[error("its signature does not fit")]
    Signature,
    /// Another provider made it.
    #[error("it comes from another provider")]
    Issuer,
    /// It is for another program.
    #[error("it was made for another program")]
    Audience,
    /// It is over, or too old.
    #[error("its time is over; the clocks of both machines should agree")]
    Over,
    /// It has not begun.
    #[error("its time has not begun; the clocks of both machines should agree")]
    NotYet,
    /// It is for another sign-in.
    #[error("it was made for another sign-in")]
    Nonce,
    /// It says of nobody.
    #[error("it does not say of whom")]
    Subject,
    /// What the provider says elsewhere is of somebody else.
    #[error("the provider says different things of you")]
    OtherSubject,
}

/// What a token has to be.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Who made it.
    pub issuer: &'a str,
    /// For whom.
    pub client_id: &'a str,
    /// For which sign-in.
    pub nonce: &'a str,
}

/// Looks at the claims of a token whose signature has been looked at, and gives back its subject.
///
/// # Errors
/// The first thing that is not as it has to be.
pub fn check(claims: &Map<String, Value>, wanted: Wanted<'_>, now: Timestamp) -> Result<String, Doubt> {
    let text = |name: &str| claims.get(name).and_then(Value::as_str);
    if text("iss") != Some(wanted.issuer) {
        return Err(Doubt::Issuer);
    }
    audience(claims, wanted.client_id)?;
    if moment(claims, "exp").ok_or(Doubt::Over)? <= before(now) {
        return Err(Doubt::Over);
    }
    let made = moment(claims, "iat").ok_or(Doubt::Over)?;
    if now.duration_since(made) > OLDEST {
        return Err(Doubt::Over);
    }
    let begins = match claims.get("nbf") {
        None => made,
        Some(_) => moment(claims, "nbf").ok_or(Doubt::NotYet)?.max(made),
    };
    if begins.duration_since(now) > APART {
        return Err(Doubt::NotYet);
    }
    if text("nonce") != Some(wanted.nonce) {
        return Err(Doubt::Nonce);
    }
    let subject = text("sub").filter(|subject| {
        (1..=SUBJECT_LETTERS).contains(&subject.chars().count()) && !subject.contains(char::is_control)
    });
    subject.map(str::to_owned).ok_or(Doubt::Subject)
}

/// A token for several programs is taken only if it was handed to this one.
fn audience(claims: &Map<String, Value>, client_id: &str) -> Result<(), Doubt> {
    let many = match claims.get("aud") {
        Some(Value::String(one)) if one == client_id => false,
        Some(Value::Array(all)) if all.iter().any(|one| one.as_str() == Some(client_id)) => all.len() > 1,
        _ => return Err(Doubt::Audience),
    };
    match claims.get("azp") {
        Some(party) if party.as_str() == Some(client_id) => Ok(()),
        None if !many => Ok(()),
        _ => Err(Doubt::Audience),
    }
}

fn before(now: Timestamp) -> Timestamp {
    now.checked_sub(APART).unwrap_or(Timestamp::MIN)
}

/// A moment as RFC 7519 writes it: seconds, whole or not.
fn moment(claims: &Map<String, Value>, name: &str) -> Option<Timestamp> {
    let value = claims.get(name)?;
    let seconds = value.as_i64().or_else(|| value.as_f64().map(|seconds| seconds as i64))?;
    Timestamp::from_second(seconds).ok()
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    const NOW: i64 = 1_795_000_000;

    fn checked(change: impl FnOnce(&mut Map<String, Value>)) -> Result<String, Doubt> {
        let good = json!({
            "iss": "https://login.loft.example", "sub": "248289761001", "aud": "ullage", "nonce": "n-0S6",
            "exp": NOW + 300, "iat": NOW - 1,
        });
        let mut claims = good.as_object().unwrap().clone();
        change(&mut claims);
        let wanted = Wanted { issuer: "https://login.loft.example", client_id: "ullage", nonce: "n-0S6" };
        check(&claims, wanted, Timestamp::from_second(NOW).unwrap())
    }

    #[test]
    fn a_good_token_says_of_whom_it_is() {
        assert_eq!(checked(|_| {}), Ok("248289761001".to_owned()));
        let alone = json!(["ullage"]);
        assert!(checked(|claims| _ = claims.insert("aud".into(), alone)).is_ok());
        let handed = |claims: &mut Map<String, Value>| {
            claims.insert("aud".into(), json!(["ullage", "sheet"]));
            claims.insert("azp".into(), json!("ullage"));
        };
        assert!(checked(handed).is_ok());
        assert!(
            checked(|claims| _ = claims.insert("exp".into(), json!(NOW - 59))).is_ok(),
            "clocks are apart"
        );
        assert!(checked(|claims| _ = claims.insert("iat".into(), json!(1_795_000_000.5))).is_ok());
    }

    #[test]
    fn whatever_is_not_as_it_has_to_be_is_doubted() {
        for (name, value, doubt) in [
            ("iss", json!("https://login.loft.example/"), Doubt::Issuer),
            ("iss", json!(null), Doubt::Issuer),
            ("aud", json!("sheet"), Doubt::Audience),
            ("aud", json!([]), Doubt::Audience),
            ("aud", json!(["ullage", "sheet"]), Doubt::Audience),
            ("azp", json!("sheet"), Doubt::Audience),
            ("azp", json!(7), Doubt::Audience),
            ("exp", json!(NOW - 60), Doubt::Over),
            ("exp", json!("never"), Doubt::Over),
            ("exp", json!(null), Doubt::Over),
            ("exp", json!(i64::MAX), Doubt::Over),
            ("iat", json!(NOW - 901), Doubt::Over),
            ("iat", json!(NOW + 61), Doubt::NotYet),
            ("nbf", json!(NOW + 61), Doubt::NotYet),
            ("nbf", json!("soon"), Doubt::NotYet),
            ("nonce", json!("n-0S7"), Doubt::Nonce),
            ("nonce", json!(null), Doubt::Nonce),
            ("sub", json!(""), Doubt::Subject),
            ("sub", json!(7), Doubt::Subject),
            ("sub", json!("x".repeat(256)), Doubt::Subject),
        ] {
            let shown = format!("{name}: {value}");
            assert_eq!(checked(|claims| _ = claims.insert(name.to_owned(), value)), Err(doubt), "{shown}");
        }
        for name in ["iss", "sub", "aud", "exp", "iat", "nonce"] {
            assert!(checked(|claims| _ = claims.remove(name)).is_err(), "without {name}");
        }
    }
}
