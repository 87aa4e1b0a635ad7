//! Configuration in two steps: what was written ([`Written`]), then checked and built values ([`Config`]). No later code
//! sees a raw option.

mod tokens;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use rinsebook_proto::note::CosignerKey;
use rinsebook_proto::rules::erasures::KEEP_SIGNER_NAME_YEARS;
use serde::Deserialize;

use crate::limits::Limits;
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
    #[serde(default)]
    annex: WrittenAnnex,
    #[serde(default)]
    witness: Vec<WrittenWitness>,
    #[serde(default)]
    witness_policy: WrittenPolicy,
    #[serde(default)]
    auditor: Vec<WrittenAuditor>,
    #[serde(default)]
    limits: Limits,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenWitness {
    url: String,
    key: String,
    ca_file: Option<PathBuf>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenAuditor {
    key: String,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenTls {
    certificate: Option<PathBuf>,
    key: Option<PathBuf>,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPolicy {
    quorum: Option<u64>,
    max_age_seconds: Option<u64>,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenLog {
    grow_kibibytes: Option<u64>,
    segment_kibibytes: Option<u64>,
    open_hash_tiles: Option<bool>,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenAnnex {
    keep_signer_name_years: Option<u32>,
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
    /// Whether everybody may read the log's tiles of hashes.
    pub open_hash_tiles: bool,
    /// The server's certificate and its key; none: the local authority makes one.
    pub tls: Option<TlsFiles>,
    /// Whose tokens are taken.
    pub tokens: TokensConfig,
    /// A signer's name is not erased for so many years after their last signature and sign-off.
    pub keep_signer_name_years: u32,
    /// Who is asked to cosign checkpoints.
    pub witnesses: Vec<WitnessAddress>,
    /// When enough of them have.
    pub witness_policy: WitnessPolicy,
    /// Whose audits of the log are taken in.
    pub auditors: Vec<CosignerKey>,
    /// How much anybody may take.
    pub limits: Limits,
}

/// Where the server's certificate lies, PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate, and those between it and its authority.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// Where a witness is, and the key that its cosignatures are checked with.
#[derive(Debug, Clone)]
pub struct WitnessAddress {
    /// What `/add-checkpoint` is put behind; it does not end with a slash.
    pub url: String,
    /// The cosigner's key.
    pub key: CosignerKey,
    /// For https: PEM certificates, one of which the witness's own must lead to.
    pub ca_file: Option<PathBuf>,
}

/// How many witnesses must have cosigned the checkpoint that is published, and how recently.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WitnessPolicy {
    /// So many witnesses.
    pub quorum: usize,
    /// A cosignature older than this does not count.
    pub max_age_seconds: u64,
}

impl WitnessPolicy {
    /// All of them, within the hour (common practice, no source).
    pub fn all_of(witnesses: usize) -> WitnessPolicy {
        WitnessPolicy { quorum: witnesses, max_age_seconds: 3600 }
    }
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
            open_hash_tiles: false,
            witnesses: Vec::new(),
            witness_policy: WitnessPolicy::all_of(0),
            auditors: Vec::new(),
            keep_signer_name_years: KEEP_SIGNER_NAME_YEARS,
            tls: None,
            tokens: TokensConfig::default(),
            limits: Limits::default(),
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
    let witnesses = build_witnesses(written.witness)?;
    let witness_policy = build_policy(&written.witness_policy, witnesses.len())?;
    let auditors = build_auditors(&written.auditor, &witnesses)?;
    // The shortest that any rule known here asks is two years (14 CFR 145.219).
    let keep_signer_name_years = match written.annex.keep_signer_name_years.unwrap_or(KEEP_SIGNER_NAME_YEARS) {
        n @ 2..=100 => n,
        n => return Err(value("annex.keep_signer_name_years", format!("{n} is not from 2 to 100"))),
    };
    let tls = match (written.tls.certificate, written.tls.key) {
        (None, None) => None,
        (Some(certificate), Some(key)) => Some(TlsFiles { certificate, key }),
        (Some(_), None) => return Err(value("tls.key", "a certificate is named, but not its key".to_owned())),
        (None, Some(_)) => return Err(value("tls.certificate", "a key is named, but no certificate".to_owned())),
    };
    let tokens = written.tokens.build(&origin_name)?;
    written.limits.check().map_err(|(key, why)| value(key, why))?;
    Ok(Config {
        listen,
        data: written.data.unwrap_or_else(|| PathBuf::from("rinsebook-data")),
        origin_name,
        server_names,
        passphrase_file: written.passphrase_file,
        grow_bytes: kibibytes("log.grow_kibibytes", written.log.grow_kibibytes, 1024)?,
        segment_bytes: kibibytes("log.segment_kibibytes", written.log.segment_kibibytes, 65_536)?,
        open_hash_tiles: written.log.open_hash_tiles.unwrap_or(false),
        witnesses,
        witness_policy,
        auditors,
        keep_signer_name_years,
        tls,
        tokens,
        limits: written.limits,
    })
}

fn build_witnesses(written: Vec<WrittenWitness>) -> Result<Vec<WitnessAddress>, ConfigError> {
    let mut built: Vec<WitnessAddress> = Vec::new();
    for WrittenWitness { url, key, ca_file } in written {
        let value = |key, why: String| ConfigError::Value { key, why };
        let secure = match url.split_once("://") {
            Some(("http", host)) if !host.is_empty() => false,
            Some(("https", host)) if !host.is_empty() => true,
            _ => return Err(value("witness.url", format!("{url:?} is not http://HOST… or https://HOST…"))),
        };
        if secure != ca_file.is_some() {
            let why = "https, and https alone, needs the PEM certificates that the witness's own leads to";
            return Err(value("witness.ca_file", format!("{why} ({url})")));
        }
        let key = CosignerKey::parse(&key).map_err(|e| value("witness.key", format!("{e} ({url})")))?;
        // Two names for one key would count one witness twice.
        if built.iter().any(|other| other.key.key() == key.key()) {
            return Err(value("witness.key", format!("{} has the key of another witness", key.name())));
        }
        built.push(WitnessAddress { url: url.trim_end_matches('/').to_owned(), key, ca_file });
    }
    Ok(built)
}

fn build_auditors(written: &[WrittenAuditor], witnesses: &[WitnessAddress]) -> Result<Vec<CosignerKey>, ConfigError> {
    let mut built: Vec<CosignerKey> = Vec::new();
    for auditor in written {
        let value = |why: String| ConfigError::Value { key: "auditor.key", why };
        let key = CosignerKey::parse(&auditor.key).map_err(|e| value(e.to_string()))?;
        if built.iter().any(|other| other.key() == key.key()) {
            return Err(value(format!("{} has the key of another auditor", key.name())));
        }
        // A witness cosigns without a look at the entries: that is no audit.
        if witnesses.iter().any(|witness| witness.key.key() == key.key()) {
            return Err(value(format!("{} has the key of a witness; an auditor needs one of their own", key.name())));
        }
        built.push(key);
    }
    Ok(built)
}

fn build_policy(written: &WrittenPolicy, witnesses: usize) -> Result<WitnessPolicy, ConfigError> {
    let default = WitnessPolicy::all_of(witnesses);
    let quorum = match written.quorum.map(usize::try_from) {
        None => default.quorum,
        Some(Ok(quorum)) if (1..=witnesses).contains(&quorum) => quorum,
        Some(_) => {
            let why = format!("it is from 1 to the number of witnesses, {witnesses} here");
            return Err(ConfigError::Value { key: "witness_policy.quorum", why });
        }
    };
    match written.max_age_seconds.unwrap_or(default.max_age_seconds) {
        max_age_seconds @ 10..=31_536_000 => Ok(WitnessPolicy { quorum, max_age_seconds }),
        n => {
            let why = format!("{n} is not from 10 to 31536000");
            Err(ConfigError::Value { key: "witness_policy.max_age_seconds", why })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_gives_the_defaults() {
        let config = Config::parse("").unwrap();
        assert_eq!(config.listen.to_string(), "127.0.0.1:7420");
        assert_eq!((config.grow_bytes, config.keep_signer_name_years), (1 << 20, 3));
        assert!(!config.open_hash_tiles);
        assert!(Config::parse("[log]\nopen_hash_tiles = true").unwrap().open_hash_tiles);
    }

    #[test]
    fn a_misspelt_key_and_an_impossible_value_are_refused_by_name() {
        let unknown = Config::parse("lissten = \"127.0.0.1:1\"").unwrap_err().to_string();
        assert!(unknown.contains("lissten"), "{unknown}");
        let value = Config::parse("[log]\ngrow_kibibytes = 1").unwrap_err().to_string();
        assert!(value.contains("log.grow_kibibytes"), "{value}");
        let years = Config::parse("[annex]\nkeep_signer_name_years = 1").unwrap_err().to_string();
        assert!(years.contains("annex.keep_signer_name_years"), "{years}");
        assert!(Config::parse("origin_name = \"a b\"").is_err());
        let limit = Config::parse("[limits]\nfacts_burst = 1").unwrap_err().to_string();
        assert!(limit.contains("limits.facts_burst"), "{limit}");
        assert!(Config::parse("[limits]\nfacts_a_year = 1").unwrap_err().to_string().contains("facts_a_year"));
        let half = Config::parse("[tls]\ncertificate = \"server.pem\"").unwrap_err().to_string();
        assert!(half.contains("tls.key"), "{half}");
    }

    #[test]
    fn the_sample_configuration_is_valid() {
        Config::parse(include_str!("../../deploy/service.toml")).unwrap();
    }

    #[test]
    fn the_sample_s_limits_are_all_there_are_with_the_values_that_hold_without_it() {
        let sample: toml::Table = include_str!("../../deploy/service.toml").parse().unwrap();
        let limits = sample["limits"].as_table().unwrap();
        let read: Limits = toml::Value::Table(limits.clone()).try_into().unwrap();
        assert_eq!(read, Limits::default());
        let fields = format!("{:?}", Limits::default()).matches(": ").count();
        assert_eq!(limits.len(), fields);
    }

    fn witness(name: &str, seed: u8) -> String {
        let signer = rinsebook_proto::key::SigningKey::from_bytes(&[seed; 32]);
        let key = CosignerKey::new(name, signer.verifying_key());
        format!("[[witness]]\nurl = \"http://127.0.0.1:7430/\"\nkey = \"{key}\"\n")
    }

    #[test]
    fn the_sample_s_witnesses_and_auditor_are_valid_once_their_comment_signs_are_taken_away() {
        let sample = include_str!("../../deploy/service.toml");
        let (rest, witnesses) = sample.split_once("# [[witness]]").unwrap();
        let text = format!("{rest}[[witness]]{}", witnesses.replace("\n# ", "\n"));
        let config = Config::parse(&text).unwrap();
        assert_eq!((config.witnesses.len(), config.witness_policy.quorum, config.auditors.len()), (2, 2, 1));
    }

    #[test]
    fn witnesses_are_asked_for_all_together_where_no_quorum_is_set() {
        let config = Config::parse(&(witness("w.example/1", 1) + &witness("w.example/2", 2))).unwrap();
        assert_eq!(config.witness_policy, WitnessPolicy { quorum: 2, max_age_seconds: 3600 });
        assert_eq!(config.witnesses[0].url, "http://127.0.0.1:7430");
        let one = witness("w.example/1", 1) + "[witness_policy]\nquorum = 1\nmax_age_seconds = 60\n";
        let policy = Config::parse(&one).unwrap().witness_policy;
        assert_eq!(policy, WitnessPolicy { quorum: 1, max_age_seconds: 60 });
    }

    #[test]
    fn a_witness_that_could_not_be_asked_or_would_count_twice_is_refused_by_name() {
        let (good, other) = (witness("w.example/1", 1), witness("w.example/2", 1));
        let with = |policy: &str| format!("{good}[witness_policy]\n{policy}\n");
        for (text, key) in [
            (good.replace("http://", "ftp://"), "witness.url"),
            (good.replace("http://", "https://"), "witness.ca_file"),
            (format!("{good}ca_file = \"ca.pem\"\n"), "witness.ca_file"),
            (good.replace("w.example/1+", "w.example/2+"), "witness.key"),
            (format!("{good}{other}"), "witness.key"),
            (with("quorum = 2"), "witness_policy.quorum"),
            (with("quorum = 0"), "witness_policy.quorum"),
            ("[witness_policy]\nquorum = 1\n".to_owned(), "witness_policy.quorum"),
            (with("max_age_seconds = 0"), "witness_policy.max_age_seconds"),
        ] {
            let why = Config::parse(&text).unwrap_err().to_string();
            assert!(why.contains(&format!("{key} ")), "{key}: {why}");
        }
    }

    #[test]
    fn an_auditor_who_is_named_twice_or_is_a_witness_too_is_refused() {
        let auditor = |name: &str, seed: u8| {
            let signer = rinsebook_proto::key::SigningKey::from_bytes(&[seed; 32]);
            format!("[[auditor]]\nkey = \"{}\"\n", CosignerKey::new(name, signer.verifying_key()))
        };
        let two = auditor("a.example/1", 1) + &auditor("a.example/2", 2);
        assert_eq!(Config::parse(&two).unwrap().auditors[1].name(), "a.example/2");
        for (text, part) in [
            (auditor("a.example/1", 1) + &auditor("a.example/2", 1), "another auditor"),
            (witness("w.example/1", 1) + &auditor("a.example/1", 1), "of a witness"),
            (auditor("a.example/1", 1).replace("a.example/1+", "a.example/9+"), "its id"),
        ] {
            let why = Config::parse(&text).unwrap_err().to_string();
            assert!(why.contains("auditor.key ") && why.contains(part), "{why}");
        }
    }
}
