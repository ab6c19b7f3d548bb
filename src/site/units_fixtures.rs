//! A machine's units for tests.

use jiff::Timestamp;
use jiff::civil::date;

use super::fixtures::{at, slot};
use crate::domain::fitted::{Issue, Origin};
use crate::domain::ids::{DeviceId, LotId, MovementId, PartId, SlotId};
use crate::domain::install::{Answer, Answered, Arrival, Install, Question};
use crate::domain::part::{Currency, Price};
use crate::domain::polarity::{Ground, Pin, PinScope};
use crate::domain::reading::Polarity;
use crate::domain::shelf::Lot;
use crate::domain::units::Measure;
use crate::store::slots::SlotRow;
use crate::usecase::questions::{SlotUnits, UnitLine, UnitsView};
use crate::usecase::slots::{Refusal, Telling, Told};

fn row(id: i64, colorant: &str, name: &str) -> SlotRow {
    SlotRow {
        slot: slot(id, 1, colorant),
        device_name: name.to_owned(),
        model: Some("Backdrop printer, 60 inch".to_owned()),
        counts: Some((Polarity::Remaining, Ground::Container)),
        pin: None,
        chosen: None,
        full_ml: Some(775.0),
        first_ml: None,
    }
}

fn unit(
    from: &str,
    to: Option<&str>,
    (start, end): (f64, f64),
    arrival: Arrival,
    confidence: f64,
) -> UnitLine {
    let install = Install {
        from: at(from),
        to: to.map(at),
        arrival,
        confidence,
        measure: Measure::Millilitres,
        capacity: Some(775.0),
        step: 0.1,
        start,
        end,
    };
    UnitLine { install, origin: Origin::Unknown, issue: None, lost: None, likely_lots: Vec::new() }
}

fn question(when: &str) -> Question {
    Question { at: at(when), since: at(when), from: 699.0, to: 660.0, measure: Measure::Millilitres }
}

fn issue() -> Issue {
    Issue {
        movement: MovementId(41),
        slot: SlotId(1),
        at: at("2026-11-20T08:00:00Z"),
        part: PartId(1),
        lot: LotId(2),
        made_on: date(2024, 7, 1),
        place: "Shelf B".to_owned(),
    }
}

fn cyan(name: &str) -> SlotUnits {
    let price = Price { minor: 1_890, currency: Currency::from_code("EUR").unwrap() };
    let lot = Lot {
        id: LotId(2),
        part: PartId(1),
        made_on: date(2024, 7, 1),
        place: "Shelf B".to_owned(),
        left_over: None,
        units: 3,
        out: 0,
    };
    let mut now = unit("2026-11-20T08:15:00Z", None, (775.0, 612.0), Arrival::Risen, 0.999);
    now.likely_lots = vec![(LotId(2), "VO-C/775".to_owned(), lot)];
    let mut before =
        unit("2026-08-02T09:00:00Z", Some("2026-11-20T08:00:00Z"), (310.0, 77.5), Arrival::Fallen, 0.83);
    (before.origin, before.issue, before.lost) =
        (Origin::Told(Some(MovementId(41))), Some(issue()), Some(price));
    let mut first =
        unit("2026-03-01T09:00:00Z", Some("2026-08-02T08:45:00Z"), (640.0, 0.0), Arrival::Found, 1.0);
    first.origin = Origin::Found;
    SlotUnits {
        row: row(1, "Cyan", name),
        fits: vec![(PartId(1), "VO-C/775".to_owned())],
        units: vec![now, before, first],
        questions: vec![question("2026-11-24T10:15:00Z")],
        answers: vec![Answered {
            question: question("2026-10-03T10:15:00Z"),
            answer: Answer::Job,
            who: "day shift".to_owned(),
            at: at("2026-10-04T08:00:00Z"),
        }],
    }
}

pub(crate) fn units(name: &str) -> UnitsView {
    let mut waste = row(9, "waste", name);
    waste.counts = Some((Polarity::Filled, Ground::Pinned));
    waste.pin = Some(Pin {
        scope: PinScope::Device(DeviceId(1)),
        polarity: Polarity::Filled,
        who: "day shift".to_owned(),
        at: at("2026-10-04T08:00:00Z"),
    });
    (waste.full_ml, waste.first_ml) = (None, None);
    let waste = SlotUnits {
        row: waste,
        fits: Vec::new(),
        units: vec![unit("2026-03-01T09:00:00Z", None, (775.0, 500.0), Arrival::Found, 1.0)],
        questions: Vec::new(),
        answers: Vec::new(),
    };
    UnitsView {
        device: DeviceId(1),
        name: name.to_owned(),
        model: Some("Backdrop printer, 60 inch".to_owned()),
        slots: vec![cyan(name), waste],
    }
}

/// Takes down what is said of the question that is asked, and refuses all else.
pub(crate) fn tell(telling: &Telling) -> Result<Told, Refusal> {
    let asked: Timestamp = at("2026-11-24T10:15:00Z");
    match telling {
        Telling::Fell { slot: SlotId(1), at, .. } if *at == asked => Ok(Told { booked: None }),
        Telling::Fell { .. } => Err(Refusal::NoSuchQuestion),
        Telling::Holds { .. } => Err(Refusal::DoesNotFit),
        Telling::CameFrom { .. } | Telling::Counts { .. } => Ok(Told { booked: None }),
    }
}
