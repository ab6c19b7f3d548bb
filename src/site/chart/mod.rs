//! Series to coordinates: pure geometry, without templates, colours or words about printers.
//!
//! Everything is a share of the plot's width or height, so that the page can be any width and text keeps
//! its size.

pub(crate) mod axis;
pub(crate) mod columns;
pub(crate) mod fan;
pub(crate) mod horizon;
pub(crate) mod trend;

use std::fmt;

/// A share of the plot's width, kept between 0 and 1, and written as `12.34%` for SVG.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub(crate) struct Share(f64);

impl Share {
    pub(crate) const END: Self = Self(1.0);

    /// `part` of `whole`; the start where that is no number.
    pub(crate) fn of(part: f64, whole: f64) -> Self {
        let share = part / whole;
        Self(if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 })
    }

    pub(crate) fn value(self) -> f64 {
        self.0
    }

    /// How far it is to `end`; nothing if that lies before.
    pub(crate) fn to(self, end: Self) -> Self {
        Self((end.0 - self.0).max(0.0))
    }
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2}%", self.0 * 100.0)
    }
}
