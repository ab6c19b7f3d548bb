//! The site over a real socket on the loopback address, from fixture data.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

use super::fixtures::{Fixture, Mood, at, device};
use super::guard::{Guard, Hosts};
use super::{guarded, router};
use crate::usecase::view::Silence;

pub(crate) struct Answer {
    pub(crate) status: u16,
    head: String,
    pub(crate) body: String,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers(name).next()
    }

    pub(crate) fn headers(&self, name: &str) -> impl Iterator<Item = &str> {
        let prefix = format!("{name}: ");
        self.head.lines().filter_map(move |line| line.strip_prefix(prefix.as_str()))
    }
}

pub(crate) fn ask(to: SocketAddr, method: &str, path: &str, extra: &str) -> Answer {
    send(to, method, path, extra, "")
}

/// A request with a body, whose headers `extra` has to name.
pub(super) fn send(to: SocketAddr, method: &str, path: &str, extra: &str, body: &str) -> Answer {
    let host =
        if extra.contains("Host:") { String::new() } else { format!("Host: localhost:{}\r\n", to.port()) };
    let mut stream = TcpStream::connect(to).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    write!(stream, "{method} {path} HTTP/1.1\r\n{host}{extra}Connection: close\r\n\r\n{body}").unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    Answer { status, head: head.to_owned(), body: body.to_owned() }
}

/// Serves a source for as long as the asking lasts.
pub(crate) fn with(source: Fixture, asking: impl FnOnce(SocketAddr)) {
    serve(router(source), asking);
}

pub(super) fn serve(router: axum::Router, asking: impl FnOnce(SocketAddr)) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let listener = runtime.block_on(tokio::net::TcpListener::bind("127.0.0.1:0")).unwrap();
    let address = listener.local_addr().unwrap();
    let router = router.into_make_service_with_connect_info::<SocketAddr>();
    runtime.spawn(async move { axum::serve(listener, router).await });
    asking(address);
    runtime.shutdown_background();
}

fn get(source: Fixture, path: &str) -> Answer {
    let mut answer = None;
    with(source, |to| answer = Some(ask(to, "GET", path, "")));
    answer.unwrap()
}

pub(crate) fn full() -> Fixture {
    Fixture::new(Mood::Full)
}

const PAGES: [&str; 36] = [
    "/swaps",
    "/swaps/7",
    "/swaps/8",
    "/swaps/9",
    "/swaps/11",
    "/swaps/12",
    "/setup/guides",
    "/machines/1/supplies/1/swap",
    "/machines/1/heads/4/swap",
    "/runs",
    "/runs/check?area=60&media=matte",
    "/machines/1/supplies/1",
    "/machines/1/supplies/1?days=365",
    "/machines/1/supplies/9?days=7",
    "/setup",
    "/setup/devices",
    "/setup/credentials",
    "/setup/credentials/3",
    "/setup/discover",
    "/setup/import",
    "/",
    "/tasks",
    "/machines",
    "/machines?by=cost-centre&find=e",
    "/machines/1",
    "/machines/1?days=365",
    "/machines/1/heads",
    "/alerts",
    "/months",
    "/months?show=EUR",
    "/months/2026-10",
    "/shelf",
    "/shelf/count",
    "/shelf/new",
    "/shelf/parts/VO-C%2F775/entry",
    "/shelf/parts/VO-C%2F775",
];

/// Text without tags, spaces run together.
pub(super) fn text(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for letter in html.chars() {
        match letter {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            letter if !inside => text.push(letter),
            _ => {}
        }
    }
    text.replace('\u{a0}', " ").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn every_page_is_well_formed_and_complete() {
    with(full(), |to| {
        for path in PAGES {
            let page = ask(to, "GET", path, "");
            assert_eq!(page.status, 200, "{path}");
            assert_eq!(page.header("content-type"), Some("text/html; charset=utf-8"));
            assert_eq!(page.body.matches("<h1").count(), 1, "{path}");
            for part in ["lang=\"en\"", "<main id=\"content\"", "class=\"skip\"", "aria-label=\"Site\""] {
                assert!(page.body.contains(part), "{path} lacks {part}");
            }
            // The security policy allows neither, and a browser would drop them without a word.
            let inline = |html: &str| {
                html.matches("<script").count() != html.matches("<script src=\"/live.js?v=").count()
            };
            assert!(!inline(&page.body) && !page.body.contains("style=\""), "{path}");
            check_nesting(path, &page.body);
            check_headings(path, &page.body);
            check_ids(path, &page.body);
        }
    });
}

/// Every element that is opened is closed, in order.
pub(super) fn check_nesting(path: &str, html: &str) {
    const VOID: [&str; 4] = ["meta", "link", "col", "!doctype"];
    let mut open: Vec<&str> = Vec::new();
    for tag in html.split('<').skip(1) {
        let tag = tag.split('>').next().unwrap();
        let name = tag.split_whitespace().next().unwrap_or("").trim_end_matches('/');
        if let Some(closed) = name.strip_prefix('/') {
            assert_eq!(open.pop(), Some(closed), "{path}: </{closed}>");
        } else if !VOID.contains(&name) && !tag.ends_with('/') {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{path}: {open:?}");
}

/// Headings never skip a level on the way down.
fn check_headings(path: &str, html: &str) {
    let levels: Vec<u32> =
        html.split("<h").skip(1).filter_map(|rest| rest.chars().next()?.to_digit(10)).collect();
    assert_eq!(levels.first(), Some(&1), "{path}");
    assert!(levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{path}: {levels:?}");
}

/// No identity stands twice, and whatever is referred to is there.
pub(super) fn check_ids(path: &str, html: &str) {
    let values = |attribute: &str| -> Vec<String> {
        let start = format!(" {attribute}=\"");
        html.split(start.as_str()).skip(1).map(|rest| rest.split('"').next().unwrap().to_owned()).collect()
    };
    let mut ids = values("id");
    ids.sort();
    let count = ids.len();
    ids.dedup();
    assert_eq!(ids.len(), count, "{path}: an id stands twice");
    for label in values("aria-labelledby").iter().flat_map(|ids| ids.split(' ')) {
        assert!(ids.iter().any(|id| id == label), "{path}: no {label}");
    }
    for fill in html.split("url(#").skip(1).filter_map(|rest| rest.split(')').next()) {
        assert!(ids.iter().any(|id| id == fill), "{path}: no {fill}");
    }
}

#[test]
fn today_says_what_to_do_by_when() {
    let page = text(&get(full(), "/").body);
    for part in [
        "Three things to do today",
        "Four of six machines answer.",
        "Weft has been dark since Sun 22 Nov 2026, 18:40 ; its heads are not being cared for.",
        "Tassel has not answered for 20 minutes.",
        "Four alerts are open",
        "23 Mon Nov 2 days late Order 1 waste receptacle for Bobbin",
        "Bobbin, Light magenta: about 118 ml of 775 ml, 15 %; runs out 4–16 Dec, about 9 Dec; order by Fri 27 Nov, takes 7 days.",
        "72 % full",
        "5 Tue Jan 2027 Order 1 cyan for Gusset",
    ] {
        assert!(page.contains(part), "lacks '{part}':\n{page}");
    }
}

#[test]
fn a_day_with_many_tasks_folds_the_rest_away_and_later_days_stand_on_pages_of_their_own() {
    let busy = |tasks| Fixture { extra_tasks: tasks, ..full() };
    let few = text(&get(busy(7), "/").body);
    assert!(!few.contains("more for this day") && few.contains("Order 1 cyan for Gusset"), "{few}");
    let page = get(busy(40), "/").body;
    let words = text(&page);
    // 46 in all, 30 of them here: one of the 23rd and 29 of today.
    assert!(words.contains("43 things to do today") && words.contains("19 more for this day"), "{words}");
    assert!(words.contains("And 16 more") && page.contains("href=\"/tasks?page=2\""), "{words}");
    check_nesting("/", &page);
    let rest = get(busy(40), "/tasks?page=2").body;
    let words = text(&rest);
    assert!(words.contains("46 things to do") && words.contains("Things 31 to 46 of 46"), "{words}");
    assert!(words.contains("Order 1 cyan for Gusset") && rest.contains("href=\"/tasks\""), "{words}");
    check_nesting("/tasks?page=2", &rest);
}

#[test]
fn today_tells_what_changed_since_the_last_visit_and_only_a_person_visits() {
    with(full(), |to| {
        let first = ask(to, "GET", "/", "");
        assert!(!text(&first.body).contains("Since you last looked"));
        let cookie = first.header("set-cookie").expect("a cookie").to_owned();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"), "{cookie}");
        let last = at("2026-11-24T18:40:00Z").as_second();
        let later = ask(to, "GET", "/", &format!("Cookie: seen={last}.0\r\n"));
        let words = text(&later.body);
        for told in [
            "Since you last looked, Tue 24 Nov 2026, 18:40 : two alerts opened, one alert cleared",
            "one unit was swapped and twelve units came onto the shelf.",
        ] {
            assert!(words.contains(told), "{words}");
        }
        check_nesting("/", &later.body);
        let by_itself = ask(to, "GET", "/", &format!("Cookie: seen={last}.0\r\nUllage-Live: 1\r\n"));
        assert_eq!(by_itself.header("set-cookie"), None);
        assert!(text(&by_itself.body).contains("Since you last looked"));
    });
}

#[test]
fn the_script_is_named_by_its_content_and_pages_ask_for_nothing_from_elsewhere() {
    let page = get(full(), "/");
    let policy = page.header("content-security-policy").unwrap().to_owned();
    assert!(policy.contains("script-src 'self'") && !policy.contains("unsafe"), "{policy}");
    let href = page.body.split("<script src=\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap();
    let script = get(full(), href);
    assert_eq!(script.header("content-type"), Some("text/javascript; charset=utf-8"));
    assert_eq!(script.header("cache-control"), Some("public, max-age=31536000, immutable"));
    assert!(!script.body.contains("http:") && !script.body.contains("eval("));
    // A source that tells nothing says so.
    assert_eq!(get(full(), "/changes").status, 503);
}

#[test]
fn tasks_are_found_by_words_and_kind() {
    let found = text(&get(full(), "/tasks?find=COLOUR+gusset&kind=order").body);
    assert!(found.contains("Nothing found") && found.contains("Show everything"), "{found}");
    let found = get(full(), "/tasks?find=gusset+CYAN&kind=order").body;
    let words = text(&found);
    assert!(words.contains("One thing to do") && words.contains("Order 1 cyan for Gusset"), "{words}");
    assert!(!words.contains("Bobbin"), "{words}");
    assert!(
        found.contains("href=\"/tasks?find=gusset+CYAN&amp;kind=swap\"")
            || found.contains("href=\"/tasks?find=gusset+CYAN&#38;kind=swap\""),
        "{found}"
    );
    assert!(found.contains("value=\"gusset CYAN\""), "what was typed stays: {found}");
    // What nobody knows asks for nothing.
    assert!(text(&get(full(), "/tasks?kind=x&page=-1").body).contains("Six things to do"));
}

#[test]
fn machines_are_found_filtered_sorted_and_grouped_by_the_address() {
    let names = |path: &str| -> Vec<String> {
        let page = get(full(), path).body;
        check_nesting(path, &page);
        let heads = page.split("class=\"m-who\"").skip(1);
        heads
            .map(|rest| {
                text(rest.split("</a>").next().unwrap_or_default())
                    .rsplit('>')
                    .next()
                    .unwrap_or_default()
                    .trim()
                    .to_owned()
            })
            .collect()
    };
    assert_eq!(names("/machines"), ["Bobbin", "Gusset", "Selvage", "Tassel", "Thimble", "Weft"]);
    assert_eq!(names("/machines?sort=ends")[..2], ["Thimble", "Bobbin"]);
    assert_eq!(names("/machines?sort=silence")[..2], ["Weft", "Tassel"]);
    assert_eq!(names("/machines?sort=alerts")[0], "Bobbin");
    assert_eq!(names("/machines?show=silent&sort=silence"), ["Weft", "Tassel"]);
    assert_eq!(names("/machines?find=THIM"), ["Thimble"]);
    assert_eq!(names("/machines?find=nobody"), Vec::<String>::new());
    let page = text(&get(full(), "/machines?find=nobody").body);
    assert!(page.contains("No machine found") && page.contains("Show all of them"), "{page}");
    assert_eq!(names("/machines?by=place").len(), 6);
    let grouped = get(full(), "/machines?by=place").body;
    assert!(grouped.contains("class=\"group-name\"") && grouped.contains("&#38;within="), "{grouped}");
    assert!(text(&get(full(), "/machines?show=silent").body).contains("Two of six machines"));
}

#[test]
fn an_empty_store_says_what_would_fill_it() {
    let empty = || Fixture::new(Mood::Empty);
    let today = text(&get(empty(), "/").body);
    assert!(today.contains("No machines yet") && today.contains("ullage devices add ADDRESS"), "{today}");
    assert!(today.contains("ullage demo"), "{today}");
    for path in ["/", "/machines"] {
        let page = get(empty(), path).body;
        for way in
            ["href=\"/setup/devices\"", "href=\"/setup/discover\"", "href=\"/setup/import\"", "ullage demo"]
        {
            assert!(page.contains(way), "{path} does not lead to {way}");
        }
    }
    assert!(text(&get(empty(), "/alerts").body).contains("No alert is open"));
    assert!(text(&get(empty(), "/months/2026-10").body).contains("Nothing was read in this month"));
}

#[test]
fn a_machine_tells_its_state_in_plain_words() {
    let page = text(&get(full(), "/machines/1?days=30").body);
    for part in [
        "Printing, with a warning",
        "somebody has to come",
        "It says: media are running low; a door is open.",
        "No date yet: it went in 3 days ago",
        "more is in it than it can hold",
        "Roll cover is open",
        "48 211 metres",
        "Scrim muslin",
        "New unit in",
        "Silences in these 30 days: 2",
    ] {
        assert!(page.contains(part), "lacks '{part}':\n{page}");
    }
}

#[test]
fn a_machine_that_never_answered_is_not_called_dark() {
    let mut device = device(6, "Weft");
    let since = at("2026-11-22T18:40:00Z");
    device.silent = Some(Silence { since, dark: true, fault: "no answer within 2 seconds".into() });
    device.last_answer_at = None;
    let source = Fixture { also: vec![device], ..full() };
    with(source, |to| {
        let today = text(&ask(to, "GET", "/", "").body);
        assert!(
            today.contains("Weft has not answered since it was added, Sun 22 Nov 2026, 18:40"),
            "{today}"
        );
        assert!(!today.contains("cared for"), "{today}");
        let all = text(&ask(to, "GET", "/machines", "").body);
        assert!(all.contains("Has not answered since it was added"), "{all}");
    });
}

#[test]
fn a_month_stands_as_a_page_and_as_a_file() {
    with(full(), |to| {
        let page = ask(to, "GET", "/months/2026-10", "");
        let words = text(&page.body);
        assert!(words.contains("October 2026") && words.contains("The month is complete."), "{words}");
        assert!(
            words.contains(
                "Figures for 98 % of the time; answered 99 % of the time it was asked; put out 1204 metres; 1.58 ml of \
                 ink for each of these metres; charged to Scenery."
            ),
            "{words}"
        );
        for ending in ["pdf", "csv", "xlsx", "json"] {
            assert!(page.body.contains(&format!("href=\"/months/2026-10.{ending}\"")), "{ending}");
        }
        let file = ask(to, "GET", "/months/2026-10.csv", "");
        assert_eq!(file.header("content-type"), Some("text/csv; charset=utf-8; header=present"));
        assert_eq!(file.header("content-disposition"), Some("attachment; filename=\"supplies-2026-10.csv\""));
        let row = "\r\n2026-10,Bobbin,Scenery,Cyan,consumed,ml,411.000,0.000,0.000,1,6.400,0.982,0.990,";
        assert!(file.body.contains(row), "{}", file.body);
        assert_eq!(ask(to, "GET", "/months/2026-10.doc", "").status, 404);
    });
}

#[test]
fn wrong_addresses_get_pages_that_help() {
    with(full(), |to| {
        for (path, status, says) in [
            ("/nowhere", 404, "There is no page here"),
            ("/machines/77", 404, "There is no such machine"),
            ("/machines/x%3Cb%3E", 404, "There is no such machine"),
            ("/machines/99999999999999999999", 404, "There is no such machine"),
            ("/machines/%ff", 404, "There is no page here"),
            ("/machines/1?days=8", 400, "That is not a span of days"),
            ("/machines/1?days=7&days=8", 400, "That is not a span of days"),
            ("/months/2026-13", 400, "write it as 2026-10"),
            ("/months/tomorrow.csv", 400, "That is not a month"),
            ("/months/2026-12", 404, "December 2026 has not begun"),
            ("/months?show=XXX", 404, "There is no page here"),
        ] {
            let page = ask(to, "GET", path, "");
            assert_eq!(page.status, status, "{path}");
            assert!(text(&page.body).contains(says), "{path}: {}", text(&page.body));
            assert!(page.body.contains("class=\"masthead\""), "{path}");
        }
    });
}

#[test]
fn what_fails_inside_stays_inside() {
    let page = get(Fixture::new(Mood::Failing), "/");
    assert_eq!(page.status, 500);
    assert!(page.body.contains("The page could not be made"));
    assert!(!page.body.contains("secret") && !page.body.contains("slots"));
}

#[test]
fn a_page_that_hangs_is_given_up() {
    let source = Fixture::new(Mood::Hanging);
    let guard = Guard { source, hosts: Hosts::Loopback, patience: Duration::from_millis(20) };
    serve(guarded(guard), |to| {
        let page = ask(to, "GET", "/", "");
        assert_eq!(page.status, 503);
        assert!(page.body.contains("The page took too long"));
    });
}

#[test]
fn names_from_devices_are_text() {
    let hostile = "<script>alert(1)</script>\"'&";
    let source = Fixture { name: hostile.into(), notice: Some(hostile.into()), ..full() };
    with(source, |to| {
        for path in PAGES {
            let page = ask(to, "GET", path, "");
            assert_eq!(page.status, 200);
            assert!(!page.body.contains("<script>"), "{path}");
            assert!(page.body.contains("&#60;script&#62;"), "{path}");
            check_nesting(path, &page.body);
        }
    });
}

#[test]
fn the_notice_stands_on_every_page() {
    let text = "This is a demo: the machines are invented.";
    with(Fixture { notice: Some(text.into()), ..full() }, |to| {
        for path in PAGES.into_iter().chain(["/nowhere", "/months/x"]) {
            assert!(ask(to, "GET", path, "").body.contains(text), "{path}");
        }
    });
}

#[test]
fn only_reading_is_answered_and_only_under_own_names() {
    with(full(), |to| {
        let post = ask(to, "POST", "/", "Content-Length: 0\r\n");
        assert_eq!((post.status, post.header("allow")), (405, Some("GET, HEAD")));
        let head = ask(to, "HEAD", "/", "");
        assert_eq!((head.status, head.body.as_str()), (200, ""));
        for host in ["Host: rebound.example\r\n", "Host: 127.0.0.1.example:80\r\n", "Host: \r\n"] {
            let page = ask(to, "GET", "/", host);
            assert_eq!(page.status, 421, "{host}");
            assert!(!page.body.contains("Thimble"));
        }
        assert_eq!(ask(to, "GET", "/healthz", "Host: [::1]:80\r\n").body, "ok");
    });
}

#[test]
fn every_answer_carries_the_security_headers() {
    with(full(), |to| {
        for path in ["/", "/nowhere", "/style.css", "/healthz", "/months/2026-10.csv"] {
            let answer = ask(to, "GET", path, "");
            let policy = answer.header("content-security-policy").unwrap();
            assert!(policy.starts_with("default-src 'none'; style-src 'self';"), "{policy}");
            assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
            assert_eq!(answer.header("referrer-policy"), Some("same-origin"));
            assert_eq!(answer.header("strict-transport-security"), None);
        }
    });
    with(Fixture { https: true, ..full() }, |to| {
        for path in ["/", "/nowhere", "/style.css", "/healthz", "/enter"] {
            let answer = ask(to, "GET", path, "");
            assert_eq!(answer.header("strict-transport-security"), Some("max-age=31536000"), "{path}");
        }
    });
}

#[test]
fn the_style_sheet_is_kept_by_its_content() {
    with(full(), |to| {
        let page = ask(to, "GET", "/", "");
        let href = page.body.split("rel=\"stylesheet\" href=\"").nth(1).unwrap().split('"').next().unwrap();
        let style = ask(to, "GET", href, "");
        assert_eq!(style.header("cache-control"), Some("public, max-age=31536000, immutable"));
        assert_eq!(ask(to, "GET", "/style.css?v=old", "").header("cache-control"), Some("no-cache"));
        let known = format!("If-None-Match: {}\r\n", style.header("etag").unwrap());
        assert_eq!(ask(to, "GET", "/style.css", &known).status, 304);
    });
}

/// A colour's relative luminance, and the contrast of two: WCAG 2.2, "relative luminance" and "contrast ratio".
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |colour: &str| {
        let digits = colour.trim_start_matches('#');
        let digits: String =
            if digits.len() == 3 { digits.chars().flat_map(|d| [d, d]).collect() } else { digits.to_owned() };
        let channel = |at: usize| {
            let value = f64::from(u8::from_str_radix(&digits[at..at + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(0) + 0.7152 * channel(2) + 0.0722 * channel(4)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// The style sheet's colours by rule and name, as they stand in the light and in the dark.
fn colours() -> [BTreeMap<(String, String), String>; 2] {
    let style = include_str!("../../static/style.css");
    let (light, rest) = style.split_once("@media (prefers-color-scheme: dark) {").unwrap();
    let (dark, _) = rest.split_once("\n}\n").unwrap();
    let mut themes = [BTreeMap::new(), BTreeMap::new()];
    for (theme, text) in [(0, light), (1, light), (1, dark)] {
        for rule in text.split('}') {
            let Some((name, body)) = rule.rsplit_once('{') else { continue };
            let name = name.rsplit(['\n', '/']).find(|line| !line.trim().is_empty()).unwrap_or("").trim();
            for (key, value) in body.split(';').filter_map(|part| part.trim().split_once(": ")) {
                if key.starts_with("--") && value.starts_with('#') {
                    themes[theme].insert((name.to_owned(), key.to_owned()), value.to_owned());
                }
            }
        }
    }
    themes
}

/// WCAG 2.2, 1.4.3 (text, 4.5 to 1) and 1.4.11 (what graphics are told by, 3 to 1).
#[test]
fn colours_can_be_told_apart_in_the_light_and_in_the_dark() {
    for theme in colours() {
        let root = |name: &str| theme[&(":root".to_owned(), name.to_owned())].as_str();
        for text in ["--text", "--soft", "--rubric"] {
            for paper in ["--paper", "--paper-deep"] {
                assert!(contrast(root(text), root(paper)) >= 4.5, "{text} on {paper}");
            }
        }
        for line in ["--focus", "--line"] {
            assert!(contrast(root(line), root("--paper")) >= 3.0, "{line}");
        }
        let inks: Vec<_> = theme.keys().filter(|(_, key)| key == "--ink").map(|(rule, _)| rule).collect();
        assert_eq!(inks.len(), 19);
        for ink in inks {
            let of = |key: &str| theme[&(ink.clone(), key.to_owned())].as_str();
            assert!(contrast(of("--on"), of("--ink")) >= 4.5, "letters on {ink}");
            assert!(contrast(of("--rim"), root("--paper")) >= 3.0, "rim of {ink}");
        }
    }
}
