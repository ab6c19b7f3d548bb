//! The pages and forms of runs over a real socket, from fixture data.

use std::net::SocketAddr;

use super::fixtures::{Fixture, Mood};
use super::tests::{Answer, ask, check_ids, check_nesting, full, send, text, with};

const RUN: &str = "/runs/check?machine=&length=40&width=1.5&copies=&area=&media=gloss&coverage=&more=";

fn post(to: SocketAddr, action: &str, body: &str) -> Answer {
    let own = format!(
        "Origin: http://localhost:{}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
        to.port(),
        body.len()
    );
    send(to, "POST", &format!("/runs/{action}"), &own, body)
}

#[test]
fn a_run_is_answered_machine_by_machine() {
    with(full(), |to| {
        let answer = ask(to, "GET", RUN, "");
        assert_eq!(answer.status, 200);
        check_nesting(RUN, &answer.body);
        check_ids(RUN, &answer.body);
        let words = text(&answer.body);
        for part in [
            "Bobbin is the best for it",
            "40 m by 1.5 m (60 m²) on gloss",
            "Is likely to stop on the way: it finishes with a chance of",
            "Cyan ends first, with even odds after",
            "Head 1 passes its limit of 1200 ml on the way",
            "Cyan: VO-C-775, the one made Mar 2025, Shelf B.",
            "Yellow: no good VO-Y-775 is on the shelf.",
            "Its media are too narrow for this.",
            "Cannot tell: nothing is known of cyan.",
            "1.0 ml, head care only",
            "the carriage moves by itself",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        // What was asked stands in the form again.
        assert!(answer.body.contains("name=\"length\" value=\"40\""), "{}", answer.body);
        let one = text(&ask(to, "GET", &RUN.replace("machine=", "machine=2"), "").body);
        assert!(one.contains("Thimble") && !one.contains("is the best for it"), "{one}");
        let machine = ask(to, "GET", "/machines/1", "");
        assert!(machine.body.contains("href=\"/runs/check?machine=1\""));
    });
}

#[test]
fn a_question_that_is_none_is_told_beside_its_field() {
    with(full(), |to| {
        assert_eq!(ask(to, "GET", "/runs/check", "").status, 200);
        assert_eq!(ask(to, "GET", "/runs/check?machine=2", "").status, 200);
        assert_eq!(ask(to, "GET", "/runs/check?machine=99", "").status, 404);
        for (query, told) in [
            ("length=40&media=gloss", "is no size"),
            ("media=gloss", "Write a length and a width, or an area."),
            ("area=9&length=3&media=gloss", "Write either this or a length and a width."),
            ("length=4&width=1&copies=2", "Choose a medium"),
            ("area=9&media=slate", "is no medium: write gloss"),
            ("area=9&media=gloss&coverage=cyan+much", "is no coverage"),
            ("area=9&media=gloss&more=7+x+gloss", "is no size"),
        ] {
            let wrong = ask(to, "GET", &format!("/runs/check?{query}"), "");
            assert_eq!(wrong.status, 422, "{query}");
            let words = text(&wrong.body);
            assert!(words.contains(told) && words.contains("Nothing was checked"), "{query}: {words}");
            check_nesting(query, &wrong.body);
        }
    });
    with(Fixture::new(Mood::Empty), |to| {
        let words = text(&ask(to, "GET", RUN, "").body);
        assert!(words.contains("No ink is known to be in any machine"), "{words}");
    });
}

#[test]
fn what_was_printed_is_written_down() {
    with(full(), |to| {
        let page = text(&ask(to, "GET", "/runs?done=log", "").body);
        for part in [
            "The run is written down.",
            "Bobbin 1524 mm wide, as it tells now",
            "Thimble not told: write it down below",
            "24 Nov Bobbin 38 m² canvas Forest for the second act print room",
        ] {
            assert!(page.contains(part), "lacks '{part}':\n{page}");
        }
        let good = "machine=1&day=2026-11-24&area=12&media=matte&who=print+room";
        assert_eq!(post(to, "log", good).status, 303);
        assert_eq!(post(to, "width", "machine=1&width=1%2C067&who=print+room").status, 303);
        for (action, body, told) in [
            ("log", "machine=1&day=soon&area=12&media=matte&who=me", "Write it as 2026-11-24."),
            ("log", "machine=1&day=2027-11-24&area=12&media=matte&who=me", "2027-11-24 has not come yet."),
            ("log", "machine=1&day=2026-11-24&area=12&media=matte&who=", "Fill this in."),
            ("width", "machine=1&width=wide&who=me", "Write metres, such as 1.067."),
            ("width", "machine=&width=1&who=me", "Choose one."),
        ] {
            let wrong = post(to, action, body);
            assert_eq!(wrong.status, 422, "{body}");
            assert!(text(&wrong.body).contains(told), "{body}: {}", text(&wrong.body));
        }
        assert_eq!(post(to, "burn", "machine=1").status, 404);
    });
}
