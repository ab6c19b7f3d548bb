//! Checks of scenario values that the TOML types cannot express.

use crate::scenario::{InkPlan, PrinterPlan, Scenario, ScenarioError, Version, WastePlan};

fn fault(key: impl Into<String>, fault: impl Into<String>) -> ScenarioError {
    ScenarioError::Value { key: key.into(), fault: fault.into() }
}

fn need(ok: bool, key: &str, what: &str) -> Result<(), ScenarioError> {
    if ok { Ok(()) } else { Err(fault(key, what)) }
}

fn fraction(value: f64) -> bool {
    (0.0..=1.0).contains(&value)
}

fn positive(value: f64) -> bool {
    value > 0.0 && value.is_finite()
}

fn span([low, high]: [f64; 2], most: f64) -> bool {
    low >= 0.0 && low <= high && high <= most
}

/// Whether `text` is a day of a year, `MM-DD`.
pub(crate) fn month_day(text: &str) -> Option<(i8, i8)> {
    let (month, day) = text.split_once('-')?;
    let (month, day) = (month.parse().ok()?, day.parse().ok()?);
    // 2024 is a leap year, so that 02-29 passes.
    jiff::civil::Date::new(2024, month, day).ok().map(|_| (month, day))
}

/// Checks a whole scenario.
pub(crate) fn scenario(scenario: &Scenario) -> Result<(), ScenarioError> {
    jiff::tz::TimeZone::get(&scenario.time_zone).map_err(|_| {
        fault(
            "time_zone",
            format!(
                "`{}` is not a known IANA time zone; write one such as \"Europe/Lisbon\"",
                scenario.time_zone
            ),
        )
    })?;
    for text in &scenario.closed {
        need(month_day(text).is_some(), "closed", &format!("`{text}` is not a day; write it as MM-DD"))?;
    }
    need(!scenario.printers.is_empty(), "printer", "the room has no printer; add a [[printer]] table")?;
    for (position, plan) in scenario.printers.iter().enumerate() {
        let twice = scenario.printers[..position].iter().any(|other| other.name == plan.name);
        need(!twice, &format!("printer \"{}\" name", plan.name), "another printer has this name")?;
        printer(plan)?;
    }
    Ok(())
}

fn printer(plan: &PrinterPlan) -> Result<(), ScenarioError> {
    let at = |key: &str| format!("printer \"{}\" {key}", plan.name);
    need(!plan.name.is_empty() && plan.name.len() <= 127, &at("name"), "must have 1 to 127 bytes")?;
    need(plan.description.len() <= 64, &at("description"), "must have at most 64 bytes")?;
    need((10..=20_000).contains(&plan.media_width_mm), &at("media_width_mm"), "must be 10 to 20000")?;
    need(plan.roll_m > 0, &at("roll_m"), "must be above 0")?;
    need((1..=i32::MAX as u32).contains(&plan.device_index), &at("device_index"), "must be 1 to 2147483647")?;
    need(!plan.inks.is_empty() && plan.inks.len() <= 64, &at("ink"), "must be 1 to 64 tables")?;
    if plan.snmp.version == Version::V3 {
        let user = plan.snmp.user.as_ref();
        let user = user.ok_or_else(|| fault(at("snmp.user"), "version v3 needs a user"))?;
        user.check().map_err(|what| fault(at("snmp.user"), what))?;
    }
    need((484..=65_507).contains(&plan.snmp.max_message), &at("snmp.max_message"), "must be 484 to 65507")?;
    work(plan, &at)?;
    for ink in &plan.inks {
        self::ink(ink, &|key: &str| at(&format!("ink \"{}\" {key}", ink.colour)))?;
    }
    if let Some(waste) = &plan.waste {
        self::waste(waste, &|key: &str| at(&format!("waste {key}")))?;
    }
    for head in &plan.heads {
        for colour in &head.colours {
            let known = plan.inks.iter().any(|ink| ink.colour == *colour);
            need(known, &at(&format!("head \"{}\" colours", head.name)), &format!("no ink `{colour}` here"))?;
        }
    }
    if let Some(ink) =
        plan.inks.iter().find(|ink| !plan.heads.is_empty() && !runs_somewhere(plan, &ink.colour))
    {
        return Err(fault(at("head"), format!("no head carries the ink `{}`; add it to a head", ink.colour)));
    }
    for (position, sensor) in plan.climate.iter().enumerate() {
        let twice = plan.climate[..position].iter().any(|other| other.index == sensor.index);
        let index = (1..=i32::MAX as u32).contains(&sensor.index);
        need(index && !twice, &at("climate index"), "must be 1 to 2147483647, and another for each sensor")?;
    }
    for dark in &plan.dark {
        let ends = dark.until.is_none_or(|until| until > dark.from && until.is_finite());
        need(dark.from.is_finite() && ends, &at("dark"), "`until` must be later than `from`")?;
    }
    Ok(())
}

fn runs_somewhere(plan: &PrinterPlan, colour: &str) -> bool {
    plan.heads.iter().any(|head| head.colours.iter().any(|known| known == colour))
}

fn work(plan: &PrinterPlan, at: &dyn Fn(&str) -> String) -> Result<(), ScenarioError> {
    let work = &plan.work;
    need((0.0..=2000.0).contains(&work.jobs_per_day), &at("work.jobs_per_day"), "must be 0 to 2000")?;
    need(positive(work.area_m2), &at("work.area_m2"), "must be above 0")?;
    need((0.0..=3.0).contains(&work.area_spread), &at("work.area_spread"), "must be 0 to 3")?;
    need((0.0..=3.0).contains(&work.coverage_spread), &at("work.coverage_spread"), "must be 0 to 3")?;
    need(positive(work.m2_per_hour), &at("work.m2_per_hour"), "must be above 0")?;
    let week = work.week.iter().all(|share| (0.0..=100.0).contains(share));
    need(week, &at("work.week"), "shares must be 0 to 100")?;
    need(work.until > work.from, &at("work.until"), "must be later than work.from")?;
    need((0.0..=100.0).contains(&work.busy_factor), &at("work.busy_factor"), "must be 0 to 100")?;
    need(work.busy_days >= 1.0, &at("work.busy_days"), "must be 1 or more")?;
    need(work.calm_days >= 1.0, &at("work.calm_days"), "must be 1 or more")?;
    need(span(plan.care.daily_ml, 1000.0), &at("care.daily_ml"), "must be two rising numbers of ml")?;
    need(span(plan.care.monday_ml, 1000.0), &at("care.monday_ml"), "must be two rising numbers of ml")?;
    let sensor = &plan.sensor;
    need(sensor.step >= 1, &at("sensor.step"), "must be 1 or more")?;
    need((0.0..=100.0).contains(&sensor.jitter), &at("sensor.jitter"), "must be 0 to 100 steps")?;
    for (key, value) in [
        ("sensor.unknown_spell_chance", sensor.unknown_spell_chance),
        ("sensor.some_left_below", sensor.some_left_below),
        ("sensor.almost_empty_at", sensor.almost_empty_at),
        ("sensor.empty_at", sensor.empty_at),
        ("sensor.almost_full_at", sensor.almost_full_at),
        ("sensor.full_at", sensor.full_at),
    ] {
        need(fraction(value), &at(key), "must be a fraction, 0 to 1")?;
    }
    Ok(())
}

fn ink(ink: &InkPlan, at: &dyn Fn(&str) -> String) -> Result<(), ScenarioError> {
    need(!ink.colour.is_empty(), &at("colour"), "must not be empty")?;
    need((0.0..=1000.0).contains(&ink.ml_per_m2), &at("ml_per_m2"), "must be 0 to 1000")?;
    need(positive(ink.capacity_ml) && ink.capacity_ml < 1e6, &at("capacity_ml"), "must be above 0")?;
    need(ink.starter_ml.is_none_or(positive), &at("starter_ml"), "must be above 0")?;
    stands(ink.stands_at, ink.swapped_on, ink.swap_at, at)
}

fn waste(waste: &WastePlan, at: &dyn Fn(&str) -> String) -> Result<(), ScenarioError> {
    need(positive(waste.capacity_ml) && waste.capacity_ml < 1e6, &at("capacity_ml"), "must be above 0")?;
    stands(waste.stands_at, waste.swapped_on, waste.swap_at, at)
}

fn stands(
    stands_at: Option<f64>,
    swapped_on: Option<i32>,
    swap_at: [f64; 2],
    at: &dyn Fn(&str) -> String,
) -> Result<(), ScenarioError> {
    need(stands_at.is_none_or(fraction), &at("stands_at"), "must be a fraction, 0 to 1")?;
    let one = stands_at.is_none() || swapped_on.is_none();
    need(one, &at("swapped_on"), "give either `stands_at` or `swapped_on`, not both")?;
    need(span(swap_at, 0.9), &at("swap_at"), "must be two rising fractions, at most 0.9")
}
