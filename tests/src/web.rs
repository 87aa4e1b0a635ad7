//! A browser's side of the pages, as bare as can be: one request over HTTP/1.1 and TLS, and the answer as it came.

use std::sync::Arc;

use anyhow::{Context, Result};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Where a service's pages are, and as which device they are asked for.
#[derive(Debug, Clone)]
pub struct Browser {
    /// The service's port on this machine.
    pub port: u16,
    /// Whom to trust, PEM.
    pub ca_pem: String,
    /// A device's certificate and key, PEM.
    pub identity: Option<(String, String)>,
}

/// An answer.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Its status.
    pub status: u16,
    /// Its headers, names in small letters.
    pub headers: Vec<(String, String)>,
    /// Its body.
    pub body: String,
    /// The server's certificate, DER.
    pub certificate: Vec<u8>,
}

impl Answer {
    /// The header of this name.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }
}

impl Browser {
    /// Fetches a page.
    pub async fn get(&self, path: &str, headers: &[(&str, &str)]) -> Result<Answer> {
        self.ask("GET", path, headers, "").await
    }

    /// Sends a form.
    pub async fn post(&self, path: &str, headers: &[(&str, &str)], form: &str) -> Result<Answer> {
        let form_type = ("content-type", "application/x-www-form-urlencoded");
        self.ask("POST", path, &[headers, &[form_type]].concat(), form).await
    }

    /// Asks, and reads to the end.
    pub async fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Result<Answer> {
        let connector = tokio_rustls::TlsConnector::from(Arc::new(self.tls()?));
        let tcp = TcpStream::connect(("127.0.0.1", self.port)).await?;
        let mut stream = connector.connect(ServerName::try_from("localhost")?, tcp).await?;
        let mut request = format!("{method} {path} HTTP/1.1\r\nhost: localhost:{}\r\nconnection: close\r\n", self.port);
        request.push_str(&format!("content-length: {}\r\n", body.len()));
        request.extend(headers.iter().map(|(name, value)| format!("{name}: {value}\r\n")));
        stream.write_all(format!("{request}\r\n{body}").as_bytes()).await?;
        let certificate = stream.get_ref().1.peer_certificates().context("a certificate")?[0].to_vec();
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).await?;
        parse(&String::from_utf8(bytes)?, certificate)
    }

    fn tls(&self) -> Result<rustls::ClientConfig> {
        let mut roots = rustls::RootCertStore::empty();
        roots.add(CertificateDer::from_pem_slice(self.ca_pem.as_bytes())?)?;
        let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
        let builder = rustls::ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_root_certificates(roots);
        let mut config = match &self.identity {
            None => builder.with_no_client_auth(),
            Some((certificate, key)) => {
                let chain = vec![CertificateDer::from_pem_slice(certificate.as_bytes())?];
                builder.with_client_auth_cert(chain, PrivateKeyDer::from_pem_slice(key.as_bytes())?)?
            }
        };
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(config)
    }
}

fn parse(text: &str, certificate: Vec<u8>) -> Result<Answer> {
    let (head, body) = text.split_once("\r\n\r\n").context("a whole head")?;
    let mut lines = head.lines();
    let status = lines.next().and_then(|line| line.split(' ').nth(1)).context("a status")?.parse()?;
    let headers = lines.filter_map(|line| line.split_once(": "));
    let headers = headers.map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned())).collect();
    Ok(Answer { status, headers, body: body.to_owned(), certificate })
}
