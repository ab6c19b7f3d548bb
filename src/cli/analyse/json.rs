//! What follows from readings, as one JSON object.

use std::io::Write;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;

use super::rows::Slot;
use crate::domain::analysis::Findings;
use crate::domain::polarity::Ground;
use crate::domain::units::Measure;

#[derive(Serialize)]
struct SlotJson<'a> {
    slot: &'a str,
    polarity: Option<&'static str>,
    polarity_reason: &'static str,
    installs: Vec<InstallJson>,
    questions: Vec<QuestionJson>,
    ledger: Vec<DayJson>,
    horizons: Vec<HorizonJson>,
}

#[derive(Serialize)]
struct InstallJson {
    from: Timestamp,
    to: Option<Timestamp>,
    start_ml: Option<f64>,
    end_ml: Option<f64>,
    confidence: f64,
}

#[derive(Serialize)]
struct QuestionJson {
    since: Timestamp,
    at: Timestamp,
    from_ml: Option<f64>,
    to_ml: Option<f64>,
}

#[derive(Serialize)]
struct DayJson {
    day: Date,
    ml: Option<f64>,
    spread_ml: Option<f64>,
    unseen_ml: Option<f64>,
}

#[derive(Serialize)]
struct HorizonJson {
    as_of: Timestamp,
    remaining_ml: Option<f64>,
    p10: Option<Timestamp>,
    p50: Option<Timestamp>,
    p90: Option<Timestamp>,
    reason: Option<String>,
}

/// Prints the slots, each as soon as it is put together.
pub(super) fn write(out: &mut impl Write, slots: Vec<Slot>) -> anyhow::Result<()> {
    out.write_all(b"{\"slots\":[")?;
    for (n, slot) in slots.into_iter().enumerate() {
        out.write_all(if n == 0 { b"\n" } else { b",\n" })?;
        let Slot { name, analysis } = slot;
        serde_json::to_writer(&mut *out, &object(&name, analysis.finish()))?;
    }
    out.write_all(b"\n]}\n")?;
    Ok(())
}

fn object(slot: &str, findings: Findings) -> SlotJson<'_> {
    let (polarity, ground) = findings.polarity;
    let in_ml = findings.measure == Some(Measure::Millilitres);
    let ml = |amount: f64| in_ml.then_some(amount);
    let installs = findings.installs.into_iter().map(|install| {
        let ml = |amount: f64| (install.measure == Measure::Millilitres).then_some(amount);
        InstallJson {
            from: install.from,
            to: install.to,
            start_ml: ml(install.start),
            end_ml: ml(install.end),
            confidence: install.confidence,
        }
    });
    let questions = findings.questions.into_iter();
    let horizons = findings.forecasts.into_iter().map(|forecast| {
        let ends = forecast.ends.as_ref().ok().copied();
        HorizonJson {
            as_of: forecast.as_of,
            remaining_ml: forecast.remaining.and_then(ml),
            p10: ends.map(|ends| ends[0]),
            p50: ends.map(|ends| ends[1]),
            p90: ends.map(|ends| ends[2]),
            reason: forecast.ends.err(),
        }
    });
    SlotJson {
        slot,
        polarity: (ground != Ground::Standard).then_some(polarity.word()),
        polarity_reason: ground.reason(polarity),
        installs: installs.collect(),
        questions: questions
            .map(|asked| QuestionJson {
                since: asked.since,
                at: asked.at,
                from_ml: ml(asked.from),
                to_ml: ml(asked.to),
            })
            .collect(),
        ledger: findings
            .days
            .into_iter()
            .map(|(day, used)| DayJson {
                day,
                ml: ml(used.used),
                spread_ml: ml(used.spread),
                unseen_ml: ml(used.unseen),
            })
            .collect(),
        horizons: horizons.collect(),
    }
}
