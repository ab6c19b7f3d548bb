//! Heads for tests.

use jiff::civil::date;
use jiff::{SignedDuration, Timestamp};

use super::fixtures::{Fixture, TODAY, at, device, now};
use super::heads_source::{Arrival, HeadSource};
use super::source::SourceError;
use crate::domain::care::{Availability, Cause, Silence};
use crate::domain::climate::{Climate, Report};
use crate::domain::flow::Scale;
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::ids::{DeviceId, HeadId};
use crate::domain::life::{UnitInside, Warranty};
use crate::domain::outlook::{Forecast, Horizon};
use crate::domain::plumbing::{Map, Plumbing, Position};
use crate::usecase::book::Note;
use crate::usecase::heads::view::{HeadLine, HeadsView};
use crate::usecase::heads::{Entry, Refusal};

impl HeadSource for Fixture {
    async fn heads(&self, id: DeviceId) -> Result<Option<HeadsView>, SourceError> {
        self.give(|| (id == DeviceId(1)).then(page), None).await
    }

    async fn put_head(
        &self,
        _: DeviceId,
        _: Arrival,
        entry: Entry,
        _: Note,
    ) -> Result<Result<HeadId, Refusal>, SourceError> {
        self.give(|| Err(Refusal::Occupied(entry.position)), Err(Refusal::NoSuchMachine)).await
    }

    async fn put_plumbing(
        &self,
        _: DeviceId,
        _: Option<Plumbing>,
    ) -> Result<Result<String, Refusal>, SourceError> {
        self.give(|| Ok("Backdrop printer".to_owned()), Err(Refusal::NoSuchMachine)).await
    }
}

fn line(position: i32, ml: Option<f64>, until: Option<jiff::civil::Date>, forecast: Forecast) -> HeadLine {
    let head = Head {
        id: HeadId(i64::from(position)),
        device: DeviceId(1),
        position: Position::new(position).unwrap(),
        part: Some("VO-H-1".to_owned()),
        in_on: date(2026, 3, 2),
        out_on: None,
        warranty_until: until,
        limit_ml: 1200.0,
        before_ml: 0.0,
        who: "print room".to_owned(),
        why: String::new(),
    };
    let outlook = HeadOutlook { ml, daily_ml: Some(11.0), by_limit: forecast };
    let warranty = Warranty::of(&head, &outlook, TODAY);
    HeadLine { colours: vec!["Cyan".to_owned(), "Magenta".to_owned()], head, outlook, warranty }
}

pub(crate) fn inside() -> Vec<HeadLine> {
    let days = Forecast::Known(Horizon {
        early: date(2026, 12, 4),
        middle: date(2026, 12, 9),
        late: date(2026, 12, 16),
    });
    let not_yet = Forecast::NotYet("4 of the 10 days of history it needs are in".to_owned());
    vec![
        line(1, Some(1112.0), Some(date(2027, 9, 30)), days.clone()),
        line(2, Some(1230.0), None, days),
        line(3, Some(40.0), Some(date(2027, 3, 31)), not_yet.clone()),
        line(4, None, Some(date(2026, 10, 31)), not_yet),
    ]
}

pub(crate) fn page() -> HeadsView {
    let mut gone = line(2, Some(1420.0), Some(date(2026, 2, 28)), Forecast::NotYet("it is out".to_owned()));
    gone.head.id = HeadId(9);
    (gone.head.in_on, gone.head.out_on) = (date(2025, 3, 2), Some(date(2026, 3, 2)));
    gone.head.why = "banding that no cleaning cured".to_owned();
    HeadsView {
        today: TODAY,
        device: device(1, "Bobbin"),
        inside: inside(),
        past: vec![gone],
        map: Map::Usual("1: Cyan, Magenta\n2: Cyan, Magenta".parse().unwrap()),
        uncarried: vec!["Clear protector".to_owned()],
        scaled: vec![(
            "Cyan".to_owned(),
            Scale::Taken { whole_ml: 775.0, part: Some("VO-C-775".to_owned()) },
        )],
        parts: Vec::new(),
        first_day: Some(date(2026, 7, 28)),
    }
}

pub(crate) fn units() -> Vec<(String, UnitInside)> {
    let unit = |made_on| UnitInside { part: "VO-C-775".to_owned(), made_on, shelf_life_months: Some(30) };
    vec![("Cyan".to_owned(), unit(date(2024, 7, 1))), ("Magenta".to_owned(), unit(date(2024, 4, 1)))]
}

pub(crate) fn availability(from: Timestamp) -> Availability {
    let silence = |from, to, cause| Silence { from: at(from), to: at(to), cause };
    let silences = vec![
        silence("2026-11-20T10:00:00Z", "2026-11-20T15:00:00Z", Cause::RanOn),
        silence("2026-11-23T10:00:00Z", "2026-11-24T16:00:00Z", Cause::Restarted),
    ];
    let silent = SignedDuration::from_hours(35);
    let asleep = SignedDuration::from_hours(60);
    let whole = now().duration_since(from);
    Availability {
        whole,
        awake: whole - silent - asleep,
        asleep,
        silent,
        silences,
        ..Availability::default()
    }
}

/// What a machine's sensors said an hour ago: too warm, and dry enough.
pub(super) fn climate() -> Report {
    let climate = Climate { celsius: Some(31.5), humidity_percent: Some(42.0) };
    Report { at: now() - SignedDuration::from_hours(1), climate }
}
