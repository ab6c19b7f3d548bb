//! Datagrams by the batch, with the address that each was sent to.
//!
//! The standard library takes one datagram a call, and does not say which of a socket's addresses it was
//! for. Both need the system's own interface: this is the one file of the program that has `unsafe` in it.
#![allow(unsafe_code, reason = "recvmmsg, sendmmsg and socket options are not in the standard library")]

use std::io;
use std::mem;
use std::net::{Ipv4Addr, SocketAddrV4, UdpSocket};
use std::os::fd::AsRawFd;

/// The most datagrams of one call.
pub(super) const BATCH: usize = 64;
/// The longest request that is read; more is cut off and then not understood.
const LONGEST: usize = 4096;
/// Room for one `in_pktinfo` and its header, in words so that it is aligned.
type Control = [u64; 6];

/// Binds a socket for all of 127.0.0.0/8 that nothing but the loopback device can reach.
pub(super) fn bind(port: u16) -> io::Result<UdpSocket> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, port))?;
    set(&socket, libc::SOL_SOCKET, libc::SO_BINDTODEVICE, b"lo\0")?;
    set(&socket, libc::IPPROTO_IP, libc::IP_PKTINFO, &1_i32.to_ne_bytes())?;
    // What the system does not give is not needed for being right, only for being fast.
    let wanted = (8_i32 << 20).to_ne_bytes();
    let _ = set(&socket, libc::SOL_SOCKET, libc::SO_RCVBUF, &wanted);
    let _ = set(&socket, libc::SOL_SOCKET, libc::SO_SNDBUF, &wanted);
    Ok(socket)
}

fn set(socket: &UdpSocket, level: i32, name: i32, value: &[u8]) -> io::Result<()> {
    let length = libc::socklen_t::try_from(value.len()).map_err(io::Error::other)?;
    // SAFETY: the pointer and the length are those of a live slice, and the system only reads it.
    let done = unsafe { libc::setsockopt(socket.as_raw_fd(), level, name, value.as_ptr().cast(), length) };
    if done == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

/// Datagrams that came in one call.
pub(super) struct Arrivals {
    bytes: Vec<[u8; LONGEST]>,
    names: Vec<libc::sockaddr_in>,
    controls: Vec<Control>,
    lengths: Vec<usize>,
}

/// One of them.
pub(super) struct Arrival<'a> {
    pub(super) from: SocketAddrV4,
    pub(super) to: Ipv4Addr,
    pub(super) bytes: &'a [u8],
}

impl Arrivals {
    pub(super) fn new() -> Self {
        Self {
            bytes: vec![[0; LONGEST]; BATCH],
            names: vec![empty_name(); BATCH],
            controls: vec![[0; 6]; BATCH],
            lengths: Vec::with_capacity(BATCH),
        }
    }

    /// Waits up to the socket's own read timeout for datagrams and takes all that are there, up to a batch.
    pub(super) fn receive(&mut self, socket: &UdpSocket) -> io::Result<()> {
        self.lengths.clear();
        let mut pieces: Vec<libc::iovec> = self
            .bytes
            .iter_mut()
            .map(|bytes| libc::iovec { iov_base: bytes.as_mut_ptr().cast(), iov_len: LONGEST })
            .collect();
        let mut headers = Vec::with_capacity(BATCH);
        for ((piece, name), control) in pieces.iter_mut().zip(&mut self.names).zip(&mut self.controls) {
            let mut header = empty_header();
            header.msg_hdr.msg_name = (&raw mut *name).cast();
            header.msg_hdr.msg_namelen = size::<libc::sockaddr_in>();
            header.msg_hdr.msg_iov = piece;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_control = control.as_mut_ptr().cast();
            header.msg_hdr.msg_controllen = mem::size_of::<Control>();
            headers.push(header);
        }
        // SAFETY: every header points at a name, a piece and a control buffer that outlive the call and
        // that no other header points at; the count is theirs.
        let came = unsafe {
            libc::recvmmsg(
                socket.as_raw_fd(),
                headers.as_mut_ptr(),
                BATCH as u32,
                libc::MSG_WAITFORONE,
                std::ptr::null_mut(),
            )
        };
        let came = usize::try_from(came).map_err(|_| io::Error::last_os_error())?;
        self.lengths.extend(headers.iter().take(came).map(|header| (header.msg_len as usize).min(LONGEST)));
        Ok(())
    }

    /// What the last call brought.
    pub(super) fn iter(&self) -> impl Iterator<Item = Arrival<'_>> {
        let parts = self.bytes.iter().zip(&self.names).zip(&self.controls).zip(&self.lengths);
        parts.filter_map(|(((bytes, name), control), length)| {
            Some(Arrival { from: address(name), to: destination(control)?, bytes: bytes.get(..*length)? })
        })
    }
}

/// Answers that go out in one call.
#[derive(Default)]
pub(super) struct Departures {
    bytes: Vec<Vec<u8>>,
    names: Vec<libc::sockaddr_in>,
    controls: Vec<Control>,
}

impl Departures {
    pub(super) fn push(&mut self, to: SocketAddrV4, from: Ipv4Addr, bytes: Vec<u8>) {
        let mut name = empty_name();
        name.sin_family = libc::AF_INET as u16;
        name.sin_port = to.port().to_be();
        name.sin_addr.s_addr = u32::from_ne_bytes(to.ip().octets());
        self.names.push(name);
        self.controls.push(source(from));
        self.bytes.push(bytes);
    }

    pub(super) fn len(&self) -> usize {
        self.bytes.len()
    }

    /// Sends all of them. What the system does not take is lost, as on any network.
    pub(super) fn send(&mut self, socket: &UdpSocket) {
        let mut pieces: Vec<libc::iovec> = self
            .bytes
            .iter_mut()
            .map(|bytes| libc::iovec { iov_base: bytes.as_mut_ptr().cast(), iov_len: bytes.len() })
            .collect();
        let mut headers = Vec::with_capacity(pieces.len());
        for ((piece, name), control) in pieces.iter_mut().zip(&mut self.names).zip(&mut self.controls) {
            let mut header = empty_header();
            header.msg_hdr.msg_name = (&raw mut *name).cast();
            header.msg_hdr.msg_namelen = size::<libc::sockaddr_in>();
            header.msg_hdr.msg_iov = piece;
            header.msg_hdr.msg_iovlen = 1;
            header.msg_hdr.msg_control = control.as_mut_ptr().cast();
            header.msg_hdr.msg_controllen = CONTROL_LENGTH;
            headers.push(header);
        }
        let mut sent = 0;
        while sent < headers.len() {
            let left = &mut headers[sent..];
            // SAFETY: as in `receive`; the system only reads what these headers point at.
            let took = unsafe { libc::sendmmsg(socket.as_raw_fd(), left.as_mut_ptr(), left.len() as u32, 0) };
            // One that cannot be sent (nobody listens any more) must not hold up the others.
            sent += usize::try_from(took).unwrap_or(0).max(1);
        }
        self.bytes.clear();
        self.names.clear();
        self.controls.clear();
    }
}

/// The length of a control message with an `in_pktinfo` in it: a header of 16 bytes, then 12.
const CONTROL_LENGTH: usize = 28;

/// A control message that sends a datagram from this address.
fn source(from: Ipv4Addr) -> Control {
    let second = (u64::from(libc::IP_PKTINFO as u32) << 32) | u64::from(libc::IPPROTO_IP as u32);
    let address = u64::from(u32::from_ne_bytes(from.octets()));
    [CONTROL_LENGTH as u64, second, address << 32, 0, 0, 0]
}

/// The address that a datagram was sent to, by its control message.
fn destination(control: &Control) -> Option<Ipv4Addr> {
    let known = control[0] == CONTROL_LENGTH as u64 && control[1] == source(Ipv4Addr::LOCALHOST)[1];
    known.then(|| Ipv4Addr::from(((control[3] & 0xffff_ffff) as u32).to_ne_bytes()))
}

fn address(name: &libc::sockaddr_in) -> SocketAddrV4 {
    SocketAddrV4::new(Ipv4Addr::from(name.sin_addr.s_addr.to_ne_bytes()), u16::from_be(name.sin_port))
}

fn empty_name() -> libc::sockaddr_in {
    // SAFETY: all-zero bytes are a valid socket address of no family.
    unsafe { mem::zeroed() }
}

fn empty_header() -> libc::mmsghdr {
    // SAFETY: all-zero bytes are a valid header with null pointers and lengths of nothing.
    unsafe { mem::zeroed() }
}

fn size<T>() -> libc::socklen_t {
    mem::size_of::<T>() as libc::socklen_t
}
