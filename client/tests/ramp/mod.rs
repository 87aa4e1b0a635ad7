//! A small invented shop made by the commands, its service, and a tablet whose page is used as a browser would use it.

#![allow(dead_code)] // Each test target uses its own part.

pub(crate) mod browser;
pub(crate) mod story;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rinsebook_proto::clock::SystemClock;
use rinsebook_service::{Config, Running};

pub(crate) const PASSPHRASE: &str = "correct horse";
const PROCEDURE: &str = include_str!("../../../deploy/procedures/ossavar-t2.toml");
/// How long something may take that happens in the background.
const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) struct Ramp {
    pub(crate) dir: tempfile::TempDir,
    service: Option<Running>,
    address: SocketAddr,
}

impl Ramp {
    /// A founded shop with four people, one aircraft, and the station `ramp`, which was never at the service yet.
    pub(crate) async fn open() -> Ramp {
        let dir = tempfile::tempdir().unwrap();
        let running = rinsebook_service::start(Config::local(&dir.path().join("service")), Arc::new(SystemClock));
        let running = running.await.unwrap();
        let address = running.address;
        let (ca, authority) = (running.authority_file(), running.authority.dir().to_owned());
        let ramp = Ramp { dir, service: Some(running), address };
        tokio::task::spawn_blocking(move || {
            ramp.enrol(&ca.display().to_string(), &authority.display().to_string());
            ramp
        })
        .await
        .unwrap()
    }

    fn enrol(&self, ca: &str, authority: &str) {
        let url = format!("https://localhost:{}", self.address.port());
        self.write("pass", &format!("{PASSPHRASE}\n"));
        let by = "--station @desk --key @mira.pem --passphrase-file @pass --yes";
        self.told("key new --out @mira.pem --passphrase-file @pass");
        self.told(&format!("station new @desk --label desk --address {url} --ca {ca}"));
        self.told(&format!("enrol found {by} --authority {authority} --name mira --place Records"));
        let people = [
            ("ida", "--may perform"),
            ("tuva", "--may perform --may inspect"),
            ("halka", "--may perform --may certify --may run"),
        ];
        for (name, may) in people {
            self.told(&format!("key new --out @{name}.pem --passphrase-file @pass --request @{name}.toml"));
            self.told(&format!("enrol person {by} --request @{name}.toml --name {name} {may}"));
        }
        self.write("wash.toml", PROCEDURE);
        self.told(&format!("procedure publish @wash.toml {by}"));
        let listed =
            "--registration ZZ-RBA --type Invented --engine 1:OT-0001:Ossavar~T2 --engine 2:OT-0002:Ossavar~T2";
        self.told(&format!("enrol aircraft {by} {listed}"));
        for (station, label) in [("ramp", "ramp-1"), ("ramp2", "ramp-2")] {
            self.told(&format!("station new @{station} --label {label} --address {url} --ca {ca}"));
            self.told(&format!("enrol device {by} --device @{station} --authority {authority} --place North~ramp"));
            let keys = self.path(station).join("keys");
            std::fs::create_dir(&keys).unwrap();
            for (name, _) in people {
                let name = format!("{name}.pem");
                std::fs::copy(self.path(&name), keys.join(&name)).unwrap();
            }
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    /// Runs the program; words that begin with @ are files of the shop, ~ stands for a space within a word.
    pub(crate) fn run(&self, line: &str) -> Output {
        let word = |word: &str| word.strip_prefix('@').map_or(word.to_owned(), |f| self.path(f).display().to_string());
        let arguments = line.split_whitespace().map(|w| word(w).replace('~', " "));
        Command::new(env!("CARGO_BIN_EXE_rinsebook")).args(arguments).output().unwrap()
    }

    pub(crate) fn told(&self, line: &str) -> String {
        let output = self.run(line);
        let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
        assert!(output.status.success(), "{line}\n{out}\n{err}");
        out
    }

    /// Where the service's pages are.
    pub(crate) fn service_url(&self) -> String {
        format!("https://localhost:{}", self.address.port())
    }

    pub(crate) async fn stop_service(&mut self) {
        self.service.take().unwrap().stop().await.unwrap();
    }

    /// The same service at the same address.
    pub(crate) async fn start_service(&mut self) {
        let config = Config { listen: self.address, ..Config::local(&self.path("service")) };
        self.service = Some(rinsebook_service::start(config, Arc::new(SystemClock)).await.unwrap());
    }

    pub(crate) fn tablet(&self) -> Tablet {
        Tablet::start(&self.path("ramp"))
    }

    pub(crate) fn other_tablet(&self) -> Tablet {
        Tablet::start(&self.path("ramp2"))
    }
}

/// The station's program with its page, and somebody who uses it.
pub(crate) struct Tablet {
    child: Child,
    pub(crate) address: String,
    pub(crate) base: String,
    /// Where there is one, forms are filled in and sent with it, as fingers do.
    hands: Option<browser::Browser>,
}

pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Tablet {
    fn start(station: &std::path::Path) -> Tablet {
        let mut child = Command::new(env!("CARGO_BIN_EXE_rinsebook"))
            .args(["station", "page", "--listen", "127.0.0.1:0", "--station"])
            .arg(station)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let url = line.trim().rsplit("http://").next().unwrap().to_owned();
        let (address, secret) = url.split_once('/').unwrap_or_else(|| panic!("an address is printed, not {line:?}"));
        Tablet { child, address: address.to_owned(), base: format!("/{secret}"), hands: None }
    }

    /// The same, by a real browser.
    pub(crate) fn in_browser(mut self, browser: browser::Browser) -> Tablet {
        self.hands = Some(browser);
        self
    }

    /// The whole address of a page.
    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://{}{}{path}", self.address, self.base)
    }

    /// Ends the program as a power cut of its process would: it is told nothing.
    pub(crate) fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    pub(crate) fn raw(&self, request: &str) -> Answer {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut text = String::new();
        stream.read_to_string(&mut text).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Answer { status, head: head.to_owned(), body: body.to_owned() }
    }

    /// A page, by its address behind the secret.
    pub(crate) fn get(&self, path: &str) -> String {
        let address = &self.address;
        let answer =
            self.raw(&format!("GET {}{path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n", self.base));
        assert_eq!(answer.status, 200, "{path}\n{}", answer.body);
        answer.body
    }

    /// Sends a form; where it goes then, behind the secret.
    pub(crate) fn send(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let encoded: Vec<String> = fields.iter().map(|(k, v)| format!("{}={}", encode(k), encode(v))).collect();
        let (content, address) = (encoded.join("&"), &self.address);
        self.raw(&format!(
            "POST {}{path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\nConnection: close\r\nContent-Type: \
             application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{content}",
            self.base,
            content.len()
        ))
    }

    /// Sends a form that has to be taken; gives where it goes.
    pub(crate) fn done(&self, path: &str, fields: &[(&str, &str)]) -> String {
        if let Some(hands) = &self.hands {
            // The lock has no page of its own: it stands on every page, once a key is open.
            if path != "/lock" {
                hands.open(&self.url(path));
            }
            let to = hands.sends(path, fields);
            return to.strip_prefix(&self.base).unwrap().to_owned();
        }
        let answer = self.send(path, fields);
        assert_eq!(answer.status, 303, "{path} {fields:?}\n{}", said(&answer.body));
        let to = answer.head.lines().find_map(|l| l.strip_prefix("location: ")).unwrap();
        to.strip_prefix(&self.base).unwrap().to_owned()
    }

    /// Looks at a page until it says that.
    pub(crate) fn until(&self, path: &str, says: &str) -> String {
        let begun = Instant::now();
        loop {
            let page = self.get(path);
            if page.contains(says) {
                return page;
            }
            assert!(begun.elapsed() < PATIENCE, "{path} never said {says:?}:\n{page}");
            std::thread::sleep(Duration::from_millis(200));
        }
    }

    /// Reads what a group is to sign, and signs it.
    pub(crate) fn sign(&self, wash: &str, group: &str, person: &str, passphrase: &str) -> Answer {
        let page = self.get(&format!("{wash}/sign/{group}"));
        let shown = between(&page, "name=\"shown\" value=\"", "\"").unwrap_or_default();
        self.send(&format!("{wash}/sign/{group}"), &[("shown", &shown), ("person", person), ("passphrase", passphrase)])
    }

    pub(crate) fn signs(&self, wash: &str, group: &str, person: &str, passphrase: &str) {
        if let Some(hands) = &self.hands {
            hands.open(&self.url(&format!("{wash}/sign/{group}")));
            hands.sends(&format!("/sign/{group}"), &[("person", person), ("passphrase", passphrase)]);
            return;
        }
        let answer = self.sign(wash, group, person, passphrase);
        assert_eq!(answer.status, 303, "{group} by {person}\n{}", said(&answer.body));
    }
}

impl Drop for Tablet {
    fn drop(&mut self) {
        // It may be dead already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a page says about what was not done.
pub(crate) fn said(page: &str) -> String {
    between(page, "<main", "</main>").unwrap_or_else(|| page.to_owned())
}

pub(crate) fn between(text: &str, from: &str, to: &str) -> Option<String> {
    let rest = &text[text.find(from)? + from.len()..];
    Some(rest[..rest.find(to)?].to_owned())
}

fn encode(text: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.');
    text.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}
