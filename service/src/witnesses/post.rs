//! One HTTP/1.1 request at a time: a POST of text, and the answer. Plain, or over TLS with the certificates that the
//! configuration names.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::header::{CONNECTION, CONTENT_TYPE, HOST};
use hyper::{Request, Uri};
use hyper_util::rt::TokioIo;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

use crate::config::WitnessAddress;
use crate::error::ServiceError;

/// A request is given up after this, with all of its answer.
const GIVE_UP_AFTER: Duration = Duration::from_secs(10);
/// The longest answer read: some signature lines.
const MAX_ANSWER_BYTES: usize = 16 << 10;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub(super) enum PostError {
    /// Connecting, or TLS.
    #[error("{url} cannot be reached: {why}")]
    Unreachable { url: String, why: io::Error },
    /// HTTP.
    #[error("{url} does not speak HTTP as expected: {why}")]
    Http { url: String, why: String },
    /// Time.
    #[error("{url} has not answered within {} s", GIVE_UP_AFTER.as_secs())]
    Late { url: String },
}

/// An answer.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) status: u16,
    pub(super) content_type: String,
    pub(super) body: String,
}

/// Where requests go.
pub(super) struct Post {
    url: String,
    host: String,
    port: u16,
    /// For the Host header.
    authority: String,
    path: String,
    tls: Option<(TlsConnector, ServerName<'static>)>,
}

impl Post {
    /// Requests to `add-checkpoint` of this witness.
    pub(super) fn to(address: &WitnessAddress) -> Result<Post, ServiceError> {
        let url = format!("{}/add-checkpoint", address.url);
        let bad = |why: String| ServiceError::Key { what: format!("the witness at {url}"), why };
        let uri: Uri = url.parse().map_err(|_| bad("this is no address".to_owned()))?;
        let authority = uri.authority().ok_or_else(|| bad("it names no host".to_owned()))?.to_string();
        let host = uri.host().unwrap_or_default().trim_matches(['[', ']']).to_owned();
        let tls = match &address.ca_file {
            None => None,
            Some(file) => {
                let roots = roots(file).map_err(|why| bad(format!("{}: {why}", file.display())))?;
                let name = ServerName::try_from(host.clone()).map_err(|e| bad(e.to_string()))?;
                Some((connector(roots).map_err(|e| bad(e.to_string()))?, name))
            }
        };
        let port = uri.port_u16().unwrap_or(if tls.is_some() { 443 } else { 80 });
        let path = uri.path().to_owned();
        Ok(Post { url, host, port, authority, path, tls })
    }

    /// Sends this text and waits for the answer.
    pub(super) async fn post(&self, text: String) -> Result<Answer, PostError> {
        let exchange = async {
            let unreachable = |why| PostError::Unreachable { url: self.url.clone(), why };
            let stream = TcpStream::connect((self.host.as_str(), self.port)).await.map_err(unreachable)?;
            match &self.tls {
                None => self.exchange(stream, text).await,
                Some((tls, name)) => {
                    let stream = tls.connect(name.clone(), stream).await.map_err(unreachable)?;
                    self.exchange(stream, text).await
                }
            }
        };
        let late = || PostError::Late { url: self.url.clone() };
        tokio::time::timeout(GIVE_UP_AFTER, exchange).await.map_err(|_| late())?
    }

    async fn exchange(
        &self,
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        text: String,
    ) -> Result<Answer, PostError> {
        let http = |why: String| PostError::Http { url: self.url.clone(), why };
        let failed = |e: hyper::Error| http(e.to_string());
        let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.map_err(failed)?;
        // It ends with the sender, and what went wrong in it the sender is told.
        tokio::spawn(connection);
        let request = Request::post(self.path.as_str())
            .header(HOST, &self.authority)
            .header(CONNECTION, "close")
            .header(CONTENT_TYPE, "text/plain; charset=utf-8")
            .body(Full::new(Bytes::from(text)))
            .map_err(|e| http(e.to_string()))?;
        let answer = sender.send_request(request).await.map_err(failed)?;
        let status = answer.status().as_u16();
        let content_type = answer.headers().get(CONTENT_TYPE).and_then(|value| value.to_str().ok());
        let content_type = content_type.unwrap_or_default().to_owned();
        let body = Limited::new(answer.into_body(), MAX_ANSWER_BYTES).collect().await;
        let body = body.map_err(|e| http(e.to_string()))?.to_bytes();
        let body = String::from_utf8(body.into()).map_err(|e| http(e.to_string()))?;
        Ok(Answer { status, content_type, body })
    }
}

fn roots(file: &std::path::Path) -> Result<rustls::RootCertStore, String> {
    let mut roots = rustls::RootCertStore::empty();
    let certificates = CertificateDer::pem_file_iter(file).map_err(|e| e.to_string())?;
    for certificate in certificates {
        let certificate = certificate.map_err(|e| e.to_string())?;
        roots.add(certificate).map_err(|e| e.to_string())?;
    }
    if roots.is_empty() { Err("it holds no certificate".to_owned()) } else { Ok(roots) }
}

fn connector(roots: rustls::RootCertStore) -> Result<TlsConnector, rustls::Error> {
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let mut config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth();
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsConnector::from(Arc::new(config)))
}

#[cfg(test)]
mod tests {
    use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
    use rinsebook_proto::key;
    use rinsebook_proto::note::CosignerKey;

    use super::*;
    use crate::authority::Authority;

    fn address(url: String, ca_file: Option<std::path::PathBuf>) -> WitnessAddress {
        let key = CosignerKey::new("w.example/1", key::generate().verifying_key());
        WitnessAddress { url, key, ca_file }
    }

    #[tokio::test]
    async fn https_goes_to_whom_the_named_certificates_vouch_for_and_to_nobody_else() {
        let dir = tempfile::tempdir().unwrap();
        let authority = Authority::open(&dir.path().join("one")).unwrap();
        let stranger = Authority::open(&dir.path().join("two")).unwrap();
        let mut tls = (*authority.server_config(&["localhost".to_owned()], None).unwrap()).clone();
        tls.alpn_protocols = vec![b"http/1.1".to_vec()];
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let port = listener.local_addr().unwrap().port();
        let echo = axum::routing::post(async |text: String| text);
        let server = axum_server::from_tcp(listener)
            .unwrap()
            .acceptor(RustlsAcceptor::new(RustlsConfig::from_config(Arc::new(tls))))
            .serve(axum::Router::new().route("/below/add-checkpoint", echo).into_make_service());
        let server = tokio::spawn(server);

        let url = format!("https://localhost:{port}/below");
        let post = Post::to(&address(url.clone(), Some(authority.certificate_file()))).unwrap();
        let answer = post.post("old 0\n".to_owned()).await.unwrap();
        assert_eq!((answer.status, answer.body.as_str()), (200, "old 0\n"));
        let post = Post::to(&address(url, Some(stranger.certificate_file()))).unwrap();
        assert!(matches!(post.post(String::new()).await, Err(PostError::Unreachable { .. })));
        server.abort();
    }

    #[tokio::test]
    async fn an_answer_that_is_too_long_or_no_http_is_no_answer() {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let long = format!("HTTP/1.1 200 OK\r\n\r\n{}", "a".repeat(MAX_ANSWER_BYTES + 1));
        let server = tokio::spawn(async move {
            for answer in [long, "no HTTP\r\n\r\n".to_owned()] {
                let (mut stream, _) = listener.accept().await.unwrap();
                let mut asked = [0; 1024];
                let _ = tokio::io::AsyncReadExt::read(&mut stream, &mut asked).await;
                let _ = tokio::io::AsyncWriteExt::write_all(&mut stream, answer.as_bytes()).await;
            }
        });
        let post = Post::to(&address(url, None)).unwrap();
        for _ in 0..2 {
            assert!(matches!(post.post("text".to_owned()).await, Err(PostError::Http { .. })));
        }
        server.await.unwrap();
        assert!(matches!(post.post(String::new()).await, Err(PostError::Unreachable { .. })));
    }

    #[test]
    fn certificates_that_cannot_be_read_are_told_at_the_start() {
        let missing = address("https://localhost".to_owned(), Some("no-such-file.pem".into()));
        let why = Post::to(&missing).err().unwrap().to_string();
        assert!(why.contains("no-such-file.pem"), "{why}");
    }
}
