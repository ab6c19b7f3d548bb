//! Thousands of simulated printers behind one socket, for finding out what a poller costs.
//!
//! Every printer has an address of its own in 127.0.0.0/8 and the same port. A few machines are simulated,
//! and the printers take turns in being one of them, so that memory does not grow with their number. Answers
//! by community are remembered for as long as the machines' clocks stand at the same second.

mod net;

use std::collections::{HashMap, VecDeque};
use std::io;
use std::net::{Ipv4Addr, SocketAddr, SocketAddrV4, UdpSocket};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::ber::{INTEGER, OCTETS, Reader, SEQUENCE, Writer};
use crate::message::kind;
use crate::respond::{Agent, EngineClock, respond};
use crate::room::Room;
use crate::scenario::Scenario;
use net::{Arrivals, BATCH, Departures};

/// How many different machines stand behind the addresses.
const MACHINES: usize = 8;
/// The most printers: addresses from 127.1.0.1 on.
pub const MOST_PRINTERS: u32 = 1_000_000;
/// How many remembered answers are enough; beyond, all are forgotten.
const MOST_REMEMBERED: usize = 4096;
/// How long the loop waits before it looks whether it is to stop.
const PATIENCE: Duration = Duration::from_millis(50);

/// How many printers, what they are like, and what goes wrong on the way. Shares are per mille.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ManyPlan {
    /// How many printers.
    pub printers: u32,
    /// Supplies of each: inks and a waste receptacle.
    pub supplies: u8,
    /// Whether they speak version 3 (user `loft`, SHA-256 and AES-128) instead of version 2c.
    pub secure: bool,
    /// UDP port of all of them; 0 for any free one.
    pub port: u16,
    /// The largest answer, octets.
    pub max_message: u16,
    /// Printers that never answer.
    pub dead: u16,
    /// Printers that answer late.
    pub slow: u16,
    /// How late these are.
    pub delay: Duration,
    /// Answers that are lost.
    pub lost: u16,
    /// Answers that are sent twice.
    pub twice: u16,
    /// Which printers are dead or slow, and which answers are lost or doubled: each number gives others, and
    /// the same ones every time.
    pub seed: u32,
}

impl Default for ManyPlan {
    fn default() -> Self {
        Self {
            printers: 1000,
            supplies: 16,
            secure: false,
            port: 0,
            max_message: 1472,
            dead: 0,
            slow: 0,
            delay: Duration::from_millis(500),
            lost: 0,
            twice: 0,
            seed: 0,
        }
    }
}

/// What the printers did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ManyCounts {
    /// Datagrams that came.
    pub asked: u64,
    /// Datagrams that went out.
    pub answered: u64,
}

/// The printers, listening.
pub struct Many {
    plan: ManyPlan,
    socket: UdpSocket,
    room: Room,
    agents: Vec<Agent>,
    remembered: HashMap<Vec<u8>, Vec<u8>>,
    second: i64,
    late: VecDeque<(Instant, SocketAddrV4, Ipv4Addr, Vec<u8>)>,
    counts: ManyCounts,
}

impl Many {
    /// Opens the socket. `now` is where the machines' history, of a few days, ends.
    ///
    /// # Errors
    /// When the port is taken, or this system is not Linux.
    pub fn bind(plan: ManyPlan, now: Timestamp) -> io::Result<Self> {
        let scenario = scenario(&plan).map_err(io::Error::other)?;
        let opened = now - jiff::SignedDuration::from_hours(24);
        let mut room = Room::new(&scenario, opened, 1);
        room.advance_to(now);
        let agents = room.printers().iter().map(Agent::new).collect();
        let socket = net::bind(plan.port)?;
        socket.set_read_timeout(Some(PATIENCE))?;
        Ok(Self {
            plan,
            socket,
            room,
            agents,
            remembered: HashMap::new(),
            second: now.as_second(),
            late: VecDeque::new(),
            counts: ManyCounts::default(),
        })
    }

    /// Where each printer listens.
    ///
    /// # Errors
    /// When the system does not say which port it gave.
    pub fn addresses(&self) -> io::Result<Vec<SocketAddr>> {
        let port = self.socket.local_addr()?.port();
        Ok((0..self.plan.printers).map(|number| SocketAddr::from((ip(number), port))).collect())
    }

    /// Answers until it is told to stop. `now` moves the machines' clocks.
    pub fn serve(mut self, now: impl Fn() -> Timestamp, stop: &AtomicBool) -> ManyCounts {
        let (mut arrivals, mut departures) = (Arrivals::new(), Departures::default());
        while !stop.load(Ordering::Relaxed) {
            let came = arrivals.receive(&self.socket).is_ok();
            self.move_to(now());
            if came {
                for arrival in arrivals.iter() {
                    self.counts.asked += 1;
                    self.take(arrival.from, arrival.to, arrival.bytes, &mut departures);
                }
            }
            self.release(&mut departures);
            self.counts.answered += departures.len() as u64;
            departures.send(&self.socket);
        }
        self.counts
    }

    fn move_to(&mut self, now: Timestamp) {
        if now.as_second() != self.second {
            self.second = now.as_second();
            self.room.advance_to(now);
            self.remembered.clear();
        }
    }

    fn take(&mut self, from: SocketAddrV4, to: Ipv4Addr, datagram: &[u8], out: &mut Departures) {
        let Some(number) = number(to).filter(|number| *number < self.plan.printers) else { return };
        let seed = u64::from(self.plan.seed) << 32;
        let mixed = scatter(u64::from(number) ^ seed);
        if mixed % 1000 < u64::from(self.plan.dead) {
            return;
        }
        let slow = (mixed >> 20) % 1000 < u64::from(self.plan.slow);
        let Some(reply) = self.answer(number as usize % MACHINES, datagram) else { return };
        let chance = scatter(self.counts.asked ^ 0x5eed ^ seed);
        if chance % 1000 < u64::from(self.plan.lost) {
            return;
        }
        if (chance >> 20) % 1000 < u64::from(self.plan.twice) {
            out.push(from, to, reply.clone());
        }
        if slow {
            self.late.push_back((Instant::now() + self.plan.delay, from, to, reply));
            self.hurry();
        } else {
            out.push(from, to, reply);
        }
    }

    /// Late answers all wait equally long, so that the first in is the first out.
    fn release(&mut self, out: &mut Departures) {
        while out.len() < 2 * BATCH
            && self.late.front().is_some_and(|(due, ..)| *due <= Instant::now())
            && let Some((_, from, to, reply)) = self.late.pop_front()
        {
            out.push(from, to, reply);
        }
        if self.late.is_empty() {
            let _ = self.socket.set_read_timeout(Some(PATIENCE));
        }
    }

    /// While answers wait for their time, the loop looks more often.
    fn hurry(&self) {
        if self.late.len() == 1 {
            let _ = self.socket.set_read_timeout(Some(Duration::from_millis(2)));
        }
    }

    fn answer(&mut self, machine: usize, datagram: &[u8]) -> Option<Vec<u8>> {
        let clock =
            EngineClock { boots: self.room.boots(machine), seconds: self.room.uptime_seconds(machine) };
        let (agent, view) = (self.agents.get_mut(machine)?, self.room.view(machine));
        let Some(asked) = Asked::parse(datagram) else { return respond(agent, view, clock, datagram) };
        let mut key = Vec::with_capacity(asked.rest.len() + asked.community.len() + 3);
        key.extend([machine as u8, asked.version[0], asked.kind]);
        key.extend(asked.community);
        key.extend(asked.rest);
        if let Some(rest) = self.remembered.get(&key) {
            return Some(asked.reply(rest));
        }
        let reply = respond(agent, view, clock, datagram)?;
        if let Some(answered) = Asked::parse(&reply) {
            if self.remembered.len() >= MOST_REMEMBERED {
                self.remembered.clear();
            }
            self.remembered.insert(key, answered.rest.to_vec());
        }
        Some(reply)
    }
}

/// A message by community, taken apart no further than its request number.
struct Asked<'a> {
    version: &'a [u8],
    community: &'a [u8],
    kind: u8,
    id: &'a [u8],
    /// All behind the number.
    rest: &'a [u8],
}

impl<'a> Asked<'a> {
    fn parse(datagram: &'a [u8]) -> Option<Self> {
        let mut message = Reader::new(datagram).enter(SEQUENCE).ok()?;
        let version = message.expect(INTEGER).ok()?.content;
        if !matches!(version, [0 | 1]) {
            return None;
        }
        let community = message.expect(OCTETS).ok()?.content;
        let pdu = message.element().ok()?;
        let mut fields = Reader::inside(pdu);
        let id = fields.expect(INTEGER).ok()?.content;
        // An integer of up to 127 octets has two octets of header.
        let rest = pdu.content.get(id.len() + 2..)?;
        Some(Self { version, community, kind: pdu.tag, id, rest })
    }

    fn reply(&self, rest: &[u8]) -> Vec<u8> {
        let mut out = Writer::default();
        out.wrap(SEQUENCE, |out| {
            out.wrap(kind::RESPONSE, |out| {
                out.raw(rest);
                out.wrap(INTEGER, |out| out.raw(self.id));
            });
            out.octets(self.community);
            out.wrap(INTEGER, |out| out.raw(self.version));
        });
        out.finish()
    }
}

/// The address of a printer: 127.1.0.1 and on, leaving out what could be a network or broadcast address.
fn ip(number: u32) -> Ipv4Addr {
    let [.., high] = [number / 62_500 + 1].map(|part| part as u8);
    Ipv4Addr::new(127, high, (number / 250 % 250) as u8, (number % 250 + 1) as u8)
}

/// The printer at an address.
fn number(ip: Ipv4Addr) -> Option<u32> {
    let [127, high, middle, low] = ip.octets() else { return None };
    let (high, middle, low) = (u32::from(high), u32::from(middle), u32::from(low));
    let plausible = high >= 1 && middle < 250 && (1..=250).contains(&low);
    plausible.then(|| (high - 1) * 62_500 + middle * 250 + low - 1)
}

/// Scatters numbers the same way every time (the finalizer of SplitMix64).
fn scatter(number: u64) -> u64 {
    let mut mixed = number.wrapping_add(0x9e37_79b9_7f4a_7c15);
    mixed = (mixed ^ mixed >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    mixed ^ mixed >> 31
}

/// The machines behind the addresses.
fn scenario(plan: &ManyPlan) -> Result<Scenario, crate::scenario::ScenarioError> {
    use std::fmt::Write;
    let mut text = String::from("name = \"Long loft\"\ntime_zone = \"UTC\"\nseed = 7\n");
    let snmp = if plan.secure {
        "version = \"v3\", user = { name = \"loft\", auth = \"sha-256\", auth_password = \"velvet-curtain\", \
         privacy = \"aes-128\", privacy_password = \"painted-forest\" }"
    } else {
        "version = \"v2c\""
    };
    for (place, name) in
        ["Bobbin", "Thimble", "Selvage", "Gusset", "Tassel", "Weft", "Hem", "Pleat"].iter().enumerate()
    {
        // Writing into a string does not fail.
        let _ = write!(
            text,
            "[[printer]]\nname = \"{name}\"\nlocation = \"Long loft\"\ndescription = \"Wide-format ink \
             printer\"\nserial = \"LL{place:06}\"\nmedia_width_mm = 1118\nsnmp = {{ {snmp}, max_message = {} }}\n\
             work = {{ jobs_per_day = {}.0 }}\n",
            plan.max_message,
            place + 2
        );
        for ink in 1..plan.supplies.max(2) {
            let _ = write!(
                text,
                "[[printer.ink]]\ncolour = \"Ink {ink}\"\nml_per_m2 = 0.6\nstands_at = 0.{:02}\n",
                20 + (place * 7 + usize::from(ink) * 5) % 79
            );
        }
        text += "[printer.waste]\nstands_at = 0.6\n";
    }
    Scenario::parse(&text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::{CommunityMessage, Message, Pdu};
    use crate::oid::{Oid, Value};

    #[test]
    fn every_printer_has_an_address_of_its_own() {
        for printer in [0, 1, 249, 250, 62_499, 62_500, MOST_PRINTERS - 1] {
            assert_eq!(number(ip(printer)), Some(printer), "{}", ip(printer));
        }
        assert_eq!(number(Ipv4Addr::new(127, 0, 0, 1)), None);
        assert_eq!(number(Ipv4Addr::new(10, 1, 0, 1)), None);
    }

    fn ask(id: i32) -> Vec<u8> {
        let oid = Oid(vec![1, 3, 6, 1, 2, 1, 1, 3, 0]);
        let pdu =
            Pdu { kind: kind::GET, request_id: id, status: 0, index: 0, varbinds: vec![(oid, Value::Null)] };
        CommunityMessage { version: 1, community: b"public".to_vec(), pdu }.encode()
    }

    /// Printers at two addresses answer from these, a remembered answer carries the new number, and the
    /// clock goes on.
    #[test]
    fn printers_answer_from_their_addresses() {
        let start: Timestamp = "2026-01-20T10:00:00Z".parse().unwrap();
        let plan = ManyPlan { printers: 300, ..ManyPlan::default() };
        let many = Many::bind(plan, start).unwrap();
        let addresses = many.addresses().unwrap();
        let stop = AtomicBool::new(false);
        let began = Instant::now();
        let now = || start + jiff::SignedDuration::try_from(began.elapsed()).unwrap();
        std::thread::scope(|scope| {
            let served = scope.spawn(|| many.serve(now, &stop));
            let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
            socket.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
            for (id, address) in (1..).zip([addresses[0], addresses[299], addresses[0], addresses[8]]) {
                socket.send_to(&ask(id), address).unwrap();
                let mut reply = [0; 2000];
                let (length, from) = socket.recv_from(&mut reply).unwrap();
                assert_eq!(from, address);
                let Message::Community(message) = Message::parse(&reply[..length]).unwrap() else { panic!() };
                assert_eq!(message.pdu.request_id, id);
                assert!(matches!(message.pdu.varbinds[0].1, Value::TimeTicks(1..)));
            }
            stop.store(true, Ordering::Relaxed);
            assert_eq!(served.join().unwrap(), ManyCounts { asked: 4, answered: 4 });
        });
    }
}
