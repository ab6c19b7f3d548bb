//! A UDP socket that sends and receives by the batch: at thousands of devices a second, calls into the
//! system cost more than all else.
//!
//! The standard library and its safe neighbours have no `recvmmsg`, so this is the one file of the engine
//! with `unsafe` in it. It hands out nothing but slices and addresses.
#![allow(unsafe_code, reason = "recvmmsg and sendmmsg have no safe form")]

use std::io;
use std::mem;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, SocketAddrV4, SocketAddrV6, UdpSocket};
use std::os::fd::{AsFd, AsRawFd, BorrowedFd};

use rustix::net::sockopt;

/// The most datagrams of one call.
pub(crate) const BATCH: usize = 64;
/// The longest datagram that can come.
const LONGEST: usize = 65_536;
/// The receive buffer that is asked for, octets.
const WANTED_BUFFER: usize = 4 << 20;
/// What a waiting answer of a frame's size takes of the receive buffer, by the system's count: measured on
/// Linux, where 212,992 octets hold some 90 of them.
const ANSWER_IN_BUFFER: usize = 2_400;

/// A socket that does not block.
pub(crate) struct Batcher {
    socket: UdpSocket,
    buffer: usize,
}

impl Batcher {
    /// Binds any port of an address family, and asks for a large receive buffer.
    pub(crate) fn bind(ipv6: bool) -> io::Result<Self> {
        let (socket, buffer) = open(ipv6)?;
        Ok(Self { socket, buffer })
    }

    /// How many answers of a frame's size the receive buffer holds.
    pub(crate) fn answers_held(&self) -> usize {
        (self.buffer / ANSWER_IN_BUFFER).max(16)
    }
}

/// A socket that does not block, at any port of an address family, and how large a receive buffer the system
/// gave of the large one that is asked for.
pub(crate) fn open(ipv6: bool) -> io::Result<(UdpSocket, usize)> {
    let any = if ipv6 { IpAddr::V6(Ipv6Addr::UNSPECIFIED) } else { IpAddr::V4(Ipv4Addr::UNSPECIFIED) };
    let socket = UdpSocket::bind((any, 0))?;
    socket.set_nonblocking(true)?;
    // With the right to, past the system's own limit; else as much as that lets.
    if sockopt::set_socket_recv_buffer_size_force(socket.as_fd(), WANTED_BUFFER).is_err() {
        sockopt::set_socket_recv_buffer_size(socket.as_fd(), WANTED_BUFFER)?;
    }
    let buffer = sockopt::socket_recv_buffer_size(socket.as_fd())?;
    Ok((socket, buffer))
}

impl AsFd for Batcher {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.socket.as_fd()
    }
}

/// Datagrams that came in one call. One buffer serves all devices.
pub(crate) struct Arrivals {
    bytes: Vec<u8>,
    names: Vec<libc::sockaddr_storage>,
    lengths: Vec<usize>,
}

impl Arrivals {
    pub(crate) fn new() -> Self {
        // Pages of the buffer that no answer reaches are never touched, and so take no memory.
        Self { bytes: vec![0; BATCH * LONGEST], names: vec![nobody(); BATCH], lengths: Vec::new() }
    }

    /// Without room for any: what stands in for arrivals that are being read.
    pub(crate) fn none() -> Self {
        Self { bytes: Vec::new(), names: Vec::new(), lengths: Vec::new() }
    }

    /// Takes what has come to a socket, up to a batch, and says how many.
    pub(crate) fn receive(&mut self, from: BorrowedFd<'_>) -> io::Result<usize> {
        self.lengths.clear();
        let mut pieces: [libc::iovec; BATCH] = [EMPTY_PIECE; BATCH];
        // SAFETY: all-zero bytes are valid headers, with null pointers and lengths of nothing.
        let mut headers: [libc::mmsghdr; BATCH] = unsafe { mem::zeroed() };
        let parts = self.bytes.chunks_exact_mut(LONGEST).zip(&mut self.names);
        for ((piece, header), (bytes, name)) in pieces.iter_mut().zip(&mut headers).zip(parts) {
            *piece = libc::iovec { iov_base: bytes.as_mut_ptr().cast(), iov_len: LONGEST };
            header.msg_hdr.msg_iov = piece;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_name = (&raw mut *name).cast();
            header.msg_hdr.msg_namelen = NAME_LENGTH;
        }
        // SAFETY: every header points at a piece, a buffer and a name of its own, all of which outlive the
        // call; the count is that of the headers.
        let came = unsafe {
            libc::recvmmsg(
                from.as_raw_fd(),
                headers.as_mut_ptr(),
                BATCH_COUNT,
                libc::MSG_DONTWAIT,
                std::ptr::null_mut(),
            )
        };
        let came = usize::try_from(came).map_err(|_| io::Error::last_os_error())?;
        self.lengths.extend(headers.iter().take(came).map(|header| (header.msg_len as usize).min(LONGEST)));
        Ok(came)
    }

    /// One of those that came last, and whom it is from.
    pub(crate) fn get(&self, at: usize) -> Option<(SocketAddr, &[u8])> {
        let length = *self.lengths.get(at)?;
        let start = at * LONGEST;
        Some((address(self.names.get(at)?)?, self.bytes.get(start..start + length)?))
    }
}

/// Datagrams that go out in one call.
#[derive(Default)]
pub(crate) struct Departures {
    bytes: Vec<u8>,
    /// Where each one ends.
    ends: Vec<usize>,
    names: Vec<(libc::sockaddr_storage, libc::socklen_t)>,
    /// How many have gone.
    gone: usize,
}

impl Departures {
    /// Adds a datagram that `write` appends to what it gets.
    pub(crate) fn push(&mut self, to: SocketAddr, write: impl FnOnce(&mut Vec<u8>)) {
        write(&mut self.bytes);
        self.ends.push(self.bytes.len());
        self.names.push(named(to));
    }

    /// How many wait to be sent.
    pub(crate) fn waiting(&self) -> usize {
        self.ends.len() - self.gone
    }

    /// Sends as many as the system takes now, and says how many. One that it refuses for a reason of its
    /// own (there is no route, nobody listens) is left out: its device then is one that does not answer.
    pub(crate) fn send(&mut self, by: &Batcher) -> usize {
        let mut sent = 0;
        while self.gone < self.ends.len() {
            match self.send_batch(by) {
                Ok(count) => (self.gone, sent) = (self.gone + count.max(1), sent + count),
                Err(full) if matches!(full.kind(), io::ErrorKind::WouldBlock) => return sent,
                Err(full) if full.raw_os_error() == Some(libc::ENOBUFS) => return sent,
                Err(_) => self.gone += 1,
            }
        }
        self.bytes.clear();
        self.ends.clear();
        self.names.clear();
        self.gone = 0;
        sent
    }

    fn send_batch(&mut self, by: &Batcher) -> io::Result<usize> {
        let mut pieces: [libc::iovec; BATCH] = [EMPTY_PIECE; BATCH];
        // SAFETY: as in `receive`.
        let mut headers: [libc::mmsghdr; BATCH] = unsafe { mem::zeroed() };
        let mut start = self.gone.checked_sub(1).and_then(|last| self.ends.get(last)).copied().unwrap_or(0);
        let waiting = self.ends.iter().zip(&mut self.names).skip(self.gone);
        let mut count = 0;
        for ((piece, header), (end, (name, length))) in pieces.iter_mut().zip(&mut headers).zip(waiting) {
            let bytes = self.bytes.get_mut(start..*end).unwrap_or_default();
            *piece = libc::iovec { iov_base: bytes.as_mut_ptr().cast(), iov_len: bytes.len() };
            header.msg_hdr.msg_iov = piece;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_name = (&raw mut *name).cast();
            header.msg_hdr.msg_namelen = *length;
            start = *end;
            count += 1;
        }
        // SAFETY: the first `count` headers point at pieces, bytes and names that outlive the call, and the
        // system only reads them.
        let sent =
            unsafe { libc::sendmmsg(by.socket.as_raw_fd(), headers.as_mut_ptr(), count, libc::MSG_DONTWAIT) };
        usize::try_from(sent).map_err(|_| io::Error::last_os_error())
    }
}

#[allow(clippy::cast_possible_truncation, reason = "64")]
const BATCH_COUNT: libc::c_uint = BATCH as libc::c_uint;
#[allow(clippy::cast_possible_truncation, reason = "128 octets")]
const NAME_LENGTH: libc::socklen_t = size_of::<libc::sockaddr_storage>() as libc::socklen_t;
const EMPTY_PIECE: libc::iovec = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };

fn nobody() -> libc::sockaddr_storage {
    // SAFETY: all-zero bytes are a valid address of no family.
    unsafe { mem::zeroed() }
}

/// The system's form of an address.
fn named(to: SocketAddr) -> (libc::sockaddr_storage, libc::socklen_t) {
    let mut name = nobody();
    #[allow(clippy::cast_possible_truncation, reason = "families and sizes are small numbers")]
    let length = match to {
        SocketAddr::V4(to) => {
            // SAFETY: the storage is as large and as aligned as any address has to be, and zeroed.
            let inner = unsafe { &mut *(&raw mut name).cast::<libc::sockaddr_in>() };
            inner.sin_family = libc::AF_INET as libc::sa_family_t;
            inner.sin_port = to.port().to_be();
            inner.sin_addr.s_addr = u32::from_ne_bytes(to.ip().octets());
            size_of::<libc::sockaddr_in>()
        }
        SocketAddr::V6(to) => {
            // SAFETY: as above.
            let inner = unsafe { &mut *(&raw mut name).cast::<libc::sockaddr_in6>() };
            inner.sin6_family = libc::AF_INET6 as libc::sa_family_t;
            inner.sin6_port = to.port().to_be();
            inner.sin6_flowinfo = to.flowinfo();
            inner.sin6_addr.s6_addr = to.ip().octets();
            inner.sin6_scope_id = to.scope_id();
            size_of::<libc::sockaddr_in6>()
        }
    } as libc::socklen_t;
    (name, length)
}

fn address(name: &libc::sockaddr_storage) -> Option<SocketAddr> {
    match i32::from(name.ss_family) {
        libc::AF_INET => {
            // SAFETY: the family says what the storage holds, and it is large and aligned enough for it.
            let inner = unsafe { &*(&raw const *name).cast::<libc::sockaddr_in>() };
            let ip = Ipv4Addr::from(inner.sin_addr.s_addr.to_ne_bytes());
            Some(SocketAddrV4::new(ip, u16::from_be(inner.sin_port)).into())
        }
        libc::AF_INET6 => {
            // SAFETY: as above.
            let inner = unsafe { &*(&raw const *name).cast::<libc::sockaddr_in6>() };
            let ip = Ipv6Addr::from(inner.sin6_addr.s6_addr);
            let port = u16::from_be(inner.sin6_port);
            Some(SocketAddrV6::new(ip, port, inner.sin6_flowinfo, inner.sin6_scope_id).into())
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use super::*;

    fn echo(ipv6: bool) {
        let ip = if ipv6 { IpAddr::V6(Ipv6Addr::LOCALHOST) } else { IpAddr::V4(Ipv4Addr::LOCALHOST) };
        let Ok(peer) = UdpSocket::bind((ip, 0)) else { return };
        let to = peer.local_addr().unwrap();
        let batcher = Batcher::bind(ipv6).unwrap();
        let mut out = Departures::default();
        for number in 0..150_u8 {
            out.push(to, |bytes| bytes.extend(std::iter::repeat_n(number, usize::from(number))));
        }
        assert_eq!(out.send(&batcher), 150);
        assert_eq!(out.waiting(), 0);
        let mut bytes = [0; 200];
        for number in 0..150_u8 {
            let (length, from) = peer.recv_from(&mut bytes).unwrap();
            assert_eq!(bytes[..length], vec![number; usize::from(number)]);
            peer.send_to(&bytes[..length], from).unwrap();
        }
        let mut arrivals = Arrivals::new();
        let (mut seen, deadline) = (0_u8, Instant::now() + Duration::from_secs(5));
        while seen < 150 && Instant::now() < deadline {
            for at in 0..arrivals.receive(batcher.as_fd()).unwrap_or(0) {
                let (from, bytes) = arrivals.get(at).unwrap();
                assert_eq!((from, bytes), (to, &vec![seen; usize::from(seen)][..]));
                seen += 1;
            }
        }
        assert_eq!(seen, 150);
    }

    #[test]
    fn whole_batches_go_out_and_come_back() {
        echo(false);
        echo(true);
    }

    #[test]
    fn the_buffer_is_what_was_given() {
        assert!(Batcher::bind(false).unwrap().answers_held() >= 16);
    }
}
