//! The pages about alerts and their forms over a real socket, from fixture data.

use super::fixtures::{Fixture, Mood};
use super::shelf_tests::post;
use super::tests::{ask, check_ids, check_nesting, full, text, with};

#[test]
fn an_alert_says_what_became_of_it_and_takes_an_answer() {
    with(full(), |to| {
        let page = ask(to, "GET", "/alerts/6", "");
        check_ids("/alerts/6", &page.body);
        check_nesting("/alerts/6", &page.body);
        let words = text(&page.body);
        for part in [
            "warning : Receptacle past its order point. See Bobbin, Waste receptacle .",
            "Seen by Ada Mon 23 Nov 2026, 11:00",
            "Put off until then Mon 30 Nov 2026, 08:00",
            "ordered on Monday",
            "Mind the moving carriage and mains power",
            "the next working day, in the morning",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let seen = post(to, "/alerts/6/seen", "who=Ada&note=");
        assert_eq!(seen.status, 303);
        assert_eq!(seen.header("location"), Some("/alerts/6?answered"));
        assert!(text(&ask(to, "GET", "/alerts/6?answered", "").body).contains("Written down."));
        assert_eq!(post(to, "/alerts/6/snooze", "who=Ada&note=&until=week").status, 303);
    });
}

#[test]
fn an_answer_that_cannot_be_taken_says_why() {
    with(full(), |to| {
        let unsigned = post(to, "/alerts/6/snooze", "who=&note=it+waits&until=for+ever");
        assert_eq!(unsigned.status, 422);
        let words = text(&unsigned.body);
        assert!(words.contains("Fill this in.") && words.contains("Choose one."), "{words}");
        assert!(unsigned.body.contains("value=\"it waits\""), "what was typed is kept");
        let late = post(to, "/alerts/4/seen", "who=Ada&note=");
        assert_eq!(late.status, 422);
        for (path, status) in
            [("/alerts/99/seen", 404), ("/alerts/x/seen", 404), ("/alerts/6/burn", 404), ("/alerts", 405)]
        {
            assert_eq!(post(to, path, "who=Ada&note=").status, status, "{path}");
        }
        let none = ask(to, "GET", "/alerts/99", "");
        assert!(none.status == 404 && none.body.contains("There is no such alert"));
    });
}

#[test]
fn the_history_is_paged_and_a_lost_page_leads_back() {
    with(full(), |to| {
        let first = ask(to, "GET", "/alerts", "").body;
        assert!(first.contains("href=\"/alerts?cleared=2#cleared\">Older") && !first.contains(">Newer"));
        let second = ask(to, "GET", "/alerts?cleared=2", "").body;
        assert!(second.contains("href=\"/alerts?cleared=1#cleared\">Newer") && !second.contains(">Older"));
        let lost = text(&ask(to, "GET", "/alerts?cleared=900", "").body);
        assert!(lost.contains("None older than these"), "{lost}");
    });
    with(Fixture::new(Mood::Empty), |to| {
        assert!(text(&ask(to, "GET", "/alerts", "").body).contains("None so far."));
    });
}
