//! The pages and forms of orders over a real socket, from fixture data.

use super::shelf_tests::post;
use super::tests::{ask, check_ids, check_nesting, full, text, with};

#[test]
fn what_to_order_has_a_button_and_orders_have_their_state() {
    with(full(), |to| {
        let page = ask(to, "GET", "/orders", "");
        let words = text(&page.body);
        for part in [
            "One thing to order",
            "27 Fri Nov Order 2 VO-C/775, cyan cartridge",
            "For Bobbin; none on the shelf; 7 days to arrive.",
            "Without it a machine stands still from about 9 Dec 2026, 4 Dec 2026 at the earliest.",
            "Put 2 VO-C/775 on an order",
            "Order 7 partly received Opera stores 3 VO-C/775 (1 came) expected Fri 27 Nov",
            "Order 5 cancelled",
        ] {
            assert!(words.contains(part), "lacks '{part}':\n{words}");
        }
        check_nesting("orders", &page.body);
        check_ids("orders", &page.body);
        let put = post(to, "/orders", "quick=1&part=VO-C%2F775&units=2");
        assert_eq!(put.status, 303, "{}", put.body);
        assert_eq!(
            post(to, "/orders", "part=VO-C%2F775&units=2&who=").status,
            422,
            "without the button who is asked"
        );
        assert!(
            text(&post(to, "/orders", "part=VO-C%2F775&units=0&who=a").body)
                .contains("0 is no number of units")
        );
    });
}

#[test]
fn an_order_has_a_sheet_files_and_the_forms_of_its_state() {
    with(full(), |to| {
        let draft = ask(to, "GET", "/orders/9", "");
        for part in
            ["action=\"/orders/9/send\"", "action=\"/orders/9/change\"", "name=\"units-1\" value=\"3\""]
        {
            assert!(draft.body.contains(part), "lacks '{part}':\n{}", draft.body);
        }
        assert!(draft.body.contains("mailto:?subject=Order%209&#38;body=Order%209"), "{}", draft.body);
        check_nesting("order", &draft.body);
        check_ids("order", &draft.body);
        let under_way = ask(to, "GET", "/orders/7", "");
        assert!(text(&under_way.body).contains("Partly received to Opera stores; expected Fri 27 Nov"));
        assert!(text(&under_way.body).contains("In all 567.00 EUR"));
        assert!(!under_way.body.contains("/orders/7/send") && under_way.body.contains("/orders/7/receive"));
        assert!(!ask(to, "GET", "/orders/5", "").body.contains("<form"));
        assert!(ask(to, "GET", "/orders/7.csv", "").body.starts_with("order,state,supplier"));
        assert!(ask(to, "GET", "/orders/7.txt", "").body.contains("   3  VO-C/775"));
        let wrong = post(to, "/orders/7/receive", "units-1=some&made_on-1=March&place-1=&who=a");
        assert_eq!(wrong.status, 422);
        for told in ["value=\"some\"", "value=\"March\"", "Write a whole number", "Write it as 2025-03-14"] {
            assert!(wrong.body.contains(told), "{told}: {}", wrong.body);
        }
        assert!(text(&post(to, "/orders/7/receive", "who=a").body).contains("Nothing is filled in"));
        assert_eq!(post(to, "/orders/7/receive", "units-1=1&made_on-1=2026-03&place-1=B&who=a").status, 303);
        assert_eq!(post(to, "/orders/7/burn", "who=a").status, 404);
        for none in ["/orders/4", "/orders/x", "/orders/99999999999999999999", "/orders/4.csv"] {
            let page = ask(to, "GET", none, "");
            assert!(page.status == 404 && page.body.contains("There is no such order"), "{none}");
        }
    });
}
