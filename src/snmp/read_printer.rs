//! Reads a printer through the engine: everything at first, later what changes.

use super::ask::Question;
use super::error::SnmpError;
use super::plan::{Fault, Next, Reading};
use super::printer_rows::RawPrinter;
use super::transport::{Engine, Target};

/// Reads all that [`super::printer_mib::snapshot`] makes a snapshot of. Of a device that this engine has read
/// before, only what changes is asked, and the rest if that says that it may differ; what comes back is the
/// whole again.
///
/// A device without printer tables is not an error here: what it has comes back, and the parser says that
/// it is no printer.
///
/// # Errors
/// When the device does not answer, in the middle too, or refuses its user.
pub async fn read_printer(engine: &Engine, target: &Target) -> Result<RawPrinter, SnmpError> {
    let address = target.address;
    let warm = engine.plans().of(target);
    let mut reading = Reading::new(target.credential.version(), warm, engine.age());
    let mut list = Vec::with_capacity(1_024);
    let mut next = Next::Ask;
    while next == Next::Ask {
        let (verb, names) = reading.question(&mut list);
        let question = Question { verb, list: &list, names };
        // The last try of a device that never answered is kept for the smallest question.
        let mut patient = target.clone();
        if !reading.has_answered() && target.retries > 0 {
            patient.retries -= 1;
        }
        let taken = engine.ask(&patient, &question, |pdu, octets| Ok(reading.answer(pdu, octets))).await;
        let taken = match taken {
            Err(error) if error.is_silence() && target.retries > 0 && reading.be_cautious() => {
                let (verb, names) = reading.question(&mut list);
                patient.retries = 0;
                let question = Question { verb, list: &list, names };
                engine
                    .ask(&patient, &question, |pdu, octets| Ok(reading.answer(pdu, octets)))
                    .await
                    .map_err(|_| error)
            }
            taken => taken,
        };
        next = match taken {
            Ok(Ok(next)) => next,
            Ok(Err(fault)) => return Err(failed(engine, target, fault)),
            Err(error) if error.is_silence() => reading.silent().map_err(|_| error)?,
            Err(error) => return Err(error),
        };
    }
    let (outcome, warm) = reading.finish(true);
    engine.plans().keep(target, warm);
    let rows = outcome.varbinds().map_err(|source| SnmpError::Malformed { address, source })?;
    Ok(RawPrinter { rows, complete: outcome.is_complete() })
}

fn failed(engine: &Engine, target: &Target, fault: Fault) -> SnmpError {
    engine.plans().forget(target.address);
    fault.error(target.address)
}

#[cfg(test)]
mod tests;
