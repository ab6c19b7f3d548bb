//! A check for people at a terminal.

use crate::domain::run::check::{HeadCheck, Reach, TankCheck};
use crate::domain::run::plan::RunPlan;
use crate::domain::run::words;
use crate::usecase::run::{MachineRun, RunCheckView};

/// Tells of every machine; of one alone, with every supply.
pub(super) fn tell(view: &RunCheckView, plan: &RunPlan, in_full: bool) {
    if view.machines.is_empty() {
        println!("No watched machine is known to print with ink yet.");
    }
    for of in &view.machines {
        println!("{}: {}", of.name, words::verdict(&of.check));
        if of.too_narrow {
            println!("    Its media are too narrow for this.");
        }
        if let Some(first) = words::first_to_end(&of.check, plan, of.media) {
            println!("    {first}");
        }
        if in_full {
            for tank in &of.check.tanks {
                println!("    {}", supply(tank, plan, of));
            }
        }
        for head in of.check.heads.iter().filter(|head| head.passes >= words::HEAD_TOLD) {
            println!("    {}", head_line(head));
        }
        before(of);
        for note in of.notes.iter().filter(|_| in_full) {
            println!("    {note}");
        }
    }
    if view.left_out > 0 {
        println!("{} more machines were not looked at; name one with --machine.", view.left_out);
    }
}

fn supply(of: &TankCheck, plan: &RunPlan, machine: &MachineRun) -> String {
    let symbol = of.tank.measure.symbol();
    let need = match of.queue.as_ref().map(|queue| queue.need()) {
        Ok(need) => format!("takes {:.0} to {:.0} {symbol}", need.quantile(0.1), need.quantile(0.9)),
        Err(_) => "takes an unknown amount".to_owned(),
    };
    let left = of.tank.inside.left().map_or_else(
        || "level not told".to_owned(),
        |left| format!("{:.0} to {:.0} {symbol} there", left.low(), left.high()),
    );
    let chance = match &of.chance {
        Ok(chance) => format!("lasts with {}", words::percent(*chance)),
        Err(why) => format!("cannot tell: {why}"),
    };
    let reach = of.reach.and_then(|Reach { early, late, .. }| {
        let metres = |area: Option<f64>| plan.metres_after(area?, machine.media);
        Some(format!(", for {:.0} to {:.0} m", metres(early)?, metres(late)?))
    });
    format!("{:<16} {need}, {left}; {chance}{}", of.tank.label, reach.unwrap_or_default())
}

fn head_line(of: &HeadCheck) -> String {
    format!(
        "Head {} passes its limit of {:.0} ml on the way with {}: {:.0} ml have gone through it.",
        of.position,
        of.limit_ml,
        words::percent(of.passes),
        of.ml
    )
}

fn before(of: &MachineRun) {
    for (n, fresh) in of.fresh.iter().enumerate() {
        let unit = match &fresh.unit {
            Ok((part, which)) => format!("{part}, {which}"),
            Err(lack) => lack.clone(),
        };
        println!("    Before a night: {}. swap {} ({unit})", n + 1, fresh.label.to_lowercase());
    }
    if let Some(then) = words::after_swaps(&of.check, &of.before) {
        println!("    {then}");
    }
}
