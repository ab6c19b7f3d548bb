//! The page of a machine's units and its forms over a real socket, from fixture data.

use super::fixtures::{Fixture, Mood};
use super::shelf_tests::post;
use super::tests::{ask, check_ids, check_nesting, full, text, with};

const UNITS: &str = "/machines/1/units";
/// 2026-11-24T10:15:00Z in microseconds.
const ASKED: &str = "/machines/1/units/1/fell/1795515300000000";

#[test]
fn a_machines_units_and_what_is_asked_about_them() {
    with(full(), |to| {
        let answer = ask(to, "GET", UNITS, "");
        check_ids(UNITS, &answer.body);
        check_nesting(UNITS, &answer.body);
        let words = text(&answer.body);
        for part in [
            "Units of Bobbin",
            "2 things are asked.",
            "It fell from 699 ml to 660 ml by Tue 24 Nov 2026, 10:15: was this a swap?",
            "Which lot did the unit of Fri 20 Nov 2026, 08:15 come from?",
            "the oldest: VO-C/775, made 1 Jul 2024, Shelf B (3 there)",
            "310 ml 78 ml (18.90 EUR) likely, 83 %: the level fell made 1 Jul 2024, Shelf B",
            "found there there when watching began",
            "The device counts its fill: it was set by hand, for this machine, by day shift on",
            "Every Backdrop printer, 60 inch",
            "A full unit holds 775 ml, by the parts that fit",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let machine = text(&ask(to, "GET", "/machines/1", "").body);
        assert!(machine.contains("2 things are asked about them."), "{machine}");
        assert_eq!(ask(to, "GET", "/machines/77/units", "").status, 404);
    });
    with(Fixture::new(Mood::Empty), |to| assert_eq!(ask(to, "GET", UNITS, "").status, 404));
}

#[test]
fn what_is_said_is_taken_down_or_shown_again_with_what_is_wrong() {
    with(full(), |to| {
        let taken = post(to, ASKED, "answer=swap&who=day+shift&why=");
        assert_eq!(taken.status, 303);
        assert_eq!(taken.header("location"), Some("/machines/1/units?done=fell#supply-1"));
        let page = text(&ask(to, "GET", &format!("{UNITS}?done=fell"), "").body);
        assert!(page.contains("worked out again"), "{page}");
        let nobody = post(to, ASKED, "answer=swap&who=");
        assert_eq!(nobody.status, 422);
        assert!(text(&nobody.body).contains("Fill this in."));
        let refused = post(to, "/machines/1/units/1/fell/5", "answer=job&who=x");
        assert!(refused.status == 422 && text(&refused.body).contains("Nothing was changed"));
        let unread = post(to, "/machines/1/units/1/holds/0", "part=1&first_ml=-3&who=x");
        assert!(unread.status == 422 && text(&unread.body).contains("Write millilitres, such as 225"));
        assert_eq!(post(to, "/machines/1/units/1/nothing/0", "who=x").status, 404);
        assert_eq!(post(to, "/machines/1/units/x/fell/0", "who=x").status, 404);
        assert_eq!(post(to, "/machines/1/units/9/counts/0", "counts=filled&of=model&who=x").status, 303);
    });
}
