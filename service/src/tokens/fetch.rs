//! One GET, for a key set: TLS where the address says so, no redirects, a limit on time and size.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use axum::http::header::{ACCEPT, HOST};
use axum::http::{Request, StatusCode, Uri};
use http_body_util::{BodyExt, Empty, Limited};
use hyper_util::rt::TokioIo;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;

/// All of it, from the connection to the last byte.
const WITHIN: Duration = Duration::from_secs(5);

/// Why nothing was fetched.
#[derive(Debug, thiserror::Error)]
pub enum FetchError {
    /// Connecting, or the bytes on the way.
    #[error("{0}")]
    Io(#[from] std::io::Error),
    /// The certificates to trust.
    #[error("{what} cannot be trusted with: {why}")]
    Trust {
        /// Which.
        what: String,
        /// Why not.
        why: String,
    },
    /// HTTP itself.
    #[error("{0}")]
    Http(#[from] hyper::Error),
    /// Any other status than 200.
    #[error("it answered {0}, and 200 alone is taken; redirects are not followed")]
    Status(StatusCode),
    /// The body did not end in time for its size.
    #[error("its answer cannot be read to its end, or is larger than {0} bytes")]
    Body(usize),
    /// Nothing came.
    #[error("it did not answer within 5 s")]
    Late,
    /// The address.
    #[error("the address names no host that can be called")]
    Address,
}

/// The body at this address, at most so many bytes. `ca` holds whom to trust, PEM; without it, whom this machine trusts.
pub async fn get(url: &Uri, ca: Option<&Path>, max_bytes: usize) -> Result<Vec<u8>, FetchError> {
    tokio::time::timeout(WITHIN, get_any_time(url, ca, max_bytes)).await.map_err(|_| FetchError::Late)?
}

async fn get_any_time(url: &Uri, ca: Option<&Path>, max_bytes: usize) -> Result<Vec<u8>, FetchError> {
    let host = url.host().ok_or(FetchError::Address)?;
    let secure = url.scheme_str() == Some("https");
    let port = url.port_u16().unwrap_or(if secure { 443 } else { 80 });
    let bare = host.trim_start_matches('[').trim_end_matches(']').to_owned();
    let stream = TcpStream::connect((bare.as_str(), port)).await?;
    if !secure {
        return ask(stream, url, max_bytes).await;
    }
    let name = ServerName::try_from(bare).map_err(|_| FetchError::Address)?;
    let connector = tokio_rustls::TlsConnector::from(Arc::new(tls(ca)?));
    ask(connector.connect(name, stream).await?, url, max_bytes).await
}

fn tls(ca: Option<&Path>) -> Result<rustls::ClientConfig, FetchError> {
    let mut roots = rustls::RootCertStore::empty();
    match ca {
        Some(file) => {
            let bad = |why: String| FetchError::Trust { what: file.display().to_string(), why };
            let list = CertificateDer::pem_file_iter(file).map_err(|e| bad(e.to_string()))?;
            for certificate in list {
                let certificate = certificate.map_err(|e| bad(e.to_string()))?;
                roots.add(certificate).map_err(|e| bad(e.to_string()))?;
            }
        }
        None => {
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        }
    }
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let builder = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| FetchError::Trust { what: "TLS".to_owned(), why: e.to_string() })?;
    Ok(builder.with_root_certificates(roots).with_no_client_auth())
}

async fn ask<S>(stream: S, url: &Uri, max_bytes: usize) -> Result<Vec<u8>, FetchError>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (mut sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await?;
    let connection = tokio::spawn(connection);
    let request = Request::get(url.path_and_query().map_or("/", |path| path.as_str()))
        .header(HOST, url.authority().map_or("", |authority| authority.as_str()))
        .header(ACCEPT, "application/json")
        .body(Empty::<hyper::body::Bytes>::new())
        .map_err(|_| FetchError::Address)?;
    let answer = sender.send_request(request).await?;
    if answer.status() != StatusCode::OK {
        return Err(FetchError::Status(answer.status()));
    }
    let body = Limited::new(answer.into_body(), max_bytes).collect().await;
    connection.abort();
    Ok(body.map_err(|_| FetchError::Body(max_bytes))?.to_bytes().to_vec())
}
