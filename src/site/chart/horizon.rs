//! The horizon chart: every supply one bar from today, solid to the early date, and then one step paler
//! for each step of chance that it has ended by then.

use jiff::civil::Date;

use super::Share;
use super::axis::{DayAxis, Room, days_between, plus_days};
use crate::domain::outlook::Horizon;

/// The axis never shows less than this, so that a bar of one day is not as long as the page.
const SHORTEST_DAYS: i32 = 14;
/// Nor more than this: three years.
const LONGEST_DAYS: i32 = 1096;

/// A pale step of a bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    pub(crate) x: Share,
    pub(crate) width: Share,
    /// The chance, in hundredths, that the supply lasts through this step's middle.
    pub(crate) lasts: u8,
}

/// Where the words about ordering stand beneath a bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum WordsAt {
    /// After the end of the lead time.
    After,
    /// Before the mark.
    Before,
    /// At the plot's right edge, over the line.
    Edge,
}

/// When to order, and how long it takes to arrive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Order {
    /// The day to order by; today where that is past.
    pub(crate) mark: Share,
    /// The day it arrives if ordered then.
    pub(crate) arrives: Share,
    /// Whether the day is today or past.
    pub(crate) due: bool,
    /// Whether the day lies past the end of the axis.
    pub(crate) beyond: bool,
    /// Where the words stand.
    pub(crate) words_at: WordsAt,
    /// The point that the words are set from.
    pub(crate) words_x: Share,
}

/// One supply's bar.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Bar {
    /// The solid part's width, from today to the early date.
    pub(crate) solid: Share,
    /// The pale part.
    pub(crate) steps: Vec<Step>,
    /// The whole bar's width.
    pub(crate) end: Share,
    /// Even odds, where that lies on the axis.
    pub(crate) middle: Option<Share>,
    /// Whether the late date lies past the end of the axis.
    pub(crate) beyond: bool,
}

/// What the shelf adds to a bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cover {
    /// Where it begins: at the late date.
    pub(crate) x: Share,
    /// How far it goes on the axis.
    pub(crate) width: Share,
}

/// An axis on which three bars of four are whole, and every bar has an order mark where possible: one
/// supply that lasts for years must not press all others against today.
pub(crate) fn axis(today: Date, horizons: &[Horizon]) -> DayAxis {
    let mut ends: Vec<i32> = horizons.iter().map(|h| days_between(today, h.late)).collect();
    ends.sort_unstable();
    let most = ends.get(ends.len().saturating_mul(3) / 4).or(ends.last()).copied().unwrap_or(0);
    // What ends at no more than twice that distance is still shown whole.
    let wanted = ends.iter().copied().rfind(|end| *end <= most.saturating_mul(2)).unwrap_or(most).max(most);
    let days = wanted.saturating_add(wanted / 25 + 1).clamp(SHORTEST_DAYS, LONGEST_DAYS);
    DayAxis::new(today, plus_days(today, days))
}

/// The bar of a horizon.
pub(crate) fn bar(axis: &DayAxis, horizon: Horizon) -> Bar {
    let early = horizon.early.max(axis.from());
    let middle = horizon.middle.max(early);
    let late = horizon.late.max(middle);
    let mut steps = pale(axis, early, middle, [83, 70, 57]);
    steps.extend(pale(axis, middle, late, [43, 30, 17]));
    Bar {
        solid: axis.at(early),
        steps,
        end: axis.at(late),
        middle: (!axis.is_beyond(middle)).then(|| axis.at(middle)),
        beyond: axis.is_beyond(late),
    }
}

/// Three steps from one date to another. Between early and middle the chance of lasting falls from 90 to
/// 50 in a hundred, between middle and late from 50 to 10; within them it is taken as even.
fn pale(axis: &DayAxis, from: Date, to: Date, lasts: [u8; 3]) -> Vec<Step> {
    let length = f64::from(days_between(from, to));
    let start = f64::from(days_between(axis.from(), from));
    let whole = f64::from(axis.days());
    let edge = |n: f64| Share::of(start + length * n / 3.0, whole);
    lasts
        .into_iter()
        .zip([0.0, 1.0, 2.0])
        .map(|(lasts, n)| Step { x: edge(n), width: edge(n).to(edge(n + 1.0)), lasts })
        .filter(|step| step.width.value() > 0.0)
        .collect()
}

/// The order mark, and where its words fit in a plot of about this width.
pub(crate) fn order(axis: &DayAxis, order_by: Date, lead_days: u32, words: &str, room: Room) -> Order {
    const PAD_PX: f64 = 12.0;
    let from = order_by.max(axis.from());
    let mark = axis.at(from);
    let lead = i32::try_from(lead_days).unwrap_or(i32::MAX).min(LONGEST_DAYS);
    let arrives = axis.at(plus_days(from, lead));
    let beyond = axis.is_beyond(order_by);
    let width = Share::of(Room::text_px(words) + PAD_PX, room.plot_px).value();
    let (words_at, words_x) = if beyond {
        (WordsAt::Edge, Share::END)
    } else if arrives.value() + width <= 1.0 {
        (WordsAt::After, arrives)
    } else if mark.value() - width >= 0.0 {
        (WordsAt::Before, mark)
    } else {
        (WordsAt::Edge, Share::END)
    };
    Order { mark, arrives, due: order_by <= axis.from(), beyond, words_at, words_x }
}

/// What a further unit that lasts so many days adds behind the late date.
pub(crate) fn cover(axis: &DayAxis, late: Date, lasts_days: f64) -> Cover {
    let from = late.max(axis.from());
    let days = lasts_days.clamp(0.0, f64::from(LONGEST_DAYS)) as i32;
    let x = axis.at(from);
    Cover { x, width: x.to(axis.at(plus_days(from, days))) }
}

/// Where words stand that belong behind a point: there if they fit, and else at the plot's right edge.
pub(crate) fn words_behind(at: Share, words: &str, room: Room) -> (WordsAt, Share) {
    const PAD_PX: f64 = 12.0;
    let width = Share::of(Room::text_px(words) + PAD_PX, room.plot_px).value();
    if at.value() + width <= 1.0 { (WordsAt::After, at) } else { (WordsAt::Edge, Share::END) }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;

    const TODAY: Date = date(2026, 11, 25);
    const ROOM: Room = Room { plot_px: 460.0, overhang_px: 20.0 };

    fn spread(early: i32, middle: i32, late: i32) -> Horizon {
        let day = |days| plus_days(TODAY, days);
        Horizon { early: day(early), middle: day(middle), late: day(late) }
    }

    #[test]
    fn a_bar_is_solid_to_the_early_date_and_ends_at_the_late_one() {
        let axis = DayAxis::new(TODAY, plus_days(TODAY, 100));
        let bar = bar(&axis, spread(10, 40, 70));
        assert_eq!((bar.solid.value(), bar.end.value(), bar.beyond), (0.1, 0.7, false));
        assert_eq!(bar.middle.map(Share::value), Some(0.4));
        let lasts: Vec<u8> = bar.steps.iter().map(|step| step.lasts).collect();
        assert_eq!(lasts, [83, 70, 57, 43, 30, 17]);
        assert!((bar.steps[3].x.value() - 0.4).abs() < 1e-9);
    }

    #[test]
    fn what_ends_past_the_axis_says_so() {
        let axis = DayAxis::new(TODAY, plus_days(TODAY, 30));
        let far = bar(&axis, spread(40, 50, 60));
        assert_eq!((far.solid, far.end, far.middle, far.beyond), (Share::END, Share::END, None, true));
        assert!(far.steps.is_empty());
        let past = bar(&axis, spread(-9, -5, -1));
        assert_eq!((past.solid, past.end, past.beyond), (Share::of(0.0, 1.0), Share::of(0.0, 1.0), false));
    }

    #[test]
    fn one_supply_that_lasts_for_years_does_not_set_the_axis() {
        let near = [spread(5, 9, 20), spread(8, 14, 25), spread(9, 20, 30), spread(700, 900, 1090)];
        assert!(axis(TODAY, &near[..3]).days() >= 30);
        let mixed: Vec<_> = near.iter().copied().chain([spread(3, 4, 10)]).collect();
        assert_eq!(axis(TODAY, &mixed).days(), 32);
        assert_eq!(axis(TODAY, &[]).days(), SHORTEST_DAYS);
        assert_eq!(axis(TODAY, &near[3..]).days(), LONGEST_DAYS);
    }

    #[test]
    fn the_words_stand_where_there_is_room() {
        let axis = DayAxis::new(TODAY, plus_days(TODAY, 100));
        let at = |day: i32, lead| order(&axis, plus_days(TODAY, day), lead, "order by Fri 27 Nov", ROOM);
        assert_eq!(at(2, 7).words_at, WordsAt::After);
        assert_eq!(at(80, 7).words_at, WordsAt::Before);
        assert_eq!(at(10, 80).words_at, WordsAt::Edge);
        assert!(at(200, 7).beyond);
        let late = at(-4, 7);
        assert!(late.due && late.mark == Share::of(0.0, 1.0) && late.arrives.value() == 0.07);
        assert_eq!(at(0, u32::MAX).arrives, Share::END);
    }

    #[test]
    fn what_the_shelf_adds_begins_at_the_late_date() {
        let axis = DayAxis::new(TODAY, plus_days(TODAY, 100));
        let adds = |late, days| cover(&axis, plus_days(TODAY, late), days);
        assert_eq!((adds(40, 25.0).x.value(), adds(40, 25.0).width.value()), (0.4, 0.25));
        assert!((adds(80, 1e12).width.value() - 0.2).abs() < 1e-9, "no further than the axis");
        assert_eq!((adds(400, 25.0).x, adds(400, 25.0).width.value()), (Share::END, 0.0));
        assert_eq!(adds(-9, 10.0).x.value(), 0.0);
        assert_eq!(words_behind(Share::of(0.1, 1.0), "1 on the shelf", ROOM).0, WordsAt::After);
        assert_eq!(words_behind(Share::of(0.9, 1.0), "1 on the shelf", ROOM), (WordsAt::Edge, Share::END));
    }

    proptest! {
        #[test]
        fn bars_stay_within_the_plot(
            days in 1..1096i32, early in -50..2000i32, to_middle in 0..900i32, to_late in 0..900i32
        ) {
            let axis = DayAxis::new(TODAY, plus_days(TODAY, days));
            let bar = bar(&axis, spread(early, early + to_middle, early + to_middle + to_late));
            let mut x = bar.solid.value();
            for step in &bar.steps {
                prop_assert!((step.x.value() - x).abs() < 1e-9);
                x = step.x.value() + step.width.value();
            }
            prop_assert!((x - bar.end.value()).abs() < 1e-9);
            prop_assert!(x <= 1.0 + 1e-9);
            prop_assert!(bar.steps.windows(2).all(|pair| pair[0].lasts > pair[1].lasts));
        }
    }
}
