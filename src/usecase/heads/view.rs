//! What the pages about heads show, as plain data.

use jiff::civil::Date;

use crate::domain::flow::Scale;
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::life::Warranty;
use crate::domain::part::Part;
use crate::domain::plumbing::Map;
use crate::usecase::view::Device;

/// A head with what is said of it.
#[derive(Debug, Clone)]
pub struct HeadLine {
    /// The head.
    pub head: Head,
    /// The colours that run through it, where a map tells.
    pub colours: Vec<String>,
    /// What has gone through it, and when that reaches its limit.
    pub outlook: HeadOutlook,
    /// How long it is warranted.
    pub warranty: Warranty,
}

/// The page of a machine's heads.
#[derive(Debug, Clone)]
pub struct HeadsView {
    /// The day in the site's zone.
    pub today: Date,
    /// The machine.
    pub device: Device,
    /// The heads that are in it, place by place.
    pub inside: Vec<HeadLine>,
    /// Those that were, the last to come out first.
    pub past: Vec<HeadLine>,
    /// How ink runs through them.
    pub map: Map,
    /// Inks that the map does not carry.
    pub uncarried: Vec<String>,
    /// Inks that the machine does not tell in millilitres.
    pub scaled: Vec<(String, Scale)>,
    /// Parts that are heads for this model.
    pub parts: Vec<Part>,
    /// The first day of which anything is known of its ink.
    pub first_day: Option<Date>,
}
