//! A text that is never shown.

use std::convert::Infallible;
use std::fmt;
use std::str::FromStr;

use zeroize::Zeroize as _;

/// A password, a community, a key: `Debug` shows that there is one, and nothing else. It is wiped from memory when it is
/// dropped.
#[derive(Clone, PartialEq, Eq, Hash)]
pub struct Secret(Box<str>);

impl Secret {
    /// Keeps a text secret.
    #[must_use]
    pub fn new(text: impl Into<Box<str>>) -> Self {
        Self(text.into())
    }

    /// The secret itself, to be put on the wire or into a key and nowhere else.
    #[must_use]
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl Drop for Secret {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(hidden)")
    }
}

/// Any text can be one: options of the command line are read this way.
impl FromStr for Secret {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Ok(Self::new(text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_not_shown() {
        let secret: Secret = "velvet-curtain".parse().unwrap();
        assert_eq!((secret.expose(), format!("{secret:?}").as_str()), ("velvet-curtain", "Secret(hidden)"));
    }
}
