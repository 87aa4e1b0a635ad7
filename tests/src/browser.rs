//! A real browser without a window, driven by the WebDriver protocol (W3C): Debian's chromium and its driver, each with a
//! folder of its own. The few calls that tests need are made by hand.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, bail};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde_json::{Value, json};

use crate::fetch::fetch;

/// Nothing is timed: what never comes is to end the test.
const HANGS: Duration = Duration::from_secs(120);
const LOOK_EVERY: Duration = Duration::from_millis(50);

const FLAGS: [&str; 9] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--ignore-certificate-errors",
];

/// See the module.
pub struct Browser {
    driver: SocketAddr,
    session: String,
    process: Child,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts driver and browser.
    pub async fn open() -> Result<Browser> {
        let profile = tempfile::tempdir()?;
        let driver = free_address()?;
        let process = Command::new("chromedriver")
            .arg(format!("--port={}", driver.port()))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .context("chromedriver is not installed; tests/run installs it")?;
        let mut browser = Browser { driver, session: String::new(), process, _profile: profile };
        until("the driver listens", async || Ok(fetch(driver, "GET", "/status", &[], &[]).await.is_ok())).await?;
        let mut flags: Vec<String> = FLAGS.iter().map(|flag| (*flag).to_owned()).collect();
        flags.push(format!("--user-data-dir={}", browser._profile.path().display()));
        flags.push("--window-size=1024,768".to_owned());
        let asked = json!({ "capabilities": { "alwaysMatch": { "goog:chromeOptions": { "args": flags } } } });
        let made = browser.call("POST", "/session", &asked).await?;
        browser.session = made["sessionId"].as_str().context("a session")?.to_owned();
        Ok(browser)
    }

    async fn call(&self, method: &str, path: &str, body: &Value) -> Result<Value> {
        let kind = [("content-type", "application/json; charset=utf-8")];
        let answer = fetch(self.driver, method, path, &kind, body.to_string().as_bytes()).await?;
        let mut answer: Value = serde_json::from_slice(&answer.body).context("the driver answers in JSON")?;
        if let Some(error) = answer["value"]["error"].as_str() {
            bail!("{method} {path}: {error}: {}", answer["value"]["message"]);
        }
        Ok(answer["value"].take())
    }

    async fn ask(&self, path: &str, body: &Value) -> Result<Value> {
        self.call("POST", &format!("/session/{}{path}", self.session), body).await
    }

    /// Makes the page this large, in CSS pixels.
    pub async fn sized(&self, width: u32, height: u32) -> Result<()> {
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        let asked = json!({ "cmd": "Emulation.setDeviceMetricsOverride", "params": metrics });
        self.ask("/goog/cdp/execute", &asked).await?;
        // A bar would take from the width, as it does on no phone.
        let no_bars = json!({ "cmd": "Emulation.setScrollbarsHidden", "params": { "hidden": true } });
        self.ask("/goog/cdp/execute", &no_bars).await.map(|_| ())
    }

    /// Loads a page.
    pub async fn goto(&self, url: &str) -> Result<()> {
        self.ask("/url", &json!({ "url": url })).await.map(|_| ())
    }

    /// Runs a script in the page; gives what it returns.
    pub async fn run(&self, script: &str) -> Result<Value> {
        self.ask("/execute/sync", &json!({ "script": script, "args": [] })).await
    }

    /// Runs a script in the page that gives its answer later, to the function that is its last argument.
    pub async fn run_later(&self, script: &str) -> Result<Value> {
        self.ask("/execute/async", &json!({ "script": script, "args": [] })).await
    }

    /// The page as a PDF, on paper of that many centimetres.
    pub async fn printed(&self, width_cm: f64, height_cm: f64) -> Result<Vec<u8>> {
        let page = json!({ "page": { "width": width_cm, "height": height_cm } });
        let pdf = self.ask("/print", &page).await?;
        Ok(BASE64.decode(pdf.as_str().context("a PDF in base64")?)?)
    }

    /// The whole page, as long as it is, as a PNG.
    pub async fn picture(&self) -> Result<Vec<u8>> {
        let asked = json!({ "cmd": "Page.captureScreenshot", "params": { "captureBeyondViewport": true } });
        let png = self.ask("/goog/cdp/execute", &asked).await?;
        Ok(BASE64.decode(png["data"].as_str().context("a picture in base64")?)?)
    }

    /// What the screen shows of the page, as a PNG.
    pub async fn screen(&self) -> Result<Vec<u8>> {
        let png = self.ask("/goog/cdp/execute", &json!({ "cmd": "Page.captureScreenshot", "params": {} })).await?;
        Ok(BASE64.decode(png["data"].as_str().context("a picture in base64")?)?)
    }

    /// Runs a script until it returns true.
    pub async fn until(&self, what: &str, script: &str) -> Result<()> {
        until(what, async || Ok(self.run(script).await? == Value::Bool(true))).await
    }

    /// The text of the first element that fits.
    pub async fn text(&self, selector: &str) -> Result<String> {
        let script = format!("return document.querySelector({selector:?})?.innerText ?? ''");
        Ok(self.run(&script).await?.as_str().unwrap_or_default().to_owned())
    }

    /// Ends both.
    pub async fn close(mut self) -> Result<()> {
        self.call("DELETE", &format!("/session/{}", self.session), &json!({})).await?;
        // The driver has nothing left to do.
        self.process.kill()?;
        self.process.wait()?;
        Ok(())
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Closed already, or left by a test that failed: a driver that is killed leaves its browser running.
        if let Ok(mut stream) = TcpStream::connect(self.driver) {
            let end = format!("DELETE /session/{} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", self.session);
            let _ = stream.write_all(end.as_bytes()).and_then(|()| stream.read(&mut [0; 64]));
        }
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Looks until it is so.
pub async fn until(what: &str, mut is_so: impl AsyncFnMut() -> Result<bool>) -> Result<()> {
    let looking = async {
        while !is_so().await? {
            tokio::time::sleep(LOOK_EVERY).await;
        }
        Ok(())
    };
    match tokio::time::timeout(HANGS, looking).await {
        Ok(result) => result,
        Err(_) => bail!("waited for ever: {what}"),
    }
}

fn free_address() -> Result<SocketAddr> {
    Ok(std::net::TcpListener::bind("127.0.0.1:0")?.local_addr()?)
}
