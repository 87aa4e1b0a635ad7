//! HTTP by hand, so that what a server answers is seen as it is on the wire.

use anyhow::{Context as _, Result};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The status code.
    pub status: u16,
    /// The header of that name; empty without one.
    pub content_type: String,
    /// The body as text.
    pub body: String,
}

/// Sends one request and reads until the server closes the connection.
pub async fn request(address: std::net::SocketAddr, method: &str, path: &str, body: &[u8]) -> Result<Answer> {
    let mut stream = TcpStream::connect(address).await?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).await?;
    // A server may answer and close before it has read all of what is too long.
    let _ = stream.write_all(body).await;
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes).await;
    let text = String::from_utf8(bytes)?;
    let (head, body) = text.split_once("\r\n\r\n").context("an answer has a head")?;
    let mut lines = head.lines();
    let status = lines.next().and_then(|line| line.split(' ').nth(1)).context("an answer has a status")?.parse()?;
    let named =
        |line: &str| line.split_once(": ").filter(|(name, _)| name.eq_ignore_ascii_case("content-type")).is_some();
    let content_type = lines.find(|line| named(line)).and_then(|line| line.split_once(": "));
    let content_type = content_type.map(|(_, value)| value.to_owned()).unwrap_or_default();
    Ok(Answer { status, content_type, body: body.to_owned() })
}
