//! What long lists share: a form that finds, doors that filter, and turning pages. All of it lives in the address,
//! so that every list that was found is worth a bookmark.

use std::borrow::Cow;

use url::form_urlencoded::Serializer;

use crate::usecase::sift::Leaf;

/// A link that changes one thing about a list.
pub(crate) struct Filter {
    pub(crate) word: String,
    pub(crate) href: String,
    pub(crate) chosen: bool,
}

/// Turning the pages of a list.
pub(crate) struct Turn {
    /// "Machines 51 to 100 of 9,310"
    pub(crate) where_words: String,
    pub(crate) before: Option<String>,
    pub(crate) after: Option<String>,
}

/// What is asked of a list, as it stands in an address: names and values, empty ones left out.
#[derive(Debug, Clone)]
pub(crate) struct Address {
    path: Cow<'static, str>,
    asked: Vec<(&'static str, String)>,
}

impl Address {
    pub(crate) fn new(path: impl Into<Cow<'static, str>>, asked: Vec<(&'static str, String)>) -> Self {
        Self { path: path.into(), asked }
    }

    /// The same with one value changed, which leads to the first page again.
    pub(crate) fn with(&self, name: &'static str, value: &str) -> Self {
        let mut asked = self.asked.clone();
        asked.retain(|(other, _)| *other != name && *other != "page");
        asked.push((name, value.to_owned()));
        Self { path: self.path.clone(), asked }
    }

    /// The same without one of its values.
    pub(crate) fn without(&self, name: &'static str) -> Self {
        self.with(name, "")
    }

    /// What a form has to send along beside its own fields.
    pub(crate) fn beside(&self, own: &[&str]) -> Vec<(&'static str, String)> {
        let kept = |(name, value): &&(&'static str, String)| {
            !value.is_empty() && *name != "page" && !own.contains(name)
        };
        self.asked.iter().filter(kept).cloned().collect()
    }

    pub(crate) fn href(&self) -> String {
        let mut query = Serializer::new(String::new());
        self.asked.iter().filter(|(_, value)| !value.is_empty()).for_each(|(name, value)| {
            query.append_pair(name, value);
        });
        let query = query.finish();
        if query.is_empty() { self.path.clone().into_owned() } else { format!("{}?{query}", self.path) }
    }

    /// Doors of which one is chosen: words with the values they stand for.
    pub(crate) fn doors(&self, name: &'static str, chosen: &str, all: &[(&str, &str)]) -> Vec<Filter> {
        let door = |(value, word): &(&str, &str)| Filter {
            word: (*word).to_owned(),
            href: self.with(name, value).href(),
            chosen: *value == chosen,
        };
        all.iter().map(door).collect()
    }

    /// The way to the pages before and behind.
    pub(crate) fn turn<T>(&self, leaf: &Leaf<T>, what: &str, a_page: usize) -> Turn {
        let count = |n: usize| crate::site::format::count(u64::try_from(n).unwrap_or(u64::MAX));
        let first = (leaf.page - 1) * a_page;
        let to =
            |page: usize| self.with("page", &if page == 1 { String::new() } else { page.to_string() }).href();
        Turn {
            where_words: match leaf.pages {
                1 => String::new(),
                _ => format!(
                    "{what} {} to {} of {}",
                    count(first + 1),
                    count(first + leaf.lines.len()),
                    count(leaf.found)
                ),
            },
            before: (leaf.page > 1).then(|| to(leaf.page - 1)),
            after: (leaf.page < leaf.pages).then(|| to(leaf.page + 1)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_asked_lives_in_the_address() {
        let address = Address::new("/machines", vec![("find", "loft & bobbin".into()), ("page", "3".into())]);
        assert_eq!(address.href(), "/machines?find=loft+%26+bobbin&page=3");
        assert_eq!(address.with("sort", "ends").href(), "/machines?find=loft+%26+bobbin&sort=ends");
        assert_eq!(address.with("find", "").href(), "/machines");
        assert!(address.beside(&["find"]).is_empty());
    }
}
