//! One pass over a long list of devices, at what the wire and the system cost and little more.
//!
//! One socket for each address family, one loop, no task and no timer for a device: a device under way is a
//! place in a table with a `Reading` in it. Each device is asked one thing at a time. Devices that keep
//! silent wait in a lane of their own, where they hold up nobody.

mod place;
mod voice;

use std::io;
use std::net::SocketAddr;
use std::os::fd::AsFd;
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};

use super::batch::{Arrivals, BATCH, Batcher, Departures};
use super::ber::{self, RawMessage};
use super::credential::Credential;
use super::error::SnmpError;
use super::ids::Ids;
use super::pdu::Version;
use super::plan::{Outcome, Warm};
use super::transport::{EngineStats, patience};
use super::wheel::Wheel;
use place::{Effect, Lane, Place};
use voice::Voices;

/// The loop looks at the clock again after this long, whatever happens.
const LONGEST_WAIT: Duration = Duration::from_millis(500);
/// The most devices that wait in the lane of the silent.
const SILENT_LANE: usize = 8_192;

/// A device to read.
#[derive(Debug, Clone)]
pub struct SweepTarget {
    /// Where its agent listens.
    pub address: SocketAddr,
    /// How it lets itself be read.
    pub credential: Arc<Credential>,
    /// What is remembered of it.
    pub warm: Option<Box<Warm>>,
    /// It did not answer the last time: it gets one short try.
    pub silent: bool,
}

/// How to go about it.
#[derive(Debug, Clone)]
pub struct SweepOptions {
    /// The most devices under way, not counting silent ones; fewer where the receive buffer holds fewer answers.
    pub window: usize,
    /// How long the first try waits for an answer. Each retry waits half as long again.
    pub timeout: Duration,
    /// How often a device is asked again.
    pub retries: u32,
    /// How long a device waits that did not answer the last time.
    pub short: Duration,
    /// Whether plans are to hold the values too.
    pub keep_rows: bool,
}

impl Default for SweepOptions {
    /// Five tries within six seconds: where every twentieth answer is lost, one question in three million is
    /// left without any.
    fn default() -> Self {
        Self {
            window: 1_024,
            timeout: Duration::from_millis(500),
            retries: 4,
            short: Duration::from_secs(1),
            keep_rows: false,
        }
    }
}

/// What came of a device.
pub type Swept = Result<(Outcome, Warm), SnmpError>;

/// Reads devices one after another, many at a time.
pub struct Sweeper {
    options: SweepOptions,
    voices: Voices,
    began: Instant,
    stats: EngineStats,
}

impl Sweeper {
    /// A sweeper that knows nothing yet. It remembers version 3 engines and keys from sweep to sweep.
    #[must_use]
    pub fn new(options: SweepOptions) -> Self {
        Self { options, voices: Voices::default(), began: Instant::now(), stats: EngineStats::default() }
    }

    /// What went over the wire so far.
    #[must_use]
    pub fn stats(&self) -> EngineStats {
        self.stats
    }

    /// Reads every device once, and hands each outcome to `done` with the device's place in the list.
    /// Blocks until all are read: not for a thread that serves others.
    ///
    /// # Errors
    /// When the system gives no socket, or takes the one that it gave away.
    pub fn sweep(
        &mut self,
        targets: impl IntoIterator<Item = SweepTarget>,
        done: &mut dyn FnMut(usize, Swept),
    ) -> io::Result<()> {
        let mut run = Run::new(self, done);
        let mut targets = targets.into_iter().enumerate().fuse();
        let mut waiting = targets.next();
        loop {
            while let Some((number, target)) = waiting.take() {
                if !run.has_room(&target)? {
                    waiting = Some((number, target));
                    break;
                }
                run.start(number, target)?;
                waiting = targets.next();
            }
            run.send();
            if waiting.is_none() && run.is_idle() {
                return Ok(());
            }
            run.wait()?;
            run.receive();
            run.expire();
        }
    }
}

/// One sweep under way.
struct Run<'a> {
    sweeper: &'a mut Sweeper,
    done: &'a mut dyn FnMut(usize, Swept),
    places: Vec<Option<Place>>,
    free: Vec<u32>,
    /// How many places there are in either lane.
    busy: [usize; 2],
    ids: Ids,
    wheel: Wheel,
    v4: Option<Socket>,
    v6: Option<Socket>,
    arrivals: Arrivals,
    list: Vec<u8>,
    passed: Vec<u32>,
    now: Instant,
}

/// A socket and what is to go out by it.
struct Socket {
    batcher: Batcher,
    out: Departures,
}

impl<'a> Run<'a> {
    fn new(sweeper: &'a mut Sweeper, done: &'a mut dyn FnMut(usize, Swept)) -> Self {
        let now = Instant::now();
        Self {
            sweeper,
            done,
            places: Vec::new(),
            free: Vec::new(),
            busy: [0; 2],
            ids: Ids::new(),
            wheel: Wheel::new(now),
            v4: None,
            v6: None,
            arrivals: Arrivals::new(),
            list: Vec::with_capacity(1_024),
            passed: Vec::new(),
            now,
        }
    }

    fn socket(&mut self, address: SocketAddr) -> io::Result<&mut Socket> {
        let slot = if address.is_ipv6() { &mut self.v6 } else { &mut self.v4 };
        if slot.is_none() {
            *slot = Some(Socket { batcher: Batcher::bind(address.is_ipv6())?, out: Departures::default() });
        }
        slot.as_mut().ok_or_else(|| io::Error::other("there is no socket"))
    }

    /// Whether another device may be asked now.
    fn has_room(&mut self, target: &SweepTarget) -> io::Result<bool> {
        let lane = if target.silent { Lane::Silent } else { Lane::Window };
        let held = self.socket(target.address)?.batcher.answers_held();
        let most = match lane {
            Lane::Window => self.sweeper.options.window.clamp(1, held),
            Lane::Silent => SILENT_LANE,
        };
        Ok(self.busy[lane as usize] < most)
    }

    fn is_idle(&self) -> bool {
        self.busy == [0; 2]
    }

    fn start(&mut self, number: usize, target: SweepTarget) -> io::Result<()> {
        let now = self.now.saturating_duration_since(self.sweeper.began);
        let place = Place::new(number, target, &mut self.sweeper.voices, now);
        self.busy[place.lane as usize] += 1;
        let at = match self.free.pop() {
            Some(at) => at,
            None => {
                self.places.push(None);
                u32::try_from(self.places.len() - 1).map_err(io::Error::other)?
            }
        };
        self.places[at as usize] = Some(place);
        self.ask(at, true, 0);
        Ok(())
    }

    /// Puts a place's question on its way: a new one under a new number, an old one under the one it has.
    fn ask(&mut self, at: u32, is_new: bool, attempt: u32) {
        let Some(place) = self.places[at as usize].as_mut() else { return };
        if is_new {
            self.ids.free(place.id, at);
            place.id = self.ids.take(at);
        }
        let options = &self.sweeper.options;
        let wait = if place.lane == Lane::Silent && place.was_silent && !place.reading.has_answered() {
            options.short
        } else {
            patience(options.timeout, attempt)
        };
        place.attempt = attempt + 1;
        self.wheel.set(at, self.now + wait);
        let (list, voices) = (&mut self.list, &mut self.sweeper.voices);
        let slot = if place.address.is_ipv6() { &mut self.v6 } else { &mut self.v4 };
        if let Some(socket) = slot {
            socket.out.push(place.address, |out| place.write(voices, list, out));
            self.sweeper.stats.sent += 1;
            if socket.out.waiting() >= BATCH {
                socket.out.send(&socket.batcher);
            }
        }
    }

    fn send(&mut self) {
        for socket in [&mut self.v4, &mut self.v6].into_iter().flatten() {
            socket.out.send(&socket.batcher);
        }
    }

    /// Waits until something came, something can go out again, or a deadline passes.
    fn wait(&mut self) -> io::Result<()> {
        let wait = self.wheel.wait(Instant::now()).min(LONGEST_WAIT);
        let wait = Timespec::try_from(wait).map_err(io::Error::other)?;
        let mut fds: Vec<PollFd<'_>> = [&self.v4, &self.v6]
            .into_iter()
            .flatten()
            .map(|socket| {
                let full = socket.out.waiting() > 0;
                let flags = if full { PollFlags::IN | PollFlags::OUT } else { PollFlags::IN };
                PollFd::new(&socket.batcher, flags)
            })
            .collect();
        match poll(&mut fds, Some(&wait)) {
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(fault) => return Err(fault.into()),
        }
        self.now = Instant::now();
        Ok(())
    }

    /// Takes all that has come. What the system reports of single devices (unreachable, refused) is no
    /// reason to stop hearing the others.
    fn receive(&mut self) {
        let mut arrivals = std::mem::replace(&mut self.arrivals, Arrivals::none());
        for ipv6 in [false, true] {
            while let Some(socket) = if ipv6 { &self.v6 } else { &self.v4 } {
                let Ok(came) = arrivals.receive(socket.batcher.as_fd()) else { break };
                for at in 0..came {
                    self.sweeper.stats.received += 1;
                    if let Some((from, datagram)) = arrivals.get(at) {
                        self.take(from, datagram);
                    }
                }
                self.send();
                if came < BATCH {
                    break;
                }
            }
        }
        self.arrivals = arrivals;
    }

    fn take(&mut self, from: SocketAddr, datagram: &[u8]) {
        let Ok(message) = ber::raw(datagram) else {
            self.sweeper.stats.malformed += 1;
            return;
        };
        let (version, id) = match &message {
            RawMessage::Community { version, pdu, .. } => (*version, pdu.request_id),
            RawMessage::V3(message) => (Version::V3, message.message_id),
        };
        let place = self.ids.place(id).and_then(|at| Some((at, self.places.get_mut(at as usize)?.as_mut()?)));
        let place =
            place.filter(|(_, place)| place.id == id && place.address == from && place.version == version);
        let Some((at, place)) = place else {
            self.sweeper.stats.unasked += 1;
            return;
        };
        let effect = place.take(&mut self.sweeper.voices, &message, datagram, self.now);
        if effect != Effect::Ignore && place.lane == Lane::Silent {
            place.lane = Lane::Window;
            self.busy[Lane::Silent as usize] -= 1;
            self.busy[Lane::Window as usize] += 1;
        }
        self.go_on(at, effect);
    }

    fn go_on(&mut self, at: u32, effect: Effect) {
        match effect {
            Effect::Ignore => {}
            Effect::Ask => self.ask(at, true, 0),
            Effect::Done => self.finish(at, None),
            Effect::Fail(fault) => self.finish(at, Some(*fault)),
        }
    }

    fn expire(&mut self) {
        let mut passed = std::mem::take(&mut self.passed);
        self.wheel.passed(self.now, &mut passed);
        for at in passed.drain(..) {
            let options = &self.sweeper.options;
            let Some(place) = self.places[at as usize].as_mut() else { continue };
            if let Some(effect) = self.sweeper.voices.believe(place) {
                self.go_on(at, effect);
                continue;
            }
            let unheard = !place.reading.has_answered();
            let retries = if place.was_silent && unheard { 0 } else { options.retries };
            if unheard && place.lane == Lane::Window && self.busy[Lane::Silent as usize] < SILENT_LANE {
                // It may answer yet, but it no longer holds a place that another could use.
                place.lane = Lane::Silent;
                self.busy[Lane::Window as usize] -= 1;
                self.busy[Lane::Silent as usize] += 1;
            }
            if place.attempt <= retries {
                let attempt = place.attempt;
                // The smallest question needs another number; answers to the first are given up for it.
                let smaller =
                    attempt == retries && place.version != Version::V3 && place.reading.be_cautious();
                self.ask(at, smaller, attempt);
                continue;
            }
            let effect = place.silent(options.timeout);
            self.go_on(at, effect);
        }
        self.passed = passed;
    }

    fn finish(&mut self, at: u32, fault: Option<SnmpError>) {
        let Some(place) = self.places[at as usize].take() else { return };
        self.wheel.clear(at);
        self.ids.free(place.id, at);
        self.free.push(at);
        self.busy[place.lane as usize] -= 1;
        let outcome = match fault {
            Some(fault) => Err(fault),
            None => Ok(place.reading.finish(self.sweeper.options.keep_rows)),
        };
        (self.done)(place.number, outcome);
    }
}

#[cfg(test)]
mod tests;
