//! How fast an answer is decoded, beside a general SNMP library on the same bytes in the same run.
//!
//! `cargo bench --bench decode`. The answer is a simulated machine's whole supplies table as GETBULK brings
//! it. Rounds take turns, so that a machine that slows down slows both; the ratio is of the medians.

use std::hint::black_box;
use std::time::{Duration, Instant};

use mock_agent::message::{CommunityMessage, Pdu, kind};
use mock_agent::{Agent, EngineClock, Oid, Room, Scenario, Value, respond};

const ROUNDS: usize = 41;
const DECODES: u32 = 20_000;

fn main() {
    let answer = answer();
    let mut ours = Vec::new();
    let mut theirs = Vec::new();
    for _ in 0..ROUNDS {
        ours.push(time(|| ullage::snmp::ber::decode(black_box(&answer)).is_ok()));
        // The peer decodes a varbind when it is asked for.
        theirs.push(time(|| {
            snmp2::Pdu::from_bytes(black_box(&answer)).is_ok_and(|pdu| pdu.varbinds.count() > 0)
        }));
    }
    let (ours, theirs) = (median(ours), median(theirs));
    println!("one answer of {} octets, median of {ROUNDS} rounds", answer.len());
    println!("ullage  {:>8.3} µs", micros(ours));
    println!("snmp2   {:>8.3} µs", micros(theirs));
    println!("ratio   {:>8.2}", ours.as_secs_f64() / theirs.as_secs_f64());
}

fn answer() -> Vec<u8> {
    let scenario = Scenario::vellmoor();
    let opened = jiff::Timestamp::UNIX_EPOCH;
    let room = Room::new(&scenario, opened, 1);
    let columns = (2..=9).map(|column| Oid(vec![1, 3, 6, 1, 2, 1, 43, 11, 1, 1, column]));
    // In a GETBULK request, the error status and index stand for non-repeaters and repetitions.
    let pdu = Pdu {
        kind: kind::GET_BULK,
        request_id: 1,
        status: 0,
        index: 8,
        varbinds: columns.map(|column| (column, Value::Null)).collect(),
    };
    let question = CommunityMessage { version: 1, community: b"public".to_vec(), pdu }.encode();
    let mut agent = Agent::new(&room.printers()[0]);
    let clock = EngineClock { boots: 1, seconds: 1 };
    respond(&mut agent, room.view(0), clock, &question).unwrap_or_default()
}

fn time(mut decode: impl FnMut() -> bool) -> Duration {
    let begun = Instant::now();
    for _ in 0..DECODES {
        assert!(decode(), "the answer must be understood");
    }
    begun.elapsed() / DECODES
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

fn micros(time: Duration) -> f64 {
    time.as_secs_f64() * 1e6
}
