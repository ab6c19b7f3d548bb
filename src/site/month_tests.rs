//! The months' pages over a real socket, from fixture data.

use super::fixtures::{Fixture, Mood};
use super::shelf_tests::post;
use super::tests::{ask, full, text, with};

#[test]
fn a_month_says_what_was_used_and_what_it_is_worth() {
    with(full(), |to| {
        let words = text(&ask(to, "GET", "/months/2026-10", "").body);
        for part in [
            "Ink used 2400 ml +9 %: 2210 ml in September 2026 +21 %: 1980 ml a year before",
            "Print heads replaced none is registered",
            "Scenery 1 1900 ml 4 174.73 EUR 3.12 EUR 378.00 EUR",
            "Charged to nobody 1",
            "VO-C-775 cyan cartridge 2 3 2 1 – – 4 756.00 EUR",
            "VO-C-775 cyan cartridge 6 4 2 378.00 EUR",
            "Photo black (no part in the catalogue) 1 0 1 –",
            "Supply low 3 2 12 minutes 2 1 hour 35 minutes 1 day 1 hour 1",
            "Bobbin, Cyan September 2026 −12 ml −12 ml – – – −3.05 EUR",
            "Of 10 forecasts whose time was up in this month, 9 ended between their early and late days, 1 before, 0 after.",
            "2 spans without figures, machine by machine",
            "it was not asked: this service did not run",
            "Close the month",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let found = text(&ask(to, "GET", "/months/2026-10?find=Selvage", "").body);
        assert!(found.contains("Ink used 2400 ml"), "figures are of all machines: {found}");
        assert!(found.contains("the files have all of them") && !found.contains("Bobbin 1900 ml"), "{found}");
        let closed = text(&ask(to, "GET", "/months/2026-09", "").body);
        assert!(
            closed.contains("Closed by &#60;b&#62;the stage manager&#60;/b&#62; on Fri 2 Oct 2026"),
            "{closed}"
        );
        assert!(!closed.contains("Close the month"), "{closed}");
        let running = text(&ask(to, "GET", "/months/2026-11", "").body);
        assert!(running.contains("The month is still running") && !running.contains("Close the month"));
    });
}

#[test]
fn a_month_is_closed_by_a_form() {
    with(full(), |to| {
        let closed = post(to, "/months/2026-10/close", "who=the+treasurer");
        assert_eq!((closed.status, closed.header("location")), (303, Some("/months/2026-10?closed")));
        let refused = post(to, "/months/2026-11/close", "who=the+treasurer");
        assert_eq!(refused.status, 422);
        let words = text(&refused.body);
        assert!(
            words.contains("November 2026 is not over: it can be closed from 1 December 2026 on."),
            "{words}"
        );
        assert!(refused.body.contains("value=\"the treasurer\""), "what was typed is kept");
        let nobody = post(to, "/months/2026-10/close", "");
        assert!(nobody.status == 422 && nobody.body.contains("Fill this in."));
        assert_eq!(post(to, "/months/2026-12/close", "who=x").status, 404);
    });
}

#[test]
fn months_stand_side_by_side_in_ink_and_in_money() {
    with(full(), |to| {
        let page = ask(to, "GET", "/months", "");
        let words = text(&page.body);
        for part in [
            "October 2026 2400 ml – – 2 open",
            "November 2026 1720 ml – – 2 running",
            "September 2026 2100 ml – – 2 closed, watched for part of it",
            "Nov 2026 Oct 2026 Sep 2026",
            "Selvage 300 500 400",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        assert!(page.body.contains("<desc id=\"columns-desc\">September 2026 2100\u{a0}ml; October 2026"));
        let worth = text(&ask(to, "GET", "/months?show=EUR", "").body);
        assert!(worth.contains("October 2026 585.26 EUR"), "{worth}");
    });
    with(Fixture::new(Mood::Empty), |to| {
        assert!(text(&ask(to, "GET", "/months", "").body).contains("No supply has been read yet."));
    });
}
