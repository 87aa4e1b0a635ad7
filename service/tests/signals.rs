//! The program as an administrator runs it: tokens issued and revoked beside a service that runs, and SIGHUP.

use std::io::{BufRead, BufReader, Lines, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, ChildStdout, Command, Output, Stdio};
use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};

const PROGRAM: &str = env!("CARGO_BIN_EXE_rinsebook-service");

fn run(arguments: &[&str]) -> Output {
    Command::new(PROGRAM).args(arguments).output().unwrap()
}

struct Service {
    child: Child,
    log: Lines<BufReader<ChildStderr>>,
    _out: BufReader<ChildStdout>,
    port: u16,
    ca: PathBuf,
}

impl Service {
    fn start(config: &Path, data: &Path) -> Service {
        let mut child = Command::new(PROGRAM)
            .args(["serve", "--config", config.to_str().unwrap()])
            .env_remove("RINSEBOOK_LOG")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut first = String::new();
        out.read_line(&mut first).unwrap();
        let port = first.trim().rsplit_once(':').unwrap().1.parse().unwrap();
        let log = BufReader::new(child.stderr.take().unwrap()).lines();
        Service { child, log, _out: out, port, ca: data.join("authority/ca.pem") }
    }

    fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([&format!("-{name}"), &self.child.id().to_string()]).status().unwrap();
        assert!(sent.success());
    }

    /// Reads the log up to a line with these words; gives all that was read.
    fn log_until(&mut self, words: &str) -> String {
        let mut read = String::new();
        for line in &mut self.log {
            read.push_str(&format!("{}\n", line.unwrap()));
            if read.lines().last().unwrap().contains(words) {
                return read;
            }
        }
        panic!("the log ended before {words:?}:\n{read}");
    }

    /// The status of a page that quality alone may see.
    fn status(&self, token: &str) -> String {
        let mut roots = rustls::RootCertStore::empty();
        roots.add(CertificateDer::from_pem_file(&self.ca).unwrap()).unwrap();
        let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
        let config = rustls::ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth();
        let name = ServerName::try_from("localhost").unwrap();
        let mut tls = rustls::ClientConnection::new(Arc::new(config), name).unwrap();
        let mut tcp = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let mut stream = rustls::Stream::new(&mut tls, &mut tcp);
        let head = "GET /quality HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\nauthorization: Bearer";
        stream.write_all(format!("{head} {token}\r\n\r\n").as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer.split(' ').nth(1).unwrap().to_owned()
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_token_is_issued_beside_a_running_service_is_taken_and_is_no_more_once_revoked_and_the_service_told() {
    let dir = tempfile::tempdir().unwrap();
    let (data, config) = (dir.path().join("data"), dir.path().join("service.toml"));
    std::fs::write(&config, format!("listen = \"127.0.0.1:0\"\ndata = {:?}\n", data.display().to_string())).unwrap();
    let config_text = config.to_str().unwrap();
    let mut service = Service::start(&config, &data);

    let issue = ["issue-token", "--config", config_text, "--person", "p-1", "--role", "quality", "--hours", "1"];
    let issued = run(&issue);
    assert!(issued.status.success());
    let (out, err) = (String::from_utf8(issued.stdout).unwrap(), String::from_utf8(issued.stderr).unwrap());
    let token = out.strip_suffix('\n').unwrap();
    assert!(token.split('.').count() == 3 && !token.contains(char::is_whitespace), "the token and only it: {out}");
    let token_id = err.strip_prefix("token id ").unwrap().split(',').next().unwrap();
    assert!(!err.contains(token));
    assert_eq!(service.status(token), "200");

    let whole = run(&["revoke-token", "--config", config_text, token]);
    let why = String::from_utf8(whole.stderr).unwrap();
    assert!(whole.status.code() == Some(1) && !why.contains(token), "{why}");
    assert!(run(&["revoke-token", "--config", config_text, token_id]).status.success());
    assert_eq!(service.status(token), "200", "the service does not know yet");
    service.signal("HUP");
    let log = service.log_until("read certificates, revoked tokens and issuers' keys again");
    assert!(log.contains("failed=0") || log.contains("failed\u{1b}[0m\u{1b}[2m=\u{1b}[0m0"), "{log}");
    assert_eq!(service.status(token), "401");
    let log = service.log_until("a call was refused");
    assert!(log.contains("TOKEN_REVOKED") && !log.contains(token.rsplit('.').next().unwrap()), "{log}");
    service.signal("TERM");
    assert!(service.child.wait().unwrap().success());
}

#[test]
fn a_token_without_a_person_a_role_or_an_end_is_not_issued() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("service.toml");
    std::fs::write(&config, format!("data = {:?}\n", dir.path().join("data").display().to_string())).unwrap();
    let config = config.to_str().unwrap();
    for (arguments, code) in [
        (vec!["--role", "quality", "--hours", "1"], 2),
        (vec!["--person", "p", "--hours", "1"], 2),
        (vec!["--person", "p", "--role", "quality"], 2),
        (vec!["--person", "p", "--role", "station", "--hours", "1"], 2),
        (vec!["--person", "p", "--role", "owner", "--hours", "1"], 2),
        (vec!["--person", "p", "--role", "quality", "--hours", "745"], 2),
        (vec!["--person", "", "--role", "quality", "--hours", "1"], 1),
    ] {
        let output = run(&[&["issue-token", "--config", config][..], &arguments].concat());
        assert_eq!(output.status.code(), Some(code), "{arguments:?}");
        assert!(output.stdout.is_empty() && !output.stderr.is_empty(), "{arguments:?}");
    }
}
