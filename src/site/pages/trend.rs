//! The words around the course of one supply's level.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Moment;
use super::horizon::TickSet;
use super::supply::supply_href;
use crate::domain::outlook::Outlook;
use crate::domain::reading::Role;
use crate::domain::units::Measure;
use crate::site::chart::axis::{Room, TimeAxis};
use crate::site::chart::trend::{Course, Shape, shape};
use crate::site::format;
use crate::site::ink::Ink;
use crate::usecase::view::Trend;

/// The plot's least width in the layouts that the style sheet switches between.
const LAYOUTS: [(&str, Room); 2] = [
    ("at-s", Room { plot_px: 300.0, overhang_px: 10.0 }),
    ("at-ml", Room { plot_px: 370.0, overhang_px: 10.0 }),
];

/// At most this many rows stand in the table behind a chart.
const TABLE_ROWS: i32 = 31;

/// A row of the table behind the chart.
pub(crate) struct Sample {
    pub(crate) at: String,
    pub(crate) level: String,
}

/// One supply's chart.
pub(crate) struct TrendChart {
    pub(crate) id: String,
    pub(crate) label: String,
    /// The page of the supply.
    pub(crate) href: String,
    pub(crate) ink: Ink,
    pub(crate) level: String,
    /// "about 9 ml a day", where that is known.
    pub(crate) use_per_day: Option<String>,
    pub(crate) oddity: Option<&'static str>,
    /// Which way a receptacle's device is taken to count, and why.
    pub(crate) counts: Option<String>,
    pub(crate) shape: Shape,
    /// The level at the plot's top, with its unit.
    pub(crate) top: String,
    /// Whether that stands at the right, because swaps are marked at the left.
    pub(crate) top_right: bool,
    pub(crate) sets: Vec<TickSet>,
    pub(crate) swaps: Vec<Moment>,
    pub(crate) title: String,
    pub(crate) desc: String,
    pub(crate) samples: Vec<Sample>,
    /// What the table's figures are: "left", "filled" or "room left".
    pub(crate) counted: &'static str,
}

/// The axis, and the silences on it, which all charts of a page share.
pub(crate) struct Frame<'a> {
    pub(crate) axis: TimeAxis,
    pub(crate) zone: TimeZone,
    pub(crate) gaps: &'a [(Timestamp, Timestamp)],
    /// "the last 30 days".
    pub(crate) span: String,
}

impl TrendChart {
    /// `outlook` is of the same supply as `trend`.
    pub(crate) fn new(trend: &Trend, outlook: Option<&Outlook>, frame: &Frame<'_>) -> Self {
        let role = trend.slot.role;
        let (points, counted) = filled(trend);
        let within = |at: &&Timestamp| **at >= frame.axis.from() && **at <= frame.axis.to();
        let swaps: Vec<Timestamp> = trend.swaps.iter().filter(within).copied().collect();
        let course =
            Course { points: &points, gaps: frame.gaps, swaps: &swaps, full: trend.capacity.known() };
        let shape = shape(&frame.axis, course);
        let label = trend.slot.label();
        Self {
            id: format!("{}", trend.slot.id),
            href: supply_href(&trend.slot),
            ink: Ink::of(&trend.slot),
            level: outlook.map_or_else(String::new, |o| format::level_in_full(&o.level, role)),
            use_per_day: outlook.and_then(|o| per_day(o, role)),
            oddity: outlook.and_then(|o| o.level.oddity).map(format::oddity),
            counts: trend.counts.clone(),
            top_right: shape.swaps.iter().any(|at| at.value() < 0.2),
            top: format::amount(shape.top, trend.measure),
            sets: LAYOUTS.map(|(class, room)| TickSet { class, ticks: frame.axis.ticks(room) }).into(),
            swaps: swaps.iter().map(|at| Moment::new(*at, &frame.zone)).collect(),
            title: format!("{label}: {counted} over {}", frame.span),
            desc: describe(&points, trend.measure, swaps.len(), frame.gaps.len()),
            samples: samples(&points, trend.measure, frame),
            shape,
            label,
            counted,
        }
    }
}

/// The course as people watch it, and what its figures are: how full a receptacle is, where the standard gives
/// the room left.
pub(crate) fn filled(trend: &Trend) -> (Vec<(Timestamp, f64)>, &'static str) {
    match (trend.slot.role, trend.capacity.known()) {
        (Role::Filled, Some(capacity)) => {
            (trend.points.iter().map(|(at, room)| (*at, capacity - room)).collect(), "filled")
        }
        (Role::Filled, None) => (trend.points.clone(), "room left"),
        (Role::Consumed, _) => (trend.points.clone(), "left"),
    }
}

fn per_day(outlook: &Outlook, role: Role) -> Option<String> {
    let use_per_day = outlook.daily_use.filter(|amount| amount.is_finite() && *amount > 0.0)?;
    let verb = if role == Role::Filled { "takes" } else { "uses" };
    Some(format!("{verb} about {} a day", format::rate(use_per_day, outlook.level.measure)))
}

pub(crate) fn describe(points: &[(Timestamp, f64)], measure: Measure, swaps: usize, gaps: usize) -> String {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return "No readings in this span.".to_owned();
    };
    let many = |n: usize, one: &str, many: &str| match n {
        0 => String::new(),
        1 => format!(" One {one}."),
        n => format!(" {} {many}.", format::capital(&format::number_word(n))),
    };
    format!(
        "From {} to {}.{}{}",
        format::amount(first.1, measure),
        format::amount(last.1, measure),
        many(swaps, "swap", "swaps"),
        many(gaps, "silence", "silences")
    )
}

/// The level at regular moments, newest first.
pub(crate) fn samples(points: &[(Timestamp, f64)], measure: Measure, frame: &Frame<'_>) -> Vec<Sample> {
    let (from, to) = (frame.axis.from(), frame.axis.to());
    let step = to.duration_since(from) / TABLE_ROWS;
    let step = SignedDuration::from_hours((step.as_hours() + 1).max(1));
    let mut samples = Vec::new();
    let mut at = to;
    while at >= from {
        let silent = frame.gaps.iter().any(|(start, end)| *start < at && at < *end);
        let known = points.partition_point(|(seen, _)| *seen <= at).checked_sub(1);
        let level = match known.and_then(|known| points.get(known)) {
            _ if silent => "no answer".to_owned(),
            Some((_, level)) => format::amount(*level, measure),
            None => "not known".to_owned(),
        };
        samples.push(Sample { at: format::moment(at, &frame.zone), level });
        match at.checked_sub(step) {
            Ok(earlier) => at = earlier,
            Err(_) => break,
        }
    }
    samples
}
