//! The way to the service: one TLS channel, with a heartbeat, since a dead link tells nobody that it is dead.

use std::time::Duration;

use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint, Identity};

use crate::ClientError;
use crate::home::Home;

const KEEPALIVE_EVERY: Duration = Duration::from_secs(5);
const KEEPALIVE_WITHIN: Duration = Duration::from_secs(3);
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// Connects with the device's certificate.
pub async fn connect(home: &Home) -> Result<Channel, ClientError> {
    connect_as(&home.about.address, &home.ca_pem()?, Some(home.tls_identity()?)).await
}

/// Connects with this certificate and key, or with none.
pub async fn connect_as(
    address: &str,
    ca_pem: &str,
    identity: Option<(String, String)>,
) -> Result<Channel, ClientError> {
    let mut tls = ClientTlsConfig::new().ca_certificate(Certificate::from_pem(ca_pem)).domain_name("localhost");
    if let Some(host) = address.strip_prefix("https://").and_then(|rest| rest.rsplit_once(':')).map(|(host, _)| host) {
        tls = tls.domain_name(host);
    }
    if let Some((certificate, key)) = identity {
        tls = tls.identity(Identity::from_pem(certificate, key));
    }
    let unusable = |e: tonic::transport::Error| ClientError::Usage(format!("{address} cannot be used: {e}"));
    Endpoint::from_shared(address.to_owned())
        .map_err(unusable)?
        .tls_config(tls)
        .map_err(unusable)?
        .connect_timeout(CONNECT_WITHIN)
        .http2_keep_alive_interval(KEEPALIVE_EVERY)
        .keep_alive_timeout(KEEPALIVE_WITHIN)
        .keep_alive_while_idle(true)
        .connect()
        .await
        .map_err(|e| ClientError::Unreachable(cause(&e)))
}

/// The innermost cause: "connection refused" rather than "transport error".
fn cause(error: &dyn std::error::Error) -> String {
    let mut inner = error;
    while let Some(next) = inner.source() {
        inner = next;
    }
    inner.to_string()
}
