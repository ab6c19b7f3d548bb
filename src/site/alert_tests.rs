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
        let sought = ask(to, "GET", "/alerts?find=nothing+of+the+kind&cleared=2", "").body;
        assert!(
            sought.contains("No open alert says this.") && sought.contains("value=\"nothing of the kind\"")
        );
        assert!(sought.contains("find=nothing+of+the+kind&#38;cleared=1#cleared"), "{sought}");
        check_ids("/alerts", &sought);
        let second = ask(to, "GET", "/alerts?cleared=2", "").body;
        assert!(second.contains("href=\"/alerts?cleared=1#cleared\">Newer") && !second.contains(">Older"));
        let lost = text(&ask(to, "GET", "/alerts?cleared=900", "").body);
        assert!(lost.contains("None older than these"), "{lost}");
    });
    with(Fixture::new(Mood::Empty), |to| {
        let words = text(&ask(to, "GET", "/alerts", "").body);
        assert!(words.contains("None so far.") && words.contains("What would stand here: a receptacle"));
    });
}

#[test]
fn who_is_told_can_be_changed_and_messages_tried_again() {
    with(full(), |to| {
        let page = ask(to, "GET", "/alerts/told", "");
        check_ids("/alerts/told", &page.body);
        check_nesting("/alerts/told", &page.body);
        let words = text(&page.body);
        for part in [
            "Every alert, at once. Machine dark at Bobbin, if nobody has seen it for 4 hours.",
            "Left alone from 20:00 to 07:30. On working days only.",
            "given up Tue 24 Nov 2026, 15:30",
            "Mail.vellmoor.example:587: no such mailbox.",
            "handed over Tue 24 Nov 2026, 15:21",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        let form = "name=Bea&channel=mail&address=bea%40vellmoor.example&least=warning&rule=&device=&after=0&\
                    quiet_from=20:00&quiet_until=07:30&days=working";
        assert_eq!(post(to, "/alerts/told/add", form).header("location"), Some("/alerts/told?added"));
        let change = "least=critical&quiet_from=21:00&quiet_until=06:00&days=";
        let changed = post(to, "/alerts/told/change", &format!("recipient=1&{change}"));
        assert_eq!(changed.header("location"), Some("/alerts/told?changed"));
        assert_eq!(post(to, "/alerts/told/change", &format!("recipient=7&{change}")).status, 422);
        assert_eq!(post(to, "/alerts/told/again", "message=3").status, 303);
        assert_eq!(post(to, "/alerts/told/again", "message=1").status, 422);
        assert_eq!(post(to, "/alerts/told/remove", "recipient=1").status, 303);
        assert_eq!(post(to, "/alerts/told/route", "recipient=1&rule=dark&device=1&after=4").status, 303);
        assert_eq!(post(to, "/alerts/told/nothing", "").status, 404);
    });
}

#[test]
fn what_is_wrong_with_a_recipient_stands_beside_it() {
    with(full(), |to| {
        let wrong =
            "name=&channel=pigeon&address=&least=&rule=x&device=&after=0&quiet_from=8pm&quiet_until=&days=";
        let answer = post(to, "/alerts/told/add", wrong);
        assert_eq!(answer.status, 422);
        let words = text(&answer.body);
        assert!(words.contains("Write it like 20:00.") && words.contains("Fill this in."), "{words}");
        let own =
            "name=Bea&channel=webhook&address=http://127.0.0.1/&least=other&rule=&device=&after=0&days=";
        assert!(text(&post(to, "/alerts/told/add", own).body).contains("It is private."));
        let twice = "name=Ada&channel=mail&address=a%40b.example&least=other&rule=&device=&after=0&days=";
        assert!(text(&post(to, "/alerts/told/add", twice).body).contains("Somebody is told under the name"));
    });
}

#[test]
fn the_feeds_open_by_their_secret_alone_and_show_it_once() {
    with(full(), |to| {
        let page = ask(to, "GET", "/alerts/feeds", "");
        check_ids("/alerts/feeds", &page.body);
        check_nesting("/alerts/feeds", &page.body);
        assert!(text(&page.body).contains("Nobody can look them up again"));
        let made = post(to, "/alerts/feeds/renew", "");
        assert_eq!((made.status, made.header("cache-control")), (200, Some("no-store")));
        check_ids("/alerts/feeds/renew", &made.body);
        assert!(made.body.contains("http://loft.example:7830/feeds/fresh/tasks.ics"));
        let stopped = post(to, "/alerts/feeds/stop", "");
        assert_eq!(stopped.header("location"), Some("/alerts/feeds?stopped"));
        assert_eq!(post(to, "/alerts/feeds/burn", "").status, 404);

        let tasks = ask(to, "GET", "/feeds/fresh/tasks.ics", "");
        assert_eq!(tasks.header("content-type"), Some("text/calendar; charset=utf-8"));
        assert!(
            tasks.body.contains("BEGIN:VTODO\r\n") && tasks.body.contains("URL:http://loft.example:7830/")
        );
        assert!(ask(to, "GET", "/feeds/fresh/days.ics", "").body.contains("BEGIN:VEVENT\r\n"));
        let feed = ask(to, "GET", "/feeds/fresh/alerts.atom", "");
        assert_eq!(feed.header("content-type"), Some("application/atom+xml; charset=utf-8"));
        assert_eq!(feed.body.matches("<entry>").count(), 4, "{}", feed.body);
        for lost in ["/feeds/stale/tasks.ics", "/feeds/fresh/tasks", "/feeds/fresh", "/feeds//tasks.ics"] {
            assert_eq!(ask(to, "GET", lost, "").status, 404, "{lost}");
        }
    });
    with(Fixture::new(Mood::Empty), |to| {
        assert!(text(&ask(to, "GET", "/alerts/feeds", "").body).contains("There is no address yet."));
        assert!(ask(to, "GET", "/feeds/fresh/tasks.ics", "").body.contains("BEGIN:VTIMEZONE"));
    });
}

#[test]
fn a_rule_is_tried_on_the_past_before_it_is_kept() {
    with(full(), |to| {
        for path in ["/alerts/rules", "/alerts/rules/waste_order_point", "/alerts/rules/replace_now"] {
            let page = ask(to, "GET", path, "");
            assert_eq!(page.status, 200, "{path}");
            check_ids(path, &page.body);
            check_nesting(path, &page.body);
        }
        let list = text(&ask(to, "GET", "/alerts/rules", "").body);
        assert!(list.contains("Opens at 70 % full, and clears below 65. Severity: warning."), "{list}");
        let change = |scope: &str, open_at: &str, clear_at: &str, rest: &str| {
            let form = format!(
                "scope={scope}&on=on&open_at={open_at}&clear_at={clear_at}&lasting=0&grade=warning&{rest}"
            );
            post(to, "/alerts/rules/waste_order_point/change", &form)
        };
        let tried = change("everywhere", "60", "55", "who=&do=try");
        assert_eq!(tried.status, 200);
        check_ids("the preview", &tried.body);
        check_nesting("the preview", &tried.body);
        let words = text(&tried.body);
        for part in [
            "With this rule, the last 90 days would have told you twice, everywhere",
            "Opens at 60 % full, and clears below 55. Severity: warning. Nothing is changed until you keep it.",
            "Bobbin, Waste receptacle",
            "at 70.04 % full, cleared after 3 days 1 hour",
            "Told once in the last 90 days",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        assert!(tried.body.contains("value=\"60\""), "what was typed is kept");
        let kept = change("device:1", "60", "55.5", "who=Ada&do=keep");
        assert_eq!(kept.header("location"), Some("/alerts/rules/waste_order_point?kept"));
        let reset = post(to, "/alerts/rules/waste_order_point/reset", "scope=device:1");
        assert_eq!(reset.header("location"), Some("/alerts/rules/waste_order_point?reset"));
        for (answer, said) in [
            (change("everywhere", "60", "55", "who=&do=keep"), "Fill this in."),
            (
                change("everywhere", "60", "65", "who=Ada&do=keep"),
                "It cannot clear above the figure at which it opens.",
            ),
            (change("everywhere", "much", "55", "do=try"), "Write a number, such as 70 or 2.5."),
            (change("device:99", "60", "55", "do=try"), "That is watched no longer"),
            (change("planet:1", "60", "55", "do=try"), "Choose one."),
        ] {
            assert_eq!(answer.status, 422, "{said}");
            let words = text(&answer.body);
            assert!(words.contains(said), "lacks '{said}':\n{words}");
        }
        let form = "scope=everywhere&on=on&open_at=30&clear_at=45&lasting=0&grade=other&do=try";
        let dated = post(to, "/alerts/rules/stock_date/change", form).body;
        assert!(dated.contains("href=\"/shelf/parts/VO-C-775\">Cyan cartridge (VO-C-775)</a>"), "{dated}");
        let words = text(&dated);
        for part in [
            "would have told you once, everywhere",
            "What this rule goes by is kept since",
            "it was for 3 of 5. Choose a narrower place to see the others.",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        assert_eq!(ask(to, "GET", "/alerts/rules/nothing", "").status, 404);
        assert_eq!(post(to, "/alerts/rules/dark/burn", "").status, 404);
    });
}
