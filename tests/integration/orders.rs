//! Orders: their life on the store, who comes at the same time, and the commands.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use ullage::domain::ids::OrderId;
use ullage::domain::order::{OrderState, StepRefusal};
use ullage::domain::rules::Practice;
use ullage::store::Store;
use ullage::store::orders::Which;
use ullage::usecase::book::{Note, import_parts};
use ullage::usecase::once::Token;
use ullage::usecase::orders::{Act, Came, OrderRefusal, act, draft};

use crate::support::database::TestDatabase;
use crate::support::program::ullage;
use crate::support::said::present;

const PARTS: &str = "number,kind,colour,price_minor,currency,supplier,lead_days\r\n\
    VO-C-500,cartridge,Cyan,11950,EUR,Opera stores,6\r\n\
    VO-M-500,cartridge,Magenta,11950,EUR,Opera stores,9\r\n";

async fn stocked(database: &TestDatabase) -> Store {
    let store = database.store().await;
    import_parts(&store, &ullage::report::shelf_csv::read_parts(PARTS.as_bytes()).unwrap()).await.unwrap();
    store
}

fn note() -> Note {
    Note { who: "print room".to_owned(), why: String::new() }
}

fn token(digit: char) -> Token {
    Token::from_digits(&digit.to_string().repeat(32)).unwrap()
}

fn came(part: &str, units: u32) -> Act {
    let made_on = "2026-03-01".parse().unwrap();
    Act::Receive(vec![Came { part: part.to_owned(), units, made_on, place: "Shelf B".to_owned() }])
}

async fn order(store: &Store, units: u32, token: Option<&Token>) -> OrderId {
    draft(store, "VO-C-500", units, &note(), token, &present(1)).await.unwrap().unwrap()
}

async fn done(store: &Store, order: OrderId, what: &Act, at: i64) -> Result<OrderId, OrderRefusal> {
    act(store, order, what, &note(), None, &present(at), &Practice::default()).await.unwrap()
}

async fn on_shelf(store: &Store) -> u32 {
    store.stocks(Some("VO-C-500")).await.unwrap()[0].units()
}

#[tokio::test]
async fn an_order_goes_from_draft_to_the_shelf_and_teaches_the_lead_time() {
    let database = TestDatabase::new().await;
    let store = stocked(&database).await;
    let order = order(&store, 3, None).await;
    let same = draft(&store, "VO-M-500", 1, &note(), None, &present(1)).await.unwrap().unwrap();
    assert_eq!(order, same, "one draft a supplier");
    assert!(matches!(
        done(&store, order, &came("VO-C-500", 1), 2).await,
        Err(OrderRefusal::Step(StepRefusal::NotSent(_)))
    ));
    assert!(store.coming().await.unwrap().is_empty(), "a draft is not on order");
    done(&store, order, &Act::Send, 2).await.unwrap();
    let sent = store.orders(Which::Number(order)).await.unwrap().pop().unwrap();
    assert_eq!(sent.expected_on.unwrap().to_string(), "2026-09-10", "nine days, as the slower part takes");
    assert_eq!(store.coming().await.unwrap().iter().map(|coming| coming.units).sum::<u32>(), 4);
    // Four days later, in polls of a quarter of an hour.
    done(&store, order, &came("VO-C-500", 2), 2 + 4 * 96).await.unwrap();
    let too_many = done(&store, order, &came("VO-C-500", 2), 400).await;
    assert!(matches!(too_many, Err(OrderRefusal::Step(StepRefusal::TooMany { missing: 1, came: 2, .. }))));
    assert_eq!(on_shelf(&store).await, 2);
    done(&store, order, &came("VO-C-500", 1), 2 + 8 * 96).await.unwrap();
    done(&store, order, &came("VO-M-500", 1), 2 + 8 * 96).await.unwrap();
    let whole = store.orders(Which::Number(order)).await.unwrap().pop().unwrap();
    assert_eq!(whole.state, OrderState::Received);
    assert!(done(&store, order, &Act::Cancel, 900).await.is_err());
    let took: Vec<Vec<f64>> = store.deliveries().await.unwrap().into_values().collect();
    assert_eq!(took, [vec![4.0, 8.0], vec![8.0]]);
    let steps: Vec<String> =
        store.order_steps(order).await.unwrap().into_iter().map(|step| step.step).collect();
    assert_eq!(steps, ["drafted", "changed", "sent", "received", "received", "received"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn of_many_who_receive_the_last_unit_one_does() {
    let database = TestDatabase::new().await;
    let store = stocked(&database).await;
    let order = order(&store, 1, None).await;
    done(&store, order, &Act::Send, 2).await.unwrap();
    let receipts = (0..4).map(|_| {
        let store = store.clone();
        tokio::spawn(async move { done(&store, order, &came("VO-C-500", 1), 3).await.is_ok() })
    });
    let mut taken = 0;
    for receipt in receipts.collect::<Vec<_>>() {
        taken += u32::from(receipt.await.unwrap());
    }
    assert_eq!((taken, on_shelf(&store).await), (1, 1));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_that_is_sent_twice_is_booked_once() {
    let database = TestDatabase::new().await;
    let store = stocked(&database).await;
    let order = order(&store, 4, Some(&token('a'))).await;
    let again = draft(&store, "VO-C-500", 9, &note(), Some(&token('a')), &present(1)).await.unwrap().unwrap();
    assert_eq!(again, order);
    assert_eq!(store.orders(Which::Number(order)).await.unwrap()[0].lines[0].units, 4);
    done(&store, order, &Act::Send, 2).await.unwrap();
    let receipts = (0..4).map(|_| {
        let store = store.clone();
        tokio::spawn(async move {
            let (what, token) = (came("VO-C-500", 1), token('b'));
            act(&store, order, &what, &note(), Some(&token), &present(3), &Practice::default()).await.unwrap()
        })
    });
    for receipt in receipts.collect::<Vec<_>>() {
        assert_eq!(receipt.await.unwrap().unwrap(), order);
    }
    assert_eq!(on_shelf(&store).await, 1);
    // What was refused is not spent: the same form may be sent again once it is right.
    for (units, right) in [(99, false), (3, true)] {
        let (what, note, token, at) = (came("VO-C-500", units), note(), token('c'), present(3));
        let told = act(&store, order, &what, &note, Some(&token), &at, &Practice::default()).await.unwrap();
        assert_eq!(told.is_ok(), right, "{told:?}");
    }
    assert_eq!(on_shelf(&store).await, 4);
}

#[tokio::test]
async fn the_database_refuses_what_the_program_would() {
    let database = TestDatabase::new().await;
    let store = stocked(&database).await;
    let order = order(&store, 2, None).await;
    for (sql, constraint) in [
        ("update supply_order set state = 'received', sent_at = now()", "supply_order_one_way"),
        ("update supply_order set state = 'sent', sent_at = now()", ""),
        ("update supply_order set state = 'received'", "supply_order_whole"),
        ("update supply_order set state = 'draft'", "supply_order_one_way"),
        ("update supply_order_line set units = 5", "supply_order_line_in_draft"),
        ("delete from supply_order_line", "supply_order_line_in_draft"),
    ] {
        let done = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(store.pool()).await;
        let told = done.err().and_then(|fault| fault.as_database_error()?.constraint().map(str::to_owned));
        assert_eq!(told.unwrap_or_default(), constraint, "{sql}");
    }
    assert!(done(&store, order, &Act::Cancel, 3).await.is_ok());
}

#[tokio::test(flavor = "multi_thread")]
async fn the_commands_take_an_order_through_its_life() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    stocked(&database).await;
    let mut told = String::new();
    for words in [
        "advice",
        "orders list",
        "orders draft VO-C-500 3",
        "orders draft VO-Q 3",
        "orders draft VO-C-500 0",
        "orders receive 1 VO-C-500 1 --made-on 2026-03 --place Shelf",
        "orders send 1",
        "orders send 1",
        "orders receive 1 VO-C-500 1 --made-on 2999-03 --place Shelf",
        "orders receive 1 VO-C-500 1 --made-on 2026-03 --place Shelf",
        "orders show 1 --csv",
        "orders cancel 1 --why late",
        "orders cancel 9",
        "orders list --json",
    ] {
        let output = ullage(dir.path())
            .args(words.split(' '))
            .env("DATABASE_URL", database.url())
            .env("USER", "print room")
            .output()
            .unwrap();
        told += &format!("$ ullage {words}\nstatus {}\n", output.status.code().unwrap());
        told += &String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).replace('\r', "");
    }
    let days = |text: &str| {
        let mut text = text.to_owned();
        for at in (0..text.len()).rev() {
            let day = text.get(at..at + 10).is_some_and(|day| day.parse::<jiff::civil::Date>().is_ok());
            if day && &text[at..at + 2] == "20" {
                text.replace_range(at..at + 10, "DAY");
            }
        }
        text
    };
    insta::assert_snapshot!(days(&told));
}
