//! A way in for browsers: a plain loopback port behind which a station's certificate is shown to the service. What a
//! browser asks goes to the real service over real TLS; only the certificate is not the browser's own.

use std::net::SocketAddr;
use std::sync::Arc;

use anyhow::{Context, Result};
use rinsebook_client::home::Home;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_rustls::TlsConnector;

use crate::fetch::{Answer, fetch};

/// See the module.
pub struct Door {
    address: SocketAddr,
    tasks: Option<JoinSet<()>>,
}

impl Door {
    /// Opens a door to that service, with the certificate of this station; without one where none is given.
    pub async fn to(service: SocketAddr, ca_pem: &str, station: Option<&Home>) -> Result<Door> {
        Door::at("127.0.0.1:0".parse()?, service, ca_pem, station).await
    }

    /// The same on a given port, for coming back to.
    pub async fn at(own: SocketAddr, service: SocketAddr, ca_pem: &str, station: Option<&Home>) -> Result<Door> {
        let connector = connector(ca_pem, station)?;
        let listener = TcpListener::bind(own).await.context("the door's port is taken")?;
        let address = listener.local_addr()?;
        let mut tasks = JoinSet::new();
        tasks.spawn(async move {
            let mut passing = JoinSet::new();
            while let Ok((browser, _)) = listener.accept().await {
                let connector = connector.clone();
                // A browser that goes in the middle, or a service that does, ends this connection and no other.
                passing.spawn(async move { pass(browser, service, connector).await.ok() });
            }
        });
        Ok(Door { address, tasks: Some(tasks) })
    }

    /// Where it stands.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// An address behind it.
    pub fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    /// One page.
    pub async fn get(&self, path: &str) -> Result<Answer> {
        fetch(self.address, "GET", path, &[], &[]).await
    }

    /// A form, sent by a page of that origin.
    pub async fn post(&self, path: &str, origin: &str, form: &str) -> Result<Answer> {
        let headers = [("origin", origin), ("content-type", "application/x-www-form-urlencoded")];
        fetch(self.address, "POST", path, &headers, form.as_bytes()).await
    }

    /// Closes it, and every connection through it.
    pub async fn close(&mut self) {
        if let Some(mut tasks) = self.tasks.take() {
            tasks.shutdown().await;
        }
    }
}

async fn pass(mut browser: TcpStream, service: SocketAddr, connector: TlsConnector) -> Result<()> {
    let stream = TcpStream::connect(service).await?;
    let mut service = connector.connect(ServerName::try_from("localhost")?, stream).await?;
    tokio::io::copy_bidirectional(&mut browser, &mut service).await?;
    Ok(())
}

fn connector(ca_pem: &str, station: Option<&Home>) -> Result<TlsConnector> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add(CertificateDer::from_pem_slice(ca_pem.as_bytes())?)?;
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots);
    let mut config = match station {
        Some(home) => {
            let (certificate, key) = home.tls_identity()?;
            let certificate = CertificateDer::from_pem_slice(certificate.as_bytes())?;
            config.with_client_auth_cert(vec![certificate], PrivateKeyDer::from_pem_slice(key.as_bytes())?)?
        }
        None => config.with_no_client_auth(),
    };
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsConnector::from(Arc::new(config)))
}
