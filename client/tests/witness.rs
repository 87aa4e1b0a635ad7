//! The witness program as it is run: killed, started anew, and stopped.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use rinsebook_proto::cosignature::{AddCheckpoint, cosigners};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, CosignerKey, VerifierKey};
use rinsebook_proto::tree::{Tree, leaf_hash};

const ORIGIN: &str = "invented.example/log/1";

/// The program on a folder; killed with SIGKILL when dropped.
struct Program {
    child: Child,
    address: String,
    key: CosignerKey,
    /// How it says that it stands.
    log: String,
}

impl Program {
    fn start(dir: &Path, log: &VerifierKey) -> Program {
        let mut child = Command::new(env!("CARGO_BIN_EXE_rinsebook"))
            .current_dir(dir)
            .args(["witness", "serve", "--key", "w.pem", "--passphrase-file", "passphrase", "--name", "w.example/1"])
            .args(["--state", "state", "--listen", "127.0.0.1:0", "--log", &log.to_string()])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut told = |label: &str| {
            let line = lines.next().expect("it says how it stands").unwrap();
            line.strip_prefix(label).unwrap_or_else(|| panic!("{label} in {line}")).trim().to_owned()
        };
        let url = told("witnessing");
        let address = url.strip_prefix("http://").unwrap().strip_suffix("/add-checkpoint").unwrap().to_owned();
        let key = CosignerKey::parse(&told("key")).unwrap();
        let log = told("log");
        Program { child, address, key, log }
    }

    /// Status and body.
    fn post(&self, body: &AddCheckpoint) -> (u16, String) {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        let body = body.to_string();
        let head = format!("POST /add-checkpoint HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n", self.address);
        write!(stream, "{head}Content-Length: {}\r\n\r\n{body}", body.len()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        (head.split(' ').nth(1).unwrap().parse().unwrap(), body.to_owned())
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // A child that is gone already is what we want.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn request(signer: &SigningKey, tree: &Tree, old_size: u64, size: u64) -> AddCheckpoint {
    let proof = tree.consistency(old_size, size).unwrap_or_default();
    let note = Checkpoint { origin: ORIGIN.to_owned(), size, root: tree.root(size) }.sign(signer);
    AddCheckpoint { old_size, proof, note }
}

#[test]
fn a_witness_killed_right_after_each_answer_stands_where_it_answered_and_its_key_is_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let mut tree = Tree::default();
    (0..40u64).for_each(|n| tree.push(leaf_hash(&n.to_be_bytes())));
    let signer = key::generate();
    let log = VerifierKey::new(ORIGIN, signer.verifying_key());
    std::fs::write(dir.path().join("passphrase"), "gloves on\n").unwrap();
    let made = Command::new(env!("CARGO_BIN_EXE_rinsebook"))
        .current_dir(dir.path())
        .args(["key", "new", "--out", "w.pem", "--passphrase-file", "passphrase"])
        .output()
        .unwrap();
    assert!(made.status.success());

    let (mut size, mut keys) = (0, Vec::new());
    for step in [5, 1, 9, 20] {
        let program = Program::start(dir.path(), &log);
        assert_eq!(program.log, format!("{ORIGIN}, cosigned up to {size}"));
        if size > 0 {
            assert_eq!(program.post(&request(&signer, &tree, 0, size + step)), (409, format!("{size}\n")));
        }
        let asked = request(&signer, &tree, size, size + step);
        let (status, line) = program.post(&asked);
        assert_eq!(status, 200, "{line}");
        let found = cosigners(&format!("{}{line}", asked.note), std::slice::from_ref(&program.key)).unwrap();
        assert_eq!(found.len(), 1);
        keys.push(program.key.to_string());
        size += step;
        // And now it is killed.
        drop(program);
    }
    keys.dedup();
    assert_eq!(keys.len(), 1);
}

#[test]
fn a_witness_stops_cleanly_when_asked_and_does_not_start_on_a_damaged_state() {
    let dir = tempfile::tempdir().unwrap();
    let mut tree = Tree::default();
    tree.push(leaf_hash(b"first"));
    let signer = key::generate();
    let log = VerifierKey::new(ORIGIN, signer.verifying_key());
    std::fs::write(dir.path().join("passphrase"), "gloves on\n").unwrap();
    std::fs::write(dir.path().join("w.pem"), key::to_pem(&key::generate(), b"gloves on").unwrap().as_bytes()).unwrap();
    let mut program = Program::start(dir.path(), &log);
    assert_eq!(program.post(&request(&signer, &tree, 0, 1)).0, 200);
    let asked = Command::new("kill").args(["-TERM", &program.child.id().to_string()]).status().unwrap();
    assert!(asked.success());
    assert_eq!(program.child.wait().unwrap().code(), Some(0));

    let state = std::fs::read_dir(dir.path().join("state")).unwrap().next().unwrap().unwrap().path();
    std::fs::write(&state, "").unwrap();
    let refused = Command::new(env!("CARGO_BIN_EXE_rinsebook"))
        .current_dir(dir.path())
        .args(["witness", "serve", "--key", "w.pem", "--passphrase-file", "passphrase", "--name", "w.example/1"])
        .args(["--state", "state", "--listen", "127.0.0.1:0", "--log", &log.to_string()])
        .output()
        .unwrap();
    assert_eq!((refused.status.code(), refused.stdout.is_empty()), (Some(1), true));
    let why = String::from_utf8(refused.stderr).unwrap();
    assert!(why.contains("it does not start"), "{why}");
}
