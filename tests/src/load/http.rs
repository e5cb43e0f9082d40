//! A client that costs little: it shares the cores with the service, as `pgbench` does with PostgreSQL. One thread,
//! kept connections, requests written as bytes, of an answer only the status and the length are looked at.

use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// A kept connection.
pub(super) struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

/// An answer: its status, and its body for as long as the next request is not sent.
pub(super) struct Answer<'a> {
    pub(super) status: u16,
    pub(super) body: &'a [u8],
}

impl Connection {
    pub(super) async fn open(address: &str) -> Result<Self, String> {
        let stream = TcpStream::connect(address).await.map_err(|error| format!("{address}: {error}"))?;
        stream.set_nodelay(true).map_err(|error| error.to_string())?;
        Ok(Self { stream, buffer: Vec::with_capacity(64 * 1024) })
    }

    /// Sends a request and reads its answer.
    pub(super) async fn send(&mut self, request: &[u8]) -> Result<Answer<'_>, String> {
        let told = |error: std::io::Error| error.to_string();
        self.stream.write_all(request).await.map_err(told)?;
        self.buffer.clear();
        loop {
            if let Some((status, start, length)) = head(&self.buffer)? {
                while self.buffer.len() < start + length {
                    self.read().await.map_err(told)?;
                }
                return Ok(Answer { status, body: &self.buffer[start..start + length] });
            }
            self.read().await.map_err(told)?;
        }
    }

    async fn read(&mut self) -> std::io::Result<()> {
        if self.stream.read_buf(&mut self.buffer).await? == 0 {
            return Err(std::io::Error::other("the service closed the connection"));
        }
        Ok(())
    }
}

/// The status, where the body begins, and its length; nothing while the head is not whole.
fn head(bytes: &[u8]) -> Result<Option<(u16, usize, usize)>, String> {
    let Some(end) = bytes.windows(4).position(|part| part == b"\r\n\r\n") else { return Ok(None) };
    let text = std::str::from_utf8(&bytes[..end]).map_err(|error| error.to_string())?;
    let status = text.get(9..12).and_then(|digits| digits.parse().ok());
    let length = text.lines().find_map(|line| {
        let (name, value) = line.split_once(':')?;
        if name.eq_ignore_ascii_case("content-length") { value.trim().parse().ok() } else { None }
    });
    match (status, length) {
        (Some(status), Some(length)) => Ok(Some((status, end + 4, length))),
        _ => Err(format!("an answer without a status or a length: {text}")),
    }
}

/// A request with a JSON body.
pub(super) fn post(path: &str, token: &str, body: &str) -> Vec<u8> {
    format!(
        "POST {path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\n\
         Content-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}

/// A request without a body.
pub(super) fn get(path: &str, token: &str) -> Vec<u8> {
    format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\r\n").into_bytes()
}

/// Sends requests over so many connections for so long; gives the answers a second. `make` gets the connection's number
/// and that of the request. The first half second is not counted.
pub(super) async fn drive(
    address: &str,
    connections: usize,
    seconds: u64,
    expected: u16,
    make: impl Fn(usize, u64) -> Vec<u8>,
) -> Result<f64, String> {
    let warm = Instant::now() + Duration::from_millis(500);
    let end = warm + Duration::from_secs(seconds);
    let make = &make;
    let one = async |number: usize| -> Result<u64, String> {
        let mut connection = Connection::open(address).await?;
        let mut counted = 0;
        for n in 0.. {
            let answer = connection.send(&make(number, n)).await?;
            if answer.status != expected {
                let said = String::from_utf8_lossy(answer.body);
                return Err(format!("status {} instead of {expected}: {said}", answer.status));
            }
            let now = Instant::now();
            counted += u64::from(now >= warm && now < end);
            if now >= end {
                break;
            }
        }
        Ok(counted)
    };
    let counts = futures_util::future::try_join_all((0..connections).map(one)).await?;
    Ok(counts.iter().sum::<u64>() as f64 / seconds as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn head_that_is_not_whole_waits_and_a_whole_one_gives_the_body() {
        let text = b"HTTP/1.1 201 Created\r\ncontent-length: 2\r\n\r\n{}";
        assert_eq!(head(&text[..30]).unwrap(), None);
        assert_eq!(head(text).unwrap(), Some((201, text.len() - 2, 2)));
        assert!(head(b"HTTP/1.1 200 OK\r\n\r\n").is_err());
    }
}
