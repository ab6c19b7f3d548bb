//! Guides are read back as they were written, and no walk reaches its end past a step.

use proptest::prelude::*;

use super::seen::{Judgement, Look, SupplySeen, is_printing};
use super::walk::{NotOn, Passed, Reason, Walk};
use super::*;
use crate::domain::ids::SupplyIndex;
use crate::domain::reading::Polarity;
use crate::domain::snapshot::{Cover, DeviceAlert, Snapshot, SupplyRow};
use crate::domain::standard::{
    AlertCode, AlertGroup, CoverStatus, PrinterStatus, Severity, SupplyClass, SupplyKind, SupplyUnit,
};

#[test]
fn the_usual_guides_are_read_back_as_they_were_written() {
    for kind in PartKind::ALL {
        let guide = usual(kind);
        assert!(guide.steps().len() > 5, "{kind:?}");
        assert_eq!(Guide::for_kind(kind, &guide.to_string()).as_ref(), Ok(&guide));
        assert_eq!(guide.steps()[0].confirm, Some(Confirmation::NotPrinting));
        let text = guide.to_string();
        for beware in ["carriage", "mains power", "safety data sheet", "manual", "local rules", "gloves"] {
            assert!(text.contains(beware), "{kind:?}: {beware}");
        }
    }
    assert!(usual(PartKind::Head).to_string().contains("Never touch its contacts"));
    assert!(usual(PartKind::Receptacle).to_string().contains("keep it upright"));
}

#[test]
fn what_is_no_guide_is_told_with_its_line() {
    let fault = |text: &str| Guide::for_kind(PartKind::Cartridge, text).unwrap_err().to_string();
    assert_eq!(fault("  \n"), "a guide has at least one step, one a line");
    assert_eq!(fault("! Beware.\nOpen."), "line 1: a caution stands below the step that it belongs to");
    assert!(
        fault("Open.\n[sunshine] Wait.").starts_with("line 2: a device cannot confirm 'sunshine'; write one")
    );
    assert_eq!(fault("Open.\n[cover open]"), "line 2: say it in 1 to 300 letters");
    assert!(fault("Open it.").ends_with("waits for [new level]"));
    assert!(Guide::for_kind(PartKind::Head, "Open it.").is_ok());
    assert_eq!(fault(&"Step.\n".repeat(31)), "a guide has 30 steps at most");
}

fn ink(level: i32) -> SupplyRow {
    SupplyRow {
        index: SupplyIndex(2),
        marker: 1,
        class: SupplyClass::Consumed,
        kind: SupplyKind::InkCartridge,
        description: "Magenta ink cartridge".to_owned(),
        colorant: Some("magenta".to_owned()),
        unit: SupplyUnit::TenthsOfMilliliters,
        max_capacity: 7750,
        level,
    }
}

fn device(level: i32, cover: CoverStatus) -> Snapshot {
    Snapshot {
        printer_status: Some(PrinterStatus::Idle),
        supplies: vec![ink(level)],
        covers: vec![Cover { index: 1, description: "Ink bay door".to_owned(), status: cover }],
        complete: true,
        ..Snapshot::default()
    }
}

fn missing() -> DeviceAlert {
    DeviceAlert {
        severity: Severity::Critical,
        training: None,
        group: AlertGroup::MarkerSupplies,
        group_index: 2,
        location: -2,
        code: AlertCode::MarkerInkMissing,
        description: String::new(),
    }
}

#[test]
fn a_device_is_believed_about_each_step() {
    let supply = Some((SupplyIndex(2), Polarity::Remaining));
    let resting = device(400, CoverStatus::CoverClosed);
    let before = SupplySeen::of(&resting, SupplyIndex(2), Polarity::Remaining).unwrap();
    let judge = |snapshot: &Snapshot, wanted, was_missing| {
        Look { snapshot, supply, before: Some(&before), was_missing }.judge(wanted)
    };
    let not_yet = |judgement| matches!(judgement, Judgement::NotYet(_));
    assert_eq!(judge(&resting, Confirmation::NotPrinting, false), Judgement::Met);
    let printing = Snapshot { printer_status: Some(PrinterStatus::Printing), ..resting.clone() };
    assert!(is_printing(&printing) && not_yet(judge(&printing, Confirmation::NotPrinting, false)));

    assert!(not_yet(judge(&resting, Confirmation::CoverOpen, false)));
    let open = device(400, CoverStatus::CoverOpen);
    assert_eq!(judge(&open, Confirmation::CoverOpen, false), Judgement::Met);
    assert!(not_yet(judge(&open, Confirmation::CoverClosed, false)));
    let untold = Snapshot { covers: Vec::new(), ..resting.clone() };
    assert_eq!(judge(&untold, Confirmation::CoverOpen, false), Judgement::CannotTell);

    assert!(not_yet(judge(&open, Confirmation::SupplyMissing, false)));
    let mut out = device(-2, CoverStatus::CoverOpen);
    out.alerts.push(missing());
    assert_eq!(judge(&out, Confirmation::SupplyMissing, false), Judgement::Met);
    assert!(not_yet(judge(&out, Confirmation::NewLevel, true)));

    // The same unit comes back: jitter is no new one, and one that was seen out is.
    assert!(not_yet(judge(&device(405, CoverStatus::CoverClosed), Confirmation::NewLevel, false)));
    assert_eq!(judge(&device(7600, CoverStatus::CoverClosed), Confirmation::NewLevel, false), Judgement::Met);
    assert_eq!(judge(&device(380, CoverStatus::CoverClosed), Confirmation::NewLevel, true), Judgement::Met);
}

/// Something that a person does in a walk.
#[derive(Debug, Clone)]
enum Try {
    Done(u8),
    Skip(String),
    End,
}

fn tries() -> impl Strategy<Value = Vec<Try>> {
    let one = prop_oneof![(0..3u8).prop_map(Try::Done), "[ a-c]{0,4}".prop_map(Try::Skip), Just(Try::End),];
    prop::collection::vec(one, 0..60)
}

proptest! {
    #[test]
    fn no_path_reaches_the_end_past_a_step(kind in 0..3usize, tries in tries(), restart in 0..60usize) {
        let guide = usual(PartKind::ALL[kind]);
        let mut walk = Walk::begin(guide.clone(), &Judgement::Met).unwrap();
        for (turn, what) in tries.into_iter().enumerate() {
            if turn == restart {
                // As after the program was started again.
                let kept = walk.passed().iter().map(|how| Passed::from_word(how.word(), how.reason()).unwrap());
                let kept = kept.collect();
                prop_assert_eq!(Walk::resume(guide.clone(), kept), Some(walk.clone()));
            }
            let (at, step) = (walk.passed().len(), walk.step().cloned());
            match what {
                Try::Done(says) => {
                    let judgement = [Judgement::Met, Judgement::NotYet("no"), Judgement::CannotTell][usize::from(says)].clone();
                    let waits = step.as_ref().is_some_and(|step| step.confirm.is_some());
                    let on = walk.done(|_| judgement.clone());
                    prop_assert_eq!(on.is_ok(), step.is_some() && !(waits && says == 1));
                    prop_assert_eq!(on == Ok(Passed::Confirmed), waits && says == 0 && step.is_some());
                }
                Try::Skip(text) => match Reason::new(&text) {
                    None => prop_assert!(!text.contains(['a', 'b', 'c'])),
                    Some(reason) => prop_assert_eq!(walk.skip(reason).is_ok(), step.is_some()),
                },
                Try::End => prop_assert_eq!(walk.clone().through().is_ok(), at == guide.steps().len()),
            }
            prop_assert!(walk.passed().len() <= at + 1);
        }
        let passed = walk.passed().to_vec();
        if let Ok(through) = walk.through() {
            prop_assert_eq!(passed.len(), guide.steps().len());
            let confirmed = guide.steps().iter().zip(&passed).any(|(step, how)| {
                step.confirm == Some(Confirmation::NewLevel) && *how == Passed::Confirmed
            });
            prop_assert_eq!(through.has_new_level(), confirmed);
        }
    }
}

#[test]
fn a_walk_does_not_begin_while_the_machine_prints() {
    let begun = Walk::begin(usual(PartKind::Cartridge), &Judgement::NotYet("it prints"));
    assert_eq!(begun, Err(NotOn::Printing));
    assert!(Walk::begin(usual(PartKind::Cartridge), &Judgement::CannotTell).is_ok());
    let one: Guide = "Open it.".parse().unwrap();
    assert_eq!(Walk::resume(one, vec![Passed::Said, Passed::Said]), None);
}
