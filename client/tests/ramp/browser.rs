//! A browser driven through the WebDriver protocol (W3C) by hand: a few calls are all that is asked of it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

pub(crate) struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// A window of that size in CSS pixels, with a profile of its own.
    pub(crate) fn sized(width: u32, height: u32) -> Browser {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .spawn()
            .expect("chromedriver is installed (Debian: chromium-driver)");
        let profile = tempfile::tempdir().unwrap();
        let mut browser = Browser { driver, port, session: String::new(), _profile: profile };
        for _ in 0..200 {
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let data = format!("--user-data-dir={}", browser._profile.path().display());
        let arguments = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            &data,
        ];
        let metrics = json!({ "width": width, "height": height, "pixelRatio": 1, "touch": true });
        let options = json!({ "args": arguments, "mobileEmulation": { "deviceMetrics": metrics } });
        let asked = json!({ "capabilities": { "alwaysMatch": { "goog:chromeOptions": options } } });
        let made = browser.call("POST", "/session", &asked);
        browser.session = made["sessionId"].as_str().unwrap_or_else(|| panic!("{made}")).to_owned();
        browser
    }

    pub(crate) fn open(&self, url: &str) {
        self.ask("POST", "/url", &json!({ "url": url }));
    }

    /// What a script returns.
    pub(crate) fn run(&self, script: &str) -> Value {
        self.ask("POST", "/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// Types into the first element that a selector finds; U+E007 is Enter.
    pub(crate) fn types(&self, selector: &str, text: &str) {
        let found = self.ask("POST", "/element", &json!({ "using": "css selector", "value": selector }));
        let element = found.as_object().and_then(|o| o.values().next()).and_then(Value::as_str).unwrap().to_owned();
        self.ask("POST", &format!("/element/{element}/value"), &json!({ "text": text }));
    }

    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        self.call(method, &format!("/session/{}{path}", self.session), body)
    }

    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let body = body.to_string();
        let head =
            format!("{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Length: {}\r\n", self.port, body.len());
        write!(stream, "{head}Content-Type: application/json\r\n\r\n{body}").unwrap();
        let mut answer = BufReader::new(stream);
        let mut length = 0;
        loop {
            let mut line = String::new();
            answer.read_line(&mut line).unwrap();
            if line.trim().is_empty() {
                break;
            }
            if let Some(n) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = n.trim().parse().unwrap();
            }
        }
        let mut bytes = vec![0; length];
        answer.read_exact(&mut bytes).unwrap();
        let answer: Value = serde_json::from_slice(&bytes).unwrap();
        assert!(answer["value"]["error"].is_null(), "{method} {path}: {answer}");
        answer["value"].clone()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Both may be gone already.
        if !self.session.is_empty() && !std::thread::panicking() {
            self.call("DELETE", &format!("/session/{}", self.session), &json!({}));
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
