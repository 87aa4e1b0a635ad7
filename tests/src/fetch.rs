//! One HTTP/1.1 request over a plain socket: as much of HTTP as a browser's driver and a page test need.

use std::net::SocketAddr;

use anyhow::{Context, Result, bail};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// What came back.
#[derive(Debug, Clone)]
pub struct Answer {
    /// The status code.
    pub status: u16,
    /// Header names in small letters, with their values.
    pub headers: Vec<(String, String)>,
    /// The whole body.
    pub body: Vec<u8>,
}

impl Answer {
    /// The body as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// A header's value.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str())
    }
}

/// Sends one request and reads until the other side closes; the answer must not be endless.
pub async fn fetch(to: SocketAddr, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Result<Answer> {
    let mut stream = TcpStream::connect(to).await.with_context(|| format!("nobody listens on {to}"))?;
    let mut request = format!("{method} {path} HTTP/1.1\r\nhost: {to}\r\nconnection: close\r\n");
    for (name, value) in headers {
        request.push_str(&format!("{name}: {value}\r\n"));
    }
    request.push_str(&format!("content-length: {}\r\n\r\n", body.len()));
    stream.write_all(request.as_bytes()).await?;
    stream.write_all(body).await?;
    let mut bytes = Vec::new();
    let (mut head, mut length) = (None, None);
    // Some servers leave the connection open whatever is asked: their length says when it is over.
    loop {
        if head.is_none()
            && let Some(at) = bytes.windows(4).position(|w| w == b"\r\n\r\n")
        {
            let answer = parse(&bytes[..at])?;
            length = answer.header("content-length").map(str::parse::<usize>).transpose()?;
            head = Some((at + 4, answer));
        }
        if head.as_ref().is_some_and(|(at, _)| length.is_some_and(|length| bytes.len() >= at + length)) {
            break;
        }
        let mut piece = [0; 16_384];
        match stream.read(&mut piece).await? {
            0 => break,
            n => bytes.extend_from_slice(&piece[..n]),
        }
    }
    let (at, mut answer) = head.context("the answer has no end of its head")?;
    let body = &bytes[at..];
    answer.body = if answer.header("transfer-encoding") == Some("chunked") { unchunked(body)? } else { body.to_vec() };
    Ok(answer)
}

fn parse(head: &[u8]) -> Result<Answer> {
    let text = std::str::from_utf8(head)?;
    let mut lines = text.split("\r\n");
    let status = lines.next().and_then(|line| line.split(' ').nth(1)).context("no status")?.parse()?;
    let header = |line: &str| line.split_once(':').map(|(n, v)| (n.to_lowercase(), v.trim().to_owned()));
    Ok(Answer { status, headers: lines.filter_map(header).collect(), body: Vec::new() })
}

fn unchunked(mut rest: &[u8]) -> Result<Vec<u8>> {
    let mut out = Vec::new();
    loop {
        let Some(end) = rest.windows(2).position(|w| w == b"\r\n") else { bail!("a chunk has no length") };
        let length = usize::from_str_radix(std::str::from_utf8(&rest[..end])?.trim(), 16)?;
        let chunk = rest.get(end + 2..end + 2 + length).context("a chunk is cut off")?;
        if length == 0 {
            return Ok(out);
        }
        out.extend_from_slice(chunk);
        rest = rest.get(end + 2 + length + 2..).context("a chunk does not end")?;
    }
}
