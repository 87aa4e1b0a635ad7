//! The way to the service: one TLS channel, with a heartbeat, since a dead link tells nobody that it is dead.

use std::time::Duration;

use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Certificate, ClientTlsConfig, Endpoint, Identity};
use tonic::{Request, Status};

use crate::ClientError;
use crate::home::Home;

const KEEPALIVE_EVERY: Duration = Duration::from_secs(5);
const KEEPALIVE_WITHIN: Duration = Duration::from_secs(3);
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// The way to the service: what is asked over it carries the token that it was opened with, if any.
pub type Channel = InterceptedService<tonic::transport::Channel, Bearer>;

/// Puts a token on every request (RFC 6750, section 2.1).
#[derive(Clone, Default)]
pub struct Bearer(Option<MetadataValue<Ascii>>);

impl std::fmt::Debug for Bearer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(if self.0.is_some() { "Bearer(a token)" } else { "Bearer(none)" })
    }
}

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        if let Some(token) = &self.0 {
            request.metadata_mut().insert("authorization", token.clone());
        }
        Ok(request)
    }
}

impl Bearer {
    /// This token, as a file or another program gave it.
    pub fn token(text: &str) -> Result<Bearer, ClientError> {
        let unusable = || ClientError::Usage("the token is empty, or is not one line of letters and digits".to_owned());
        let token = text.trim();
        if token.is_empty() || token.contains(char::is_whitespace) {
            return Err(unusable());
        }
        let mut value: MetadataValue<Ascii> = format!("Bearer {token}").parse().map_err(|_| unusable())?;
        value.set_sensitive(true);
        Ok(Bearer(Some(value)))
    }
}

/// Connects with a token, to an https address alone: whoever reads the token on its way is taken for its person.
pub async fn connect_with_token(address: &str, ca_pem: &str, token: &str) -> Result<Channel, ClientError> {
    if !address.starts_with("https://") {
        return Err(ClientError::Usage(format!(
            "{address} does not begin with https://; a token is sent no other way"
        )));
    }
    open(address, ca_pem, None, Bearer::token(token)?).await
}

/// Connects with the device's certificate.
pub async fn connect(home: &Home) -> Result<Channel, ClientError> {
    if let Some(dial) = home.dial() {
        let channel = dial.connect().await.map_err(|e| ClientError::Unreachable(cause(&e)))?;
        return Ok(InterceptedService::new(channel, Bearer::default()));
    }
    connect_as(&home.about.address, &home.ca_pem()?, Some(home.tls_identity()?)).await
}

/// Connects with this certificate and key, or with none.
pub async fn connect_as(
    address: &str,
    ca_pem: &str,
    identity: Option<(String, String)>,
) -> Result<Channel, ClientError> {
    open(address, ca_pem, identity, Bearer::default()).await
}

async fn open(
    address: &str,
    ca_pem: &str,
    identity: Option<(String, String)>,
    bearer: Bearer,
) -> Result<Channel, ClientError> {
    let mut tls = ClientTlsConfig::new().ca_certificate(Certificate::from_pem(ca_pem)).domain_name("localhost");
    if let Some(host) = address.strip_prefix("https://").and_then(|rest| rest.rsplit_once(':')).map(|(host, _)| host) {
        tls = tls.domain_name(host);
    }
    if let Some((certificate, key)) = identity {
        tls = tls.identity(Identity::from_pem(certificate, key));
    }
    let unusable = |e: tonic::transport::Error| ClientError::Usage(format!("{address} cannot be used: {e}"));
    let channel = Endpoint::from_shared(address.to_owned())
        .map_err(unusable)?
        .tls_config(tls)
        .map_err(unusable)?
        .connect_timeout(CONNECT_WITHIN)
        .http2_keep_alive_interval(KEEPALIVE_EVERY)
        .keep_alive_timeout(KEEPALIVE_WITHIN)
        .keep_alive_while_idle(true)
        .connect()
        .await
        .map_err(|e| ClientError::Unreachable(cause(&e)))?;
    Ok(InterceptedService::new(channel, bearer))
}

/// The innermost cause: "connection refused" rather than "transport error".
fn cause(error: &dyn std::error::Error) -> String {
    let mut inner = error;
    while let Some(next) = inner.source() {
        inner = next;
    }
    inner.to_string()
}
