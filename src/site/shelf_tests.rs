//! The shelf's pages and forms over a real socket, from fixture data.

use std::net::SocketAddr;

use super::fixtures::{Fixture, Mood};
use super::tests::{Answer, ask, check_ids, check_nesting, full, send, text, with};

const PART: &str = "/shelf/parts/VO-C%2F775";

/// Sends a form the way a browser does, with headers of one's own.
fn post_as(to: SocketAddr, path: &str, headers: &str, body: &str) -> Answer {
    let own = format!(
        "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n{headers}",
        body.len()
    );
    send(to, "POST", path, &own, body)
}

pub(super) fn post(to: SocketAddr, path: &str, body: &str) -> Answer {
    let from = format!("Origin: http://localhost:{}\r\nSec-Fetch-Site: same-origin\r\n", to.port());
    post_as(to, path, &from, body)
}

#[test]
fn the_shelf_says_what_to_take_first() {
    with(full(), |to| {
        let words = text(&ask(to, "GET", "/shelf", "").body);
        for part in [
            "One unit on the shelf is past its date",
            "VO-C/775 Cyan cartridge, 775 ml; fits Bobbin, Thimble.",
            "1 made 2 Apr 2024, Shelf B Past its date: write it off. Was good until 2 Oct 2026.",
            "1 made 1 Jul 2024, Shelf B; part-used, about 310 ml left Good until 1 Jan 2027.",
            "2 of 3 not needed before their date: use it in Bobbin first.",
            "VO-W-1500 Receptacle, 1500 ml; fits no watched machine. Upright and level",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let page = text(&ask(to, "GET", &format!("{PART}?booked=41"), "").body);
        for part in [
            "Booked: 1 unit issued, made 1 Jul 2024, Shelf B.",
            "the oldest: made 1 Jul 2024, Shelf B, part-used (1 there)",
            "Fri 20 Nov 2026, 09:15 1 unit issued made 1 Jul 2024, Shelf B Bobbin, Cyan print room: swap",
            "189.00 EUR",
            "6 days, give or take 2 days",
        ] {
            assert!(page.contains(part), "lacks '{part}':\n{page}");
        }
        assert!(!text(&ask(to, "GET", &format!("{PART}?booked=40"), "").body).contains("Booked"));
        // Where many machines take it, one is found by its name; where few do, nobody has to look.
        assert!(!page.contains("Find the machine that one goes to"));
        let found = ask(to, "GET", &format!("{PART}?find=Bobbin"), "").body;
        assert!(found.contains("value=\"Bobbin\"") && found.contains(">Bobbin, Cyan</option>"), "{found}");
        check_ids("part", &found);
        check_nesting("part", &found);
        let none = ask(to, "GET", &format!("{PART}?find=Spindle"), "").body;
        assert!(
            text(&none).contains("No machine that takes it says this.") && !none.contains("/issue"),
            "{none}"
        );
        let none = ask(to, "GET", "/shelf/parts/VO-Q", "");
        assert!(none.status == 404 && none.body.contains("There is no such part"));
    });
    with(Fixture::new(Mood::Empty), |to| {
        assert!(text(&ask(to, "GET", "/shelf", "").body).contains("ullage shelf parts import FILE"));
        assert!(text(&ask(to, "GET", "/shelf/count", "").body).contains("Nothing is booked on the shelf"));
    });
}

#[test]
fn what_was_typed_is_kept_beside_what_is_wrong_with_it() {
    with(full(), |to| {
        let wrong = post(to, &format!("{PART}/receive"), "units=some&made_on=March&place=%3Cb%3E&who=");
        assert_eq!(wrong.status, 422);
        for kept in ["value=\"some\"", "value=\"March\"", "value=\"&#60;b&#62;\""] {
            assert!(wrong.body.contains(kept), "{kept}: {}", wrong.body);
        }
        let words = text(&wrong.body);
        for told in ["Nothing was booked", "Write a whole number", "Write it as 2025-03-14", "Fill this in."]
        {
            assert!(words.contains(told), "{told}: {words}");
        }
        check_nesting("receive", &wrong.body);
        check_ids("receive", &wrong.body);
        // What the ledger refuses stands there like what the form refuses.
        let refused = post(to, &format!("{PART}/issue"), "to=1&lot=&who=print+room&why=");
        assert_eq!(refused.status, 422);
        assert!(text(&refused.body).contains("No VO-C/775 is on the shelf that is still good."));
        assert!(refused.body.contains("value=\"print room\""));
        for (action, body) in [
            ("return", "lot=2&left=much&who=a"),
            ("count", "lot=&units=-1&who=a"),
            ("write-off", "lot=2&units=1&who=a&why="),
        ] {
            let wrong = post(to, &format!("{PART}/{action}"), body);
            assert_eq!((wrong.status, wrong.body.contains("class=\"error\"")), (422, true), "{action}");
        }
        let count = post(to, "/shelf/count", "lot-2=3&lot-3=x&who=print+room");
        assert!(count.status == 422 && count.body.contains("value=\"x\""), "{}", count.body);
        assert!(text(&post(to, "/shelf/count", "who=a").body).contains("Nothing is filled in"));
        assert!(text(&post(to, "/shelf/count", "lot-2=10000&who=a").body).contains("10000 is no number"));
    });
}

#[test]
fn what_the_catalogue_says_is_changed_by_a_form() {
    with(full(), |to| {
        let entry = format!("{PART}/entry");
        let page = ask(to, "GET", &entry, "");
        for kept in ["value=\"189.00 EUR\"", "value=\"6.5\"", "<option value=\"cartridge\" selected>"] {
            assert!(page.body.contains(kept), "{kept}: {}", page.body);
        }
        let words = text(&page.body);
        assert!(words.contains("As it stands it goes into Bobbin, Cyan."), "{words}");
        let good = "kind=cartridge&unit=ml&price=191+EUR&models=A%0D%0AB";
        assert_eq!(post(to, &entry, good).status, 303);
        let wrong = post(to, &entry, "kind=cartridge&unit=ml&price=cheap&lead_days=soon&colour=%3Cb%3E");
        assert_eq!(wrong.status, 422);
        let words = text(&wrong.body);
        for told in [
            "Nothing was changed",
            "&#39;cheap&#39; is no amount with a currency&#39;s code, such as 189.00 EUR.",
            "&#39;soon&#39; is not a number of days.",
        ] {
            assert!(words.contains(told), "{told}: {words}");
        }
        assert!(wrong.body.contains("value=\"&#60;b&#62;\""));
        check_nesting("entry", &wrong.body);
        check_ids("entry", &wrong.body);
        let again = post(to, "/shelf/new", "number=VO-C%2F775&kind=cartridge&unit=ml");
        assert_eq!(again.status, 422);
        assert!(text(&again.body).contains("VO-C/775 is in the catalogue already"));
        assert!(text(&post(to, "/shelf/new", "kind=head&unit=ml").body).contains("Fill this in."));
        let new = post(to, "/shelf/new", "number=VO-X&kind=head&unit=ml");
        assert_eq!((new.status, new.header("location")), (303, Some("/shelf/parts/VO-X?written=1")));
        assert_eq!(ask(to, "GET", "/shelf/parts/VO-Q/entry", "").status, 404);
    });
}

#[test]
fn a_form_is_only_taken_from_a_page_of_this_site() {
    with(full(), |to| {
        let path = format!("{PART}/issue");
        let own = format!("Origin: http://localhost:{}\r\n", to.port());
        for from in [
            "",
            "Origin: null\r\n",
            "Origin: http://elsewhere.example\r\n",
            "Origin: http://localhost\r\n",
            "Origin: localhost\r\n",
            "Sec-Fetch-Site: cross-site\r\n",
            "Sec-Fetch-Site: same-site\r\n",
            "Sec-Fetch-Site: none\r\n",
            &format!("{own}Sec-Fetch-Site: cross-site\r\n"),
            &format!("{own}{own}"),
            "Origin: http://elsewhere.example\r\nSec-Fetch-Site: same-origin\r\n",
        ] {
            let page = post_as(to, &path, from, "to=1&who=a");
            assert_eq!(page.status, 403, "{from}");
            assert!(page.body.contains("This form came from elsewhere"));
        }
        for from in [own.as_str(), "Sec-Fetch-Site: same-origin\r\n"] {
            assert_eq!(post_as(to, &path, from, "to=1&who=a").status, 422, "{from}");
        }
    });
}

#[test]
fn what_is_no_form_of_ours_is_turned_down() {
    with(full(), |to| {
        assert_eq!(post(to, &format!("{PART}/destroy"), "who=a").status, 404);
        assert_eq!(post(to, PART, "who=a").status, 405);
        assert_eq!(post(to, "/shelf", "who=a").status, 405);
        assert_eq!(ask(to, "GET", &format!("{PART}/issue"), "").status, 405);
        assert_eq!(post(to, "/shelf/count", &format!("who={}", "a".repeat(300_000))).status, 413);
        let same = "Sec-Fetch-Site: same-origin\r\nContent-Type: text/plain\r\nContent-Length: 5\r\n";
        assert_eq!(send(to, "POST", "/shelf/count", same, "who=a").status, 400);
    });
    with(Fixture::new(Mood::Empty), |to| {
        assert_eq!(post(to, &format!("{PART}/issue"), "to=1&who=a").status, 404);
        assert_eq!(post(to, &format!("{PART}/count"), "lot=1&units=1&who=a").status, 404);
    });
}
