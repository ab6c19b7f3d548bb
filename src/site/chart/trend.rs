//! The course of one supply's level: a stepped line, broken where the device was silent.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::Share;
use super::axis::TimeAxis;

/// The view box that paths are written for: it is stretched to whatever the page gives.
pub(crate) const WIDTH: f64 = 1000.0;
/// And its height.
pub(crate) const HEIGHT: f64 = 100.0;

/// What is to be drawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Course<'a> {
    /// When, and the level from then on; in order of time.
    pub(crate) points: &'a [(Timestamp, f64)],
    /// Spans without an answer; in order of time.
    pub(crate) gaps: &'a [(Timestamp, Timestamp)],
    /// When a new unit went in, within the axis.
    pub(crate) swaps: &'a [Timestamp],
    /// The level at the top of the plot, if known.
    pub(crate) full: Option<f64>,
}

/// A silence, as a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gap {
    pub(crate) x: Share,
    pub(crate) width: Share,
}

/// What comes of it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Shape {
    /// One path of the level's line for each span with answers.
    pub(crate) lines: Vec<String>,
    /// The same, closed down to the floor.
    pub(crate) areas: Vec<String>,
    /// The silences.
    pub(crate) gaps: Vec<Gap>,
    /// The swaps.
    pub(crate) swaps: Vec<Share>,
    /// The level at the top of the plot.
    pub(crate) top: f64,
}

/// Lays a course out on an axis.
pub(crate) fn shape(axis: &TimeAxis, course: Course<'_>) -> Shape {
    let highest = course.points.iter().map(|p| p.1).filter(|y| y.is_finite()).fold(0.0, f64::max);
    let top = course.full.unwrap_or(0.0).max(highest);
    let top = if top > 0.0 && top.is_finite() { top } else { 1.0 };
    let (mut lines, mut areas) = (Vec::new(), Vec::new());
    for (from, to) in answered(axis, course.gaps) {
        let corners = corners(axis, course.points, from, to, top);
        if let (Some((first, _)), Some((last, _))) = (corners.first(), corners.last()) {
            let line = path(&corners);
            areas.push(format!("{line}L{last:.1} {HEIGHT}L{first:.1} {HEIGHT}Z"));
            lines.push(line);
        }
    }
    let gaps = course.gaps.iter().map(|(from, to)| {
        let x = axis.at(*from);
        Gap { x, width: x.to(axis.at(*to)) }
    });
    Shape {
        lines,
        areas,
        gaps: gaps.filter(|gap| gap.width.value() > 0.0).collect(),
        swaps: course.swaps.iter().map(|at| axis.at(*at)).collect(),
        top,
    }
}

/// The spans of the axis between the gaps.
fn answered(axis: &TimeAxis, gaps: &[(Timestamp, Timestamp)]) -> Vec<(Timestamp, Timestamp)> {
    let mut spans = Vec::new();
    let mut from = axis.from();
    for (start, end) in gaps {
        if *start > from {
            spans.push((from, (*start).min(axis.to())));
        }
        from = from.max(*end);
    }
    if from < axis.to() {
        spans.push((from, axis.to()));
    }
    spans.retain(|(from, to)| from < to);
    spans
}

/// The corners of the stepped line within one span: a level holds until the next is seen.
fn corners(
    axis: &TimeAxis,
    points: &[(Timestamp, f64)],
    from: Timestamp,
    to: Timestamp,
    top: f64,
) -> Vec<(f64, f64)> {
    /// Changes closer together than this are one: five hundred are as many as a plot has pixels.
    const GRAIN: f64 = 2.0;
    let x = |at: Timestamp| axis.at(at).value() * WIDTH;
    let y = |level: f64| HEIGHT - (level / top).clamp(0.0, 1.0) * HEIGHT;
    let points: Vec<_> = points.iter().filter(|point| point.1.is_finite()).copied().collect();
    let begun = points.partition_point(|(at, _)| *at <= from);
    let mut corners: Vec<(f64, f64)> = Vec::new();
    if let Some((_, level)) = begun.checked_sub(1).and_then(|last| points.get(last)) {
        corners.push((x(from), y(*level)));
    }
    for (at, level) in points.iter().skip(begun).take_while(|(at, _)| *at <= to) {
        match corners.last_mut() {
            Some(last) if x(*at) - last.0 < GRAIN => last.1 = y(*level),
            _ => corners.push((x(*at), y(*level))),
        }
    }
    if let Some((_, level)) = corners.last().copied() {
        corners.push((x(to), level));
    }
    corners
}

fn path(corners: &[(f64, f64)]) -> String {
    let mut path = String::new();
    for (n, (x, y)) in corners.iter().enumerate() {
        // Writing to a string does not fail.
        let _ = if n == 0 { write!(path, "M{x:.1} {y:.1}") } else { write!(path, "H{x:.1}V{y:.1}") };
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
    fn a_level_holds_until_the_next_and_stops_at_a_silence() {
        let course = Course {
            points: &[(at(0), 100.0), (at(200), 50.0), (at(800), 25.0)],
            gaps: &[(at(400), at(600))],
            swaps: &[at(200)],
            full: Some(100.0),
        };
        let shape = shape(&axis(1000), course);
        assert_eq!(shape.lines, ["M0.0 0.0H200.0V50.0H400.0V50.0", "M600.0 50.0H800.0V75.0H1000.0V75.0"]);
        assert!(shape.areas[0].ends_with("L400.0 100L0.0 100Z"));
        assert_eq!(
            (shape.gaps[0].x.to_string(), shape.gaps[0].width.to_string()),
            ("40.00%".into(), "20.00%".into())
        );
        assert_eq!(shape.swaps.len(), 1);
    }

    #[test]
    fn nothing_known_draws_nothing() {
        let none = Course { points: &[], gaps: &[], swaps: &[], full: None };
        assert!(shape(&axis(1000), none).lines.is_empty());
        let silent = Course { points: &[(at(0), 5.0)], gaps: &[(at(-10), at(2000))], swaps: &[], full: None };
        assert!(shape(&axis(1000), silent).lines.is_empty());
        let odd = Course { points: &[(at(0), f64::NAN)], gaps: &[], swaps: &[], full: Some(f64::NAN) };
        assert!(shape(&axis(1000), odd).lines.is_empty());
    }

    proptest! {
        #[test]
        fn lines_stay_in_the_plot_and_run_forward(
            steps in proptest::collection::vec((0..5000i64, -10.0..2000.0f64), 0..300),
            gaps in proptest::collection::vec((0..90_000i64, 1..9000i64), 0..4),
            length in 86_400..94_608_000i64,
        ) {
            let mut now = 0;
            let points: Vec<_> = steps.iter().map(|(dt, y)| { now += dt; (at(now), *y) }).collect();
            let mut gaps: Vec<_> = gaps.iter().map(|(from, span)| (at(*from), at(from + span))).collect();
            gaps.sort();
            let shape = shape(&axis(length), Course { points: &points, gaps: &gaps, swaps: &[], full: Some(775.0) });
            let mut last = 0.0;
            for line in &shape.lines {
                for number in line.split(['M', 'H']).filter(|part| !part.is_empty()) {
                    let x: f64 = number.split([' ', 'V']).next().unwrap().parse().unwrap();
                    let y: f64 = number.split([' ', 'V']).nth(1).unwrap().parse().unwrap();
                    prop_assert!(x >= last - 1e-9 && x <= WIDTH, "{line}");
                    prop_assert!((0.0..=HEIGHT).contains(&y), "{line}");
                    last = x;
                }
            }
        }
    }
}
