//! A browser driven through the WebDriver protocol (W3C) by hand: a few calls are all that is asked of it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde_json::{Value, json};

/// Arguments: where the form goes, and its fields. Says what is missing.
const FILL: &str = r#"
const [to, fields] = arguments;
const form = [...document.querySelectorAll("form")].find((f) => {
  const action = new URL(f.action).pathname;
  return action.endsWith(to) && fields.every(([name]) => f.elements[name]);
});
if (!form) return "no such form; the page says: " + document.body.innerText;
const enabled = [...form.querySelectorAll("button")].filter((b) => !b.disabled);
let button = enabled.find((b) => b.classList.contains("main")) ?? enabled.at(-1);
for (const [name, value] of fields) {
  let field = form.elements[name];
  if (field instanceof RadioNodeList) field = [...field].find((e) => e.value === value);
  if (!field) return `${name} has no ${value}`;
  if (field.type === "hidden") continue;
  if (field.tagName === "BUTTON") { button = field; continue; }
  if (field.type === "checkbox" || field.type === "radio") { if (!field.checked) field.click(); continue; }
  field.focus();
  field.value = value;
  if (field.value !== value) return `${name} does not take ${value}`;
  field.dispatchEvent(new Event("input", { bubbles: true }));
  field.dispatchEvent(new Event("change", { bubbles: true }));
}
// What is not named is not meant: a box that the page ticked beforehand is touched too.
const named = new Set(fields.map(([name]) => name));
for (const box of form.querySelectorAll("input[type=checkbox]")) if (box.checked && !named.has(box.name)) box.click();
window.sentHere = true;
button.click();
return "";
"#;

pub(crate) struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// A window of that size in CSS pixels, with a profile of its own.
    pub(crate) fn sized(width: u32, height: u32) -> Browser {
        let metrics = json!({ "width": width, "height": height, "pixelRatio": 1, "touch": true });
        Browser::with(&json!({ "mobileEmulation": { "deviceMetrics": metrics } }), &[])
    }

    /// A wall's, which believes the service's certificate as its keeper made it do.
    pub(crate) fn on_the_wall() -> Browser {
        Browser::with(&json!({}), &["--ignore-certificate-errors", "--window-size=1920,1080"])
    }

    fn with(options: &Value, more: &[&str]) -> Browser {
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
        let mut arguments = vec![
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
        arguments.extend(more);
        let mut options = options.clone();
        options["args"] = json!(arguments);
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

    /// What a script gives to the function that is its last argument.
    pub(crate) fn run_later(&self, script: &str) -> Value {
        self.ask("POST", "/execute/async", &json!({ "script": script, "args": [] }))
    }

    /// The whole page as a PNG.
    pub(crate) fn picture(&self) -> Vec<u8> {
        self.captured(true)
    }

    fn captured(&self, beyond_the_screen: bool) -> Vec<u8> {
        let asked =
            json!({ "cmd": "Page.captureScreenshot", "params": { "captureBeyondViewport": beyond_the_screen } });
        let png = self.ask("POST", "/goog/cdp/execute", &asked);
        BASE64.decode(png["data"].as_str().unwrap()).unwrap()
    }

    /// Keeps a picture of the whole page, and one of what the screen shows, where RINSEBOOK_PICTURES names a folder.
    pub(crate) fn keeps_a_picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("RINSEBOOK_PICTURES") else { return };
        for (ending, beyond) in [("", true), ("-screen", false)] {
            let file = std::path::Path::new(&folder).join(format!("{name}{ending}.png"));
            std::fs::write(file, self.captured(beyond)).unwrap();
        }
    }

    /// Fills in the form that goes to that path, as fingers do: boxes are touched, fields typed into. Then touches its
    /// button, and waits for the page that comes; gives its path.
    pub(crate) fn sends(&self, path: &str, fields: &[(&str, &str)]) -> String {
        let to = path.split('?').next().unwrap();
        let filled = self.ask("POST", "/execute/sync", &json!({ "script": FILL, "args": [to, fields] }));
        assert_eq!(filled, "", "{path} {fields:?}");
        for _ in 0..600 {
            if self.run("return window.sentHere !== true && document.readyState === 'complete'") == true {
                let said = self
                    .run("return [...document.querySelectorAll('.said[role=alert]')].map((e) => e.innerText).join()");
                assert_eq!(said, "", "{path} {fields:?}");
                return self.run("return location.pathname").as_str().unwrap().to_owned();
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("no page came after {path} {fields:?}");
    }

    /// Looks until a script says true.
    pub(crate) fn waits(&self, script: &str, what: &str) {
        for _ in 0..600 {
            if self.run(script) == true {
                return;
            }
            std::thread::sleep(Duration::from_millis(200));
        }
        panic!("it never came: {what}; the page says: {}", self.run("return document.body.innerText"));
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
        // Whatever the test came to, the browser ends; a driver that is killed leaves it running. Both may be gone already.
        if !self.session.is_empty()
            && let Ok(mut stream) = TcpStream::connect(("127.0.0.1", self.port))
        {
            let end = format!("DELETE /session/{} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", self.session);
            let _ = stream.write_all(end.as_bytes()).and_then(|()| stream.read(&mut [0; 64]));
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
