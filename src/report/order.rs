//! An order as a file and as a text for the supplier.
//!
//! The file is comma-separated (RFC 4180), one row a line of the order:
//!
//! | column | what it holds |
//! | --- | --- |
//! | `order`, `state`, `supplier` | the order's number; `draft`, `sent`, `partly_received`, `received` or `cancelled`; whom it goes to |
//! | `sent_on`, `expected_on` | days; empty for a draft. `sent_on` is a day in UTC |
//! | `part`, `label` | the part's number, and what a person calls it |
//! | `units`, `received` | ordered, and come so far |
//! | `price_minor`, `currency`, `total_minor` | price of one unit and of the line in minor units (ISO 4217) |

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::rows::write;
use super::text as cell;
use crate::domain::order::{Line, Order};

/// The columns of the file.
pub const COLUMNS: [&str; 12] = [
    "order",
    "state",
    "supplier",
    "sent_on",
    "expected_on",
    "part",
    "label",
    "units",
    "received",
    "price_minor",
    "currency",
    "total_minor",
];

/// The order as the bytes of a file: UTF-8, rows ended by CR LF.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn csv(order: &Order) -> Result<Vec<u8>, csv::Error> {
    let sent = order.sent_at.map(|at| TimeZone::UTC.to_datetime(at).date().to_string()).unwrap_or_default();
    let row = |line: &Line| {
        [
            order.id.to_string(),
            order.state.word().to_owned(),
            cell(order.supplier.as_deref().unwrap_or_default()),
            sent.clone(),
            order.expected_on.map(|day| day.to_string()).unwrap_or_default(),
            cell(&line.number),
            cell(&line.label),
            line.units.to_string(),
            line.received.to_string(),
            line.price.map(|price| price.minor.to_string()).unwrap_or_default(),
            line.price.as_ref().map(|price| price.currency.code().to_owned()).unwrap_or_default(),
            line.total().map(|total| total.minor.to_string()).unwrap_or_default(),
        ]
    };
    write(&COLUMNS, order.lines.iter().map(row))
}

/// The order as a plain text, to be copied or mailed.
#[must_use]
pub fn text(order: &Order, today: Date) -> String {
    let mut text = format!("Order {}, {}\n", order.id, today.strftime("%-d %b %Y"));
    if let Some(supplier) = &order.supplier {
        text.push_str(&format!("To {supplier}\n"));
    }
    text.push_str("\nPlease deliver:\n\n");
    for line in &order.lines {
        let price = line.price.map(|price| format!(", {price} each")).unwrap_or_default();
        text.push_str(&format!("{:>4}  {}  {}{price}\n", line.units, line.number, line.label));
    }
    let totals: Vec<String> = order.totals().iter().map(ToString::to_string).collect();
    if !totals.is_empty() {
        let rest = if order.is_priced() { "" } else { ", and what has no price here" };
        text.push_str(&format!("\nIn all {}{rest}.\n", totals.join(" and ")));
    }
    text.push_str(
        "\nPlease write the order's number on the delivery note, and tell us the day of delivery.\n",
    );
    text
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::domain::ids::{OrderId, PartId};
    use crate::domain::order::OrderState;
    use crate::domain::part::{Currency, Price};

    #[test]
    fn an_order_as_a_file_and_as_a_text() {
        let line = |number: &str, units, minor: Option<i64>| Line {
            part: PartId(1),
            number: number.to_owned(),
            label: "cyan cartridge".to_owned(),
            units,
            received: 1,
            price: minor.map(|minor| Price { minor, currency: Currency::from_code("EUR").unwrap() }),
        };
        let order = Order {
            id: OrderId(7),
            supplier: Some("=Opera stores".to_owned()),
            state: OrderState::PartlyReceived,
            lines: vec![line("VO-C-775", 12, Some(18_905)), line("VO-W-1500", 1, None)],
            sent_at: Some("2026-11-20T23:30:00Z".parse().unwrap()),
            expected_on: Some(date(2026, 11, 27)),
        };
        let file = String::from_utf8(csv(&order).unwrap()).unwrap().replace("\r\n", "\n");
        insta::assert_snapshot!([file, text(&order, date(2026, 11, 25))].join("\n"));
    }
}
