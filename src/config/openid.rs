//! Sign-in by a provider of OpenID Connect: `openid`.

use serde_json::{Map, Value};
use url::{Host, Url};

use super::Fault;
use super::deliver::{Secret, Trust};
use super::read::Reader;
use crate::domain::access::Role;

/// The path that a provider sends browsers back to, below the address of the pages.
pub const BACK: &str = "/enter/openid/back";

/// How people come in by a provider.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenIdSettings {
    /// Who the provider is, to the letter: what it says of itself and what it signs name it so.
    pub issuer: String,
    /// The name that it knows this service by.
    pub client_id: String,
    /// What this service proves that with, unless the provider asks for nothing.
    pub client_secret: Option<Secret>,
    /// What is asked for, with blanks between; `openid` is in it.
    pub scope: String,
    /// Which claim names the person.
    pub name_claim: String,
    /// Who gets which role by what the provider says; without it roles are given here.
    pub roles: Option<RoleClaim>,
    /// What the provider is called on the page.
    pub label: String,
    /// The address of the pages, as browsers reach them, without a slash at the end.
    pub pages: String,
    /// Whose certificates are taken besides.
    pub trust: Trust,
}

/// A claim that says what somebody may do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoleClaim {
    /// Its name.
    pub claim: String,
    /// The values that give each role, the least role first.
    pub values: [(Role, Vec<String>); 3],
}

impl RoleClaim {
    /// The highest role that the claim gives, if it gives any. Its value is a text or a list of texts.
    #[must_use]
    pub fn role(&self, claims: &Map<String, Value>) -> Option<Role> {
        let said = claim(claims, &self.claim)?;
        let said: Vec<&str> = match said {
            Value::String(one) => vec![one],
            Value::Array(many) => many.iter().filter_map(Value::as_str).collect(),
            _ => return None,
        };
        let gives = |values: &Vec<String>| values.iter().any(|value| said.contains(&value.as_str()));
        self.values.iter().rev().find(|(_, values)| gives(values)).map(|(role, _)| *role)
    }
}

/// A claim by its name; dots in it lead into objects, unless a claim is called so itself.
#[must_use]
pub fn claim<'a>(claims: &'a Map<String, Value>, name: &str) -> Option<&'a Value> {
    claims.get(name).or_else(|| {
        let (outer, inner) = name.split_once('.')?;
        claim(claims.get(outer)?.as_object()?, inner)
    })
}

impl OpenIdSettings {
    /// Where the provider sends browsers back to.
    #[must_use]
    pub fn redirect_uri(&self) -> String {
        format!("{}{BACK}", self.pages)
    }
}

/// What is wrong where nothing says where the provider leads browsers back to.
pub(super) fn no_way_back() -> Fault {
    let message = "has to say where browsers reach the pages, like \"https://ullage.loft.example\": the provider sends \
                   them back there";
    Fault { key: "deliver.link".to_owned(), message: message.to_owned() }
}

/// `pages`: the address of the pages as the settings give it, or `None` where it would be another one for browsers.
pub(super) fn openid(reader: &mut Reader<'_>, pages: Option<&str>, trust: &Trust) -> Option<OpenIdSettings> {
    let issuer = reader.checked("openid.issuer", issuer);
    let client_id = reader.text("openid.client_id");
    let client_secret = reader.text("openid.client_secret").map(Secret::new);
    let scope =
        reader.checked("openid.scope", |text| match text.split_whitespace().any(|one| one == "openid") {
            true => Ok(text.split_whitespace().collect::<Vec<_>>().join(" ")),
            false => Err("must hold openid, as in \"openid profile\"".to_owned()),
        });
    let name_claim = reader.text("openid.name_claim");
    let roles = roles(reader);
    let label = reader.text("openid.label");
    let Some(issuer) = issuer else {
        if !reader.is_said("openid.issuer") && (client_id.is_some() || roles.is_some()) {
            reader.fault(
                "openid.issuer",
                "has to say who the provider is, like \"https://login.loft.example\"",
            );
        }
        return None;
    };
    let Some(client_id) = client_id else {
        reader.fault("openid.client_id", "has to say the name that the provider knows this service by");
        return None;
    };
    let Some(pages) = pages else {
        let fault = no_way_back();
        reader.fault(&fault.key, &fault.message);
        return None;
    };
    let host = Url::parse(&issuer).ok().and_then(|url| url.host_str().map(str::to_owned));
    Some(OpenIdSettings {
        client_id,
        client_secret,
        scope: scope.unwrap_or_else(|| "openid profile".to_owned()),
        name_claim: name_claim.unwrap_or_else(|| "preferred_username".to_owned()),
        roles,
        label: label.or(host).unwrap_or_else(|| issuer.clone()),
        issuer,
        pages: pages.to_owned(),
        trust: trust.clone(),
    })
}

fn issuer(text: &str) -> Result<String, String> {
    let like = || {
        format!("'{text}' is no provider: write its address to the letter, like https://login.loft.example")
    };
    let url = Url::parse(text).map_err(|_| like())?;
    let plain = url.query().is_none() && url.fragment().is_none() && url.username().is_empty();
    match url.scheme() {
        "https" if plain => Ok(text.to_owned()),
        "http" if plain && is_here(&url) => Ok(text.to_owned()),
        "http" => Err("must begin with https://: what the provider says would go in the open".to_owned()),
        _ => Err(like()),
    }
}

/// Whether an address is one of this machine by its own word.
#[must_use]
pub fn is_here(url: &Url) -> bool {
    match url.host() {
        Some(Host::Ipv4(address)) => address.is_loopback(),
        Some(Host::Ipv6(address)) => address.is_loopback(),
        Some(Host::Domain(name)) => name == "localhost",
        None => false,
    }
}

fn roles(reader: &mut Reader<'_>) -> Option<RoleClaim> {
    let claim = reader.text("openid.role_claim");
    let like = "[\"printroom\"]";
    let values = [
        (Role::Reader, reader.list("openid.readers", like)),
        (Role::Operator, reader.list("openid.operators", like)),
        (Role::Administrator, reader.list("openid.administrators", like)),
    ];
    match (claim, values.iter().all(|(_, values)| values.is_empty())) {
        (Some(claim), false) => Some(RoleClaim { claim, values }),
        (None, true) => None,
        (Some(_), true) => {
            reader.fault(
                "openid.role_claim",
                "gives nobody a role: say which of its values do in openid.readers, operators or administrators",
            );
            None
        }
        (None, false) => {
            reader.fault("openid.role_claim", "has to say which claim holds the values that give roles");
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Config, Faults, Overrides};
    use super::*;

    fn parse(text: &str) -> Result<Option<OpenIdSettings>, Faults> {
        Config::parse(text, &|_| None, &Overrides::default()).map(|config| config.access.openid)
    }

    const LEAST: &str = "[openid]\nissuer = \"https://login.loft.example\"\nclient_id = \"ullage\"\n";

    #[test]
    fn two_keys_are_enough_and_the_rest_is_careful() {
        assert_eq!(parse("").unwrap(), None);
        let least = parse(LEAST).unwrap().unwrap();
        assert_eq!(
            (least.scope.as_str(), least.name_claim.as_str()),
            ("openid profile", "preferred_username")
        );
        assert_eq!((least.roles.as_ref(), least.label.as_str()), (None, "login.loft.example"));
        assert_eq!(least.redirect_uri(), "http://127.0.0.1:7830/enter/openid/back");
        let behind =
            format!("{LEAST}[deliver]\nlink = \"https://ullage.loft.example/\"\n[listen]\nhttps = true\n");
        let behind = parse(&behind).unwrap().unwrap();
        assert_eq!(behind.redirect_uri(), "https://ullage.loft.example/enter/openid/back");
    }

    #[test]
    fn what_cannot_be_used_is_told_by_its_key() {
        for (text, key) in [
            ("[openid]\nissuer = \"https://login.loft.example\"\n".to_owned(), "openid.client_id"),
            ("[openid]\nclient_id = \"ullage\"\n".to_owned(), "openid.issuer"),
            (LEAST.replace("https://", "http://"), "openid.issuer"),
            (LEAST.replace("https://", "ftp://"), "openid.issuer"),
            (LEAST.replace("login.loft", "ada@login.loft"), "openid.issuer"),
            (format!("{LEAST}scope = \"profile\"\n"), "openid.scope"),
            (format!("{LEAST}role_claim = \"groups\"\n"), "openid.role_claim"),
            (format!("{LEAST}readers = [\"loft\"]\n"), "openid.role_claim"),
            (format!("{LEAST}[listen]\naddress = \"0.0.0.0:7830\"\n"), "deliver.link"),
        ] {
            let faults = parse(&text).unwrap_err();
            assert_eq!(faults.0.iter().map(|fault| fault.key.as_str()).collect::<Vec<_>>(), [key], "{text}");
        }
        assert!(parse(&LEAST.replace("https://login.loft.example", "http://127.0.0.1:8080")).is_ok());
    }

    #[test]
    fn the_highest_role_that_is_given_counts() {
        let text =
            "role_claim = \"loft.groups\"\nreaders = [\"all\"]\nadministrators = [\"heads\", \"it\"]\n";
        let roles = parse(&format!("{LEAST}{text}")).unwrap().unwrap().roles.unwrap();
        for (claims, role) in [
            (r#"{"loft": {"groups": ["all", "it"]}}"#, Some(Role::Administrator)),
            (r#"{"loft": {"groups": "all"}}"#, Some(Role::Reader)),
            (r#"{"loft.groups": ["heads"]}"#, Some(Role::Administrator)),
            (r#"{"loft": {"groups": ["ALL", 7]}}"#, None),
            (r#"{"loft": {"groups": {"all": true}}}"#, None),
            (r#"{"groups": ["all"]}"#, None),
        ] {
            assert_eq!(roles.role(&serde_json::from_str(claims).unwrap()), role, "{claims}");
        }
    }
}
