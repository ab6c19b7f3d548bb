//! Listens for notifications, and passes on whose device may have something to say.

use std::net::IpAddr;

use tokio::net::UdpSocket;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tracing::debug;

use crate::snmp::notification;

/// Hints that wait to be looked at; more are dropped, since the schedule finds the same out later.
pub const WAITING: usize = 256;
/// No notification that the standards know is longer.
const DATAGRAM: usize = 8192;

/// Takes notifications from a socket until it is told to stop. Informs are acknowledged; what tells of a
/// printer's alert is passed on by its sender's address.
pub async fn listen(socket: UdpSocket, hints: mpsc::Sender<IpAddr>, stop: CancellationToken) {
    let mut buffer = vec![0_u8; DATAGRAM];
    loop {
        let received = tokio::select! {
            () = stop.cancelled() => return,
            received = socket.recv_from(&mut buffer) => received,
        };
        // An error here tells of an earlier acknowledgement that nobody took; the socket goes on working.
        let Ok((length, from)) = received else { continue };
        let Some(notification) = notification::read(&buffer[..length]) else { continue };
        if let Some(answer) = notification.acknowledgement {
            let _ = socket.send_to(&answer, from).await;
        }
        if notification.printer_alert && hints.try_send(from.ip()).is_err() {
            debug!(%from, "a notification was dropped: too many wait");
        }
    }
}
