//! A scripted agent for tests: it says exactly what a test tells it to, and nothing by itself.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::net::UdpSocket;
use tokio::task::AbortHandle;

use super::ber::{GET, GET_BULK, GET_NEXT, RESPONSE, Reader, SEQUENCE, Writer, decode_oid};
use super::credential::Credential;
use super::oid::Oid;
use super::pdu::Version;
use super::transport::Target;
use super::value::{Value, Varbind};

pub(crate) fn encode_value(w: &mut Writer, value: &Value) {
    let unsigned = |w: &mut Writer, tag: u8, number: u64| {
        let octets = number.to_be_bytes();
        let zeros = octets.iter().take_while(|octet| **octet == 0).count().min(7);
        w.tagged(tag, |w| {
            w.raw(&octets[zeros..]);
            if octets[zeros] & 0x80 != 0 {
                w.raw(&[0]);
            }
        });
    };
    match value {
        Value::Integer(number) => w.integer(*number),
        Value::OctetString(octets) => w.octets(octets),
        Value::ObjectId(oid) => w.oid(oid),
        Value::IpAddress(octets) => w.tagged(0x40, |w| w.raw(octets)),
        Value::Counter32(number) => unsigned(w, 0x41, (*number).into()),
        Value::Gauge32(number) => unsigned(w, 0x42, (*number).into()),
        Value::TimeTicks(number) => unsigned(w, 0x43, (*number).into()),
        Value::Opaque(octets) => w.tagged(0x44, |w| w.raw(octets)),
        Value::Counter64(number) => unsigned(w, 0x46, *number),
        Value::Null => w.tagged(0x05, |_| {}),
        Value::NoSuchObject => w.tagged(0x80, |_| {}),
        Value::NoSuchInstance => w.tagged(0x81, |_| {}),
        Value::EndOfMibView => w.tagged(0x82, |_| {}),
        Value::Unknown { tag, bytes } => w.tagged(*tag, |w| w.raw(bytes)),
    }
}

/// The contents of a list of names and values.
pub(crate) fn encode_varbinds(w: &mut Writer, varbinds: &[Varbind]) {
    for varbind in varbinds.iter().rev() {
        w.tagged(SEQUENCE, |w| {
            encode_value(w, &varbind.value);
            w.oid(&varbind.oid);
        });
    }
}

pub(crate) fn encode_response(
    version: Version,
    community: &[u8],
    request_id: i32,
    status: i64,
    error_index: u32,
    varbinds: &[Varbind],
) -> Vec<u8> {
    let mut message = Writer::new();
    message.tagged(SEQUENCE, |w| {
        w.tagged(RESPONSE, |w| {
            w.tagged(SEQUENCE, |w| encode_varbinds(w, varbinds));
            w.integer(error_index.into());
            w.integer(status);
            w.integer(request_id.into());
        });
        w.octets(community);
        w.integer(version.number());
    });
    message.finish()
}

/// A request that came to the agent.
#[derive(Debug, Clone)]
pub(crate) struct Asked {
    pub(crate) version: Version,
    pub(crate) community: Vec<u8>,
    pub(crate) tag: u8,
    pub(crate) request_id: i32,
    pub(crate) non_repeaters: usize,
    pub(crate) max_repetitions: usize,
    pub(crate) oids: Vec<Oid>,
    /// How many requests came before this one.
    pub(crate) number: usize,
}

impl Asked {
    pub(crate) fn parse(datagram: &[u8], number: usize) -> Option<Self> {
        let mut message = Reader::over(datagram).sequence().ok()?;
        let version = match message.integer().ok()? {
            0 => Version::V1,
            1 => Version::V2c,
            _ => return None,
        };
        let community = message.octets().ok()?.to_vec();
        let (tag, contents) = message.any().ok()?;
        let mut pdu = Reader::over(contents);
        let request_id = pdu.integer().ok()?.try_into().ok()?;
        let non_repeaters = pdu.integer().ok()?.try_into().ok()?;
        let max_repetitions = pdu.integer().ok()?.try_into().ok()?;
        let mut list = pdu.sequence().ok()?;
        let mut oids = Vec::new();
        while !list.is_empty() {
            oids.push(decode_oid(list.sequence().ok()?.expect(0x06, "an oid").ok()?).ok()?);
        }
        Some(Self { version, community, tag, request_id, non_repeaters, max_repetitions, oids, number })
    }

    /// An answer to this request.
    pub(crate) fn answer(&self, varbinds: &[Varbind]) -> Vec<u8> {
        self.fail(0, 0, varbinds)
    }

    /// An answer that says what went wrong.
    pub(crate) fn fail(&self, status: i64, index: u32, varbinds: &[Varbind]) -> Vec<u8> {
        encode_response(self.version, &self.community, self.request_id, status, index, varbinds)
    }

    /// Its names with nothing under them, as version 1 repeats them in an error.
    pub(crate) fn echo(&self) -> Vec<Varbind> {
        self.oids.iter().map(|oid| Varbind { oid: oid.clone(), value: Value::Null }).collect()
    }
}

/// What the agent does with a request.
pub(crate) enum Act {
    /// Sends this back.
    Send(Vec<u8>),
    /// Sends this back from another port.
    SendFromElsewhere(Vec<u8>),
}

pub(crate) struct Agent {
    pub(crate) address: SocketAddr,
    seen: Arc<Mutex<Vec<Asked>>>,
    task: AbortHandle,
}

impl Drop for Agent {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Agent {
    /// An agent that does with each request what the script says.
    pub(crate) async fn start(mut script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static) -> Self {
        let seen = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&seen);
        let mut number = 0;
        let mut agent = Self::raw(move |datagram| {
            let Some(asked) = Asked::parse(datagram, number) else { return Vec::new() };
            number += 1;
            let acts = script(&asked);
            kept.lock().unwrap().push(asked);
            acts
        })
        .await;
        agent.seen = seen;
        agent
    }

    /// An agent that works on bytes.
    pub(crate) async fn raw(mut script: impl FnMut(&[u8]) -> Vec<Act> + Send + 'static) -> Self {
        let socket = UdpSocket::bind("127.0.0.1:0").await.unwrap();
        let elsewhere = UdpSocket::bind("127.0.0.1:0").await.unwrap();
        let address = socket.local_addr().unwrap();
        let task = tokio::spawn(async move {
            let mut buffer = vec![0; 65_536];
            while let Ok((length, from)) = socket.recv_from(&mut buffer).await {
                for act in script(&buffer[..length]) {
                    match act {
                        Act::Send(bytes) => socket.send_to(&bytes, from).await.unwrap(),
                        Act::SendFromElsewhere(bytes) => elsewhere.send_to(&bytes, from).await.unwrap(),
                    };
                }
            }
        });
        Self { address, seen: Arc::default(), task: task.abort_handle() }
    }

    /// An agent that answers from a table as RFC 3416 says, in answers of `limit` octets at most.
    pub(crate) async fn with_table(table: BTreeMap<Oid, Value>, limit: usize) -> Self {
        Self::start(move |asked| vec![Act::Send(from_table(&table, limit, asked))]).await
    }

    /// The requests that came so far.
    pub(crate) fn seen(&self) -> Vec<Asked> {
        self.seen.lock().unwrap().clone()
    }

    /// How a test asks it, by version 2c, with a deadline of 100 ms and one retry.
    pub(crate) fn target(&self) -> Target {
        self.target_by(Credential::v2c("loft").unwrap())
    }

    pub(crate) fn target_by(&self, credential: Credential) -> Target {
        Target {
            address: self.address,
            credential: Arc::new(credential),
            timeout: Duration::from_millis(100),
            retries: 1,
        }
    }
}

pub(crate) fn from_table(table: &BTreeMap<Oid, Value>, limit: usize, asked: &Asked) -> Vec<u8> {
    let next = |oid: &Oid| {
        let behind = (std::ops::Bound::Excluded(oid.clone()), std::ops::Bound::Unbounded);
        table.range(behind).next().map(|(oid, value)| Varbind { oid: oid.clone(), value: value.clone() })
    };
    let end = |oid: &Oid| Varbind { oid: oid.clone(), value: Value::EndOfMibView };
    let mut varbinds = Vec::new();
    match asked.tag {
        GET => {
            for oid in &asked.oids {
                let value = table.get(oid).cloned().unwrap_or(Value::NoSuchInstance);
                varbinds.push(Varbind { oid: oid.clone(), value });
            }
        }
        GET_NEXT => varbinds.extend(asked.oids.iter().map(|oid| next(oid).unwrap_or_else(|| end(oid)))),
        GET_BULK => {
            let (once, repeat) = asked.oids.split_at(asked.non_repeaters.min(asked.oids.len()));
            varbinds.extend(once.iter().map(|oid| next(oid).unwrap_or_else(|| end(oid))));
            let mut at = repeat.to_vec();
            for _ in 0..asked.max_repetitions {
                for oid in &mut at {
                    let found = next(oid).unwrap_or_else(|| end(oid));
                    *oid = found.oid.clone();
                    varbinds.push(found);
                }
            }
            while asked.answer(&varbinds).len() > limit {
                varbinds.pop();
            }
        }
        _ => return Vec::new(),
    }
    if asked.version == Version::V1
        && let Some(at) = varbinds.iter().position(|varbind| !varbind.value.is_present())
    {
        return asked.fail(2, u32::try_from(at).unwrap() + 1, &asked.echo());
    }
    let whole = asked.answer(&varbinds);
    if whole.len() > limit { asked.fail(1, 0, &[]) } else { whole }
}
