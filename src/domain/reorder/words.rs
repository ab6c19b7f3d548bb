//! What to order, in words.

use jiff::civil::Date;

use super::room::PartAdvice;
use crate::domain::part::PartKind;

/// So many machines are named; the rest is counted.
const NAMED: usize = 3;

impl PartAdvice {
    /// What to order, as a headline: `Order 2 VO-C-775, cyan cartridge`.
    #[must_use]
    pub fn headline(&self) -> String {
        format!("Order {} {}, {}", self.proposal.units, self.part.number, self.part.label())
    }

    /// Why, in one sentence without its full stop. `order_point` is the fill, from 0 to 1, at which a
    /// receptacle's successor is ordered.
    #[must_use]
    pub fn why(&self, order_point: f64) -> String {
        let mut why = vec![format!("for {}", named(&self.machines))];
        if self.part.kind == PartKind::Receptacle && self.past_order_point > 0 {
            why.push(format!(
                "{} past {} order point of {:.0} %",
                self.past_order_point,
                if self.past_order_point == 1 { "its" } else { "their" },
                order_point * 100.0
            ));
        }
        why.push(self.there());
        why.push(self.arrival());
        if self.proposal.too_many > 0 {
            why.push(format!(
                "{} of them may pass their date unused, for the supplier delivers no fewer",
                self.proposal.too_many
            ));
        }
        why.join("; ")
    }

    /// What is there: `none on the shelf`, `1 on the shelf, 2 on order`.
    fn there(&self) -> String {
        let mut there = match (self.on_shelf, self.proposal.usable) {
            (0, _) => "none on the shelf".to_owned(),
            (all, usable) if usable < all => format!("{all} on the shelf, {usable} of use in time"),
            (all, _) => format!("{all} on the shelf"),
        };
        if self.proposal.on_order > 0 {
            there.push_str(&format!(", {} on order", self.proposal.on_order));
        }
        there
    }

    fn arrival(&self) -> String {
        let days = counted(self.lead.mean_days.round() as usize, "day");
        match self.deliveries {
            0 => format!("{days} to arrive"),
            n => format!("{days} to arrive, by {}", counted_of(n, "delivery", "deliveries")),
        }
    }

    /// What happens if nothing is ordered, as a sentence without its full stop.
    #[must_use]
    pub fn otherwise(&self) -> Option<String> {
        let (early, middle) = self.without?;
        let short = |day: Date| day.strftime("%-d %b %Y").to_string();
        Some(if early == middle {
            format!("without it a machine stands still from about {}", short(middle))
        } else {
            format!(
                "without it a machine stands still from about {}, {} at the earliest",
                short(middle),
                short(early)
            )
        })
    }
}

/// "Bobbin, Thimble and 2 more".
fn named(machines: &[String]) -> String {
    match machines {
        [] => "no machine".to_owned(),
        [one] => one.clone(),
        [all @ .., last] if machines.len() <= NAMED => format!("{} and {last}", all.join(", ")),
        _ => format!("{} and {} more", machines[..NAMED - 1].join(", "), machines.len() - (NAMED - 1)),
    }
}

fn counted(n: usize, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}

fn counted_of(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
