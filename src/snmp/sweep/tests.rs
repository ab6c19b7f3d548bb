use std::sync::atomic::{AtomicBool, Ordering};

use jiff::Timestamp;
use mock_agent::many::{Many, ManyCounts, ManyPlan};

use super::*;
use crate::snmp::credential::{AuthProtocol, PrivacyProtocol, Secret, UsmUser};
use crate::snmp::printer_mib::snapshot;

/// Stops a thread when a test fails as well.
struct Stop<'a>(&'a AtomicBool);

impl Drop for Stop<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Serves a crowd of printers while `work` runs.
fn with_crowd<T>(plan: ManyPlan, work: impl FnOnce(&[SocketAddr]) -> T) -> (T, ManyCounts) {
    let start: Timestamp = "2026-01-20T10:00:00Z".parse().unwrap();
    let many = Many::bind(plan, start).unwrap();
    let addresses = many.addresses().unwrap();
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let serving = scope.spawn(|| many.serve(|| start, &stop));
        let done = {
            let _stop = Stop(&stop);
            work(&addresses)
        };
        (done, serving.join().unwrap())
    })
}

fn options() -> SweepOptions {
    SweepOptions {
        timeout: Duration::from_millis(300),
        short: Duration::from_millis(100),
        keep_rows: true,
        ..SweepOptions::default()
    }
}

fn community() -> Arc<Credential> {
    Arc::new(Credential::v2c("public").unwrap())
}

fn user(auth_password: &str, privacy_password: &str) -> Arc<Credential> {
    let auth = Some((AuthProtocol::Sha256, Secret::new(auth_password)));
    let privacy = Some((PrivacyProtocol::Aes128, Secret::new(privacy_password)));
    Arc::new(Credential::V3(UsmUser::new("loft", auth, privacy).unwrap()))
}

fn targets(addresses: &[SocketAddr], credential: &Arc<Credential>) -> Vec<SweepTarget> {
    let target = |address: &SocketAddr| SweepTarget {
        address: *address,
        credential: Arc::clone(credential),
        warm: None,
        silent: false,
    };
    addresses.iter().map(target).collect()
}

/// Sweeps, and gives back each device's outcome in the order of the list, every one exactly once.
fn sweep(sweeper: &mut Sweeper, targets: Vec<SweepTarget>) -> Vec<Swept> {
    let mut outcomes: Vec<Option<Swept>> = Vec::new();
    outcomes.resize_with(targets.len(), || None);
    sweeper
        .sweep(targets, &mut |at, swept| assert!(outcomes[at].replace(swept).is_none(), "{at} came twice"))
        .unwrap();
    outcomes.into_iter().map(Option::unwrap).collect()
}

fn whole(outcome: &Outcome) -> crate::domain::snapshot::Snapshot {
    snapshot(&outcome.varbinds().unwrap(), outcome.is_complete(), None).unwrap()
}

#[test]
fn a_crowd_is_read_in_three_round_trips_each_and_then_in_one() {
    let plan = ManyPlan { printers: 64, ..ManyPlan::default() };
    let ((), counts) = with_crowd(plan, |addresses| {
        let mut sweeper = Sweeper::new(options());
        let list = targets(addresses, &community());
        let cold = sweep(&mut sweeper, list.clone());
        assert_eq!(sweeper.stats().sent, 3 * 64);
        let mut again = list;
        let mut first = Vec::new();
        for (target, swept) in again.iter_mut().zip(cold) {
            let (outcome, warm) = swept.unwrap();
            first.push(whole(&outcome));
            assert_eq!((outcome.supplies, first.last().unwrap().supplies.len()), (16, 16));
            target.warm = Some(Box::new(warm));
        }
        for (before, swept) in first.iter().zip(sweep(&mut sweeper, again)) {
            let (outcome, _) = swept.unwrap();
            assert!(!outcome.whole);
            assert_eq!(&whole(&outcome), before);
        }
        assert_eq!(sweeper.stats().sent, 4 * 64);
        assert_eq!((sweeper.stats().unasked, sweeper.stats().malformed), (0, 0));
    });
    assert_eq!(counts.asked, 4 * 64);
}

#[test]
fn lost_late_and_doubled_answers_cost_no_printer() {
    let plan = ManyPlan {
        printers: 200,
        slow: 200,
        delay: Duration::from_millis(400),
        lost: 50,
        twice: 100,
        ..ManyPlan::default()
    };
    with_crowd(plan, |addresses| {
        let mut sweeper = Sweeper::new(SweepOptions { retries: 4, ..options() });
        for swept in sweep(&mut sweeper, targets(addresses, &community())) {
            assert_eq!(whole(&swept.unwrap().0).supplies.len(), 16);
        }
        assert!(sweeper.stats().unasked > 0, "the second of two answers is nobody's");
    });
}

#[test]
fn dead_devices_hold_up_nobody() {
    let plan = ManyPlan { printers: 300, dead: 300, ..ManyPlan::default() };
    with_crowd(plan, |addresses| {
        // A window of eight would be full of dead ones at once, were they to stay in it.
        let mut sweeper = Sweeper::new(SweepOptions {
            window: 8,
            retries: 1,
            timeout: Duration::from_millis(100),
            ..options()
        });
        let mut list = targets(addresses, &community());
        let swept = sweep(&mut sweeper, list.clone());
        let dead = swept.iter().filter(|swept| swept.is_err()).count();
        assert!((50..150).contains(&dead), "{dead}");
        for (target, swept) in list.iter_mut().zip(swept) {
            match swept {
                Ok((_, warm)) => target.warm = Some(Box::new(warm)),
                Err(fault) => {
                    assert!(matches!(fault, SnmpError::NoAnswer { tries: 2, .. }), "{fault}");
                    target.silent = true;
                }
            }
        }
        let before = sweeper.stats().sent;
        let began = Instant::now();
        let again = sweep(&mut sweeper, list);
        assert_eq!(again.iter().filter(|swept| swept.is_err()).count(), dead);
        assert_eq!(sweeper.stats().sent - before, 300, "one try each");
        assert!(began.elapsed() < Duration::from_secs(3), "all of them at once");
    });
}

#[test]
fn version_3_is_swept_and_refusals_are_told_apart() {
    let plan = ManyPlan { printers: 40, secure: true, ..ManyPlan::default() };
    with_crowd(plan, |addresses| {
        let mut sweeper = Sweeper::new(SweepOptions { timeout: Duration::from_secs(1), ..options() });
        let list = targets(addresses, &user("velvet-curtain", "painted-forest"));
        for swept in sweep(&mut sweeper, list.clone()) {
            assert_eq!(whole(&swept.unwrap().0).supplies.len(), 16);
        }
        let before = sweeper.stats().sent;
        assert!(sweep(&mut sweeper, list).iter().all(Result::is_ok));
        assert!(sweeper.stats().sent - before <= 4 * 40, "engines are discovered once");
        let wrong = sweep(&mut sweeper, targets(&addresses[..3], &user("another-curtain", "painted-forest")));
        for swept in wrong {
            let fault = swept.unwrap_err();
            assert!(matches!(fault, SnmpError::WrongPasswordOrProtocol { .. }), "{fault}");
        }
        let wrong = sweep(&mut sweeper, targets(&addresses[..3], &user("velvet-curtain", "another-forest")));
        for swept in wrong {
            let fault = swept.unwrap_err();
            assert!(matches!(fault, SnmpError::Decryption { .. }), "{fault}");
        }
    });
}

mod forged;
