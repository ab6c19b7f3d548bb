//! Object identifiers.

use std::cmp::Ordering;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::str::FromStr;

/// How many arcs stand in the value itself. The instance OIDs of the Printer MIB have 13.
const INLINE: usize = 15;

/// The most arcs an object identifier may have (RFC 3416 §4.1).
pub const MAX_ARCS: usize = 128;

/// An object identifier, ordered as the standard orders a walk: arc by arc, a prefix before what it
/// begins. Up to 15 arcs take no allocation.
#[derive(Clone)]
pub struct Oid(Repr);

#[derive(Clone)]
enum Repr {
    Inline { len: u8, arcs: [u32; INLINE] },
    Heap(Box<[u32]>),
}

/// Why a text is no object identifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OidParseError {
    /// Nothing, one arc, or more than 128.
    #[error("an object identifier has 2 to 128 numbers, this has {0}: write it like 1.3.6.1.2.1.1.3.0")]
    Length(usize),
    /// An arc that is no 32-bit number.
    #[error("“{0}” is not a number from 0 to 4294967295: write object identifiers like 1.3.6.1.2.1.1.3.0")]
    Arc(String),
    /// The first two arcs cannot be put on the wire.
    #[error("an object identifier begins with 0, 1 or 2, and after 0 and 1 with a number below 40")]
    Root,
}

impl Oid {
    /// An OID known when the program is written.
    ///
    /// # Panics
    /// When there are more than 15 arcs; in a constant that is an error of the compiler.
    #[must_use]
    pub const fn constant(arcs: &[u32]) -> Self {
        assert!(arcs.len() <= INLINE, "a constant OID has at most 15 arcs");
        let mut inline = [0; INLINE];
        let mut at = 0;
        while at < arcs.len() {
            inline[at] = arcs[at];
            at += 1;
        }
        #[allow(clippy::cast_possible_truncation, reason = "15 at most, asserted above")]
        let len = arcs.len() as u8;
        Self(Repr::Inline { len, arcs: inline })
    }

    /// From any number of arcs.
    #[must_use]
    pub fn from_arcs(arcs: &[u32]) -> Self {
        if arcs.len() <= INLINE { Self::constant(arcs) } else { Self(Repr::Heap(arcs.into())) }
    }

    /// The arcs.
    #[must_use]
    pub fn arcs(&self) -> &[u32] {
        match &self.0 {
            Repr::Inline { len, arcs } => &arcs[..usize::from(*len)],
            Repr::Heap(arcs) => arcs,
        }
    }

    /// This OID with more arcs behind it.
    #[must_use]
    pub fn child(&self, more: &[u32]) -> Self {
        let mut arcs = Vec::with_capacity(self.arcs().len() + more.len());
        arcs.extend_from_slice(self.arcs());
        arcs.extend_from_slice(more);
        Self::from_arcs(&arcs)
    }

    /// Whether this OID lies under `prefix` or is it.
    #[must_use]
    pub fn starts_with(&self, prefix: &Self) -> bool {
        self.arcs().starts_with(prefix.arcs())
    }

    /// The arcs behind `prefix`: the index of a row, under a column. `None` if it lies elsewhere.
    #[must_use]
    pub fn suffix(&self, prefix: &Self) -> Option<&[u32]> {
        self.arcs().strip_prefix(prefix.arcs())
    }
}

impl PartialEq for Oid {
    fn eq(&self, other: &Self) -> bool {
        self.arcs() == other.arcs()
    }
}

impl Eq for Oid {}

impl PartialOrd for Oid {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Oid {
    fn cmp(&self, other: &Self) -> Ordering {
        self.arcs().cmp(other.arcs())
    }
}

impl Hash for Oid {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.arcs().hash(state);
    }
}

impl fmt::Display for Oid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, arc) in self.arcs().iter().enumerate() {
            if at > 0 {
                f.write_str(".")?;
            }
            write!(f, "{arc}")?;
        }
        Ok(())
    }
}

impl fmt::Debug for Oid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Oid {
    type Err = OidParseError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let text = text.trim();
        let text = text.strip_prefix('.').unwrap_or(text);
        let arcs = text
            .split('.')
            .take(MAX_ARCS + 1)
            .map(|arc| arc.parse().map_err(|_| OidParseError::Arc(arc.chars().take(40).collect())))
            .collect::<Result<Vec<u32>, _>>()?;
        match arcs[..] {
            [] | [_] => Err(OidParseError::Length(arcs.len())),
            _ if arcs.len() > MAX_ARCS => Err(OidParseError::Length(text.split('.').count())),
            [0 | 1, 40..=u32::MAX, ..] | [3..=u32::MAX, ..] => Err(OidParseError::Root),
            [2, second, ..] if second > u32::MAX - 80 => Err(OidParseError::Root),
            _ => Ok(Self::from_arcs(&arcs)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SYSTEM: Oid = Oid::constant(&[1, 3, 6, 1, 2, 1, 1]);

    #[test]
    fn order_is_the_order_of_a_walk() {
        let oid = |text: &str| text.parse::<Oid>().unwrap();
        assert!(oid("1.3.6.1.2.1.1") < oid("1.3.6.1.2.1.1.1"));
        assert!(oid("1.3.6.1.2.1.1.9") < oid("1.3.6.1.2.1.1.10"));
        assert!(oid("1.3.6.1.2.1.1.127") < oid("1.3.6.1.2.1.1.128"));
        assert_eq!(oid("1.3.6.1.2.1.1.3.0").suffix(&SYSTEM), Some(&[3, 0][..]));
        assert_eq!(oid("1.3.6.1.2.1.2").suffix(&SYSTEM), None);
        assert_eq!(SYSTEM.child(&[3, 0]).to_string(), "1.3.6.1.2.1.1.3.0");
    }

    #[test]
    fn texts_that_are_no_oid_say_why() {
        assert_eq!("".parse::<Oid>(), Err(OidParseError::Arc(String::new())));
        assert_eq!("1".parse::<Oid>(), Err(OidParseError::Length(1)));
        assert_eq!("1.3.x".parse::<Oid>(), Err(OidParseError::Arc("x".into())));
        assert_eq!("1.40".parse::<Oid>(), Err(OidParseError::Root));
        assert_eq!("3.1".parse::<Oid>(), Err(OidParseError::Root));
        assert_eq!("2.4294967295".parse::<Oid>(), Err(OidParseError::Root));
        assert_eq!(["1"; 129].join(".").parse::<Oid>(), Err(OidParseError::Length(129)));
    }

    proptest! {
        #[test]
        fn inline_and_heap_agree(a in prop::collection::vec(any::<u32>(), 0..20),
                                 b in prop::collection::vec(any::<u32>(), 0..20)) {
            let (x, y) = (Oid::from_arcs(&a), Oid::from_arcs(&b));
            prop_assert_eq!(x.cmp(&y), a.cmp(&b));
            prop_assert_eq!(x.starts_with(&y), a.starts_with(&b));
            prop_assert_eq!(x.arcs(), &a[..]);
        }

        #[test]
        fn a_printed_oid_reads_back(mut arcs in prop::collection::vec(any::<u32>(), 2..40)) {
            arcs[0] %= 3;
            arcs[1] %= 40;
            let oid = Oid::from_arcs(&arcs);
            prop_assert_eq!(oid.to_string().parse::<Oid>(), Ok(oid));
        }

        #[test]
        fn no_text_panics(text in ".*") {
            let _ = text.parse::<Oid>();
        }
    }
}
