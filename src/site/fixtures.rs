//! A print loft for tests: the machines of the Vellmoor Opera on a Wednesday morning.

use std::sync::Arc;
use std::time::Duration;

use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::alert_fixtures::{cleared_alerts, open_alerts};
use super::chart::axis::plus_days;
use super::source::{Notice, Source, SourceError};
use super::{heads_fixtures, month_fixtures, shelf_fixtures};
use crate::domain::climate::Comfort;
use crate::domain::ids::{DeviceId, LotId, MovementId, OrderId, SlotId, SupplyIndex};
use crate::domain::month::Month;
use crate::domain::order::StepRefusal;
use crate::domain::outlook::{Forecast, Horizon, Outlook, Slot};
use crate::domain::part::Part;
use crate::domain::reading::{Capacity, Level, Role};
use crate::domain::snapshot::{DeviceAlert, Marker, MediaInput};
use crate::domain::standard::{
    AlertCode, AlertGroup, CapacityUnit, DetectedErrors, DeviceStatus, InputType, PrinterStatus, Severity,
    SupplyKind, SupplyUnit,
};
use crate::domain::task::{Task, TaskKind};
use crate::domain::units::Measure;
use crate::report::Paper;
use crate::site::order_fixtures::{none_ordered, order_view, orders};
use crate::usecase::book::{Booking, Note, Refusal};
use crate::usecase::month::NotClosed;
use crate::usecase::month::page::{MonthAsked, MonthShown};
use crate::usecase::once::Token;
use crate::usecase::orders::{Act, OrderRefusal};
use crate::usecase::picture::{Contents, Picture};
use crate::usecase::questions::UnitsView;
use crate::usecase::shelf::PartAsked;
use crate::usecase::sift::{MachinesAsked, MachinesView, TasksAsked, TasksView};
use crate::usecase::slots::{Refusal as NotTold, Telling, Told};
use crate::usecase::view::{
    Closing, Device, MachineLine, MachineView, MonthView, OrderView, OrdersView, OutlookLine, PartView,
    ShelfView, Silence, Since, StandingAlert, Statement, TodayView, Trend, TrendView,
};

pub(crate) const TODAY: Date = date(2026, 11, 25);

pub(crate) fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

pub(crate) fn now() -> Timestamp {
    at("2026-11-25T08:10:20Z")
}

/// What a test wants the source to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mood {
    Full,
    Empty,
    Failing,
    Hanging,
}

#[derive(Debug, Clone)]
pub(crate) struct Fixture {
    pub(crate) mood: Mood,
    pub(crate) notice: Option<String>,
    /// What the first machine is called.
    pub(crate) name: Arc<str>,
    /// Devices that take the place of the usual ones of the same identity.
    pub(crate) also: Vec<Device>,
    /// How many more tasks stand under today.
    pub(crate) extra_tasks: usize,
    /// Whether people have to say who they are.
    pub(crate) asks: bool,
    /// Whether browsers reach the pages by https.
    pub(crate) https: bool,
    /// The server in front that says who somebody is.
    pub(crate) front: Option<crate::config::access::Front>,
    /// The provider that people may come in by.
    pub(crate) provider: Option<super::access_source::ProviderDoor>,
}

impl Fixture {
    pub(crate) fn new(mood: Mood) -> Self {
        Self {
            mood,
            notice: None,
            name: "Bobbin".into(),
            also: vec![],
            extra_tasks: 0,
            asks: false,
            https: false,
            front: None,
            provider: None,
        }
    }

    pub(crate) async fn give<T>(&self, full: impl FnOnce() -> T + Send, empty: T) -> Result<T, SourceError> {
        match self.mood {
            Mood::Full => Ok(full()),
            Mood::Empty => Ok(empty),
            Mood::Failing => Err(SourceError::new("secret inner workings: table slots is gone")),
            Mood::Hanging => {
                tokio::time::sleep(Duration::from_secs(86_400)).await;
                Ok(empty)
            }
        }
    }
}

impl Fixture {
    /// The whole loft.
    fn picture(&self) -> Picture {
        let mut machines = machines(&self.name);
        for line in &mut machines {
            if let Some(device) = self.also.iter().find(|device| device.id == line.device.id) {
                line.device = device.clone();
            }
        }
        let mut tasks = tasks(&self.name);
        tasks.extend((0..self.extra_tasks).map(|n| Task {
            due: TODAY,
            kind: TaskKind::Check,
            what: format!("Look at roll {n}"),
            why: "It runs out in the night".into(),
            device: Some(DeviceId(1)),
            slot: None,
            part: None,
        }));
        tasks.sort_by_key(|task| task.due);
        Picture::of(Contents {
            taken_at: now(),
            today: TODAY,
            machines,
            tasks,
            orders: vec![],
            earliest: earliest(&self.name),
            supplies: 53,
        })
    }
}

impl Source for Fixture {
    fn now(&self) -> Timestamp {
        now()
    }

    fn zone(&self) -> TimeZone {
        TimeZone::get("Europe/Lisbon").unwrap()
    }

    fn paper(&self) -> Paper {
        Paper::A4
    }

    fn notice(&self) -> Option<Notice> {
        self.notice.clone().map(|text| Notice { text })
    }

    async fn today(&self) -> Result<TodayView, SourceError> {
        self.give(|| self.picture().today_view(), Picture::default().today_view()).await
    }

    async fn since(&self, at: Timestamp) -> Result<Since, SourceError> {
        let none = Since { at, opened: 0, cleared: 0, swaps: 0, received: 0, issued: 0, added: 0 };
        self.give(|| Since { opened: 2, cleared: 1, swaps: 1, received: 12, ..none }, none).await
    }

    async fn every_task(&self) -> Result<Vec<Task>, SourceError> {
        self.give(|| self.picture().shows.tasks, vec![]).await
    }

    async fn tasks(&self, asked: &TasksAsked) -> Result<TasksView, SourceError> {
        self.give(|| self.picture().tasks_view(asked), Picture::default().tasks_view(asked)).await
    }

    async fn machines(&self, asked: &MachinesAsked) -> Result<MachinesView, SourceError> {
        self.give(|| self.picture().machines_view(asked), Picture::default().machines_view(asked)).await
    }

    async fn machine(&self, device: DeviceId, span_days: u16) -> Result<Option<MachineView>, SourceError> {
        let found = || (device == DeviceId(1)).then(|| machine(&self.name, i32::from(span_days)));
        self.give(found, None).await
    }

    async fn units(&self, device: DeviceId) -> Result<Option<UnitsView>, SourceError> {
        let full = || (device == DeviceId(1)).then(|| super::units_fixtures::units(&self.name));
        self.give(full, None).await
    }

    async fn tell(
        &self,
        _: DeviceId,
        telling: Telling,
        _: Note,
        _: Option<Token>,
    ) -> Result<Result<Told, NotTold>, SourceError> {
        self.give(|| super::units_fixtures::tell(&telling), Err(NotTold::NoSuchSlot)).await
    }

    async fn shelf(&self) -> Result<ShelfView, SourceError> {
        self.give(|| shelf_fixtures::shelf(&self.name), ShelfView { today: TODAY, parts: vec![] }).await
    }

    async fn part(&self, number: &str, asked: &PartAsked) -> Result<Option<PartView>, SourceError> {
        self.give(|| shelf_fixtures::part_page(&self.name, number, asked), None).await
    }

    async fn put_part(
        &self,
        part: Part,
        fresh: bool,
        _: Option<Token>,
    ) -> Result<Result<(), Refusal>, SourceError> {
        let known = shelf_fixtures::part_view(&self.name, &part.number).is_some();
        let refused = if fresh { Refusal::Known(part.number) } else { Refusal::NoSuchPart(part.number) };
        self.give(|| if known == fresh { Err(refused) } else { Ok(()) }, Ok(())).await
    }

    async fn book(
        &self,
        part: &str,
        _: Booking,
        _: Note,
        _: Option<Token>,
    ) -> Result<Result<MovementId, Refusal>, SourceError> {
        let refused = || Err(Refusal::NothingGood(part.to_owned()));
        self.give(refused, Err(Refusal::NoSuchPart(part.to_owned()))).await
    }

    async fn count(
        &self,
        counts: Vec<(LotId, u32)>,
        _: Note,
        _: Option<Token>,
    ) -> Result<Result<usize, (LotId, Refusal)>, SourceError> {
        let refused = || Err((counts[0].0, Refusal::Units(counts[0].1)));
        self.give(refused, Ok(0)).await
    }

    async fn orders(&self) -> Result<OrdersView, SourceError> {
        self.give(|| orders(&self.name), none_ordered()).await
    }

    async fn order(&self, order: OrderId) -> Result<Option<OrderView>, SourceError> {
        self.give(|| order_view(order), None).await
    }

    async fn draft(
        &self,
        part: &str,
        units: u32,
        _: Note,
        _: Option<Token>,
    ) -> Result<Result<OrderId, OrderRefusal>, SourceError> {
        let refused = || if units == 0 { Err(OrderRefusal::Units(0)) } else { Ok(OrderId(7)) };
        self.give(refused, Err(OrderRefusal::NoSuchPart(part.to_owned()))).await
    }

    async fn order_act(
        &self,
        order: OrderId,
        what: Act,
        _: Note,
        _: Option<Token>,
    ) -> Result<Result<OrderId, OrderRefusal>, SourceError> {
        let done = || match what {
            Act::Receive(came) if came.is_empty() => Err(OrderRefusal::Step(StepRefusal::Nothing)),
            _ => Ok(order),
        };
        self.give(done, Err(OrderRefusal::NoSuchOrder(order))).await
    }

    async fn month(&self, month: Month, asked: &MonthAsked) -> Result<MonthView, SourceError> {
        let known = month_fixtures::months();
        let view = |statement: Statement, known| {
            MonthShown::of(statement.report, statement.closing, known).view(asked)
        };
        let full = || view(month_fixtures::statement(&self.name, month), known);
        self.give(full, view(month_fixtures::nothing_in(month), vec![])).await
    }

    async fn statement(&self, month: Month) -> Result<Statement, SourceError> {
        self.give(|| month_fixtures::statement(&self.name, month), month_fixtures::nothing_in(month)).await
    }

    async fn months(&self) -> Result<Arc<TrendView>, SourceError> {
        self.give(|| Arc::new(month_fixtures::trend(&self.name)), Arc::new(month_fixtures::no_trend())).await
    }

    async fn close_month(
        &self,
        month: Month,
        who: String,
    ) -> Result<Result<Closing, NotClosed>, SourceError> {
        self.give(|| month_fixtures::closed(month, who), Err(NotClosed::Nothing(month))).await
    }
}

pub(crate) fn device(id: i64, name: &str) -> Device {
    let models = ["Twelve-ink banner printer, 44 inch", "Eight-ink backdrop printer, 60 inch"];
    let places = ["Loft, by the window", "Loft, drying end", "Paint frame", "Programme desk"];
    let turn = usize::try_from(id).unwrap_or(0);
    Device {
        id: DeviceId(id),
        name: name.to_owned(),
        address: format!("127.0.0.1:{}", 16_100 + id),
        snmp: "v2c".into(),
        location: Some(places[turn % places.len()].into()),
        cost_centre: Some(if turn % 2 == 0 { "Programmes" } else { "Scenery" }.into()),
        model: Some(models[turn % models.len()].into()),
        serial: Some(format!("VO-{:05}", 40_417 + 311 * id)),
        last_answer_at: Some(at("2026-11-25T08:05:00Z")),
        silent: None,
        device_status: Some(DeviceStatus::Running),
        printer_status: Some(if turn % 2 == 0 { PrinterStatus::Idle } else { PrinterStatus::Printing }),
        errors: DetectedErrors::default(),
        up_since: Some(at("2026-11-09T06:31:00Z")),
    }
}

fn devices(first: &str) -> Vec<Device> {
    let mut all: Vec<Device> = [first, "Gusset", "Selvage", "Tassel", "Thimble", "Weft"]
        .iter()
        .zip(1..)
        .map(|(name, id)| device(id, name))
        .collect();
    all[0].errors = DetectedErrors::from_octets(&[0b1000_1000]);
    all[0].device_status = Some(DeviceStatus::Warning);
    all[5].silent = Some(Silence {
        since: at("2026-11-22T18:40:00Z"),
        dark: true,
        fault: "no answer within 2 seconds, asked three times".into(),
    });
    all[3].silent =
        Some(Silence { since: at("2026-11-25T07:50:00Z"), dark: false, fault: "the port is closed".into() });
    all
}

pub(crate) fn slot(id: i64, device: i64, colorant: &str) -> Slot {
    let waste = colorant == "waste";
    Slot {
        id: SlotId(id),
        device: DeviceId(device),
        index: SupplyIndex(i32::try_from(id).unwrap()),
        role: if waste { Role::Filled } else { Role::Consumed },
        kind: if waste { SupplyKind::WasteInk } else { SupplyKind::InkCartridge },
        colorant: (!waste).then(|| colorant.to_owned()),
        description: if waste { "Waste receptacle".into() } else { format!("{colorant} ink cartridge") },
    }
}

/// A line whose dates are days from today; `tenths` is what is left of `capacity`, tenths of a millilitre.
fn line(
    device_name: &str,
    slot: Slot,
    (capacity, tenths): (i32, i32),
    days: [i32; 3],
    order: i32,
) -> OutlookLine {
    let [early, middle, late] = days.map(|days| plus_days(TODAY, days));
    OutlookLine {
        device_name: device_name.to_owned(),
        outlook: Outlook {
            slot,
            as_of: at("2026-11-25T08:05:00Z"),
            level: Level::from_raw(SupplyUnit::TenthsOfMilliliters, capacity, tenths),
            daily_use: Some(f64::from(tenths) / 10.0 / f64::from(days[1].max(1))),
            forecast: Forecast::Known(Horizon { early, middle, late }),
        },
        order_by: Some(plus_days(TODAY, order)),
        lead_days: 7,
        shelf: None,
        on_order: None,
    }
}

fn not_yet(mut line: OutlookLine, why: &str) -> OutlookLine {
    line.outlook.forecast = Forecast::NotYet(why.into());
    line.outlook.daily_use = None;
    line.order_by = None;
    line
}

fn tasks(first: &str) -> Vec<Task> {
    let task = |days, kind, what: &str, why: &str, device, slot: Option<i64>| Task {
        due: plus_days(TODAY, days),
        kind,
        what: what.into(),
        why: why.into(),
        device: Some(DeviceId(device)),
        slot: slot.map(SlotId),
        part: None,
    };
    vec![
        task(
            -2,
            TaskKind::Order,
            &format!("Order 1 waste receptacle for {first}"),
            "72 % full, past its order point of 70 %; full 3–19 Dec, and 7 days to arrive",
            1,
            Some(9),
        ),
        task(
            0,
            TaskKind::Check,
            "Switch Weft on, or see why it is silent",
            "Silent for 2 days 13 hours; automatic head care only runs on a powered machine",
            6,
            None,
        ),
        task(
            0,
            TaskKind::Swap,
            "Swap the yellow of Thimble",
            "Empty by the end of the day at its present use",
            5,
            Some(23),
        ),
        task(
            2,
            TaskKind::Order,
            "Order 1 light magenta for Bobbin",
            "Runs out 4–16 Dec, about 9 Dec; 7 days to arrive",
            1,
            Some(6),
        ),
        task(
            9,
            TaskKind::Order,
            "Order 1 photo black for Selvage",
            "Runs out 11–31 Dec; 7 days to arrive",
            3,
            Some(31),
        ),
        task(41, TaskKind::Order, "Order 1 cyan for Gusset", "Runs out 12 Jan – 9 Feb 2027", 2, Some(41)),
    ]
}

fn earliest(first: &str) -> Vec<OutlookLine> {
    vec![
        line("Thimble", slot(23, 5, "yellow"), (7750, 62), [0, 1, 2], -6),
        line(first, slot(9, 1, "waste"), (15_000, 4200), [8, 14, 24], -2),
        line(first, slot(6, 1, "light magenta"), (7750, 1180), [9, 14, 21], 2),
        line("Selvage", slot(31, 3, "photo black"), (7750, 2030), [16, 24, 36], 9),
        line("Gusset", slot(42, 2, "matte black"), (7750, 2510), [20, 29, 44], 13),
        line("Thimble", slot(24, 5, "cyan"), (2250, 388), [31, 43, 60], 24),
        line("Selvage", slot(33, 3, "light grey"), (7750, 4020), [38, 52, 95], 31),
        line("Gusset", slot(41, 2, "cyan"), (7750, 6100), [48, 60, 76], 41),
    ]
}

pub(crate) fn lines(name: &str) -> Vec<OutlookLine> {
    let mut lines = vec![
        line(name, slot(1, 1, "cyan"), (7750, 2510), [34, 48, 71], 27),
        line(name, slot(2, 1, "magenta"), (7750, 6020), [80, 110, 160], 73),
        line(name, slot(3, 1, "yellow"), (7750, 3880), [44, 61, 86], 37),
        line(name, slot(4, 1, "matte black"), (7750, 5200), [300, 420, 700], 293),
        line(name, slot(5, 1, "photo black"), (7750, 1500), [19, 27, 40], 12),
        line(name, slot(6, 1, "light magenta"), (7750, 1180), [9, 14, 21], 2),
        not_yet(
            line(name, slot(7, 1, "light cyan"), (2250, 2210), [1, 1, 1], 0),
            "it went in 3 days ago, and a date needs 7 days of use",
        ),
        not_yet(line(name, slot(8, 1, "white"), (7750, -3), [1, 1, 1], 0), "the device gives no figures"),
        line(name, slot(9, 1, "waste"), (15_000, 4200), [8, 14, 24], -2),
    ];
    lines[7].outlook.level = Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, 9000);
    lines
}

fn machines(first: &str) -> Vec<MachineLine> {
    let firsts = earliest(first);
    devices(first)
        .into_iter()
        .map(|device| MachineLine {
            first_to_end: firsts.iter().find(|line| line.outlook.slot.device == device.id).cloned(),
            open_alerts: usize::from(device.id.0 == 1) * 2 + usize::from(device.silent.is_some()),
            device,
        })
        .collect()
}

/// A level that falls unevenly, is refilled by swaps, and says nothing new in the gaps.
pub(crate) fn trend(line: &OutlookLine, days: i32, gaps: &[(Timestamp, Timestamp)]) -> Trend {
    let Capacity::Known(full) = line.outlook.level.capacity else { unreachable!() };
    let now_left = line.outlook.level.remaining.measured().unwrap_or(120.0);
    let rate = line.outlook.daily_use.unwrap_or(9.0);
    let id = line.outlook.slot.id.0;
    let (mut points, mut swaps) = (vec![(now(), now_left)], vec![]);
    let mut left = now_left;
    for hour in 1..days * 8 {
        let at = now() - SignedDuration::from_hours(i64::from(hour) * 3);
        let used = rate / 8.0 * (1.0 + ((f64::from(hour) * 0.7 + id as f64).sin()).max(-0.9));
        if gaps.iter().any(|(from, to)| *from < at && at < *to) {
            left += used;
            continue;
        }
        left += used;
        if left > full {
            left = full * 0.04;
            swaps.push(at + SignedDuration::from_hours(3));
        }
        points.push((at, left));
    }
    points.reverse();
    swaps.reverse();
    let slot = line.outlook.slot.clone();
    Trend {
        slot,
        measure: Measure::Millilitres,
        capacity: Capacity::Known(full),
        points,
        swaps,
        counts: None,
    }
}

fn machine(name: &str, days: i32) -> MachineView {
    let mut device = device(1, name);
    device.errors = DetectedErrors::from_octets(&[0b1000_1000]);
    device.device_status = Some(DeviceStatus::Warning);
    let from = now() - SignedDuration::from_hours(24 * i64::from(days));
    let gaps = vec![
        (at("2026-11-13T16:00:00Z"), at("2026-11-16T07:30:00Z")),
        (at("2026-11-22T23:05:00Z"), at("2026-11-23T06:10:00Z")),
    ];
    let gaps: Vec<_> = gaps.into_iter().filter(|(start, _)| *start > from).collect();
    let lines = lines(name);
    let trends = lines.iter().map(|line| trend(line, days, &gaps)).collect();
    let mut alerts = open_alerts(name);
    alerts.retain(|line| line.alert.subject.device() == Some(DeviceId(1)));
    alerts.extend(
        cleared_alerts(name).into_iter().filter(|line| line.alert.subject.device() == Some(DeviceId(1))),
    );
    MachineView {
        today: TODAY,
        device,
        lines,
        from,
        to: now(),
        trends,
        used: super::supply_fixtures::used(),
        gaps,
        availability: heads_fixtures::availability(from),
        climate: Some(heads_fixtures::climate()),
        comfort: Comfort::default(),
        heads: heads_fixtures::inside(),
        units: heads_fixtures::units(),
        media: vec![
            MediaInput {
                index: 1,
                kind: Some(InputType::ContinuousRoll),
                name: Some("Roll 1".into()),
                media: Some("Scrim muslin".into()),
                width_um: Some(1_524_000),
                unit: Some(CapacityUnit::Meters),
                max_capacity: Some(45),
                level: Some(11),
            },
            MediaInput {
                index: 2,
                kind: Some(InputType::ContinuousRoll),
                name: None,
                media: None,
                width_um: None,
                unit: None,
                max_capacity: None,
                level: Some(-2),
            },
        ],
        markers: vec![Marker {
            index: 1,
            technology: Some(12),
            counter_unit: Some(CapacityUnit::Meters),
            life_count: Some(48_211),
            power_on_count: Some(612),
        }],
        standing: vec![standing()],
        alerts,
        went_in: super::units_fixtures::units(name),
    }
}

fn standing() -> StandingAlert {
    StandingAlert {
        alert: DeviceAlert {
            severity: Severity::Warning,
            training: Some(3),
            group: AlertGroup::Cover,
            group_index: 1,
            location: -2,
            code: AlertCode::CoverOpen,
            description: "Roll cover is open".into(),
        },
        since: at("2026-11-25T07:55:00Z"),
    }
}
