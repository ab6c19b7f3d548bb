//! The words around a level's course so far and its likely course.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::domain::outlook::Horizon;
use crate::domain::reading::Role;
use crate::site::chart::Share;
use crate::site::chart::axis::{Room, TimeAxis};
use crate::site::chart::fan::{Courses, Fan, fan};
use crate::site::chart::trend::{Course, Shape, shape};
use crate::site::format;
use crate::site::pages::Moment;
use crate::site::pages::horizon::TickSet;
use crate::site::pages::trend::{Frame, Sample, describe, filled, samples};
use crate::usecase::supply::view::{Said, SupplyView};

/// The plot's least width in the layouts that the style sheet switches between.
const LAYOUTS: [(&str, Room); 2] = [
    ("at-s", Room { plot_px: 300.0, overhang_px: 10.0 }),
    ("at-ml", Room { plot_px: 720.0, overhang_px: 10.0 }),
];
/// The likely course takes no more room than this many times the course so far.
const AHEAD: i32 = 2;
/// And a little more than the late date, so that its mark has room.
const MARGIN: f64 = 1.04;

/// When the level has come to so much.
pub(crate) struct Reach {
    pub(crate) level: String,
    pub(crate) days: [String; 3],
}

/// The chart.
pub(crate) struct FanChart {
    pub(crate) shape: Shape,
    pub(crate) fan: Option<Fan>,
    pub(crate) now: Share,
    /// The order point of a receptacle, from the plot's top, with its words.
    pub(crate) order_point: Option<(Share, String)>,
    /// The level at the plot's top, with its unit.
    pub(crate) top: String,
    pub(crate) top_right: bool,
    pub(crate) sets: Vec<TickSet>,
    pub(crate) swaps: Vec<Moment>,
    pub(crate) title: String,
    pub(crate) desc: String,
    pub(crate) samples: Vec<Sample>,
    pub(crate) reach: Vec<Reach>,
    /// What the figures are: "left", "filled" or "room left".
    pub(crate) counted: &'static str,
    /// The fan goes on past the axis.
    pub(crate) beyond: bool,
}

impl FanChart {
    pub(crate) fn new(view: &SupplyView, span_days: u16, zone: &TimeZone) -> Self {
        let trend = &view.trend;
        let role = trend.slot.role;
        let (points, counted) = filled(trend);
        let capacity = trend.capacity.known();
        let turned = |course: &[(Timestamp, f64)]| -> Vec<(Timestamp, f64)> {
            let as_counted = |left: f64| match (role, capacity) {
                (Role::Filled, Some(capacity)) => capacity - left,
                _ => left,
            };
            course.iter().map(|(at, left)| (*at, as_counted(*left))).collect()
        };
        let said = view.said.as_ref();
        let likely = said.and_then(|said| said.fan.as_ref());
        let courses = likely.map(|fan| [turned(&fan.early), turned(&fan.middle), turned(&fan.late)]);
        let axis = axis(view, courses.as_ref(), zone);
        let within = |at: &&Timestamp| **at >= view.from && **at <= view.to;
        let swaps: Vec<Timestamp> = trend.swaps.iter().filter(within).copied().collect();
        // What lies ahead is no silence, and no level that holds.
        let ahead = (view.to, axis.to());
        let gaps: Vec<_> = view.gaps.iter().copied().chain([ahead]).collect();
        let course = Course { points: &points, gaps: &gaps, swaps: &swaps, full: capacity };
        let mut shape = shape(&axis, course);
        shape.gaps.truncate(view.gaps.len());
        let fan = courses
            .as_ref()
            .and_then(|[early, middle, late]| fan(&axis, shape.top, Courses { early, middle, late }));
        let past = TimeAxis::new(view.from, view.to, zone.clone());
        let frame = Frame { axis: past, zone: zone.clone(), gaps: &view.gaps, span: String::new() };
        let label = trend.slot.label();
        Self {
            now: axis.at(view.to),
            order_point: order_point(said, role, capacity, shape.top),
            top: format::amount(shape.top, trend.measure),
            top_right: shape.swaps.iter().any(|at| at.value() < 0.2),
            sets: LAYOUTS.map(|(class, room)| TickSet { class, ticks: axis.ticks(room) }).into(),
            swaps: swaps.iter().map(|at| Moment::new(*at, zone)).collect(),
            title: format!("{label}: {counted} over the last {span_days} days, and its likely course"),
            desc: format!(
                "{}{}",
                describe(&points, trend.measure, swaps.len(), view.gaps.len()),
                ahead_words(said, role, view.today)
            ),
            samples: samples(&points, trend.measure, &frame),
            reach: reach(view, courses.as_ref(), zone),
            beyond: fan.as_ref().is_some_and(|fan| fan.ends.iter().any(|end| end.beyond)),
            fan,
            shape,
            counted,
        }
    }
}

/// From the span's start to a little past the late end, unless that is so far that the past would be squeezed.
fn axis(view: &SupplyView, courses: Option<&[Vec<(Timestamp, f64)>; 3]>, zone: &TimeZone) -> TimeAxis {
    let past = view.to.duration_since(view.from);
    let late = courses.and_then(|[_, _, late]| late.last()).map(|(at, _)| at.duration_since(view.to));
    let ahead = late.unwrap_or(SignedDuration::ZERO).min(past * AHEAD).max(past / 10);
    let ahead = SignedDuration::try_from_secs_f64(ahead.as_secs_f64() * MARGIN).unwrap_or(ahead);
    TimeAxis::new(view.from, view.to.checked_add(ahead).unwrap_or(view.to), zone.clone())
}

fn order_point(said: Option<&Said>, role: Role, capacity: Option<f64>, top: f64) -> Option<(Share, String)> {
    let (said, capacity) = (said?, capacity?);
    if role != Role::Filled {
        return None;
    }
    let height = Share::of(said.order_fill * capacity, top);
    Some((height.to(Share::END), format!("order the next at {}", format::percent(said.order_fill))))
}

fn ahead_words(said: Option<&Said>, role: Role, today: Date) -> String {
    let horizon: Option<Horizon> = said.and_then(|said| said.outlook.forecast.horizon());
    horizon.map_or_else(String::new, |horizon| {
        format!(" From now on it likely {}.", format::horizon(horizon, role, today))
    })
}

/// When the level has come to three quarters, half, a quarter and nothing of what is left.
fn reach(view: &SupplyView, courses: Option<&[Vec<(Timestamp, f64)>; 3]>, zone: &TimeZone) -> Vec<Reach> {
    let Some(courses) = courses else { return Vec::new() };
    let parts = courses[1].len().saturating_sub(1);
    let row = |quarter: usize| {
        let at = parts * quarter / 4;
        let (_, level) = courses[1].get(at)?;
        let day = |course: &Vec<(Timestamp, f64)>| match course.get(at) {
            Some((when, _)) => format::day(format::day_of(*when, zone), view.today),
            None => "not in sight".to_owned(),
        };
        let [early, middle, late] = courses;
        Some(Reach {
            level: format::amount(level.max(0.0), view.trend.measure),
            days: [day(early), day(middle), day(late)],
        })
    };
    (1..=4).filter_map(row).collect()
}
