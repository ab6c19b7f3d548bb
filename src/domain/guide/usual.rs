//! The guides that count until somebody writes others: common practice in our own words, no source. The manual of the
//! machine's maker comes first wherever it says something else.

use super::Guide;
use crate::domain::part::PartKind;

const CARTRIDGE: &str = "\
[not printing] Let the job end, and start the swap from the machine's own menu. Never just pull a cartridge.
! Where the maker's manual says something else, do what it says; what is not in it is for qualified service.
! The carriage moves without warning: hands, hair and sleeves stay out of its way.
! The machine stays switched on, and it carries mains power: open nothing that the menu does not name.
Take the new cartridge: its number and colour, and the date on it. Put gloves on.
! Ink belongs neither in eyes nor on skin: the ink's safety data sheet says what to do if it gets there.
[cover open] Open the door that the machine's menu names.
[supply missing] Take the old cartridge out, straight, as the machine shows it.
! Hold its opening upwards: some ink is left in it.
[new level] Put the new cartridge in until it rests, and close the door.
[cover closed] See that every door is closed and that the machine says it is ready.
Put the old cartridge where your place collects them, by local rules for waste.
! It still holds ink: never pour it into a drain.
";

const RECEPTACLE: &str = "\
[not printing] Let the job end, and start the swap from the machine's own menu. Never just pull a receptacle.
! Where the maker's manual says something else, do what it says; what is not in it is for qualified service.
! The carriage moves without warning: hands, hair and sleeves stay out of its way.
! The machine stays switched on, and it carries mains power: open nothing that the menu does not name.
Put gloves and goggles on, and lay a cloth in front of the machine.
! What is in it is waste ink: the ink's safety data sheet says what to do if it gets on skin or into eyes.
! The new receptacle ships with liquid in it: keep it upright and level.
[cover open] Open the door that the machine's menu names.
[supply missing] Draw the full receptacle out slowly, upright and level all the way.
! It is heavy when full: hold it with both hands.
[new level] Put the new receptacle in, upright, until it rests, and close the door.
[cover closed] See that every door is closed and that the machine says it is ready.
Close the full receptacle, keep it upright, and hand it in by local rules for waste.
";

const HEAD: &str = "\
[not printing] Let the job end, and start the exchange of a head from the machine's own menu.
! Where the maker's manual says something else, do what it says; what is not in it is for qualified service.
! The carriage moves without warning: wait until the menu says that it stands.
! The machine carries mains power: open nothing that the menu does not name.
Read the date that is stamped on the new head, and take it out of its wrapping only now. Put gloves on.
! Never touch its contacts or its nozzles, and lay it on neither of them.
[cover open] Open the cover that the machine's menu names.
Lift the old head out as the machine shows it.
! Ink drips from it: the ink's safety data sheet says what to do if it gets on skin or into eyes.
Put the new head in without force, and lock it.
[cover closed] Close the cover, and let the machine fill, clean and align the head by itself.
Print the machine's own test of nozzles, and look at it.
Put the old head where your place collects them, by local rules for waste.
";

/// The guide for a kind of part that counts until somebody writes another.
#[must_use]
pub fn usual(kind: PartKind) -> Guide {
    let text = match kind {
        PartKind::Cartridge => CARTRIDGE,
        PartKind::Receptacle => RECEPTACLE,
        PartKind::Head => HEAD,
    };
    // A test reads all three, so that none of them is ever empty.
    Guide::for_kind(kind, text).unwrap_or(Guide(Vec::new()))
}
