//! The service program as it is shipped: a process of its own, whose memory and whose log can be looked at from outside.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use anyhow::{Context, Result};

/// The program; killed when dropped.
pub struct Program {
    child: Child,
    log: PathBuf,
    /// Its port on the loopback address.
    pub port: u16,
}

impl Program {
    /// Starts it on this data folder; `more` is added to its configuration. Logs as fine as `level` go to a file in `dir`.
    pub fn start(dir: &Path, data: &Path, more: &str, level: &str) -> Result<Program> {
        let (config, log) = (dir.join("service.toml"), dir.join("service.log"));
        std::fs::write(&config, format!("listen = \"127.0.0.1:0\"\ndata = {data:?}\n{more}"))?;
        let mut child = Command::new(binary()?)
            .args(["serve", "--config"])
            .arg(&config)
            .env("RINSEBOOK_LOG", level)
            .env("NO_COLOR", "1")
            .stdout(Stdio::piped())
            .stderr(File::create(&log)?)
            .spawn()?;
        let mut line = String::new();
        BufReader::new(child.stdout.take().context("it has an output")?).read_line(&mut line)?;
        let port = line.trim_end().rsplit_once(':').and_then(|(_, port)| port.parse().ok());
        match port {
            Some(port) => Ok(Program { child, log, port }),
            None => {
                let _ = child.wait();
                anyhow::bail!("it did not begin to serve: {}", std::fs::read_to_string(&log)?)
            }
        }
    }

    /// Where stations call it.
    pub fn address(&self) -> String {
        format!("https://localhost:{}", self.port)
    }

    /// What it wrote to its log so far.
    pub fn log(&self) -> Result<String> {
        Ok(String::from_utf8_lossy(&std::fs::read(&self.log)?).into_owned())
    }

    /// The most memory that it ever had resident, KiB (`VmHWM`, proc(5)).
    pub fn most_resident_kib(&self) -> Result<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).context("Linux tells it")?;
        Ok(line.trim().trim_end_matches(" kB").parse()?)
    }

    /// Whether it runs still.
    pub fn runs(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // SIGKILL; a child that is gone already is what we want.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The program itself.
pub fn binary() -> Result<PathBuf> {
    let named = std::env::var_os("RINSEBOOK_SERVICE");
    named.map(PathBuf::from).context("RINSEBOOK_SERVICE names the service program; tests/run builds it and sets it")
}

/// Lines of a log or of an error stream that tell of a panic.
pub fn panics(text: &str) -> Vec<&str> {
    text.lines().filter(|line| line.contains("panicked at")).collect()
}
