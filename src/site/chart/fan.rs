//! The likely course of a level: a band between the early and the late course, and the middle one in it.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::Share;
use super::axis::TimeAxis;
use super::trend::{HEIGHT, WIDTH};

/// The three courses, each a line from corner to corner, in order of time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Courses<'a> {
    pub(crate) early: &'a [(Timestamp, f64)],
    pub(crate) middle: &'a [(Timestamp, f64)],
    pub(crate) late: &'a [(Timestamp, f64)],
}

/// Where a course ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct End {
    pub(crate) x: Share,
    /// It goes on past the end of the axis.
    pub(crate) beyond: bool,
}

/// What comes of it, in the view box of a course.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fan {
    /// The band from the early course to the late one.
    pub(crate) band: String,
    /// The course at even odds.
    pub(crate) middle: String,
    /// Where the early, the middle and the late one end.
    pub(crate) ends: [End; 3],
}

/// Lays the courses out on an axis on which `top` is the level at the plot's top. Nothing where there is no
/// course.
pub(crate) fn fan(axis: &TimeAxis, top: f64, courses: Courses<'_>) -> Option<Fan> {
    let Courses { early, middle, late } = courses;
    let (early_cut, middle_cut, late_cut) = (cut(axis, early)?, cut(axis, middle)?, cut(axis, late)?);
    let point = |(at, level): &(Timestamp, f64)| {
        let share = if top > 0.0 { (level / top).clamp(0.0, 1.0) } else { 0.0 };
        (axis.at(*at).value() * WIDTH, HEIGHT - share * HEIGHT)
    };
    let mut outline: Vec<(f64, f64)> = early_cut.iter().map(point).collect();
    // Once the early course has come to its end, the band's lower edge stays there until the axis or the late
    // one ends.
    if let (Some((_, end)), Some((x, _))) = (outline.last().copied(), late_cut.last().map(point)) {
        outline.push((x, end));
    }
    outline.extend(late_cut.iter().rev().map(point));
    let end = |whole: &[(Timestamp, f64)]| {
        whole.last().map(|(at, _)| End { x: axis.at(*at), beyond: *at > axis.to() })
    };
    Some(Fan {
        band: format!("{}Z", path(outline.into_iter())),
        middle: path(middle_cut.iter().map(point)),
        ends: [end(early)?, end(middle)?, end(late)?],
    })
}

/// A course as far as the axis goes; none where it has no points.
fn cut(axis: &TimeAxis, course: &[(Timestamp, f64)]) -> Option<Vec<(Timestamp, f64)>> {
    let to = axis.to();
    let within = course.partition_point(|(at, _)| *at <= to);
    let mut cut = course.get(..within)?.to_vec();
    if let (Some(before), Some(after)) =
        (within.checked_sub(1).and_then(|n| course.get(n)), course.get(within))
    {
        let whole = after.0.duration_since(before.0).as_secs_f64();
        let share = if whole > 0.0 { to.duration_since(before.0).as_secs_f64() / whole } else { 0.0 };
        cut.push((to, before.1 + (after.1 - before.1) * share));
    }
    (!cut.is_empty()).then_some(cut)
}

fn path(corners: impl Iterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    for (n, (x, y)) in corners.enumerate() {
        // Writing to a string does not fail.
        let _ = write!(path, "{}{x:.1} {y:.1}", if n == 0 { 'M' } else { 'L' });
    }
    path
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;
    use proptest::prelude::*;

    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).unwrap()
    }

    fn axis(to: i64) -> TimeAxis {
        TimeAxis::new(at(0), at(to), TimeZone::UTC)
    }

    #[test]
    fn the_band_lies_between_the_early_and_the_late_course() {
        let courses = Courses {
            early: &[(at(500), 100.0), (at(600), 0.0)],
            middle: &[(at(500), 100.0), (at(700), 0.0)],
            late: &[(at(500), 100.0), (at(1500), 0.0)],
        };
        let fan = fan(&axis(1000), 100.0, courses).unwrap();
        assert_eq!(fan.band, "M500.0 0.0L600.0 100.0L1000.0 100.0L1000.0 50.0L500.0 0.0Z");
        assert_eq!(fan.middle, "M500.0 0.0L700.0 100.0");
        assert_eq!(
            fan.ends.map(|end| (end.x.to_string(), end.beyond)),
            [("60.00%".to_owned(), false), ("70.00%".to_owned(), false), ("100.00%".to_owned(), true),]
        );
        let none = Courses { early: &[], ..courses };
        assert_eq!(super::fan(&axis(1000), 100.0, none), None);
    }

    proptest! {
        #[test]
        fn everything_stays_within_the_plot(
            steps in proptest::collection::vec((0..900_000i64, 0..900_000i64, 0..900_000i64), 1..30),
            length in 86_400..94_608_000i64,
            top in 0.0..900.0f64,
        ) {
            let course = |pick: fn(&(i64, i64, i64)) -> i64| -> Vec<(Timestamp, f64)> {
                let mut now = 0;
                let level = |n: usize| 775.0 * (1.0 - n as f64 / steps.len() as f64);
                steps.iter().enumerate().map(|(n, step)| { now += pick(step); (at(now), level(n)) }).collect()
            };
            let (early, middle, late) =
                (course(|s| s.0), course(|s| s.0 + s.1), course(|s| s.0 + s.1 + s.2));
            let shape = fan(&axis(length), top, Courses { early: &early, middle: &middle, late: &late });
            for path in shape.iter().flat_map(|shape| [&shape.band, &shape.middle]) {
                for corner in path.trim_end_matches('Z').split(['M', 'L']).filter(|part| !part.is_empty()) {
                    let (x, y) = corner.split_once(' ').unwrap();
                    prop_assert!((0.0..=WIDTH).contains(&x.parse().unwrap()), "{path}");
                    prop_assert!((0.0..=HEIGHT).contains(&y.parse().unwrap()), "{path}");
                }
            }
        }
    }
}
