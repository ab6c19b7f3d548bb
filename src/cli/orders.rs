//! `ullage orders`: from what is advised to what is received.

use std::io::Write;
use std::process::ExitCode;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::shelf::{By, made_on};
use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::ids::OrderId;
use crate::domain::order::Order;
use crate::domain::outlook::Present;
use crate::report::order as files;
use crate::store::Store;
use crate::store::orders::{OrderStep, Which};
use crate::store::reach::WhenInUse;
use crate::usecase::orders::{Act, Came, OrderRefusal, act, draft};

/// So many orders are listed.
const LISTED: i64 = 1000;

/// What to do about orders.
#[derive(Debug, clap::Subcommand)]
pub enum OrdersCommand {
    /// List orders, the newest first
    List {
        /// Those that are received or cancelled too
        #[arg(long)]
        all: bool,
        /// Print one JSON object an order, one a line
        #[arg(long)]
        json: bool,
    },
    /// Show one order
    Show {
        /// The order's number
        order: i64,
        /// Print one JSON object
        #[arg(long, conflicts_with_all = ["csv", "text"])]
        json: bool,
        /// Print its lines as CSV
        #[arg(long, conflicts_with = "text")]
        csv: bool,
        /// Print it as a text for the supplier
        #[arg(long)]
        text: bool,
    },
    /// See to it that the draft to a part's supplier has so many units of it
    Draft {
        /// The part's number
        part: String,
        /// How many
        units: u32,
        /// Who does it, and why
        #[command(flatten)]
        by: By,
    },
    /// Write down that a draft went to its supplier
    Send {
        /// The order's number
        order: i64,
        /// Who does it, and why
        #[command(flatten)]
        by: By,
    },
    /// Put what came of an order onto the shelf
    Receive {
        /// The order's number
        order: i64,
        /// The part's number
        part: String,
        /// How many came
        units: u32,
        /// When they were made: 2025-03-14, or 2025-03
        #[arg(long, value_name = "DATE", value_parser = made_on)]
        made_on: Date,
        /// Where they are put
        #[arg(long)]
        place: String,
        /// Who does it, and why
        #[command(flatten)]
        by: By,
    },
    /// Call an order off; what has come of it stays
    Cancel {
        /// The order's number
        order: i64,
        /// Who does it, and why
        #[command(flatten)]
        by: By,
    },
}

/// Runs one of the commands; they work beside a running service.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(command: OrdersCommand, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let present = Present { now: clock().now(), zone: config.site.zone.clone() };
    let store = &open.store;
    let done = match command {
        OrdersCommand::List { all, json } => list(store, all, json).await,
        OrdersCommand::Show { order, json, csv, text } => {
            show(store, OrderId(order), (json, csv, text), &present).await
        }
        OrdersCommand::Draft { part, units, by } => {
            match draft(store, &part, units, &by.note(), None, &present).await {
                Ok(Ok(order)) => say(store, order).await,
                Ok(Err(refusal)) => Err(refused(&refusal)),
                Err(fault) => Err(fault.into()),
            }
        }
        OrdersCommand::Send { order, by } => step(store, order, &Act::Send, by, &present, &config).await,
        OrdersCommand::Receive { order, part, units, made_on, place, by } => {
            let came = vec![Came { part, units, made_on, place }];
            step(store, order, &Act::Receive(came), by, &present, &config).await
        }
        OrdersCommand::Cancel { order, by } => step(store, order, &Act::Cancel, by, &present, &config).await,
    };
    open.close_after(done).await
}

async fn step(
    store: &Store,
    order: i64,
    what: &Act,
    by: By,
    present: &Present,
    config: &Config,
) -> anyhow::Result<ExitCode> {
    match act(store, OrderId(order), what, &by.note(), None, present, &config.rules.practice).await? {
        Ok(order) => say(store, order).await,
        Err(refusal) => Err(refused(&refusal)),
    }
}

fn refused(refusal: &OrderRefusal) -> anyhow::Error {
    let next = match refusal {
        OrderRefusal::NoSuchOrder(_) => "; see the orders with: ullage orders list --all",
        OrderRefusal::NoSuchPart(_) => "; see the parts with: ullage shelf parts list",
        OrderRefusal::Empty(field) => return anyhow::anyhow!("--{field} must not be empty"),
        _ => "",
    };
    anyhow::anyhow!("{refusal}{next}")
}

async fn find(store: &Store, order: OrderId) -> anyhow::Result<Order> {
    let found = store.orders(Which::Number(order)).await?.pop();
    found.ok_or_else(|| refused(&OrderRefusal::NoSuchOrder(order)))
}

async fn say(store: &Store, order: OrderId) -> anyhow::Result<ExitCode> {
    println!("{}", line(&find(store, order).await?));
    Ok(ExitCode::SUCCESS)
}

async fn list(store: &Store, all: bool, json: bool) -> anyhow::Result<ExitCode> {
    let orders = store.orders(Which::Newest(LISTED)).await?;
    let orders: Vec<&Order> = orders.iter().filter(|order| all || !order.state.is_closed()).collect();
    if orders.is_empty() && !json {
        println!("No order is open; see what to order with: ullage advice");
    }
    for order in orders {
        if json {
            println!("{}", order_json(order, &[]));
        } else {
            println!("{}", line(order));
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// One order in one line.
fn line(order: &Order) -> String {
    let parts: Vec<String> = order
        .lines
        .iter()
        .map(|line| match (line.received, order.state.is_under_way()) {
            (0, _) | (_, false) => format!("{} {}", line.units, line.number),
            (received, true) => format!("{} {} ({received} came)", line.units, line.number),
        })
        .collect();
    let expected = match order.expected_on {
        Some(day) if order.state.is_under_way() => format!("; expected {day}"),
        _ => String::new(),
    };
    format!(
        "Order {}, {}, {}: {}{expected}",
        order.id,
        order.state.plain(),
        order.supplier.as_deref().unwrap_or("no supplier"),
        if parts.is_empty() { "nothing on it".to_owned() } else { parts.join(", ") },
    )
}

async fn show(
    store: &Store,
    order: OrderId,
    (json, csv, text): (bool, bool, bool),
    present: &Present,
) -> anyhow::Result<ExitCode> {
    let order = find(store, order).await?;
    let steps = store.order_steps(order.id).await?;
    match () {
        () if json => println!("{}", order_json(&order, &steps)),
        () if csv => std::io::stdout().write_all(&files::csv(&order)?)?,
        () if text => print!("{}", files::text(&order, present.today())),
        () => {
            println!("{}", line(&order));
            for line in &order.lines {
                let price = line.price.map(|price| format!(", {price} each")).unwrap_or_default();
                println!(
                    "  {:>4} {}, {}{price}; {} came",
                    line.units, line.number, line.label, line.received
                );
            }
            for total in order.totals() {
                println!("  total {total}");
            }
            for step in steps {
                let why = if step.why.is_empty() { String::new() } else { format!(": {}", step.why) };
                let at = present.zone.to_datetime(step.at).strftime("%Y-%m-%d %H:%M");
                println!("  {at} {} by {}{why}", step.step, step.who);
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn order_json(order: &Order, steps: &[OrderStep]) -> Value {
    let lines: Vec<Value> = order
        .lines
        .iter()
        .map(|line| {
            json!({
                "part": line.number,
                "label": line.label,
                "units": line.units,
                "received": line.received,
                "price_minor": line.price.map(|price| price.minor),
                "currency": line.price.as_ref().map(|price| price.currency.code()),
            })
        })
        .collect();
    let steps: Vec<Value> = steps
        .iter()
        .map(|step| json!({ "at": step.at, "step": step.step, "who": step.who, "why": step.why }))
        .collect();
    json!({
        "order": order.id.0,
        "supplier": order.supplier,
        "state": order.state.word(),
        "sent_at": order.sent_at,
        "expected_on": order.expected_on,
        "lines": lines,
        "steps": steps,
    })
}
