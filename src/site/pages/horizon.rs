//! The horizon chart's words, around its geometry.

use jiff::civil::Date;

use super::supply::supply_href;
use crate::domain::cover::CoveringUnit;
use crate::domain::outlook::{Forecast, Horizon};
use crate::domain::reading::Role;
use crate::site::chart::Share;
use crate::site::chart::axis::{DayAxis, Room, Tick};
use crate::site::chart::horizon::{self, Bar, Cover, Order, WordsAt};
use crate::site::format;
use crate::site::ink::Ink;
use crate::usecase::view::OutlookLine;

/// The plot's least width in the three layouts that the style sheet switches between.
const LAYOUTS: [(&str, Room); 3] = [
    ("at-s", Room { plot_px: 270.0, overhang_px: 18.0 }),
    ("at-m", Room { plot_px: 400.0, overhang_px: 18.0 }),
    ("at-l", Room { plot_px: 640.0, overhang_px: 18.0 }),
];

/// The labels of one layout.
pub(crate) struct TickSet {
    pub(crate) class: &'static str,
    pub(crate) ticks: Vec<Tick>,
}

/// What stands in a row: a bar, or why there is none.
pub(crate) enum Course {
    Bar(Bar),
    NotYet(String),
}

/// The order mark with its words, which stand in another place where the plot is wider.
pub(crate) struct OrderWords {
    pub(crate) mark: Order,
    pub(crate) places: Vec<Place>,
    /// With the lead time.
    pub(crate) words: String,
}

/// Where words are set from, as a `text` element has it.
pub(crate) struct Place {
    pub(crate) class: &'static str,
    pub(crate) x: Share,
    pub(crate) anchor: &'static str,
    pub(crate) dx: i8,
    /// Without the lead time where the plot has no room for it.
    pub(crate) words: String,
}

impl OrderWords {
    fn new(axis: &DayAxis, line: &OutlookLine, today: Date) -> Option<Self> {
        let day = line.order_by?;
        let short = order_words(day, today);
        let words = format!("{short}{}", lead_words(line.lead_days));
        let order = |words: &str, room| horizon::order(axis, day, line.lead_days, words, room);
        // In the narrowest layout the words stand below the plot, as a paragraph.
        let [_, middle, wide] = LAYOUTS;
        let places = [middle, wide].map(|(class, room)| {
            let in_full = order(&words, room);
            let (order, words) = match in_full.words_at {
                WordsAt::Edge if !in_full.beyond => (order(&short, room), short.clone()),
                _ => (in_full, words.clone()),
            };
            let (anchor, dx) = match order.words_at {
                WordsAt::After => ("start", 8),
                WordsAt::Before => ("end", -10),
                WordsAt::Edge => ("end", 0),
            };
            Place { class, x: order.words_x, anchor, dx, words }
        });
        Some(Self { mark: order(&words, wide.1), places: places.into(), words })
    }
}

/// What the shelf, or else what is on order, adds to a bar, with its words: they stand where those about ordering stand otherwise, for
/// what is on the shelf need not be ordered.
pub(crate) struct ShelfWords {
    pub(crate) cover: Option<Cover>,
    pub(crate) places: Vec<Place>,
    pub(crate) words: String,
}

impl ShelfWords {
    fn new(axis: &DayAxis, line: &OutlookLine, today: Date) -> Option<Self> {
        let words = match (&line.shelf, &line.on_order) {
            (Some(unit), _) => format!("1 on the shelf, made {}", unit.made_on.strftime("%b %Y")),
            (None, Some(unit)) => match unit.expected_on {
                Some(day) if day < today => {
                    format!("1 on order, was expected {}", format::weekday(day, today))
                }
                Some(day) => format!("1 on order, expected {}", format::weekday(day, today)),
                None => "1 on order".to_owned(),
            },
            (None, None) => return None,
        };
        let late = line.outlook.forecast.horizon().map(|horizon| horizon.late);
        let cover = late
            .zip(lasts_days(line, line.shelf.as_ref()))
            .map(|(late, days)| horizon::cover(axis, late, days));
        let end = late.map_or_else(|| axis.at(axis.from()), |late| axis.at(late));
        let [_, middle, wide] = LAYOUTS;
        let places = [middle, wide].map(|(class, room)| {
            let (at, x) = horizon::words_behind(end, &words, room);
            let (anchor, dx) = if at == WordsAt::After { ("start", 2) } else { ("end", 0) };
            Place { class, x, anchor, dx, words: words.clone() }
        });
        Some(Self { cover, places: places.into(), words })
    }
}

/// How long a full unit from the shelf, or on order, lasts at the present use.
fn lasts_days(line: &OutlookLine, unit: Option<&CoveringUnit>) -> Option<f64> {
    let level = &line.outlook.level;
    let of_part = unit.and_then(|unit| unit.capacity).filter(|(_, measure)| *measure == level.measure);
    let of_part = of_part.map(|(amount, _)| amount);
    let days =
        of_part.or(level.capacity.known())? / line.outlook.daily_use.filter(|per_day| *per_day > 0.0)?;
    days.is_finite().then_some(days)
}

/// One supply.
pub(crate) struct Row {
    /// Unique on the page.
    pub(crate) id: String,
    pub(crate) href: String,
    pub(crate) device: String,
    pub(crate) label: String,
    pub(crate) ink: Ink,
    pub(crate) filled: bool,
    pub(crate) level: String,
    pub(crate) level_in_full: String,
    pub(crate) course: Course,
    pub(crate) order: Option<OrderWords>,
    pub(crate) shelf: Option<ShelfWords>,
    /// The whole row in a sentence.
    pub(crate) sentence: String,
    /// Early, middle and late date, or the reason why not, for the table.
    pub(crate) dates: Result<[String; 3], String>,
    pub(crate) order_by: String,
}

impl Row {
    pub(crate) fn bar(&self) -> Option<&Bar> {
        match &self.course {
            Course::Bar(bar) => Some(bar),
            Course::NotYet(_) => None,
        }
    }
}

/// The chart.
pub(crate) struct HorizonChart {
    pub(crate) sets: Vec<TickSet>,
    pub(crate) rows: Vec<Row>,
    pub(crate) from: String,
    /// Whether rows name their machine.
    pub(crate) named: bool,
    /// Whether a receptacle is among the rows, which the key then explains.
    pub(crate) has_receptacle: bool,
    /// Whether a bar goes on past the end of the axis, which the key then explains.
    pub(crate) has_beyond: bool,
    /// Whether the shelf adds to a bar, which the key then explains.
    pub(crate) has_shelf: bool,
}

impl HorizonChart {
    /// `named` where the rows are of more than one machine.
    pub(crate) fn new(lines: &[OutlookLine], today: Date, named: bool) -> Self {
        let horizons: Vec<Horizon> =
            lines.iter().filter_map(|line| line.outlook.forecast.horizon()).collect();
        let axis = horizon::axis(today, &horizons);
        let row = |line: &OutlookLine| {
            let outlook = &line.outlook;
            let slot = &outlook.slot;
            let shelf = ShelfWords::new(&axis, line, today);
            let order = if shelf.is_some() { None } else { OrderWords::new(&axis, line, today) };
            let words = shelf.as_ref().map(|shelf| &shelf.words);
            let words = words.or(order.as_ref().map(|order| &order.words)).cloned();
            let (course, dates) = match &outlook.forecast {
                Forecast::Known(h) => (
                    Course::Bar(horizon::bar(&axis, *h)),
                    Ok([h.early, h.middle, h.late].map(|day| format::day(day, today))),
                ),
                Forecast::NotYet(why) => (Course::NotYet(why.clone()), Err(why.clone())),
            };
            Row {
                id: format!("h{}", slot.id),
                href: supply_href(slot),
                device: line.device_name.clone(),
                label: slot.label(),
                ink: Ink::of(slot),
                filled: slot.role == Role::Filled,
                level: format::level(&outlook.level, slot.role),
                level_in_full: format::level_in_full(&outlook.level, slot.role),
                course,
                sentence: sentence(line, today, words.as_deref()),
                order_by: match (&shelf, line.order_by) {
                    (Some(shelf), _) => shelf.words.clone(),
                    (None, Some(day)) => format::weekday(day, today),
                    (None, None) => String::new(),
                },
                order,
                shelf,
                dates,
            }
        };
        let rows: Vec<Row> = lines.iter().map(row).collect();
        Self {
            sets: LAYOUTS.map(|(class, room)| TickSet { class, ticks: axis.ticks(room) }).into(),
            has_beyond: rows.iter().any(|row| row.bar().is_some_and(|bar| bar.beyond)),
            has_receptacle: rows.iter().any(|row| row.filled),
            has_shelf: rows.iter().any(|row| row.shelf.is_some()),
            rows,
            from: format::day(axis.from(), today),
            named,
        }
    }
}

/// "order by Fri 27 Nov".
fn order_words(day: Date, today: Date) -> String {
    match day {
        day if day < today => format!("order now: was due {}", format::weekday(day, today)),
        day if day == today => "order today".to_owned(),
        day => format!("order by {}", format::weekday(day, today)),
    }
}

/// ", takes 7 days".
fn lead_words(lead_days: u32) -> String {
    match lead_days {
        0 => String::new(),
        1 => ", takes 1 day".to_owned(),
        days => format!(", takes {days} days"),
    }
}

fn sentence(line: &OutlookLine, today: Date, order: Option<&str>) -> String {
    let slot = &line.outlook.slot;
    let ends = match &line.outlook.forecast {
        Forecast::Known(h) => format::horizon(*h, slot.role, today),
        Forecast::NotYet(why) => format!("no date yet: {why}"),
    };
    let order = order.map_or_else(String::new, |order| format!("; {order}"));
    format!(
        "{}, {}: {}; {ends}{order}.",
        line.device_name,
        slot.label(),
        format::level_in_full(&line.outlook.level, slot.role)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::cover::ComingUnit;
    use crate::domain::ids::OrderId;
    use crate::site::fixtures::{TODAY, lines};

    #[test]
    fn what_is_on_order_stands_where_the_order_mark_would() {
        let mut lines = lines("Bobbin");
        lines.truncate(1);
        lines[0].shelf = None;
        let expected_on = TODAY.tomorrow().ok();
        let unit = ComingUnit { part: "VO-C-775".to_owned(), order: OrderId(7), expected_on };
        lines[0].on_order = Some(unit);
        let chart = HorizonChart::new(&lines, TODAY, true);
        assert_eq!(chart.rows[0].order_by, "1 on order, expected Thu 26 Nov");
        assert!(chart.rows[0].order.is_none() && chart.has_shelf);
        lines[0].on_order.as_mut().unwrap().expected_on = TODAY.yesterday().ok();
        let late = HorizonChart::new(&lines, TODAY, true);
        assert_eq!(late.rows[0].order_by, "1 on order, was expected Tue 24 Nov");
    }
}
