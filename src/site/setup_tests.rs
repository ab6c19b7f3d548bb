//! The set-up pages over a real socket, from fixture data.

use super::fixtures::Fixture;
use super::shelf_tests::post;
use super::tests::{ask, check_ids, check_nesting, full, send, text, with};

#[test]
fn secrets_that_were_typed_never_come_back() {
    with(full(), |to| {
        for (path, body) in [
            ("/setup/devices/try", "address=10.0.0.7&credential=v2c&community=hush-hush"),
            (
                "/setup/credentials",
                "name=Loft&version=v3&user=loft&auth_protocol=sha256&auth_password=hush-hush",
            ),
            (
                "/setup/credentials/3",
                "name=Loft&version=v3&user=loft&privacy_password=hush-hush&community=hush-hush",
            ),
        ] {
            let page = post(to, path, body);
            assert_eq!(page.status, 422, "{path}");
            assert!(!page.body.contains("hush-hush"), "{path}: {}", page.body);
            assert!(page.body.contains("class=\"error\""), "{path}");
            check_nesting(path, &page.body);
            check_ids(path, &page.body);
        }
        let page = post(to, "/setup/devices/try", "address=10.0.0.7&credential=v2c");
        assert!(
            page.body.contains("value=\"10.0.0.7\"") && text(&page.body).contains("10.0.0.7 did not answer.")
        );
        assert!(
            text(&post(to, "/setup/devices/try", "address=a+b&credential=v2c").body)
                .contains("Write it like")
        );
    });
}

#[test]
fn what_was_found_can_be_chosen_unless_it_is_watched_or_no_printer() {
    with(full(), |to| {
        let page = ask(to, "GET", "/setup/discover", "").body;
        assert_eq!(page.matches("name=\"found\"").count(), 1, "{page}");
        for said in ["Two printers, 1 other, 1 that refused in all", "Watched as Bobbin.", "No printer."] {
            assert!(text(&page).contains(said), "{said}: {}", text(&page));
        }
        assert!(!page.contains("http-equiv=\"refresh\""), "it is over");
        let words = text(&post(to, "/setup/discover/add", "").body);
        assert!(words.contains("Nothing is chosen"), "{words}");
        let part = post(to, "/setup/discover", "range=10.0.0.0%2F24&part=11.0.0.0%2F24&port=161");
        assert!(part.status == 422 && text(&part.body).contains("not inside a range"), "{}", part.body);
        assert_eq!(post(to, "/setup/discover", "range=10.0.0.0%2F24&port=0").status, 422);
    });
    // The fixture's search runs as long as there is a notice.
    with(Fixture { notice: Some("Searching.".to_owned()), ..full() }, |to| {
        let page = ask(to, "GET", "/setup/discover", "").body;
        assert!(page.contains("http-equiv=\"refresh\"") && page.contains("<progress"), "{page}");
        assert!(!page.contains("name=\"found\""), "nothing is chosen from a list that grows");
        assert!(!ask(to, "GET", "/setup/discover?still", "").body.contains("http-equiv"));
    });
}

#[test]
fn a_list_is_rehearsed_and_every_bad_row_told() {
    with(full(), |to| {
        let sent = |text: &str| {
            let body =
                format!("--x\r\nContent-Disposition: form-data; name=\"text\"\r\n\r\n{text}\r\n--x--\r\n");
            let from = format!(
                "Origin: http://localhost:{}\r\nContent-Type: multipart/form-data; boundary=x\r\nContent-Length: {}\r\n",
                to.port(),
                body.len()
            );
            send(to, "POST", "/setup/import", &from, &body)
        };
        let good = sent("address,name\n10.0.0.7,Bobbin\n");
        assert_eq!((good.status, good.header("cache-control")), (200, Some("no-store")));
        assert!(text(&good.body).contains("2 Bobbin 10.0.0.7 would be added"), "{}", text(&good.body));
        let bad = sent("address,port\na b,\n10.0.0.8,0\n");
        assert_eq!(bad.status, 422);
        for said in ["a b&#39; is no address", "line 3: port &#39;0&#39; is not a port"] {
            assert!(text(&bad.body).contains(said), "{}", text(&bad.body));
        }
        assert_eq!(sent("").status, 422);
        assert_eq!(post(to, "/setup/import", "text=address").status, 400);
        assert_eq!(post(to, "/setup/import/keep", "text=address%0A10.0.0.7%0A").status, 303);
    });
}
