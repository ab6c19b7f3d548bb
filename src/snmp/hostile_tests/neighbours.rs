//! One bad device never delays another.

use super::*;

/// A window of four, and twelve that keep silent, talk nonsense or never end at the head of the list: every
/// good device is done before the first silent one is given up.
#[tokio::test]
async fn a_bad_device_delays_no_other() {
    let mut agents = Vec::new();
    for _ in 0..4 {
        agents.push(Agent::raw(|_| vec![]).await);
        agents.push(Agent::raw(|_| vec![Act::Send(vec![0x30; 40]), Act::Send(vec![0xff])]).await);
        agents.push(plain(Device { odd: Odd::Endless, ..Device::new(3) }).await);
    }
    for _ in 0..8 {
        agents.push(plain(Device::new(4)).await);
    }
    let list: Vec<&Agent> = agents.iter().collect();
    let options = SweepOptions { window: 4, timeout: Duration::from_millis(500), retries: 2, ..options() };
    let (outcomes, order, _) = swept(&list, &Credential::v2c("loft").unwrap(), options).await;
    for outcome in &outcomes[12..] {
        assert_eq!(seen(&outcome.as_ref().unwrap().0), Device::new(4).truth());
    }
    let given_up = order.iter().position(|at| outcomes[*at].is_err()).unwrap();
    let last_good = order.iter().rposition(|at| *at >= 12).unwrap();
    assert!(last_good < given_up, "{order:?}");
    assert_eq!(outcomes.iter().filter(|outcome| outcome.is_err()).count(), 8);
}

/// The same through the live poller's engine: while one device keeps silent, one talks nonsense and one never
/// ends, the others are read from first to last.
#[tokio::test]
async fn a_bad_device_delays_no_other_that_is_polled() {
    let silent = Agent::raw(|_| vec![]).await;
    let babbling = Agent::raw(|_| vec![Act::Send(vec![0x30; 40]), Act::Send(vec![0xff])]).await;
    let endless = plain(Device { odd: Odd::Endless, ..Device::new(3) }).await;
    let engine = Engine::start(&EngineOptions { max_in_flight: 4 }).unwrap();
    let bad = [&silent, &babbling, &endless].map(|agent| {
        // Who waited for one of them would wait for longer than any test may take.
        let (engine, target) =
            (engine.clone(), Target { timeout: Duration::from_secs(600), ..agent.target() });
        tokio::spawn(async move { read_printer(&engine, &target).await })
    });
    for _ in 0..8 {
        let good = plain(Device::new(4)).await;
        let target = Target { timeout: Duration::from_secs(5), ..good.target() };
        let read = read_printer(&engine, &target).await.unwrap();
        assert_eq!(snapshot(&read.rows, read.complete, None).unwrap(), Device::new(4).truth());
    }
    let [silent, babbling, endless] = bad;
    assert!(!silent.is_finished() && !babbling.is_finished(), "they are waited for yet");
    assert!(endless.await.unwrap().is_ok_and(|read| !read.complete));
    silent.abort();
    babbling.abort();
}
