//! The local certificate authority and the server's certificate: made at the first start, so that TLS is there from
//! the first minute. The authority also signs the certificates of devices; a device still has to be enrolled on the log.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair, KeyUsagePurpose,
};
use rinsebook_proto::bytes::Hash;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;

use crate::config::TlsFiles;
use crate::error::ServiceError;
use crate::identity::made_once;

type Certified = (Vec<CertificateDer<'static>>, PrivateKeyDer<'static>);

/// Where the authority's files are.
#[derive(Debug, Clone)]
pub struct Authority {
    dir: PathBuf,
}

impl Authority {
    /// Opens the authority below the data folder, or makes it.
    pub fn open(data: &Path) -> Result<Authority, ServiceError> {
        let dir = data.join("authority");
        std::fs::create_dir_all(&dir).map_err(ServiceError::file(format!("cannot make {}", dir.display())))?;
        let key_pem = made_once(&dir.join("ca.key"), || Ok(new_key("ca.key")?.serialize_pem()))?;
        made_once(&dir.join("ca.pem"), || {
            let key = KeyPair::from_pem(&key_pem).map_err(|e| bad("ca.key", e))?;
            Ok(authority_params().self_signed(&key).map_err(|e| bad("ca.pem", e))?.pem())
        })?;
        Ok(Authority { dir })
    }

    /// The authority's certificate, which stations and planners trust.
    pub fn certificate_file(&self) -> PathBuf {
        self.dir.join("ca.pem")
    }

    /// The folder, from which certificates of devices are issued.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// SHA-256 of the certificate, for comparing by eye.
    pub fn fingerprint(&self) -> Result<Hash, ServiceError> {
        Ok(Hash::of(&certificates(&self.certificate_file())?[0]))
    }

    /// TLS for the listener: the server's certificate, from its files or made for these names, and a client certificate
    /// that is looked at when one is shown. Who may call what is decided later, from the log.
    pub fn server_config(
        &self,
        names: &[String],
        files: Option<&TlsFiles>,
    ) -> Result<Arc<rustls::ServerConfig>, ServiceError> {
        let (chain, key) = match files {
            Some(files) => from_files(files)?,
            None => self.server_certificate(names)?,
        };
        let mut roots = rustls::RootCertStore::empty();
        for certificate in certificates(&self.certificate_file())? {
            roots.add(certificate).map_err(|e| bad("ca.pem", e))?;
        }
        let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
        let clients = WebPkiClientVerifier::builder_with_provider(roots.into(), provider.clone())
            .allow_unauthenticated()
            .build()
            .map_err(|e| bad("ca.pem", e))?;
        let mut config = rustls::ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|e| bad("TLS", e))?
            .with_client_cert_verifier(clients)
            .with_single_cert(chain, key)
            .map_err(|e| bad("server.pem", e))?;
        // gRPC needs the first; pages are fetched with either.
        config.alpn_protocols = vec![b"h2".to_vec(), b"http/1.1".to_vec()];
        Ok(Arc::new(config))
    }

    fn server_certificate(&self, names: &[String]) -> Result<Certified, ServiceError> {
        // A new one at each start: names may have changed, and the authority is what others trust.
        let ca_pem = read(&self.certificate_file())?;
        let ca_key = KeyPair::from_pem(&read(&self.dir.join("ca.key"))?).map_err(|e| bad("ca.key", e))?;
        let issuer = Issuer::from_ca_cert_pem(&ca_pem, ca_key).map_err(|e| bad("ca.pem", e))?;
        let key = new_key("the server's key")?;
        let mut params = CertificateParams::new(names.to_vec()).map_err(|e| bad("server_names", e))?;
        params.distinguished_name.push(DnType::CommonName, "rinsebook service");
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        let certificate = params.signed_by(&key, &issuer).map_err(|e| bad("the server's certificate", e))?;
        let key = PrivateKeyDer::try_from(key.serialize_der()).map_err(|e| bad("the server's key", e))?;
        Ok((vec![certificate.der().clone()], key))
    }
}

fn authority_params() -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name.push(DnType::CommonName, "rinsebook local authority");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    params
}

fn new_key(what: &str) -> Result<KeyPair, ServiceError> {
    KeyPair::generate().map_err(|e| bad(what, e))
}

fn read(file: &Path) -> Result<String, ServiceError> {
    std::fs::read_to_string(file).map_err(ServiceError::file(format!("cannot read {}", file.display())))
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, ServiceError> {
    let list: Vec<_> = CertificateDer::pem_file_iter(file)
        .and_then(Iterator::collect)
        .map_err(|e| bad(&file.display().to_string(), e))?;
    if list.is_empty() { Err(bad(&file.display().to_string(), "it holds no certificate")) } else { Ok(list) }
}

fn from_files(files: &TlsFiles) -> Result<Certified, ServiceError> {
    let key = PrivateKeyDer::from_pem_file(&files.key).map_err(|e| bad(&files.key.display().to_string(), e))?;
    Ok((certificates(&files.certificate)?, key))
}

fn bad(what: &str, why: impl std::fmt::Display) -> ServiceError {
    ServiceError::Key { what: what.to_owned(), why: why.to_string() }
}

/// SHA-256 of a certificate's public key (SubjectPublicKeyInfo, DER): what a device is enrolled by.
pub fn tls_key_digest(certificate: &[u8]) -> Option<Hash> {
    let (_, parsed) = x509_parser::parse_x509_certificate(certificate).ok()?;
    Some(Hash::of(parsed.public_key().raw))
}
