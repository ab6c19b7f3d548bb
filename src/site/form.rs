//! Forms that work without scripts: what was typed is kept, and what is wrong with it stands beside it.

use std::hash::{BuildHasher, RandomState};

use axum::extract::Form;
use axum::extract::rejection::FormRejection;
use axum::http::StatusCode;

use super::access;
use super::error::SiteError;
use crate::actor;
use crate::usecase::once::Token;

/// What a form sent.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fields(Vec<(String, String)>);

/// A form as it arrives, well-formed or not.
pub(crate) type Sent = Result<Form<Vec<(String, String)>>, FormRejection>;

impl Fields {
    /// The fields of a form.
    pub(crate) fn of(sent: Sent) -> Result<Self, SiteError> {
        match sent {
            Ok(Form(fields)) => Ok(Self(fields)),
            Err(fault) if fault.status() == StatusCode::PAYLOAD_TOO_LARGE => Err(SiteError::TooLarge),
            Err(_) => Err(SiteError::NotAForm),
        }
    }

    /// A form as somebody would have filled it in.
    pub(crate) fn filled(fields: Vec<(&str, String)>) -> Self {
        Self(fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect())
    }

    /// The fields of a form that asks by its address.
    pub(crate) fn from_query(query: Vec<(String, String)>) -> Self {
        Self(query)
    }

    /// The fields of an address: what stands behind its question mark.
    pub(crate) fn of_query(query: Option<&str>) -> Self {
        let pairs = url::form_urlencoded::parse(query.unwrap_or_default().as_bytes());
        Self(pairs.map(|(name, value)| (name.into_owned(), value.into_owned())).collect())
    }

    /// What was typed into a field, without blanks around it; empty if nothing was.
    pub(crate) fn get(&self, name: &str) -> &str {
        let found = self.0.iter().find(|(field, _)| field == name);
        found.map_or("", |(_, value)| value.trim())
    }

    /// What was typed into a field, blanks and all: a password.
    pub(crate) fn raw(&self, name: &str) -> &str {
        self.0.iter().find(|(field, _)| field == name).map_or("", |(_, value)| value)
    }

    /// What tells the form from every other, if it says so.
    pub(crate) fn token(&self) -> Option<Token> {
        Token::from_digits(self.get("once"))
    }

    /// A whole number that stands in a field, or what is wrong there.
    pub(crate) fn whole(&self, name: &'static str) -> Result<u32, Fault> {
        let text = self.get(name);
        let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
        let number = text.parse().ok().filter(|_| digits);
        number.ok_or_else(|| Fault::new(name, "Write a whole number, such as 2."))
    }

    /// The number of a thing that was chosen.
    pub(crate) fn chosen(&self, name: &'static str) -> Result<i64, Fault> {
        self.get(name).parse().map_err(|_| Fault::new(name, "Choose one."))
    }

    /// What was typed into a field, if anything was.
    pub(crate) fn some(&self, name: &str) -> Option<String> {
        Some(self.get(name)).filter(|text| !text.is_empty()).map(str::to_owned)
    }

    /// Every value of a field that may stand more than once.
    pub(crate) fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(field, _)| field == name).map(|(_, value)| value.trim())
    }

    /// Who sends the form: the person who is in, or else whoever they say they are.
    pub(crate) fn who(&self) -> Result<String, Fault> {
        match actor::current().filter(|actor| actor.id().is_some()) {
            Some(actor) => Ok(actor.name().to_owned()),
            None => self.text("who"),
        }
    }

    /// A text that must be there.
    pub(crate) fn text(&self, name: &'static str) -> Result<String, Fault> {
        match self.get(name) {
            "" => Err(Fault::new(name, "Fill this in.")),
            text if text.chars().count() > 200 => Err(Fault::new(name, "Say it in 200 letters or fewer.")),
            text => Ok(text.to_owned()),
        }
    }
}

/// What is wrong with a field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    pub(crate) field: String,
    pub(crate) text: String,
}

impl Fault {
    pub(crate) fn new(field: impl Into<String>, text: impl Into<String>) -> Self {
        Self { field: field.into(), text: text.into() }
    }
}

/// Puts what went wrong with one field beside what went wrong with others.
pub(crate) fn keep<T>(read: Result<T, Fault>, faults: &mut Vec<Fault>) -> Option<T> {
    match read {
        Ok(value) => Some(value),
        Err(fault) => {
            faults.push(fault);
            None
        }
    }
}

/// One of several to choose from.
pub(crate) struct Choice {
    pub(crate) value: String,
    pub(crate) text: String,
    pub(crate) chosen: bool,
}

/// A field as it stands on a page.
pub(crate) struct Field {
    pub(crate) id: String,
    pub(crate) name: String,
    pub(crate) label: &'static str,
    pub(crate) hint: String,
    pub(crate) value: String,
    pub(crate) error: Option<String>,
    /// What to choose from; a line to type in where there is nothing.
    pub(crate) choices: Vec<Choice>,
    /// Which keys a phone shows: `numeric`, `decimal` or `text`.
    pub(crate) keys: &'static str,
    /// Whether it takes several lines.
    pub(crate) long: bool,
}

impl Field {
    /// A line to type in that belongs to a form, under a name that is made up for one of several things.
    pub(crate) fn line(
        form: &FormView,
        name: String,
        (label, hint): (&'static str, &str),
        keys: &'static str,
        usual: &str,
        tried: &Tried,
    ) -> Self {
        Self {
            id: format!("{}-{name}", form.name),
            label,
            hint: hint.to_owned(),
            value: if form.open { tried.fields.get(&name) } else { usual }.to_owned(),
            error: form.error_at(&name, tried),
            choices: Vec::new(),
            keys,
            long: false,
            name,
        }
    }
}

/// A token for a form that is about to be shown. It has to be another each time. Where people say who they are, half
/// of it shows that the form was made for the visit that sends it.
pub(crate) fn fresh_token() -> String {
    let keys = RandomState::new();
    let own = format!("{:016x}", keys.hash_one(1));
    let signed = actor::current().and_then(|actor| access::sign(actor.form_key()?, &own));
    let rest = signed.unwrap_or_else(|| format!("{:016x}", keys.hash_one(2)));
    own + &rest
}

/// A form as it stands on a page.
pub(crate) struct FormView {
    pub(crate) action: String,
    /// What tells it from every other form, so that it is booked once however often it is sent.
    pub(crate) token: String,
    pub(crate) name: String,
    pub(crate) title: String,
    pub(crate) button: &'static str,
    pub(crate) fields: Vec<Field>,
    /// What is wrong with none of its fields.
    pub(crate) error: Option<String>,
    /// Whether it is unfolded.
    pub(crate) open: bool,
}

/// What somebody sent that could not be booked.
#[derive(Debug, Default)]
pub(crate) struct Tried {
    /// Which form.
    pub(crate) form: String,
    pub(crate) fields: Fields,
    pub(crate) faults: Vec<Fault>,
}

impl FormView {
    pub(crate) fn new(
        action: String,
        (name, title, button): (impl Into<String>, impl Into<String>, &'static str),
        tried: &Tried,
    ) -> Self {
        let (name, title) = (name.into(), title.into());
        let open = tried.form == name;
        Self { action, token: fresh_token(), name, title, button, fields: Vec::new(), error: None, open }
    }

    /// Adds a line to type in; `usual` stands there until somebody types something else.
    pub(crate) fn line(
        mut self,
        (name, label, hint): (&'static str, &'static str, &str),
        keys: &'static str,
        usual: &str,
        tried: &Tried,
    ) -> Self {
        let value = if self.open { tried.fields.get(name) } else { usual }.to_owned();
        let error = self.error_at(name, tried);
        self.fields.push(Field {
            id: format!("{}-{name}", self.name),
            name: name.to_owned(),
            label,
            hint: hint.to_owned(),
            value,
            error,
            choices: Vec::new(),
            keys,
            long: false,
        });
        self
    }

    /// Adds a line for a secret, whose letters are not shown, and which never comes back with a page.
    pub(crate) fn secret(
        self,
        (name, label, hint): (&'static str, &'static str, &str),
        tried: &Tried,
    ) -> Self {
        let mut form = self.line((name, label, hint), "password", "", tried);
        if let Some(field) = form.fields.last_mut() {
            field.value.clear();
        }
        form
    }

    /// Adds a choice of one; the first of `of` is chosen until somebody chooses another.
    pub(crate) fn choice(
        mut self,
        (name, label, hint): (&'static str, &'static str, &str),
        of: Vec<(String, String)>,
        tried: &Tried,
    ) -> Self {
        let wanted = if self.open { tried.fields.get(name) } else { "" };
        let choices = of
            .into_iter()
            .map(|(value, text)| Choice { chosen: !wanted.is_empty() && value == wanted, value, text })
            .collect();
        let error = self.error_at(name, tried);
        self.fields.push(Field {
            id: format!("{}-{name}", self.name),
            name: name.to_owned(),
            label,
            hint: hint.to_owned(),
            value: String::new(),
            error,
            choices,
            keys: "text",
            long: false,
        });
        self
    }

    /// Adds a text of several lines; `usual` stands there until somebody types something else.
    pub(crate) fn text(self, said: (&'static str, &'static str, &str), usual: &str, tried: &Tried) -> Self {
        let mut form = self.line(said, "text", usual, tried);
        if let Some(field) = form.fields.last_mut() {
            field.long = true;
        }
        form
    }

    fn error_at(&self, name: &str, tried: &Tried) -> Option<String> {
        let fault = tried.faults.iter().find(|fault| self.open && fault.field == name);
        fault.map(|fault| fault.text.clone())
    }

    /// The form with who and why, and with whatever is wrong with none of its fields on top.
    pub(crate) fn signed(self, why: &str, tried: &Tried) -> Self {
        self.who("", tried).line(("why", "Why", why), "text", "", tried).unsigned(tried)
    }

    /// The form with who fills it in, where that is not known.
    pub(crate) fn who(self, hint: &str, tried: &Tried) -> Self {
        match actor::current().and_then(|actor| actor.id()) {
            Some(_) => self,
            None => self.line(("who", "Who", hint), "text", "", tried),
        }
    }

    /// The form with whatever is wrong with none of its fields on top.
    pub(crate) fn unsigned(mut self, tried: &Tried) -> Self {
        let named = |field: &str| self.fields.iter().any(|known| known.name == field);
        self.error = tried
            .faults
            .iter()
            .find(|fault| self.open && !named(&fault.field))
            .map(|fault| fault.text.clone());
        self
    }
}
