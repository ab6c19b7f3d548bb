//! The pages of swaps over a real socket, from fixture data.

use std::net::SocketAddr;

use super::fixtures::{Fixture, Mood};
use super::tests::{Answer, ask, full, send, text, with};

fn post(to: SocketAddr, path: &str, body: &str) -> Answer {
    let own = format!(
        "Origin: http://localhost:{}\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
        to.port(),
        body.len()
    );
    send(to, "POST", path, &own, body)
}

fn lacks_none(page: &str, parts: &[&str]) {
    for part in parts {
        assert!(page.contains(part), "lacks '{part}':\n{page}");
    }
}

#[test]
fn a_swap_begins_with_the_lot_to_take_and_not_while_the_machine_prints() {
    with(full(), |to| {
        let begin = "/machines/1/supplies/1/swap";
        let page = text(&ask(to, "GET", begin, "").body);
        lacks_none(
            &page,
            &[
                "Swap Cyan",
                "made 1 Mar 2025",
                "take this one",
                "past its date",
                "Never just pull",
                "Caution:",
            ],
        );
        let refused = post(to, begin, "lot=3&who=Ida&why=printing");
        assert_eq!(refused.status, 422);
        lacks_none(&text(&refused.body), &["The machine is printing: a swap begins when it rests."]);
        assert_eq!(post(to, begin, "lot=3&who=Ida").header("location"), Some("/swaps/7"));
        assert_eq!(post(to, begin, "lot=3").status, 422);
        lacks_none(
            &text(&ask(to, "GET", "/machines/1/heads/4/swap", "").body),
            &["Swap Head 4", "Never touch its contacts"],
        );
        for nowhere in ["/machines/2/supplies/1/swap", "/machines/1/heads/x/swap", "/swaps/99", "/swaps/x"] {
            assert_eq!(ask(to, "GET", nowhere, "").status, 404, "{nowhere}");
        }
    });
}

#[test]
fn a_step_waits_for_the_machine_and_is_left_out_only_with_a_reason() {
    with(full(), |to| {
        let page = text(&ask(to, "GET", "/swaps/7", "").body);
        lacks_none(
            &page,
            &[
                "step 3 of 7",
                "The machine is asked whether a cover is open",
                "Leave this step out",
                "Give the swap up",
            ],
        );
        let refused = post(to, "/swaps/7/2/done", "who=Ida");
        assert_eq!(refused.status, 422);
        lacks_none(&text(&refused.body), &["Not confirmed yet: the machine says that every door is closed."]);
        let without = post(to, "/swaps/7/2/skip", "who=Ida&why=+");
        assert_eq!(without.status, 422);
        lacks_none(&text(&without.body), &["Fill this in."]);
        assert_eq!(post(to, "/swaps/7/2/skip", "who=Ida&why=-").status, 422);
        assert_eq!(post(to, "/swaps/7/2/skip", "who=Ida&why=no+door").status, 303);
        assert_eq!(post(to, "/swaps/7/2/leap", "who=Ida").status, 404);
        lacks_none(
            &text(&ask(to, "GET", "/swaps/8", "").body),
            &["Every step is behind you", "End: write the swap down"],
        );
        assert_eq!(post(to, "/swaps/8/7/end", "who=Ida").status, 303);
        lacks_none(&text(&ask(to, "GET", "/swaps/12", "").body), &["Warranty until"]);
        assert_eq!(post(to, "/swaps/12/8/end", "who=Ida&warranty_until=soon").status, 422);
    });
}

#[test]
fn the_record_is_found_and_read_as_a_file() {
    with(full(), |to| {
        let page = text(&ask(to, "GET", "/swaps", "").body);
        lacks_none(
            &page,
            &[
                "18 ml",
                "VO-C-775, made 1 Mar 2025",
                "swapped, one step left out; with a picture",
                "given up: the new one leaks",
                "under way, step 3 of 7",
            ],
        );
        lacks_none(&text(&ask(to, "GET", "/swaps?find=nothing", "").body), &["Nothing was found."]);
        lacks_none(&text(&ask(to, "GET", "/swaps?from=March", "").body), &["Write it as 2026-03-14."]);
        let file = ask(to, "GET", "/swaps.csv", "");
        assert_eq!(file.header("content-type"), Some("text/csv; charset=utf-8"));
        lacks_none(
            &file.body,
            &["swap,machine,supply,kind,begun", "9,Bobbin,Cyan,cartridge,", ",18.000,765.000,ml,1"],
        );
        assert_eq!(ask(to, "GET", "/swaps.csv?lot=x", "").status, 400);
        let made = text(&ask(to, "GET", "/swaps/9", "").body);
        lacks_none(&made, &["The old one had", "left out: the machine", "Keep a picture"]);
    });
    with(Fixture::new(Mood::Empty), |to| {
        lacks_none(&text(&ask(to, "GET", "/swaps", "").body), &["No swap has been made by a guide yet."]);
        assert_eq!(ask(to, "GET", "/swaps/9/photo", "").status, 404);
    });
}

#[test]
fn a_picture_is_taken_by_what_it_is() {
    with(full(), |to| {
        let shown = ask(to, "GET", "/swaps/9/photo", "");
        assert_eq!(shown.header("content-type"), Some("image/webp"));
        assert_eq!(shown.header("x-content-type-options"), Some("nosniff"));
        let form = "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.png\"\r\n\r\n<svg>\r\n--x\r\n\
                    Content-Disposition: form-data; name=\"who\"\r\n\r\nIda\r\n--x--\r\n";
        let own = format!(
            "Origin: http://localhost:{}\r\nContent-Type: multipart/form-data; boundary=x\r\nContent-Length: {}\r\n",
            to.port(),
            form.len()
        );
        let refused = send(to, "POST", "/swaps/9/photo", &own, form);
        assert_eq!(refused.status, 422);
        lacks_none(&text(&refused.body), &["Choose a picture: PNG, JPEG or WebP."]);
    });
}

#[test]
fn guides_are_shown_and_written_version_by_version() {
    with(full(), |to| {
        let page = text(&ask(to, "GET", "/setup/guides", "").body);
        lacks_none(&page, &["Cartridge, every model", "the door sticks", "2 counts"]);
        let wrong = post(to, "/setup/guides?kind=cartridge", "steps=%5Bsunshine%5D+Wait.&who=Ada&why=");
        assert_eq!(wrong.status, 422);
        lacks_none(&text(&wrong.body), &["Nothing was written", "Line 1: a device cannot confirm"]);
        let right = post(to, "/setup/guides?kind=cartridge", "steps=%5Bnew+level%5D+Wait.&who=Ada&why=");
        assert_eq!(right.header("location"), Some("/setup/guides?done=guide"));
        assert_eq!(post(to, "/setup/guides?kind=sunshine", "steps=Wait.&who=Ada").status, 404);
    });
}
