//! Runs for tests.

use jiff::civil::date;

use super::fixtures::{Fixture, TODAY};
use super::run_source::RunSource;
use super::source::SourceError;
use crate::domain::ids::DeviceId;
use crate::domain::plumbing::Position;
use crate::domain::run::before::Before;
use crate::domain::run::check::tests::tank;
use crate::domain::run::check::{Check, HeadAt, Inside};
use crate::domain::run::past::{MediaWidth, Printed};
use crate::domain::run::plan::{Media, Metres, RunPlan, SquareMetres};
use crate::usecase::book::Note;
use crate::usecase::once::Token;
use crate::usecase::run::{FreshUnit, LogRefusal, MachineRun, PrintedRow, RunCheckView, RunsView};

const ENOUGH: f64 = 0.95;

impl RunSource for Fixture {
    async fn runs(&self) -> Result<RunsView, SourceError> {
        let none = RunsView { today: TODAY, devices: Vec::new(), runs: Vec::new() };
        self.give(written, none).await
    }

    async fn run_check(&self, plan: &RunPlan, only: Option<DeviceId>) -> Result<RunCheckView, SourceError> {
        let none = RunCheckView { machines: Vec::new(), left_out: 0 };
        let (plan, only) = (plan.clone(), only);
        self.give(move || checked(&plan, only), none).await
    }

    async fn log_run(
        &self,
        _: DeviceId,
        run: Printed,
        _: Note,
        _: Option<Token>,
    ) -> Result<Result<(), LogRefusal>, SourceError> {
        let told = if run.day > TODAY { Err(LogRefusal::Ahead(run.day)) } else { Ok(()) };
        self.give(move || told, Err(LogRefusal::NoSuchMachine)).await
    }

    async fn write_width(
        &self,
        _: DeviceId,
        _: Option<Metres>,
        _: Note,
    ) -> Result<Result<(), LogRefusal>, SourceError> {
        self.give(|| Ok(()), Err(LogRefusal::NoSuchMachine)).await
    }
}

fn written() -> RunsView {
    let run = Printed {
        day: date(2026, 11, 24),
        area: SquareMetres::new(38.412).unwrap(),
        media: Media::Canvas,
        what: "Forest for the second act".to_owned(),
    };
    RunsView {
        today: TODAY,
        devices: vec![
            (DeviceId(1), "Bobbin".to_owned(), Some(MediaWidth::Told(Metres::new(1.524).unwrap()))),
            (DeviceId(2), "Thimble".to_owned(), None),
        ],
        runs: vec![PrintedRow {
            device: DeviceId(1),
            device_name: "Bobbin".to_owned(),
            run,
            who: "print room".to_owned(),
        }],
    }
}

fn machine(id: i64, name: &str, lefts: [f64; 3], plan: &RunPlan) -> MachineRun {
    let [cyan, yellow, photo] = lefts;
    let mut tanks = vec![
        tank("Cyan", cyan, 0.8),
        tank("Yellow", yellow, 0.9),
        tank("Photo black", photo, 0.2),
        tank("Matte black", 600.0, 0.7),
    ];
    if id == 3 {
        tanks[0].inside = Inside::Untold("the device does not tell its level".to_owned());
    }
    let head = HeadAt {
        position: Position::new(1).unwrap(),
        ml: 1190.0,
        limit_ml: 1200.0,
        shares: vec![(0, 0.5), (1, 0.5)],
    };
    let check = Check::new(tanks, &[head], plan, ENOUGH);
    let before = Before::new(&check, ENOUGH);
    let fresh = |swap: &crate::domain::run::before::Swap| FreshUnit {
        label: check.tanks[swap.tank].tank.label.clone(),
        unit: if swap.tank == 0 {
            Ok(("VO-C-775".to_owned(), "the one made Mar 2025, Shelf B".to_owned()))
        } else {
            Err("no good VO-Y-775 is on the shelf".to_owned())
        },
    };
    MachineRun {
        device: DeviceId(id),
        name: name.to_owned(),
        model: Some("Backdrop printer".to_owned()),
        media: Metres::new(1.524),
        too_narrow: id == 2 && plan.widest().is_some(),
        fresh: before.swaps.iter().map(fresh).collect(),
        check,
        before,
        notes: vec!["The machine lists no waste receptacle: look at it before the run.".to_owned()],
    }
}

fn checked(plan: &RunPlan, only: Option<DeviceId>) -> RunCheckView {
    let machines = vec![
        machine(1, "Bobbin", [40.0, 300.0, 500.0], plan),
        machine(2, "Thimble", [40.0, 30.0, 500.0], plan),
        machine(3, "Spindle", [0.0, 300.0, 500.0], plan),
    ];
    let machines = machines.into_iter().filter(|of| only.is_none_or(|only| of.device == only)).collect();
    RunCheckView { machines, left_out: 0 }
}
