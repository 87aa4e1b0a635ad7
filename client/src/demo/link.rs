//! A cable that can be pulled: everything a station sends goes through it, and when it is cut its sockets are gone.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use anyhow::{Context, Result};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::{JoinHandle, JoinSet};

/// See the module.
pub struct Link {
    from: SocketAddr,
    to: SocketAddr,
    plugged: Option<Plugged>,
}

struct Plugged {
    accepting: JoinHandle<()>,
    connections: Arc<Mutex<JoinSet<()>>>,
}

impl Link {
    /// Listens on a free loopback port and passes everything on to that address.
    pub async fn to(to: SocketAddr) -> Result<Link> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let from = listener.local_addr()?;
        Ok(Link { from, to, plugged: Some(plug(listener, to)) })
    }

    /// What a station takes for the service.
    pub fn address(&self) -> String {
        format!("https://localhost:{}", self.from.port())
    }

    /// Whether anything gets through.
    pub fn is_up(&self) -> bool {
        self.plugged.is_some()
    }

    /// Closes every connection in the middle of what it carries, and listens no more.
    pub fn cut(&mut self) {
        if let Some(plugged) = self.plugged.take() {
            plugged.accepting.abort();
            // Dropping the set ends its tasks and closes their sockets.
            std::mem::take(&mut *plugged.connections.lock().unwrap_or_else(std::sync::PoisonError::into_inner));
        }
    }

    /// Listens again where it did.
    pub async fn mend(&mut self) -> Result<()> {
        if self.plugged.is_none() {
            let again = TcpListener::bind(self.from).await.context("the link's port was taken meanwhile")?;
            self.plugged = Some(plug(again, self.to));
        }
        Ok(())
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.cut();
    }
}

fn plug(listener: TcpListener, to: SocketAddr) -> Plugged {
    let connections = Arc::new(Mutex::new(JoinSet::new()));
    let carried = connections.clone();
    let accepting = tokio::spawn(async move {
        while let Ok((inbound, _)) = listener.accept().await {
            carried.lock().unwrap_or_else(std::sync::PoisonError::into_inner).spawn(carry(inbound, to));
        }
    });
    Plugged { accepting, connections }
}

async fn carry(mut inbound: TcpStream, to: SocketAddr) {
    if let Ok(mut outbound) = TcpStream::connect(to).await {
        // How a connection ended is for its two ends to tell.
        let _ = tokio::io::copy_bidirectional(&mut inbound, &mut outbound).await;
    }
}
