//! The pages and forms of print heads over a real socket, from fixture data.

use std::net::SocketAddr;

use super::fixtures::{Fixture, Mood};
use super::tests::{Answer, ask, check_ids, check_nesting, full, send, text, with};

const PAGE: &str = "/machines/1/heads";

fn post(to: SocketAddr, action: &str, body: &str) -> Answer {
    let own = format!(
        "Origin: http://localhost:{}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
        to.port(),
        body.len()
    );
    send(to, "POST", &format!("{PAGE}/{action}"), &own, body)
}

#[test]
fn a_machine_tells_of_its_heads_its_units_and_its_power() {
    with(full(), |to| {
        let page = text(&ask(to, "GET", "/machines/1", "").body);
        for part in [
            "1 VO-H-1 Cyan, Magenta 1112 ml of 1200 ml 2 Mar 30 Sep 2027 ends 4–16 Dec, about 9 Dec, by its limit",
            "1230 ml of 1200 ml 2 Mar not told over: its limit is reached",
            "ends 31 Mar 2027 by its date, or sooner by its limit: 4 of the 10 days",
            "not counted of 1200 ml 2 Mar 31 Oct over: its date has passed",
            "VO-C-775, made Jul 2024; good until 1 Jan 2027",
            "VO-C-775, made Apr 2024; past its date, 1 Oct",
            "it had power and could be reached for 95 %",
        ] {
            assert!(page.contains(part), "lacks '{part}':\n{page}");
        }
        let heads = ask(to, "GET", &format!("{PAGE}?done=map"), "");
        let words = text(&heads.body);
        for part in [
            "The map is written",
            "Ink is counted from 28 Jul on",
            "Cyan is not told in millilitres: a whole one is taken to hold 775 ml (VO-C-775).",
            "The map does not carry Clear protector",
            "Nobody has written a map for",
            "never touch a head's contacts",
            "banding that no cleaning cured",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        assert!(heads.body.contains("1: Cyan, Magenta\n2: Cyan, Magenta"));
    });
    with(Fixture::new(Mood::Empty), |to| assert_eq!(ask(to, "GET", PAGE, "").status, 404));
}

#[test]
fn what_was_typed_is_kept_beside_what_is_wrong_with_it() {
    with(full(), |to| {
        let wrong = post(to, "replace", "position=99&in_on=March&warranty_until=soon&limit_ml=much&who=");
        assert_eq!(wrong.status, 422);
        assert!(wrong.body.contains("value=\"March\"") && wrong.body.contains("value=\"much\""));
        let words = text(&wrong.body);
        for told in
            ["Nothing was written down", "Write it as 2026-03-14", "Write millilitres", "Fill this in."]
        {
            assert!(words.contains(told), "{told}: {words}");
        }
        check_nesting("replace", &wrong.body);
        check_ids("replace", &wrong.body);
        let map = post(to, "plumbing", "map=1%3A+Cyan+60+%25%0D%0A2%3A+Cyan+60+%25");
        assert_eq!(map.status, 422);
        assert!(map.body.contains("The shares of Cyan add up to 120.0 %"), "{}", map.body);
        assert!(map.body.contains("1: Cyan 60 %"), "{}", map.body);
        // What is refused stands there like what the form refuses.
        let refused = post(to, "register", "position=3&in_on=2026-03-14&who=print+room");
        assert_eq!(refused.status, 422);
        assert!(
            text(&refused.body).contains("A head is in place 3: replace it instead."),
            "{}",
            refused.body
        );
        assert_eq!(post(to, "plumbing", "map=1%3A+Cyan%0D%0A2%3A+Cyan").status, 303);
        assert_eq!(post(to, "destroy", "who=a").status, 404);
        assert_eq!(ask(to, "GET", &format!("{PAGE}/replace"), "").status, 405);
    });
}
