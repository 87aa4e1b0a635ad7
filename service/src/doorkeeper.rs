//! Takes connections in: counts them before the handshake, by address, and after it by certificate where one is shown;
//! closes those that are too many, that do not move, or whose other end does not read.
//!
//! A connection with a certificate of our authority is counted apart: strangers cannot take the stations' places.

use std::future::Future;
use std::io;
use std::net::{IpAddr, Ipv6Addr};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use axum_server::accept::Accept;
use axum_server::tls::TlsService;
use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
use hyper_util::rt::TokioExecutor;
use hyper_util::server::conn::auto::Builder;
use rinsebook_proto::bytes::Hash;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, Sleep, sleep};
use tokio_rustls::server::TlsStream;

use crate::limits::{CONNECTION_WINDOW_BYTES, Limits, Place, Places, STREAM_WINDOW_BYTES, UNFETCHED_BYTES};

/// See the module.
#[derive(Clone)]
pub struct Doorkeeper {
    tls: RustlsAcceptor,
    handshakes: Places<IpAddr>,
    strangers: Places<IpAddr>,
    known: Places<Hash>,
    idle_wait: Duration,
    reader_wait: Duration,
}

impl Doorkeeper {
    /// With these limits, and TLS as it is configured at each moment.
    pub fn new(tls: RustlsConfig, limits: &Limits) -> Doorkeeper {
        Doorkeeper {
            tls: RustlsAcceptor::new(tls).handshake_timeout(limits.header_wait()),
            handshakes: Places::new(limits.handshakes, limits.handshakes_an_address),
            strangers: Places::new(limits.strangers, limits.strangers_an_address),
            known: Places::new(limits.connections, limits.connections_a_certificate),
            idle_wait: limits.idle_wait(),
            reader_wait: limits.reader_wait(),
        }
    }

    fn seat(&self, address: IpAddr, stream: &TlsStream<TcpStream>) -> Option<Seat> {
        match stream.get_ref().1.peer_certificates().and_then(|chain| chain.first()) {
            Some(certificate) => self.known.take(Hash::of(certificate)).map(Seat::Known),
            None => self.strangers.take(address).map(Seat::Stranger),
        }
    }
}

/// An address as it is counted: whoever has one IPv6 address has its /64 (RFC 6177 counts on at least that much a site).
pub fn counted(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => {
            let network = u128::from(address) & !u128::from(u64::MAX);
            IpAddr::V6(Ipv6Addr::from(network))
        }
        v4 => v4,
    }
}

/// What HTTP itself may take.
pub fn bound_http(builder: &mut Builder<TokioExecutor>, limits: &Limits) {
    let header_bytes = limits.header_kibibytes << 10;
    builder.http1().header_read_timeout(limits.header_wait()).max_buf_size(header_bytes.max(8192) as usize);
    // Pings go out often enough that a live connection never looks idle.
    let ping = limits.idle_wait() / 3;
    builder
        .http2()
        .max_concurrent_streams(limits.streams_a_connection)
        .max_header_list_size(header_bytes)
        .initial_stream_window_size(STREAM_WINDOW_BYTES)
        .initial_connection_window_size(CONNECTION_WINDOW_BYTES)
        .max_send_buf_size(UNFETCHED_BYTES)
        .keep_alive_interval(ping)
        .keep_alive_timeout(ping);
}

/// Where a connection is counted.
#[derive(Debug)]
enum Seat {
    Known(#[expect(dead_code, reason = "held, and given back when it is dropped")] Place<Hash>),
    Stranger(#[expect(dead_code, reason = "held, and given back when it is dropped")] Place<IpAddr>),
}

type Taken<S> = io::Result<(Connection<TlsStream<TcpStream>>, TlsService<S>)>;

impl<S: Send + 'static> Accept<TcpStream, S> for Doorkeeper {
    type Stream = Connection<TlsStream<TcpStream>>;
    type Service = TlsService<S>;
    type Future = Pin<Box<dyn Future<Output = Taken<S>> + Send>>;

    fn accept(&self, stream: TcpStream, service: S) -> Self::Future {
        let keeper = self.clone();
        Box::pin(async move {
            let address = counted(stream.peer_addr()?.ip());
            let full = |what: &'static str| move || io::Error::other(what);
            let _handshake = keeper.handshakes.take(address).ok_or_else(full("too many handshakes"))?;
            // Answers are small and each is waited for.
            stream.set_nodelay(true)?;
            let (stream, service) = keeper.tls.accept(stream, service).await?;
            let seat = keeper.seat(address, &stream).ok_or_else(full("too many connections"))?;
            Ok((Connection::new(stream, seat, keeper.idle_wait, keeper.reader_wait), service))
        })
    }
}

/// A connection that holds its seat, and ends when nothing moves on it.
pub struct Connection<S> {
    inner: S,
    _seat: Seat,
    idle_wait: Duration,
    reader_wait: Duration,
    idle: Pin<Box<Sleep>>,
    /// Runs while bytes wait that the other end does not take.
    unread: Option<Pin<Box<Sleep>>>,
}

impl<S> Connection<S> {
    fn new(inner: S, seat: Seat, idle_wait: Duration, reader_wait: Duration) -> Connection<S> {
        Connection { inner, _seat: seat, idle_wait, reader_wait, idle: Box::pin(sleep(idle_wait)), unread: None }
    }

    fn moved(&mut self) {
        self.unread = None;
        self.idle.as_mut().reset(Instant::now() + self.idle_wait);
    }

    /// What became of a write; one that waits too long ends the connection.
    fn judge<T>(&mut self, context: &mut Context<'_>, written: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.moved();
            return written;
        }
        let unread = self.unread.get_or_insert_with(|| Box::pin(sleep(self.reader_wait)));
        match unread.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the other end does not read"))),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Connection<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let read = Pin::new(&mut self.inner).poll_read(context, buffer);
        if read.is_ready() {
            self.moved();
            return read;
        }
        match self.idle.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "nothing moves"))),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Connection<S> {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.inner).poll_write(context, bytes);
        self.judge(context, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.inner).poll_write_vectored(context, slices);
        self.judge(context, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.inner).poll_flush(context);
        // A flush with nothing to flush moves nothing: it must not keep an idle connection.
        if flushed.is_ready() {
            self.unread = None;
            return flushed;
        }
        self.judge(context, flushed)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let shut = Pin::new(&mut self.inner).poll_shutdown(context);
        self.judge(context, shut)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;

    fn connection<S>(inner: S) -> Connection<S> {
        let seat = Seat::Stranger(Places::new(1, 1).take(IpAddr::from([127, 0, 0, 1])).unwrap());
        Connection::new(inner, seat, Duration::from_millis(1500), Duration::from_millis(1000))
    }

    #[tokio::test]
    async fn a_connection_on_which_nothing_moves_ends_and_one_that_moves_does_not() {
        let (ours, mut theirs) = tokio::io::duplex(64);
        let mut ours = connection(ours);
        for _ in 0..20 {
            tokio::time::sleep(Duration::from_millis(100)).await;
            theirs.write_all(b"x").await.unwrap();
            assert_eq!(ours.read_u8().await.unwrap(), b'x');
        }
        let ended = ours.read_u8().await.unwrap_err();
        assert_eq!(ended.kind(), io::ErrorKind::TimedOut);
    }

    #[tokio::test]
    async fn a_reader_that_does_not_read_is_dropped_and_a_slow_one_is_not() {
        let (ours, mut theirs) = tokio::io::duplex(16);
        let mut ours = connection(ours);
        let reading = tokio::spawn(async move {
            let mut all = [0; 64];
            for piece in all.chunks_mut(16) {
                tokio::time::sleep(Duration::from_millis(300)).await;
                theirs.read_exact(piece).await.unwrap();
            }
            theirs
        });
        ours.write_all(&[1; 64]).await.unwrap();
        let _theirs = reading.await.unwrap();
        let dropped = ours.write_all(&[1; 64]).await.unwrap_err();
        assert_eq!(dropped.kind(), io::ErrorKind::TimedOut);
    }

    #[test]
    fn the_addresses_of_one_network_count_as_one() {
        let of = |text: &str| counted(text.parse().unwrap());
        assert_eq!(of("2001:db8::1"), of("2001:db8::ffff:1"));
        assert_ne!(of("2001:db8::1"), of("2001:db8:0:1::1"));
        assert_ne!(of("192.0.2.1"), of("192.0.2.2"));
        assert_eq!(of("::ffff:192.0.2.1"), of("192.0.2.1"));
    }
}
