//! The service in a process of its own: this program again, told to serve. So its CPU time and its memory are its own, and
//! what it is, is what `rinsebook-service` is: the library's `start` under the system's clock.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rinsebook_client::remote::{self, Channel};
use rinsebook_proto::clock::SystemClock;

use super::clocks;
use crate::fleet::Fleet;

/// What the child is told first.
pub(super) const SERVE: &str = "--serve-for-measure";

/// A service that runs beside.
pub(super) struct Server {
    child: Child,
    /// Closed, it stops.
    input: Option<ChildStdin>,
    /// Where it listens.
    pub(super) address: String,
    /// From the start of its process until it listens.
    pub(super) start: Duration,
}

impl Server {
    /// Starts one on this log.
    pub(super) fn start(fleet: &Fleet) -> Result<Server> {
        let begun = Instant::now();
        let mut child = Command::new(std::env::current_exe()?)
            .arg(SERVE)
            .arg(fleet.config().data)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let mut line = String::new();
        BufReader::new(child.stdout.take().context("it was piped")?).read_line(&mut line)?;
        let start = begun.elapsed();
        let port = line.trim().strip_prefix("serving ").context("the service did not start; its errors are above")?;
        let (input, address) = (child.stdin.take(), format!("https://localhost:{port}"));
        Ok(Server { child, input, address, start })
    }

    /// A channel of a station's.
    pub(super) async fn channel(&self, fleet: &Fleet, station: usize) -> Result<Channel> {
        let home = fleet.station(station)?;
        Ok(remote::connect_as(&self.address, &home.ca_pem()?, Some(home.tls_identity()?)).await?)
    }

    /// Its process.
    pub(super) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// CPU seconds: of all of it, and of the thread that keeps the projection.
    pub(super) fn cpu(&self) -> Result<(f64, f64)> {
        let all = clocks::process_cpu(self.pid())?.as_secs_f64();
        Ok((all, clocks::threads_cpu(self.pid(), "projection")?.as_secs_f64()))
    }

    /// Stops it as a service manager would, and waits.
    pub(super) fn stop(mut self) -> Result<()> {
        drop(self.input.take());
        anyhow::ensure!(self.child.wait()?.success(), "the service did not stop well");
        Ok(())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.input.take());
        // It ends by itself when its input ends.
        let _ = self.child.wait();
    }
}

/// Serves the data folder of a fleet until the input ends.
pub(super) fn serve(data: &Path) -> Result<()> {
    let dir = data.parent().context("a data folder lies in a fleet's")?;
    let config = Fleet::at(dir).config();
    tokio::runtime::Builder::new_multi_thread().enable_all().build()?.block_on(async {
        let running = rinsebook_service::start(config, Arc::new(SystemClock)).await?;
        let mut out = std::io::stdout();
        writeln!(out, "serving {}", running.address.port())?;
        out.flush()?;
        // Whoever started this closes its input when it has had enough, or is gone.
        tokio::task::spawn_blocking(|| std::io::copy(&mut std::io::stdin(), &mut std::io::sink())).await??;
        running.stop().await?;
        Ok(())
    })
}
