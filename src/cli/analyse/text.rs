//! What follows from readings, for people.

use std::io::Write;

use super::rows::Slot;

/// Prints a few lines a slot.
pub(super) fn write(out: &mut impl Write, slots: Vec<Slot>) -> anyhow::Result<()> {
    for slot in slots {
        let found = slot.analysis.finish();
        let unit = found.measure.map_or("", crate::domain::units::Measure::symbol);
        let (polarity, ground) = found.polarity;
        writeln!(out, "{}: counts what is {}: {}", slot.name, polarity.word(), ground.reason(polarity))?;
        for install in &found.installs {
            let to = install.to.map_or_else(|| "still in".to_owned(), |to| to.to_string());
            writeln!(
                out,
                "  unit from {} to {to}: {:.1} to {:.1} {unit}, sure to {:.0} %",
                install.from,
                install.start,
                install.end,
                install.confidence * 100.0
            )?;
        }
        for asked in &found.questions {
            writeln!(
                out,
                "  was it a job or a swap? {}: {:.1} to {:.1} {unit}",
                asked.at, asked.from, asked.to
            )?;
        }
        let used: f64 = found.days.values().map(|day| day.used).sum();
        let spread: f64 = found.days.values().map(|day| day.spread).sum();
        let unseen: f64 = found.days.values().map(|day| day.unseen).sum();
        writeln!(
            out,
            "  used {used:.1} {unit}, {spread:.1} of it spread over gaps; {unseen:.1} more at most unseen"
        )?;
        for forecast in &found.forecasts {
            match &forecast.ends {
                Ok([early, middle, late]) => writeln!(
                    out,
                    "  as of {}: ends {} (early {}, late {})",
                    forecast.as_of,
                    middle.strftime("%Y-%m-%d"),
                    early.strftime("%Y-%m-%d"),
                    late.strftime("%Y-%m-%d")
                )?,
                Err(reason) => writeln!(out, "  as of {}: no date, because {reason}", forecast.as_of)?,
            }
        }
    }
    Ok(())
}
