//! The small part of HTTP/1.1 that one page on one computer needs: one request per connection, everything bounded.
//!
//! Written here because each limit is ours to set (length of the head, length of the body, time to send them, number of
//! connections), and because a pool that lets a request wait behind a browser's idle connection makes pages hang.

use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::guard::Head;
use super::reply::{Refusal, Reply};

/// Longest head of a request, bytes.
const MAX_HEAD: usize = 16 << 10;
/// Longest body, bytes: an action is far smaller.
pub const MAX_BODY: usize = 16 << 10;
/// Connections at the same time; a browser opens about six.
const MAX_CONNECTIONS: usize = 64;
/// Time for the head of a request to arrive. Browsers open connections ahead; a silent one costs them nothing.
const HEAD_PATIENCE: Duration = Duration::from_secs(5);
/// Time for the rest of a request to arrive, and for each piece of the answer to leave.
const PATIENCE: Duration = Duration::from_secs(10);
/// Pause after the system could not accept a connection (its descriptors may have run out).
const BREATH: Duration = Duration::from_millis(20);
/// Breaths that a new connection waits for the place of one that was closed for it.
const BREATHS: usize = 10;
/// What is still read of a request that was refused, so that the answer is not lost with it, bytes.
const MAX_DRAINED: usize = 1 << 20;
/// Time for that; one that keeps on sending is cut off.
const DRAIN_PATIENCE: Duration = Duration::from_millis(500);

/// A whole request.
pub struct Request {
    /// Its head.
    pub head: Head,
    /// Its body, at most [`MAX_BODY`] bytes.
    pub body: Vec<u8>,
}

/// Connections that wait for the other side (for the head of a request, or for an answer to be taken), oldest first: they go
/// when room is needed, so that connections which only wait never keep a request out.
#[derive(Default)]
struct Waiting {
    next: u64,
    streams: VecDeque<(u64, TcpStream)>,
}

/// The waiting connections, shared by all threads. Each change is one step, so a panic elsewhere leaves whole values.
#[derive(Default)]
struct WaitingRoom(Mutex<Waiting>);

impl WaitingRoom {
    fn enter(&self, stream: TcpStream) -> u64 {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.next += 1;
        let ticket = waiting.next;
        waiting.streams.push_back((ticket, stream));
        ticket
    }

    /// Gives back what entered; `None` when it was closed meanwhile.
    fn leave(&self, ticket: u64) -> Option<TcpStream> {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let place = waiting.streams.iter().position(|(t, _)| *t == ticket)?;
        waiting.streams.remove(place).map(|(_, stream)| stream)
    }

    /// Closes the connection that has waited longest.
    fn close_oldest(&self) {
        let oldest = self.0.lock().unwrap_or_else(PoisonError::into_inner).streams.pop_front();
        if let Some((_, stream)) = oldest {
            // Its thread reads the end of the connection and goes.
            let _ = stream.shutdown(Shutdown::Both);
        }
    }
}

/// Answers connections, each in its own thread, until the program ends.
///
/// `admit` sees a head before its body is read; `answer` sees the whole request.
pub fn serve(
    listener: &TcpListener,
    admit: &(dyn Fn(&Head) -> Result<(), Refusal> + Sync),
    answer: &(dyn Fn(&Request) -> Reply + Sync),
) {
    let open = AtomicUsize::new(0);
    let room = WaitingRoom::default();
    std::thread::scope(|scope| {
        for connection in listener.incoming() {
            let Ok(stream) = connection else {
                room.close_oldest();
                std::thread::sleep(BREATH);
                continue;
            };
            if !has_place(&open, &room) {
                continue;
            }
            open.fetch_add(1, Ordering::Relaxed);
            let (open, room) = (&open, &room);
            let talk = move || {
                // A browser that has gone away is no fault.
                let _ = converse(stream, room, admit, answer);
                open.fetch_sub(1, Ordering::Relaxed);
            };
            if std::thread::Builder::new().spawn_scoped(scope, talk).is_err() {
                open.fetch_sub(1, Ordering::Relaxed);
            }
        }
    });
}

/// Whether one more connection can be served; when there are many, the ones that only wait make room.
fn has_place(open: &AtomicUsize, room: &WaitingRoom) -> bool {
    for _ in 0..BREATHS {
        if open.load(Ordering::Relaxed) < MAX_CONNECTIONS {
            return true;
        }
        room.close_oldest();
        std::thread::sleep(BREATH);
    }
    false
}

fn converse(
    mut stream: TcpStream,
    room: &WaitingRoom,
    admit: &dyn Fn(&Head) -> Result<(), Refusal>,
    answer: &dyn Fn(&Request) -> Reply,
) -> io::Result<()> {
    stream.set_nodelay(true)?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let ticket = room.enter(stream.try_clone()?);
    let head = receive_head(&mut stream);
    let waiting = room.leave(ticket);
    let asked = match head.and_then(|head| receive_rest(&mut stream, head, admit)) {
        Ok(Some(asked)) => Ok(asked),
        Ok(None) => return Ok(()),
        Err(refusal) => Err(refusal),
    };
    let refused = asked.is_err();
    let reply = match asked {
        Ok(request) => answer(&request),
        Err(refusal) => refusal.into(),
    };
    let ticket = waiting.map(|stream| room.enter(stream));
    let sent = send(&mut stream, &reply);
    if refused && sent.is_ok() {
        drain(&mut stream);
    }
    ticket.map(|ticket| room.leave(ticket));
    sent
}

fn send(stream: &mut TcpStream, reply: &Reply) -> io::Result<()> {
    stream.write_all(&reply.head())?;
    stream.write_all(&reply.body)?;
    stream.flush()?;
    stream.shutdown(Shutdown::Write)
}

/// Reads what is left of a refused request: a connection closed over unread bytes would take the answer with it.
fn drain(stream: &mut TcpStream) {
    let deadline = Instant::now() + DRAIN_PATIENCE;
    let mut rest = Vec::new();
    while rest.len() < MAX_DRAINED && more(stream, &mut rest, deadline).is_ok_and(|n| 0 < n) {}
}

/// The bytes of a head, and what has arrived behind it; `None` when the other side says nothing at all.
type HeadBytes = Option<(Vec<u8>, Vec<u8>)>;

fn receive_head(stream: &mut TcpStream) -> Result<HeadBytes, Refusal> {
    let deadline = Instant::now() + HEAD_PATIENCE;
    let mut bytes = Vec::new();
    let end = loop {
        if let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") {
            break end;
        }
        if MAX_HEAD <= bytes.len() {
            return Err(Refusal::new(431, format!("the head of a request holds at most {MAX_HEAD} bytes")));
        }
        // One that stays silent is closed without a word.
        let n = match more(stream, &mut bytes, deadline) {
            Err(_) if bytes.is_empty() => return Ok(None),
            said => said?,
        };
        if n == 0 {
            return if bytes.is_empty() { Ok(None) } else { Err(Refusal::new(400, "the request broke off")) };
        }
    };
    let body = bytes.split_off(end + 4);
    bytes.truncate(end);
    Ok(Some((bytes, body)))
}

fn receive_rest(
    stream: &mut TcpStream,
    head: HeadBytes,
    admit: &dyn Fn(&Head) -> Result<(), Refusal>,
) -> Result<Option<Request>, Refusal> {
    let Some((head, mut body)) = head else { return Ok(None) };
    let deadline = Instant::now() + PATIENCE;
    let head = parse_head(&head)?;
    admit(&head)?;
    let length = body_length(&head)?;
    while body.len() < length {
        if more(stream, &mut body, deadline)? == 0 {
            return Err(Refusal::new(400, "the request broke off"));
        }
    }
    body.truncate(length);
    Ok(Some(Request { head, body }))
}

fn more(stream: &mut TcpStream, bytes: &mut Vec<u8>, deadline: Instant) -> Result<usize, Refusal> {
    let too_slow = || Refusal::new(408, "the request took too long");
    let left = deadline.checked_duration_since(Instant::now()).filter(|d| !d.is_zero()).ok_or_else(too_slow)?;
    stream.set_read_timeout(Some(left)).map_err(|_| too_slow())?;
    let mut buffer = [0; 4096];
    let n = stream.read(&mut buffer).map_err(|_| too_slow())?;
    bytes.extend_from_slice(&buffer[..n]);
    Ok(n)
}

fn parse_head(bytes: &[u8]) -> Result<Head, Refusal> {
    let wrong = || Refusal::new(400, "this is not an HTTP/1.1 request");
    let text = std::str::from_utf8(bytes).map_err(|_| wrong())?;
    let mut lines = text.split("\r\n");
    let mut first = lines.next().unwrap_or("").split(' ');
    let (Some(method), Some(target), Some("HTTP/1.1" | "HTTP/1.0"), None) =
        (first.next(), first.next(), first.next(), first.next())
    else {
        return Err(wrong());
    };
    if !method.bytes().all(|b| b.is_ascii_uppercase()) || !target.starts_with('/') {
        return Err(wrong());
    }
    let mut headers = Vec::new();
    for line in lines {
        let (name, value) = line.split_once(':').ok_or_else(wrong)?;
        let is_name = !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b));
        if !is_name || value.bytes().any(|b| b.is_ascii_control() && b != b'\t') {
            return Err(wrong());
        }
        headers.push((name.to_ascii_lowercase(), value.trim_matches([' ', '\t']).to_owned()));
    }
    Head::new(method, target, headers)
}

/// How long the body is. Only plain lengths are understood, so that there is one reading of every request.
fn body_length(head: &Head) -> Result<usize, Refusal> {
    if head.has("transfer-encoding") {
        return Err(Refusal::new(411, "say how long the request is (Content-Length)"));
    }
    if !head.has("content-length") {
        return Ok(0);
    }
    // Only those who know the token may make the server wait for more.
    if head.method != "POST" && head.header("content-length") != Some("0") {
        return Err(Refusal::new(400, "only a POST has a body"));
    }
    let digits = head.header("content-length").filter(|v| !v.is_empty() && v.bytes().all(|b| b.is_ascii_digit()));
    let digits = digits.ok_or_else(|| Refusal::new(400, "Content-Length is no number"))?;
    match digits.parse::<usize>() {
        Ok(length) if length <= MAX_BODY => Ok(length),
        _ => Err(Refusal::new(413, format!("a request holds at most {MAX_BODY} bytes"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> Result<Head, u16> {
        parse_head(text.as_bytes()).map_err(|r| r.status)
    }

    #[test]
    fn a_plain_request_is_read() {
        let head = parsed("POST /api/label?x=1 HTTP/1.1\r\nHost: 127.0.0.1:80\r\nCONTENT-length:  12 ").unwrap();
        assert_eq!((head.method.as_str(), head.path.as_str(), head.param("x")), ("POST", "/api/label", Some("1")));
        assert_eq!(head.header("host"), Some("127.0.0.1:80"));
        assert_eq!(body_length(&head).ok(), Some(12));
    }

    #[test]
    fn anything_odd_is_refused() {
        for text in [
            "",
            "GET",
            "GET /",
            "GET / HTTP/2.0",
            "GET  / HTTP/1.1",
            "get / HTTP/1.1",
            "GET http://evil.example/ HTTP/1.1",
            "GET / HTTP/1.1\r\n folded: x",
            "GET / HTTP/1.1\r\nno colon",
            "GET / HTTP/1.1\r\nname : x",
            "GET / HTTP/1.1\r\n: x",
            "GET / HTTP/1.1\r\na: b\nc: d",
        ] {
            assert_eq!(parsed(text).err(), Some(400), "{text:?}");
        }
        for (header, status) in [
            ("Transfer-Encoding: chunked", 411),
            ("Content-Length: +1", 400),
            ("Content-Length: 1\r\nContent-Length: 2", 400),
            ("Content-Length: 99999999999999999999999", 413),
            ("Content-Length: 16385", 413),
        ] {
            let head = parsed(&format!("POST / HTTP/1.1\r\n{header}")).unwrap();
            assert_eq!(body_length(&head).map_err(|r| r.status), Err(status), "{header}");
        }
    }
}
