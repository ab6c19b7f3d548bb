use proptest::prelude::*;

use super::*;
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::reading::Role;
use crate::domain::standard::SupplyKind;

/// An ink cartridge's slot.
pub(crate) fn ink(index: i32, colorant: &str) -> Slot {
    Slot {
        id: SlotId(i64::from(index)),
        device: DeviceId(1),
        index: SupplyIndex(index),
        role: Role::Consumed,
        kind: SupplyKind::InkCartridge,
        colorant: Some(colorant.to_owned()),
        description: format!("{colorant} ink cartridge"),
    }
}

fn head(number: i32) -> Position {
    Position::new(number).unwrap()
}

const EIGHT: [&str; 8] =
    ["Cyan", "Magenta", "Yellow", "Matte black", "Photo black", "Light cyan", "Light magenta", "Gray"];

/// Eight heads with two channels each in two rows serve eight colours, each colour through two heads: common
/// practice, no source.
#[test]
fn the_usual_map_of_eight_colours_has_eight_heads_in_two_rows() {
    let slots: Vec<Slot> = (1..).zip(EIGHT).map(|(n, colour)| ink(n, colour)).collect();
    let Map::Usual(plumbing) = Map::of(None, &slots) else { panic!("eight colours have a usual map") };
    insta::assert_snapshot!(plumbing.to_string(), @r"
    1: Cyan, Magenta
    2: Yellow, Matte black
    3: Photo black, Light cyan
    4: Light magenta, Gray
    5: Cyan, Magenta
    6: Yellow, Matte black
    7: Photo black, Light cyan
    8: Light magenta, Gray
    ");
    for slot in &slots {
        let shares: Vec<f64> = plumbing
            .heads()
            .into_iter()
            .map(|head| plumbing.share(head, slot))
            .filter(|s| *s > 0.0)
            .collect();
        assert_eq!(shares, [0.5, 0.5]);
    }
}

#[test]
fn an_odd_number_of_colours_has_no_map_until_somebody_writes_one() {
    let slots = [ink(1, "Cyan"), ink(2, "Magenta"), ink(3, "Yellow")];
    assert_eq!(Map::of(None, &slots), Map::None { colours: 3 });
    let written: Plumbing = "1: Cyan\n2: Magenta, Yellow".parse().unwrap();
    assert_eq!(Map::of(Some(written.clone()), &slots), Map::Written(written));
    let toner = Slot { kind: SupplyKind::Toner, ..ink(4, "Black") };
    assert_eq!(Map::of(None, &[toner]), Map::None { colours: 0 }, "toner runs through no head");
    // Two cartridges of one colour are one ink.
    let twin = [ink(1, "Cyan"), ink(2, "Cyan"), ink(3, "Gray")];
    assert!(matches!(Map::of(None, &twin), Map::Usual(_)));
}

#[test]
fn a_colour_without_a_share_takes_what_its_others_leave() {
    let plumbing: Plumbing =
        " 2: yellow, Light Grey 25 %\n\n1: Yellow, light gray\n3: light_gray".parse().unwrap();
    let share = |number, colour| plumbing.share(head(number), &ink(1, colour));
    assert_eq!([share(1, "yellow"), share(2, "yellow"), share(3, "yellow")], [0.5, 0.5, 0.0]);
    assert_eq!(
        [share(1, "Light gray"), share(2, "Light gray"), share(3, "Light gray")],
        [0.375, 0.25, 0.375]
    );
    assert!(!plumbing.carries(&ink(1, "Cyan")));
}

#[test]
fn what_is_no_map_is_told_with_its_place() {
    let told = |text: &str| text.parse::<Plumbing>().unwrap_err().to_string();
    let many: String = (0..300).map(|n| format!("1: Ink {n}\n")).collect();
    let texts = [
        "",
        "Cyan",
        "1: Cyan\n0: Magenta",
        "1: Cyan\n65: Magenta",
        "1: Cyan,, Magenta",
        "1: Cyan 40 %",
        "1: Cyan 60 %\n2: Cyan 60 %",
        "1: Cyan 0 %\n2: Cyan",
        "1: Cyan 100 %\n2: cyan",
        "1: Cyan, CYAN",
        "1: Cyan -5 %, Magenta",
        "1: 50 %",
        &many,
    ];
    insta::assert_snapshot!(texts.map(told).join("\n"));
}

proptest! {
    #[test]
    fn a_map_is_read_back_as_it_was_written(
        ways in prop::collection::vec(prop::collection::btree_map(1i32..13, 1u32..100, 1..5), 1..12),
    ) {
        let mut channels = Vec::new();
        for (n, heads) in ways.iter().enumerate() {
            let sum: u32 = heads.values().sum();
            for (number, part) in heads {
                let share = f64::from(*part) / f64::from(sum);
                channels.push(Channel { head: head(*number), colour: format!("Ink {n}"), share });
            }
        }
        let plumbing = Plumbing::new(channels).unwrap();
        let back: Plumbing = plumbing.to_string().parse().unwrap();
        prop_assert_eq!(back.channels().len(), plumbing.channels().len());
        for (ours, theirs) in back.channels().iter().zip(plumbing.channels()) {
            prop_assert_eq!((ours.head, &ours.colour), (theirs.head, &theirs.colour));
            prop_assert!((ours.share - theirs.share).abs() < 1e-9);
        }
    }

    #[test]
    fn no_text_is_too_odd(text in "[0-9:,% a-zé.\n-]{0,80}") {
        if let Ok(plumbing) = text.parse::<Plumbing>() {
            let sum: f64 = plumbing.channels().iter().map(|channel| channel.share).sum();
            prop_assert!(sum.is_finite() && sum > 0.9);
        }
    }
}
