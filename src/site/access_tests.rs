//! The door over a real socket, from fixture data.

use super::access::sign;
use super::access_fixtures::{FORM_KEY, key};
use super::access_source::ProviderDoor;
use super::fixtures::Fixture;
use super::tests::{ask, check_ids, check_nesting, full, send, text, with};
use crate::config::access::Front;

fn asking() -> Fixture {
    Fixture { asks: true, ..full() }
}

fn carrying(byte: u8) -> String {
    format!("Cookie: ullage_visit={}\r\n", key(byte).letters())
}

/// A form from a page of this site, as a browser sends it.
fn form(to: std::net::SocketAddr, path: &str, extra: &str, body: &str) -> super::tests::Answer {
    let head = format!(
        "{extra}Sec-Fetch-Site: same-origin\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
        body.len()
    );
    send(to, "POST", path, &head, body)
}

fn signed(rest: &str) -> String {
    let own = "00112233445566aa";
    format!("once={own}{}&{rest}", sign(&FORM_KEY, own).unwrap())
}

#[test]
fn whoever_is_not_in_is_led_to_the_door_and_back() {
    with(asking(), |to| {
        let led = ask(to, "GET", "/machines/1?days=30", "");
        assert_eq!(
            (led.status, led.header("location")),
            (303, Some("/enter?then=%2Fmachines%2F1%3Fdays%3D30"))
        );
        let door = ask(to, "GET", "/enter?then=%2Fmachines%2F1", "");
        assert_eq!(door.status, 200);
        assert!(door.body.contains("name=\"then\" value=\"/machines/1\""), "{}", door.body);
        assert!(!door.body.contains("href=\"/setup\"") && !door.body.contains("Bobbin"), "no doors yet");
        check_nesting("/enter", &door.body);
        check_ids("/enter", &door.body);
        let inside =
            form(to, "/enter", "", "name=Ida+Quill&password=four+ink+wells+and+a+cask&then=%2Fmachines%2F1");
        assert_eq!((inside.status, inside.header("location")), (303, Some("/machines/1")));
        assert!(inside.header("set-cookie").is_some_and(|cookie| cookie.contains("HttpOnly; SameSite=Lax")));
        let elsewhere =
            form(to, "/enter", "", "name=Ida+Quill&password=four+ink+wells+and+a+cask&then=%2F%2Fx.example");
        assert_eq!(elsewhere.header("location"), Some("/"));
        for open in ["/style.css", "/healthz"] {
            assert_eq!(ask(to, "GET", open, "").status, 200, "{open}");
        }
        assert_eq!(ask(to, "GET", "/months/2026-10.csv", "Authorization: Bearer nothing\r\n").status, 401);
        assert_eq!(form(to, "/orders", "", "part=VO-C-775&units=2").status, 401);
    });
}

/// Behind a server that names people in a header, and speaks from `from`.
fn fronted(from: &str) -> Fixture {
    let front = Front { header: "x-loft-person".to_owned(), from: vec![from.parse().unwrap()] };
    Fixture { front: Some(front), ..asking() }
}

#[test]
fn the_server_in_front_says_who_somebody_is() {
    with(fronted("127.0.0.1"), |to| {
        let named = |names: &str| ask(to, "GET", "/machines/1", names);
        let inside = named("X-Loft-Person: Ida Quill\r\n");
        assert_eq!(inside.status, 200);
        assert!(inside.body.contains("Ida Quill"), "the page says who is in");
        let carried = format!("ullage_visit={}", key(2).letters());
        assert!(inside.header("set-cookie").is_some_and(|cookie| cookie.starts_with(&carried)));
        let again = named(&format!("X-Loft-Person: IDA QUILL\r\nCookie: {carried}\r\n"));
        assert_eq!((again.status, again.header("set-cookie")), (200, None), "a visit goes on");
        let stranger = named("X-Loft-Person: Nobody\r\n");
        assert_eq!(stranger.status, 403);
        assert!(text(&stranger.body).contains("says that you are “Nobody”"), "{}", text(&stranger.body));
        for nobody in ["", "X-Loft-Person: \r\n", "X-Loft-Person: Ida Quill\r\nX-Loft-Person: Ida Quill\r\n"]
        {
            assert_eq!(named(nobody).status, 303, "{nobody:?} names nobody");
        }
        let body = "part=VO-C-775&units=2";
        assert_eq!(
            form(to, "/orders", "X-Loft-Person: Ida Quill\r\n", body).status,
            403,
            "no form was shown"
        );
        assert_eq!(
            ask(to, "GET", "/setup", "X-Loft-Person: Ida Quill\r\n").status,
            403,
            "an operator's role"
        );
    });
    with(fronted("10.0.0.5"), |to| {
        let forged = ask(to, "GET", "/machines/1", "X-Loft-Person: Ida Quill\r\n");
        assert_eq!(forged.status, 303, "from anywhere else the header says nothing");
    });
}

#[test]
fn nobody_is_told_whether_a_name_is_known() {
    with(asking(), |to| {
        let known = form(to, "/enter", "", "name=Ida+Quill&password=wrong");
        let other = form(to, "/enter", "", "name=Nobody&password=wrong");
        assert_eq!((known.status, other.status), (422, 422));
        let without = |body: &str, name| text(body).replace(name, "");
        assert_eq!(without(&known.body, "Ida Quill"), without(&other.body, "Nobody"));
        let slow = form(to, "/enter", "", "name=Busy&password=wrong");
        assert_eq!((slow.status, slow.header("retry-after")), (429, Some("130")));
        assert!(text(&slow.body).contains("Try again in 3 minutes"), "{}", text(&slow.body));
        assert!(!slow.body.contains("value=\"wrong\""));
    });
}

#[test]
fn a_role_opens_what_it_opens() {
    with(asking(), |to| {
        for (byte, path, status) in [
            (1, "/", 200),
            (1, "/setup", 403),
            (2, "/setup", 403),
            (3, "/setup", 200),
            (3, "/setup/people", 200),
            (3, "/setup/changes", 200),
            (1, "/own", 200),
            (9, "/", 303),
        ] {
            let page = ask(to, "GET", path, &carrying(byte));
            assert_eq!(page.status, status, "{byte} {path}");
            if status == 200 {
                check_nesting(path, &page.body);
                check_ids(path, &page.body);
                assert_eq!(page.header("cache-control"), Some("no-store"), "{path}");
            }
        }
        let refused = form(to, "/orders", &carrying(1), &signed("part=VO-C-775&units=2"));
        assert_eq!(refused.status, 403);
        assert!(text(&refused.body).contains("Only an operator"), "{}", text(&refused.body));
        let reader = ask(to, "GET", "/", &carrying(1)).body;
        assert!(reader.contains("<body class=\"reads\">") && !reader.contains("href=\"/setup\""));
        assert!(reader.contains("Ida Quill"));
    });
}

#[test]
fn a_form_has_to_have_been_shown_to_the_visit_that_sends_it() {
    with(asking(), |to| {
        let part = "part=VO-C-775&units=2&why=";
        let forged = form(to, "/orders", &carrying(2), part);
        assert_eq!(forged.status, 403);
        assert!(text(&forged.body).contains("another visit"), "{}", text(&forged.body));
        let other = form(to, "/orders", &carrying(2), &format!("once={}&{part}", "0".repeat(32)));
        assert_eq!(other.status, 403);
        assert_eq!(form(to, "/orders", &carrying(2), &signed(part)).status, 303);
        // A program shows no forms, and carries nothing that another page could borrow.
        let program = format!("Authorization: Bearer {}\r\n", key(2).letters());
        assert_eq!(form(to, "/orders", &program, part).status, 303);
        // Every form of every page carries what the door asks for.
        for path in
            ["/", "/orders", "/shelf/count", "/setup/people", "/own", "/machines/1/heads", "/setup/import"]
        {
            let page = ask(to, "GET", path, &carrying(3)).body;
            for form in page.split("<form ").skip(1).filter(|form| form.contains("method=\"post\"")) {
                let form = form.split("</form>").next().unwrap();
                assert!(form.contains("name=\"once\"") || form.contains("?once="), "{path}: {form}");
            }
        }
        assert!(!ask(to, "GET", "/orders", &carrying(3)).body.contains("name=\"who\""), "the name is known");
    });
}

#[test]
fn people_are_let_in_by_links_that_are_shown_once() {
    with(asking(), |to| {
        let made = form(to, "/setup/people", &carrying(3), &signed("name=Ada&role=reader"));
        assert!(
            made.status == 200 && made.body.contains(&format!("/link/{}", key(2).letters())),
            "{}",
            made.body
        );
        let last = form(to, "/setup/people/1/retire", &carrying(3), &signed(""));
        assert!(
            last.status == 422 && text(&last.body).contains("the only administrator"),
            "{}",
            text(&last.body)
        );
        let link = format!("/link/{}", key(2).letters());
        let page = ask(to, "GET", &link, "");
        assert!(page.status == 200 && text(&page.body).contains("Ida Quill, choose a password"));
        let differ = form(to, &link, "", "password=four+ink+wells+and+a+cask&again=another");
        assert!(
            differ.status == 422 && text(&differ.body).contains("not the same"),
            "{}",
            text(&differ.body)
        );
        let short = form(to, &link, "", "password=short&again=short");
        assert!(
            short.status == 422 && text(&short.body).contains("at least 12 letters"),
            "{}",
            text(&short.body)
        );
        let chosen =
            form(to, &link, "", "password=four+ink+wells+and+a+cask&again=four+ink+wells+and+a+cask");
        assert!(chosen.status == 303 && chosen.header("set-cookie").is_some());
        assert_eq!(ask(to, "GET", &format!("/link/{}", key(9).letters()), "").status, 404);
        let token = form(to, "/own/tokens", &carrying(1), &signed("name=Sheet&role=reader&days=30"));
        assert!(token.status == 200 && token.body.contains(&key(1).letters()), "{}", token.body);
        let many = form(to, "/own/tokens", &carrying(1), &signed("name=Sheet&role=reader&days=9999"));
        assert!(many.status == 422 && text(&many.body).contains("Write 1 to 366"), "{}", text(&many.body));
    });
}

fn provided() -> Fixture {
    let pages = "https://ullage.loft.example".to_owned();
    Fixture { provider: Some(ProviderDoor { label: "the opera".to_owned(), pages }), ..asking() }
}

#[test]
fn the_provider_is_a_way_in_that_starts_and_ends_at_the_address_it_knows() {
    with(provided(), |to| {
        let door = ask(to, "GET", "/enter?then=%2Fmachines%2F1%3Fdays%3D7", "");
        let way = "href=\"https://ullage.loft.example/enter/openid?then=%2Fmachines%2F1%3Fdays%3D7\"";
        assert!(
            door.body.contains(way) && text(&door.body).contains("come in by the opera"),
            "{}",
            door.body
        );
        check_nesting("/enter", &door.body);
        let out = ask(to, "GET", "/enter/openid?then=%2Fmachines%2F1", "");
        assert_eq!(
            (out.status, out.header("location")),
            (303, Some("https://login.loft.example/?/machines/1"))
        );
        let ticket = out.header("set-cookie").unwrap();
        assert_eq!(ticket, "ullage_ticket=ticket; Path=/; HttpOnly; SameSite=Lax; Max-Age=600");
        assert_eq!(out.header("cache-control"), Some("no-store"));
        let astray = ask(to, "GET", "/enter/openid?then=%2F%2Fx.example", "");
        assert_eq!(astray.header("location"), Some("https://login.loft.example/?/"));
        let away = ask(to, "GET", "/enter/openid?then=%2Faway", "");
        assert_eq!(away.status, 502);
        assert!(
            text(&away.body).contains("The provider could not be asked") && !away.body.contains("secret")
        );
        // Whoever is in is led on.
        assert_eq!(
            ask(to, "GET", "/enter/openid?then=%2Frooms", &carrying(1)).header("location"),
            Some("/rooms")
        );
    });
    with(asking(), |to| {
        assert!(!ask(to, "GET", "/enter", "").body.contains("openid"), "there is no provider");
        assert_eq!(ask(to, "GET", "/enter/openid", "").status, 404);
        assert_eq!(ask(to, "GET", "/enter/openid/back?state=good&code=ida", "").status, 404);
    });
    with(Fixture { asks: false, ..provided() }, |to| {
        assert_eq!(
            ask(to, "GET", "/enter/openid", "").header("location"),
            Some("/"),
            "nobody is asked for a name"
        );
        assert_eq!(ask(to, "GET", "/enter/openid/back?state=good&code=ida", "").status, 404);
    });
}

#[test]
fn whoever_comes_back_from_the_provider_is_in_or_told_why_not() {
    with(provided(), |to| {
        let back = |query: &str| {
            ask(to, "GET", &format!("/enter/openid/back?{query}"), "Cookie: a=b; ullage_ticket=ticket\r\n")
        };
        let came = back("state=good&code=ida");
        assert_eq!((came.status, came.header("location")), (303, Some("/machines/1")));
        let cookies: Vec<_> = came.headers("set-cookie").collect();
        assert!(cookies[0].starts_with(&format!("ullage_visit={}; ", key(3).letters())), "{cookies:?}");
        assert_eq!(cookies[1], "ullage_ticket=; Path=/; HttpOnly; SameSite=Lax; Max-Age=0");
        assert_eq!(back("state=good&code=led+astray").header("location"), Some("/"));
        for (query, says) in [
            (
                "state=good&code=eve",
                "says that you are “<Eve>”, and nobody of that name comes in here".to_owned(),
            ),
            ("state=good&error=access_denied", "did not let you in, and says access_denied.".to_owned()),
            ("state=other&code=ida", "begin again".to_owned()),
            ("state=good&state=good&code=ida", "begin again".to_owned()),
            ("code=ida", "begin again".to_owned()),
        ] {
            let refused = back(query);
            assert_eq!(refused.status, 403, "{query}");
            let told = text(&refused.body).replace("&#60;", "<").replace("&#62;", ">");
            assert!(told.contains(&says), "{query}: {told}");
            assert!(!refused.body.contains("<Eve>"));
            // A link elsewhere ends nobody's sign-in.
            assert_eq!(refused.header("set-cookie").is_none(), says == "begin again", "{query}");
        }
        let nothing = ask(to, "GET", "/enter/openid/back?state=good&code=ida", "");
        assert_eq!(nothing.status, 403, "another browser carries no ticket");
    });
}
