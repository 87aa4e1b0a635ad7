//! A real browser without a window, driven over WebDriver: Debian's chromium and its driver, each with a folder of its own.

use std::net::SocketAddr;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use bytes::Bytes;
use serde_json::Value;
use thirtyfour::error::{WebDriverError, WebDriverResult};
use thirtyfour::prelude::*;
use thirtyfour::session::http::{Body, HttpClient};
use thirtyfour::{ChromiumLikeCapabilities, DesiredCapabilities};

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
    /// The session.
    pub driver: WebDriver,
    process: Child,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts driver and browser.
    pub async fn open() -> Result<Browser> {
        let profile = tempfile::tempdir()?;
        let address = free_address()?;
        let process = Command::new("chromedriver")
            .arg(format!("--port={}", address.port()))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .context("chromedriver is not installed; tests/run installs it")?;
        // From here on the driver ends with this value, whatever fails.
        let mut started = Started(Some(process));
        until("the driver listens", async || Ok(fetch(address, "GET", "/status", &[], &[]).await.is_ok())).await?;
        let mut capabilities = DesiredCapabilities::chrome();
        for flag in FLAGS {
            capabilities.add_arg(flag)?;
        }
        capabilities.add_arg(&format!("--user-data-dir={}", profile.path().display()))?;
        capabilities.add_arg("--window-size=1024,768")?;
        let driver = WebDriver::builder(format!("http://{address}"), capabilities).client(Client(address)).await?;
        let process = started.0.take().context("the driver was started")?;
        Ok(Browser { driver, process, _profile: profile })
    }

    /// Loads a page.
    pub async fn goto(&self, url: &str) -> Result<()> {
        Ok(self.driver.goto(url).await?)
    }

    /// Runs a script in the page; gives what it returns.
    pub async fn run(&self, script: &str) -> Result<Value> {
        Ok(self.driver.execute(script, Vec::<Value>::new()).await?.json().clone())
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
        self.driver.clone().quit().await?;
        // The driver has nothing left to do.
        self.process.kill()?;
        self.process.wait()?;
        Ok(())
    }
}

struct Started(Option<Child>);

impl Drop for Started {
    fn drop(&mut self) {
        if let Some(process) = &mut self.0 {
            // It may have ended by itself.
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Closed already, or left by a test that failed.
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

#[derive(Clone)]
struct Client(SocketAddr);

#[async_trait::async_trait]
impl HttpClient for Client {
    async fn send(&self, request: http::Request<Body<'_>>) -> WebDriverResult<http::Response<Bytes>> {
        let body = match request.body() {
            Body::Empty => Vec::new(),
            Body::Json(json) => json.to_string().into_bytes(),
        };
        let failed = |why: String| WebDriverError::RequestFailed(why);
        let json = [("content-type", "application/json; charset=utf-8")];
        let answer = fetch(self.0, request.method().as_str(), request.uri().path(), &json, &body)
            .await
            .map_err(|error| failed(error.to_string()))?;
        let response = http::Response::builder().status(answer.status).body(Bytes::from(answer.body));
        response.map_err(|error| failed(error.to_string()))
    }

    async fn new(&self) -> Arc<dyn HttpClient> {
        Arc::new(self.clone())
    }
}
