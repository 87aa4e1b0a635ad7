//! Connections by hand, from an address of one's choice: what no well-meaning client does.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use anyhow::Result;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use tokio::net::{TcpSocket, TcpStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint, Identity};

/// A TCP connection from this loopback address.
pub async fn tcp(from: &str, port: u16) -> Result<TcpStream> {
    let socket = TcpSocket::new_v4()?;
    socket.bind(SocketAddr::new(from.parse()?, 0))?;
    Ok(socket.connect(SocketAddr::from(([127, 0, 0, 1], port))).await?)
}

/// The same with TLS, without a certificate, for HTTP/1.1.
pub async fn tls(from: &str, port: u16, ca_pem: &str) -> Result<TlsStream<TcpStream>> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add(CertificateDer::from_pem_slice(ca_pem.as_bytes())?)?;
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let mut config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth();
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    let name = ServerName::try_from("localhost")?;
    Ok(TlsConnector::from(Arc::new(config)).connect(name, tcp(from, port).await?).await?)
}

/// A channel for gRPC with that certificate and key, whose streams take so many bytes before somebody reads them.
pub async fn channel(
    from: &str,
    port: u16,
    ca_pem: &str,
    (certificate, key): &(String, String),
    window_bytes: u32,
) -> Result<Channel> {
    let tls = ClientTlsConfig::new()
        .ca_certificate(Certificate::from_pem(ca_pem))
        .identity(Identity::from_pem(certificate, key))
        .domain_name("localhost");
    let from: IpAddr = from.parse()?;
    let endpoint = Endpoint::from_shared(format!("https://127.0.0.1:{port}"))?.local_address(Some(from));
    Ok(endpoint.tls_config(tls)?.initial_stream_window_size(window_bytes).connect().await?)
}

/// Whether the other end has closed this connection, or reset it.
pub async fn is_closed(stream: &TcpStream) -> bool {
    let mut byte = [0];
    match tokio::time::timeout(std::time::Duration::from_millis(1), stream.peek(&mut byte)).await {
        Ok(Ok(0) | Err(_)) => true,
        Ok(Ok(_)) | Err(_) => false,
    }
}
