//! The page of a supply over a real socket, from fixture data.

use super::fixtures::{Fixture, Mood};
use super::tests::{ask, check_ids, check_nesting, full, text, with};

const CYAN: &str = "/machines/1/supplies/1";

#[test]
fn a_supply_says_when_it_ends_why_and_what_every_reading_was_taken_for() {
    with(full(), |to| {
        let answer = ask(to, "GET", CYAN, "");
        assert_eq!(answer.status, 200);
        check_ids(CYAN, &answer.body);
        check_nesting(CYAN, &answer.body);
        let words = text(&answer.body);
        for part in [
            "Bobbin C Cyan",
            "About 251 ml of 775 ml, 32 % . Runs out 29 Dec – 4 Feb 2027, about 12 Jan 2027.",
            "Without one at hand, order the next by Tue 22 Dec.",
            "One thing is asked about it: answer it .",
            "It rests on 118 finished days of its own use: 5.2 ml a day on average, and 6.1 ml a day",
            "Tuesdays take most, 1.4 times an average day; Sundays least, 0.1 times.",
            "Three days until the late date are shut",
            "good until 1 Jan 2027, and will likely not be used up by then",
            "3 made 1 Jul 2024 on Shelf B, put it in by 1 Jan 2027. 2 on order, expected Tue 1 Dec .",
            "7750 of 7750 775 ml left a new unit: it rose further than a level can",
            "40 of 7750 left out it was far from the level before, and did not last",
            "taken as used; it is asked whether it was a swap",
            "Older ones",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let band = answer.body.split("class=\"band\"").nth(1).unwrap();
        assert!(band.contains(" d=\"M"), "a fan is drawn");
        let older = text(&ask(to, "GET", &format!("{CYAN}?before=1795515300000000"), "").body);
        assert!(older.contains("None is kept from before then") && older.contains("The newest"), "{older}");
    });
}

#[test]
fn a_receptacle_shows_its_order_point_and_a_date_that_is_not_known_has_its_reason() {
    with(full(), |to| {
        let waste = ask(to, "GET", "/machines/1/supplies/9", "");
        check_ids("waste", &waste.body);
        let words = text(&waste.body);
        for part in [
            "72 % full",
            "It is past its order point, 70 % full: have the next one at hand.",
            "order the next at 70 %",
            "No part of the catalogue fits.",
            "No use is known yet.",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let young = ask(to, "GET", "/machines/1/supplies/9?days=7", "");
        let words = text(&young.body);
        assert!(words.contains("No date yet: 6 of the 10 days of history it needs are in."), "{words}");
        assert!(!young.body.contains("class=\"band\"") && !words.contains("The likely course as a table"));
    });
}

#[test]
fn addresses_of_supplies_lead_to_them_or_say_that_there_is_none() {
    with(full(), |to| {
        let door = ask(to, "GET", "/supplies/9", "");
        assert_eq!((door.status, door.header("location")), (303, Some("/machines/1/supplies/9")));
        for wrong in [
            "/supplies/77",
            "/supplies/x",
            "/machines/1/supplies/77",
            "/machines/77/supplies/1",
            "/machines/1/supplies/x",
            "/machines/1/supplies/1?before=soon",
        ] {
            assert_eq!(ask(to, "GET", wrong, "").status, 404, "{wrong}");
        }
        assert_eq!(ask(to, "GET", "/machines/1/supplies/1?days=5", "").status, 400);
        let machine = ask(to, "GET", "/machines/1", "").body;
        assert!(machine.contains("href=\"/machines/1/supplies/9\""), "the machine leads to its supplies");
    });
    with(Fixture::new(Mood::Empty), |to| assert_eq!(ask(to, "GET", CYAN, "").status, 404));
}
