//! Where a log's static files are: a folder, or an address.

use std::io::{Error, ErrorKind, Read};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use ureq::Agent;
use ureq::tls::{Certificate, ClientCert, PemItem, PrivateKey, RootCerts, TlsConfig, TlsProvider};

/// No file of a log is larger: a bundle of 256 entries of 65,535 bytes each.
const MAX_FILE_BYTES: u64 = 256 * (2 + 65_535);
const WITHIN: Duration = Duration::from_secs(60);

/// See the module.
#[derive(Debug, Clone)]
pub enum Files {
    /// Below this folder.
    Folder(PathBuf),
    /// Below this address, which ends without a slash.
    Address(String, Agent),
}

/// How a confidential address is asked.
#[derive(Debug, Clone, Default)]
pub struct Access {
    /// The authority that the server's certificate is checked against, PEM.
    pub authority_pem: Option<String>,
    /// Certificate and key of an enrolled device, PEM.
    pub device: Option<(String, String)>,
    /// An auditor's token.
    pub token: Option<String>,
}

impl Files {
    /// A folder, or an address that begins with http:// or https://.
    pub fn at(place: &str, access: &Access) -> std::io::Result<Files> {
        if !(place.starts_with("https://") || place.starts_with("http://")) {
            return Ok(Files::Folder(PathBuf::from(place)));
        }
        let unusable = |e: ureq::Error| Error::new(ErrorKind::InvalidInput, e);
        let mut tls = TlsConfig::builder()
            .provider(TlsProvider::Rustls)
            .unversioned_rustls_crypto_provider(Arc::new(rustls::crypto::aws_lc_rs::default_provider()));
        let mut roots = Vec::new();
        for item in ureq::tls::parse_pem(access.authority_pem.as_deref().unwrap_or_default().as_bytes()) {
            if let PemItem::Certificate(certificate) = item.map_err(unusable)? {
                roots.push(certificate);
            }
        }
        // Without an authority of the caller's own nobody's certificate is believed.
        tls = tls.root_certs(RootCerts::new_with_certs(&roots));
        if let Some((certificate, key)) = &access.device {
            let certificate = Certificate::from_pem(certificate.as_bytes()).map_err(unusable)?;
            let key = PrivateKey::from_pem(key.as_bytes()).map_err(unusable)?;
            tls = tls.client_cert(Some(ClientCert::new_with_certs(&[certificate], key)));
        }
        let mut config = Agent::config_builder()
            .tls_config(tls.build())
            .timeout_global(Some(WITHIN))
            .http_status_as_error(false)
            .user_agent("rinsebook")
            .max_redirects(0);
        if let Some(token) = access.token.clone() {
            config = config.middleware(
                move |mut request: ureq::http::Request<ureq::SendBody<'_>>,
                      next: ureq::middleware::MiddlewareNext<'_>| {
                    if let Ok(value) = format!("Bearer {token}").parse() {
                        request.headers_mut().insert(ureq::http::header::AUTHORIZATION, value);
                    }
                    next.handle(request)
                },
            );
        }
        Ok(Files::Address(place.trim_end_matches('/').to_owned(), config.build().new_agent()))
    }

    /// A file's bytes; none where there is none.
    pub fn get(&self, path: &str) -> std::io::Result<Option<Vec<u8>>> {
        match self {
            Files::Folder(dir) => match std::fs::File::open(dir.join(path)) {
                Ok(file) => read(file).map(Some),
                Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
                Err(error) => Err(error),
            },
            Files::Address(address, agent) => {
                let url = format!("{address}/{path}");
                let mut answer = agent.get(&url).call().map_err(|e| Error::other(format!("{url}: {e}")))?;
                match answer.status().as_u16() {
                    200 => read(answer.body_mut().as_reader()).map(Some),
                    404 => Ok(None),
                    status => Err(Error::other(format!("{url}: it answers with status {status}"))),
                }
            }
        }
    }

    /// Where a file is, for people.
    pub fn name(&self, path: &str) -> String {
        match self {
            Files::Folder(dir) => dir.join(path).display().to_string(),
            Files::Address(address, _) => format!("{address}/{path}"),
        }
    }
}

fn read(from: impl Read) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    from.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MAX_FILE_BYTES {
        return Err(Error::other("it is larger than any file of a log can be"));
    }
    Ok(bytes)
}
