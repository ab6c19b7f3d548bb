//! Swaps for tests: one under way, one that was made, and what begins one.

use jiff::SignedDuration;
use jiff::civil::date;

use super::fixtures::{Fixture, TODAY, now};
use super::source::SourceError;
use super::swap_source::{Done, SwapSource};
use crate::domain::guide::seen::SupplySeen;
use crate::domain::guide::usual;
use crate::domain::guide::walk::{NotOn, Passed, Reason, Walk};
use crate::domain::ids::{DeviceId, GuideId, LotId, SlotId, SupplyIndex, SwapId};
use crate::domain::outlook::Slot;
use crate::domain::part::PartKind;
use crate::domain::plumbing::Position;
use crate::domain::reading::{Level, Polarity, Role};
use crate::domain::standard::{SupplyKind, SupplyUnit};
use crate::usecase::book::Note;
use crate::usecase::once::Token;
use crate::usecase::swap::{
    Act, At, BeginView, Ended, FromLot, GuideRow, GuidesView, LotChoice, PassedStep, Place, Refusal, SwapRow,
    SwapsWanted, Target,
};

impl SwapSource for Fixture {
    async fn swap_view(&self, device: DeviceId, at: At) -> Result<Option<BeginView>, SourceError> {
        self.give(|| (device == DeviceId(1)).then(|| view(at)), None).await
    }

    async fn begin_swap(
        &self,
        _: (DeviceId, At),
        _: Option<LotId>,
        note: Note,
        _: Option<Token>,
    ) -> Done<SwapId> {
        let begun = || match note.why.as_str() {
            "printing" => Err(NotOn::Printing.into()),
            _ => Ok(SwapId(7)),
        };
        self.give(begun, Err(Refusal::NoSuchPlace)).await
    }

    async fn swaps(&self, wanted: SwapsWanted) -> Result<Vec<SwapRow>, SourceError> {
        let found =
            |row: &SwapRow| wanted.id.is_none_or(|id| id == row.id) && !wanted.find.contains("nothing");
        self.give(|| all().into_iter().filter(found).collect(), Vec::new()).await
    }

    async fn act_swap(&self, _: SwapId, _: usize, act: Act, _: String) -> Done<()> {
        let done = || match act {
            Act::Done => Err(NotOn::NotYet("the machine says that every door is closed").into()),
            _ => Ok(()),
        };
        self.give(done, Err(Refusal::NoSuchSwap)).await
    }

    async fn swap_photo(&self, _: SwapId) -> Result<Option<(String, Vec<u8>)>, SourceError> {
        self.give(|| Some(("image/webp".to_owned(), b"RIFF0000WEBPVP8 ".to_vec())), None).await
    }

    async fn put_photo(&self, _: SwapId, _: Vec<u8>, _: String) -> Done<()> {
        self.give(|| Err(Refusal::NotAPicture), Err(Refusal::NoSuchSwap)).await
    }

    async fn guides(&self) -> Result<GuidesView, SourceError> {
        let row = |id, why: &str| GuideRow {
            id: GuideId(id),
            kind: PartKind::Cartridge,
            model: Some("Backdrop printer <64>".to_owned()),
            guide: usual(PartKind::Cartridge),
            who: "Ada".to_owned(),
            why: why.to_owned(),
            written_at: now(),
        };
        let view = || GuidesView {
            written: vec![row(2, "the door sticks"), row(1, "")],
            models: vec!["Backdrop printer <64>".to_owned()],
        };
        self.give(view, GuidesView { written: Vec::new(), models: Vec::new() }).await
    }

    async fn write_guide(
        &self,
        kind: PartKind,
        _: Option<String>,
        text: String,
        _: Note,
        _: Option<Token>,
    ) -> Done<()> {
        let written = || match crate::domain::guide::Guide::for_kind(kind, &text) {
            Ok(_) => Ok(()),
            Err(fault) => Err(fault.into()),
        };
        self.give(written, Ok(())).await
    }
}

fn cyan() -> Slot {
    Slot {
        id: SlotId(1),
        device: DeviceId(1),
        index: SupplyIndex(1),
        role: Role::Consumed,
        kind: SupplyKind::InkCartridge,
        colorant: Some("cyan".to_owned()),
        description: "Cyan ink cartridge".to_owned(),
    }
}

fn view(at: At) -> BeginView {
    let target = match at {
        At::Supply(_) => Target::Supply(cyan(), Polarity::Remaining),
        At::Head(position) => Target::Head(position),
    };
    let lot = |id, made_on: jiff::civil::Date, good| LotChoice {
        lot: LotId(id),
        part: "VO-C-775".to_owned(),
        made_on,
        place: "Shelf <B>".to_owned(),
        units: 2,
        good_until: Some(TODAY),
        good,
    };
    BeginView {
        device: DeviceId(1),
        device_name: "Bobbin".to_owned(),
        model: Some("Backdrop printer".to_owned()),
        guide: usual(target.kind()),
        target,
        version: None,
        lots: vec![lot(3, date(2025, 3, 1), true), lot(2, date(2023, 1, 1), false)],
        under_way: None,
        today: TODAY,
    }
}

fn seen(level: i32) -> SupplySeen {
    SupplySeen {
        level: Level::from_raw(SupplyUnit::TenthsOfMilliliters, 7750, level),
        description: "Cyan ink cartridge".to_owned(),
    }
}

fn row(id: i64, passed: usize) -> SwapRow {
    let guide = usual(PartKind::Cartridge);
    let at = now().checked_sub(SignedDuration::from_mins(20)).unwrap();
    let how = |step: usize| match step {
        3 => Passed::Skipped(Reason::new("the machine <does not> say").unwrap()),
        1 => Passed::Said,
        _ => Passed::Confirmed,
    };
    let steps: Vec<PassedStep> =
        (0..passed).map(|step| PassedStep { how: how(step), who: "Ida <b>".to_owned(), at }).collect();
    SwapRow {
        id: SwapId(id),
        device: DeviceId(1),
        device_name: "Bobbin".to_owned(),
        place: Place::Slot(SlotId(1)),
        slot: Some(cyan()),
        kind: PartKind::Cartridge,
        walk: Walk::resume(guide, steps.iter().map(|step| step.how.clone()).collect()).unwrap(),
        steps,
        from: Some(FromLot {
            lot: LotId(3),
            part: "VO-C-775".to_owned(),
            made_on: date(2025, 3, 1),
            place: "Shelf <B>".to_owned(),
        }),
        why_lot: String::new(),
        was: Some(seen(180)),
        became: None,
        begun_at: at,
        who: "Ida <b>".to_owned(),
        ended: None,
        movement: None,
        head: None,
        photo: false,
    }
}

/// Under way, at its end, made, given up, and that of a head at its end.
fn all() -> Vec<SwapRow> {
    let of_guide = usual(PartKind::Cartridge).steps().len();
    let ended = |given_up: Option<&str>| {
        Some(Ended { at: now(), who: "Ida <b>".to_owned(), given_up: given_up.map(str::to_owned) })
    };
    let heads = usual(PartKind::Head);
    let passed = vec![Passed::Said; heads.steps().len()];
    let steps = vec![row(10, 1).steps.remove(0); passed.len()];
    vec![
        row(7, 2),
        row(8, of_guide),
        SwapRow { ended: ended(None), became: Some(seen(7650)), photo: true, ..row(9, of_guide) },
        SwapRow { ended: ended(Some("the new one leaks")), ..row(11, 1) },
        SwapRow {
            place: Place::Head(Position::new(4).unwrap()),
            slot: None,
            kind: PartKind::Head,
            walk: Walk::resume(heads, passed).unwrap(),
            steps,
            was: None,
            ..row(12, of_guide)
        },
    ]
}
