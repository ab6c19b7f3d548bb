//! Columns side by side on one scale from nothing: what each month came to.

use super::Share;

/// How much of its place a column takes up.
const WIDTH: f64 = 0.62;

/// One column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Bar {
    /// Its left edge.
    pub(crate) x: Share,
    pub(crate) width: Share,
    /// Its middle.
    pub(crate) middle: Share,
    /// Its top edge, from the top of the plot.
    pub(crate) y: Share,
    pub(crate) height: Share,
}

/// Lays values out as columns, the first at the left; the plot's top is worth as much as is given back.
pub(crate) fn columns(values: &[f64]) -> (Vec<Bar>, f64) {
    let known = |value: f64| if value.is_finite() { value.max(0.0) } else { 0.0 };
    let top = round_up(values.iter().copied().map(known).fold(0.0, f64::max));
    let places = values.len().max(1) as f64;
    let bar = |(n, value): (usize, &f64)| {
        let middle = (n as f64 + 0.5) / places;
        let height = Share::of(known(*value), top);
        Bar {
            x: Share::of(middle - WIDTH / 2.0 / places, 1.0),
            width: Share::of(WIDTH / places, 1.0),
            middle: Share::of(middle, 1.0),
            y: height.to(Share::END),
            height,
        }
    };
    (values.iter().enumerate().map(bar).collect(), top)
}

/// The next 1, 2 or 5 with noughts behind it; 1 for nothing.
fn round_up(value: f64) -> f64 {
    if value <= 0.0 {
        return 1.0;
    }
    let power = 10_f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|step| step * power).find(|top| *top >= value).unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_top_is_a_round_number() {
        let top = |value| columns(&[value]).1;
        assert_eq!(
            [top(0.0), top(1.0), top(1.2), top(480.0), top(500.5), top(9999.0)],
            [1.0, 1.0, 2.0, 500.0, 1000.0, 10_000.0]
        );
        assert_eq!(columns(&[]).0, []);
        assert_eq!(columns(&[f64::NAN]).1, 1.0);
    }

    proptest! {
        #[test]
        fn columns_stand_on_the_floor_side_by_side(values in proptest::collection::vec(0.0..1e9f64, 1..30)) {
            let (bars, top) = columns(&values);
            for (bar, value) in bars.iter().zip(&values) {
                prop_assert!((bar.y.value() + bar.height.value() - 1.0).abs() < 1e-9);
                prop_assert!((bar.height.value() * top - value).abs() <= 1e-6 * top);
            }
            for pair in bars.windows(2) {
                prop_assert!(pair[0].x.value() + pair[0].width.value() <= pair[1].x.value() + 1e-9);
            }
        }
    }
}
