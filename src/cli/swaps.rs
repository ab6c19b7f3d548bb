//! `ullage swaps`: the record of swaps.

use std::process::ExitCode;

use serde_json::{Value, json};

use super::{OpenStore, clock};
use crate::config::Config;
use crate::domain::guide::seen::SupplySeen;
use crate::domain::ids::LotId;
use crate::report::swaps_csv::outcome;
use crate::store::Store;
use crate::store::reach::WhenInUse;
use crate::usecase::swap::{SwapRow, SwapsWanted};

/// The options of `ullage swaps`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only those whose machine, supply, part, place or person has these words
    #[arg(long, value_name = "WORDS", default_value = "", hide_default_value = true)]
    find: String,
    /// Only those of a lot, by its number
    #[arg(long, value_name = "NUMBER")]
    lot: Option<i64>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Prints the record, the latest first.
///
/// # Errors
/// What could not be done, and what to do next.
pub async fn run(args: Args, config: Config) -> anyhow::Result<ExitCode> {
    let open = OpenStore::open(config.store.clone(), WhenInUse::Join, 2).await?;
    let done = list(&open.store, args, &config).await;
    open.close_after(done).await?;
    Ok(ExitCode::SUCCESS)
}

async fn list(store: &Store, args: Args, config: &Config) -> anyhow::Result<()> {
    let wanted = SwapsWanted { find: args.find, lot: args.lot.map(LotId), ..SwapsWanted::default() };
    let swaps = store.swaps(&wanted).await?;
    if args.json {
        let swaps: Vec<Value> = swaps.iter().map(swap_json).collect();
        println!("{:#}", json!({ "as_of": clock().now(), "swaps": swaps }));
        return Ok(());
    }
    if swaps.is_empty() {
        println!("No swap is written down. A swap begins on the page of its supply.");
    }
    for swap in &swaps {
        let at = swap.ended.as_ref().map_or(swap.begun_at, |ended| ended.at);
        let at = at.to_zoned(config.site.zone.clone()).strftime("%Y-%m-%d %H:%M").to_string();
        let who = swap.ended.as_ref().map_or(&swap.who, |ended| &ended.who);
        let from = swap.from.as_ref().map_or_else(
            || "not from the shelf".to_owned(),
            |from| format!("{} of lot {}, made {}", from.part, from.lot, from.made_on),
        );
        let why = swap.ended.as_ref().and_then(|ended| ended.given_up.as_deref());
        let why = why.map_or_else(String::new, |why| format!(": {why}"));
        println!(
            "{at}  {}, {}: {}{why} ({who})",
            swap.device_name,
            swap.label(),
            outcome(swap).replace('_', " ")
        );
        println!("                  {from}{}", left(swap));
    }
    Ok(())
}

fn left(swap: &SwapRow) -> String {
    let told = |seen: &SupplySeen| {
        let amount = seen.level.remaining.measured()?;
        Some(format!("{amount:.0} {}", seen.level.measure.symbol()))
    };
    let text = |seen: Option<&SupplySeen>, words: &str| {
        seen.and_then(told).map_or_else(String::new, |amount| format!("; {words} {amount}"))
    };
    text(swap.was.as_ref(), "the old one had") + &text(swap.became.as_ref(), "the new one has")
}

fn swap_json(swap: &SwapRow) -> Value {
    let seen = |seen: Option<&SupplySeen>| {
        seen.map(|seen| json!({ "left": seen.level.remaining.measured(), "unit": seen.level.measure.word() }))
    };
    let steps: Vec<Value> = swap
        .steps
        .iter()
        .map(|step| json!({ "how": step.how.word(), "why": step.how.reason(), "who": step.who, "at": step.at }))
        .collect();
    json!({
        "swap": swap.id,
        "machine": swap.device_name,
        "supply": swap.label(),
        "kind": swap.kind.word(),
        "outcome": outcome(swap),
        "begun": swap.begun_at,
        "begun_by": swap.who,
        "ended": swap.ended.as_ref().map(|ended| ended.at),
        "ended_by": swap.ended.as_ref().map(|ended| &ended.who),
        "given_up": swap.ended.as_ref().and_then(|ended| ended.given_up.as_ref()),
        "part": swap.from.as_ref().map(|from| &from.part),
        "lot": swap.from.as_ref().map(|from| from.lot),
        "made_on": swap.from.as_ref().map(|from| from.made_on),
        "why_lot": swap.why_lot,
        "old": seen(swap.was.as_ref()),
        "new": seen(swap.became.as_ref()),
        "photo": swap.photo,
        "steps": steps,
    })
}
