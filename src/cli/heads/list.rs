//! The heads as text.

use crate::domain::head::HeadOutlook;
use crate::domain::life::{Bound, Warranty};
use crate::domain::outlook::Present;
use crate::store::heads::HeadRow;

/// Prints every head that is in, machine by machine; with `all` those that came out too.
pub(super) fn print(rows: &[HeadRow], all: bool, present: &Present) {
    let shown: Vec<&HeadRow> = rows.iter().filter(|row| all || row.head.out_on.is_none()).collect();
    if shown.is_empty() {
        println!("No head is written down yet; do so with: ullage heads add MACHINE POSITION --in DATE");
    }
    let mut machine = "";
    for row in shown {
        if row.device_name != machine {
            machine = &row.device_name;
            println!("{machine}");
        }
        println!("{}", line(row, present));
    }
}

fn line(row: &HeadRow, present: &Present) -> String {
    let head = &row.head;
    let unknown = HeadOutlook::unknown("nothing is counted yet");
    let outlook = row.outlook.as_ref().unwrap_or(&unknown);
    let ml = match outlook.ml {
        Some(ml) => format!("{ml:.0} of {} ml", head.limit_ml),
        None => format!("? of {} ml", head.limit_ml),
    };
    let since = match head.out_on {
        Some(out_on) => format!("in {} to {out_on}", head.in_on),
        None => format!("in since {}", head.in_on),
    };
    let part = head.part.as_deref().unwrap_or("-");
    let warranty = match (head.out_on, Warranty::of(head, outlook, present.today())) {
        (Some(_), _) => String::new(),
        (None, Warranty::Over(Bound::Limit)) => "  warranty over: its limit is reached".to_owned(),
        (None, Warranty::Over(Bound::Date)) => "  warranty over: its date has passed".to_owned(),
        (None, Warranty::Ends { days, bound: Bound::Limit, .. }) => {
            format!("  warranty ends about {} ({} to {}), by its limit", days.middle, days.early, days.late)
        }
        (None, Warranty::Ends { days, bound: Bound::Date, not_yet }) => {
            let reason = not_yet.map(|reason| format!("; by its limit: {reason}")).unwrap_or_default();
            let early = if days.early < days.middle {
                format!(", by its limit {} at the earliest", days.early)
            } else {
                String::new()
            };
            format!("  warranty until {}{early}{reason}", days.middle)
        }
        (None, Warranty::NotYet(reason)) => format!("  warranty by its limit: {reason}"),
    };
    format!("  head {:<3} {part:<12} {since}  {ml}{warranty}", head.position)
}
