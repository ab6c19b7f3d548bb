//! What happens to datagrams on their way.

use super::*;

#[tokio::test]
async fn a_wrong_request_id_is_no_answer() {
    let make = async || {
        let mut liar = liar();
        spoiling(Device::new(4), move |asked, request, answer| {
            let lie = liar.answer(request).unwrap();
            vec![Act::Send(renumbered(lie, asked.request_id)), Act::Send(answer)]
        })
        .await
    };
    for seen in both_see_the_truth(make).await {
        assert!(seen.stats.unasked >= 2, "{:?}", seen.stats);
        assert_eq!(seen.stats.received, seen.stats.sent + seen.stats.unasked);
    }
}

#[tokio::test]
async fn an_answer_from_another_address_is_no_answer() {
    let make = async || {
        let mut liar = liar();
        spoiling(Device::new(4), move |_, request, answer| {
            vec![Act::SendFromElsewhere(liar.answer(request).unwrap()), Act::Send(answer)]
        })
        .await
    };
    both_see_the_truth(make).await;
}

#[tokio::test]
async fn an_answer_that_comes_three_times_is_taken_once() {
    let make = async || {
        spoiling(Device::new(4), |_, _, answer| {
            vec![Act::Send(answer.clone()), Act::Send(answer.clone()), Act::Send(answer)]
        })
        .await
    };
    for seen in both_see_the_truth(make).await {
        assert!(seen.stats.sent <= 4, "nothing was asked again: {:?}", seen.stats);
    }
}

/// Each answer is held back until the device is asked again.
#[tokio::test]
async fn an_answer_that_comes_after_the_next_try_will_do() {
    let make = async || {
        let mut held: Option<Vec<u8>> = None;
        spoiling(Device::new(4), move |_, _, answer| {
            held.replace(answer).map(Act::Send).into_iter().collect()
        })
        .await
    };
    both_see_the_truth(make).await;
}

#[tokio::test]
async fn a_truncated_answer_is_asked_for_again() {
    let make = async || {
        spoiling(Device::new(4), |asked, _, mut answer| {
            answer.truncate(if asked.number % 2 == 0 { answer.len() / 2 } else { answer.len() });
            vec![Act::Send(answer)]
        })
        .await
    };
    for seen in both_see_the_truth(make).await {
        assert!(seen.stats.malformed >= 2, "{:?}", seen.stats);
    }
}

#[tokio::test]
async fn what_follows_an_answer_in_its_datagram_is_not_read() {
    let make = async || {
        spoiling(Device::new(4), |_, _, mut answer| {
            answer.resize(60_000, 0x30);
            vec![Act::Send(answer)]
        })
        .await
    };
    both_see_the_truth(make).await;
}

#[tokio::test]
async fn more_values_than_were_asked_for_are_refused() {
    let make = async || {
        spoiling(Device::new(4), |asked, _, _| {
            let many = |row| Varbind { oid: mib::SUPPLIES.child(&[9, 1, row]), value: Value::Integer(1) };
            vec![Act::Send(asked.answer(&(0..2_500).map(many).collect::<Vec<_>>()))]
        })
        .await
    };
    for seen in both(make, Version::V2c).await {
        assert!(matches!(seen.snapshot, Err(SnmpError::Unfitting { .. })), "{:?}", seen.snapshot);
    }
}

/// Every second answer has some octets changed; what fits its question all the same may cost rows or the poll,
/// and nothing else.
#[tokio::test]
async fn mutated_answers_end_the_poll_or_are_asked_for_again() {
    for seed in 0..24_usize {
        let make = async || {
            spoiling(Device::new(4), move |asked, _, mut answer| {
                if asked.number % 2 == 0 {
                    for step in 0..1 + seed % 5 {
                        let at = (seed * 7_919 + step * 104_729 + asked.number * 31) % answer.len();
                        answer[at] ^= u8::try_from(1 << ((seed + step) % 8)).unwrap();
                    }
                }
                vec![Act::Send(answer)]
            })
            .await
        };
        for seen in both(make, Version::V2c).await {
            if let Ok(snapshot) = seen.snapshot {
                assert!(snapshot.supplies.len() <= 256);
            }
        }
    }
}
