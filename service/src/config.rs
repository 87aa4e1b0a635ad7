//! Configuration in two steps: what was written ([`Written`]), then checked and built values ([`Config`]). No later code
//! sees a raw option.

mod tokens;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::Deserialize;

pub use tokens::{JwksPlace, OutsideIssuer, TokensConfig};

/// The file as written; every key may be left out.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    listen: Option<String>,
    data: Option<PathBuf>,
    origin_name: Option<String>,
    server_names: Option<Vec<String>>,
    passphrase_file: Option<PathBuf>,
    #[serde(default)]
    log: WrittenLog,
    #[serde(default)]
    tls: WrittenTls,
    #[serde(default)]
    tokens: tokens::WrittenTokens,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenTls {
    certificate: Option<PathBuf>,
    key: Option<PathBuf>,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenLog {
    grow_kibibytes: Option<u64>,
    segment_kibibytes: Option<u64>,
}

/// Checked configuration.
#[derive(Debug, Clone)]
pub struct Config {
    /// Address and port for TLS; port 0 takes a free one.
    pub listen: SocketAddr,
    /// The folder that holds everything the service keeps.
    pub data: PathBuf,
    /// The log's name without the epoch.
    pub origin_name: String,
    /// Names and addresses in the server's certificate.
    pub server_names: Vec<String>,
    /// Opens the log key and the fact key; none: a passphrase is made beside them at the first start.
    pub passphrase_file: Option<PathBuf>,
    /// Segment files grow by so many bytes.
    pub grow_bytes: u64,
    /// A segment file is full at so many bytes.
    pub segment_bytes: u64,
    /// The server's certificate and its key; none: the local authority makes one.
    pub tls: Option<TlsFiles>,
    /// Whose tokens are taken.
    pub tokens: TokensConfig,
}

/// Where the server's certificate lies, PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate, and those between it and its authority.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// Why a configuration cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file.
    #[error("the configuration {file} cannot be read: {source}")]
    Unreadable {
        /// Which file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Its form.
    #[error("the configuration does not fit: {0}")]
    Form(#[from] toml::de::Error),
    /// A value.
    #[error("the configuration's {key} does not fit: {why}")]
    Value {
        /// Which key.
        key: &'static str,
        /// What is wrong, and what is expected.
        why: String,
    },
}

impl Config {
    /// Reads a file.
    pub fn read(file: &Path) -> Result<Config, ConfigError> {
        let text = std::fs::read_to_string(file)
            .map_err(|source| ConfigError::Unreadable { file: file.to_owned(), source })?;
        Config::parse(&text)
    }

    /// Reads the text of a file.
    pub fn parse(text: &str) -> Result<Config, ConfigError> {
        build(toml::from_str(text)?)
    }

    /// All defaults, everything kept below this folder, on a free port of the loopback address; small segment files.
    pub fn local(data: &Path) -> Config {
        Config {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            data: data.to_owned(),
            origin_name: "rinsebook.invalid/local".to_owned(),
            server_names: local_names(),
            passphrase_file: None,
            grow_bytes: 64 << 10,
            segment_bytes: 1 << 20,
            tls: None,
            tokens: TokensConfig::default(),
        }
    }

    /// The folder of the service's keys.
    pub fn keys_dir(&self) -> PathBuf {
        self.data.join("keys")
    }

    /// The log's segment files, and nothing else.
    pub fn log_dir(&self) -> PathBuf {
        self.data.join("log")
    }
}

fn local_names() -> Vec<String> {
    vec!["localhost".to_owned(), "127.0.0.1".to_owned()]
}

fn build(written: Written) -> Result<Config, ConfigError> {
    let value = |key, why: String| ConfigError::Value { key, why };
    let listen = written.listen.unwrap_or_else(|| "127.0.0.1:7420".to_owned());
    let listen = listen
        .parse()
        .map_err(|_| value("listen", format!("{listen:?} is not an address with a port, such as 127.0.0.1:7420")))?;
    let origin_name = written.origin_name.unwrap_or_else(|| "rinsebook.invalid/local".to_owned());
    if origin_name.is_empty() || origin_name.contains('+') || origin_name.contains(char::is_whitespace) {
        return Err(value("origin_name", "it must not be empty and holds no space and no plus sign".to_owned()));
    }
    let server_names = written.server_names.unwrap_or_else(local_names);
    if server_names.is_empty() {
        return Err(value("server_names", "name at least one host that stations call".to_owned()));
    }
    let kibibytes = |key, given: Option<u64>, default: u64| match given.unwrap_or(default) {
        n @ 64..=4_194_304 => Ok(n << 10),
        n => Err(value(key, format!("{n} is not from 64 to 4194304"))),
    };
    let tls = match (written.tls.certificate, written.tls.key) {
        (None, None) => None,
        (Some(certificate), Some(key)) => Some(TlsFiles { certificate, key }),
        (Some(_), None) => return Err(value("tls.key", "a certificate is named, but not its key".to_owned())),
        (None, Some(_)) => return Err(value("tls.certificate", "a key is named, but no certificate".to_owned())),
    };
    let tokens = written.tokens.build(&origin_name)?;
    Ok(Config {
        listen,
        data: written.data.unwrap_or_else(|| PathBuf::from("rinsebook-data")),
        origin_name,
        server_names,
        passphrase_file: written.passphrase_file,
        grow_bytes: kibibytes("log.grow_kibibytes", written.log.grow_kibibytes, 1024)?,
        segment_bytes: kibibytes("log.segment_kibibytes", written.log.segment_kibibytes, 65_536)?,
        tls,
        tokens,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_gives_the_defaults() {
        let config = Config::parse("").unwrap();
        assert_eq!(config.listen.to_string(), "127.0.0.1:7420");
        assert_eq!(config.grow_bytes, 1 << 20);
    }

    #[test]
    fn a_misspelt_key_and_an_impossible_value_are_refused_by_name() {
        let unknown = Config::parse("lissten = \"127.0.0.1:1\"").unwrap_err().to_string();
        assert!(unknown.contains("lissten"), "{unknown}");
        let value = Config::parse("[log]\ngrow_kibibytes = 1").unwrap_err().to_string();
        assert!(value.contains("log.grow_kibibytes"), "{value}");
        assert!(Config::parse("origin_name = \"a b\"").is_err());
        let half = Config::parse("[tls]\ncertificate = \"server.pem\"").unwrap_err().to_string();
        assert!(half.contains("tls.key"), "{half}");
    }

    #[test]
    fn the_sample_configuration_is_valid() {
        Config::parse(include_str!("../../deploy/service.toml")).unwrap();
    }
}
