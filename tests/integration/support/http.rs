//! A request to the pages, as plain as it goes over the wire.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};

use super::DEADLINE;

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    /// The status line's number.
    pub(crate) status: u16,
    /// The head, in lower case.
    pub(crate) head: String,
    /// The body.
    pub(crate) body: String,
}

/// Asks for a page under the name of this machine.
pub(crate) fn get(address: SocketAddr, path: &str) -> Answer {
    get_as(address, path, &address.to_string())
}

/// Asks for a page under any host name.
pub(crate) fn get_as(address: SocketAddr, path: &str, host: &str) -> Answer {
    send(address, &format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"))
}

/// Sends a form as a page of this site would.
pub(crate) fn post(address: SocketAddr, path: &str, form: &str) -> Answer {
    send(
        address,
        &format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\nConnection: close\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
            form.len()
        ),
    )
}

fn send(address: SocketAddr, request: &str) -> Answer {
    let mut stream = TcpStream::connect_timeout(&address, DEADLINE).unwrap();
    stream.set_read_timeout(Some(DEADLINE)).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).unwrap();
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").expect("an answer has a head");
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).expect("a status");
    Answer { status, head: head.to_lowercase(), body: body.to_owned() }
}
